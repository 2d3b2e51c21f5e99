"""A plan for scanning with what it will take, written to a folder as `plan.json` and a sheet to print."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from stitch.compose.windows import solve
from stitch.errors import UsageError, WriteError, write_error
from stitch.job.disk import RESERVE_BYTES, free_bytes
from stitch.job.whole import write_text_whole, write_whole
from stitch.master.layout import Kind, file_bytes_at_most, kind_for
from stitch.model.geometry import Size
from stitch.model.plan import ScanPlan
from stitch.pipeline.room import LABEL_SHARE
from stitch.pipeline.speed import join_seconds, measure_speed
from stitch.plan import figures
from stitch.plan.file import FILE_NAME, load_plan, text_of
from stitch.plan.sheet.pages import draw_sheet
from stitch.plan.sheet.paper import Paper

SHEET_NAME = "placement-sheet.pdf"
TAG_BYTES = 1_000_000  # of a master's profile, XMP record and texts, generously
USUAL_MEMORY_MB = 1000


@dataclass(frozen=True, slots=True)
class Costs:
    """What a plan takes. `free_bytes` is None where the disk cannot be asked, `join_s` where no test was possible."""

    scan: Size
    scan_bytes: int
    master: Size
    master_bytes: int
    is_bigtiff: bool
    disk_bytes: int  # all scans and the whole job
    free_bytes: int | None
    memory_mb: int  # a budget with which the master can be made
    join_s: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class PlanFiles:
    """What was written."""

    plan: Path
    sheet: Path


def costs_of(plan: ScanPlan, folder: Path, *, test_speed: bool = True) -> Costs:
    """Pixels, bytes, memory and time of a plan, for a job on the disk that holds `folder`."""
    scan, master = figures.scan_size(plan), figures.master_size(plan)
    scan_bytes, master_bytes = (figures.picture_bytes(size, plan.bits) for size in (scan, master))
    file_bytes = file_bytes_at_most(master, data_bytes=master_bytes, tag_bytes=TAG_BYTES)
    count = len(plan.scans)
    labels = int(master.width_px * master.height_px * LABEL_SHARE)
    speed = measure_speed(_existing(folder)) if test_speed else None
    return Costs(
        scan=scan,
        scan_bytes=scan_bytes,
        master=master,
        master_bytes=master_bytes,
        is_bigtiff=kind_for(file_bytes) is Kind.BIG,
        disk_bytes=count * scan_bytes + file_bytes + labels + RESERVE_BYTES,
        free_bytes=_free(folder),
        memory_mb=_memory_mb(plan, master),
        join_s=None
        if speed is None
        else join_seconds(speed, scan_px=count * scan.width_px * scan.height_px, master_bytes=master_bytes),
    )


def write_plan(plan: ScanPlan, folder: Path, paper: Paper) -> PlanFiles:
    """Write the plan and its sheet; an older plan there is replaced.

    Raises WriteError when something else has the plan's name, or on trouble with the disk.
    """
    files = PlanFiles(folder / FILE_NAME, folder / SHEET_NAME)
    _require_ours(files)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise write_error(folder, error) from error
    with write_whole(files.sheet) as part:
        part.write_bytes(draw_sheet(plan, paper))
    write_text_whole(files.plan, text_of(plan))
    return files


def _require_ours(files: PlanFiles) -> None:
    """A folder may hold an older plan and its sheet, but nothing else of these names."""
    try:
        if files.plan.exists():
            load_plan(files.plan)
            return
        if not files.sheet.exists():
            return
    except UsageError:
        pass
    raise WriteError(
        f"{files.plan.parent} holds a file that stitch plan did not write.", advice="Choose another place with --out."
    )


def _existing(folder: Path) -> Path:
    place = folder.absolute()
    while not place.is_dir():
        place = place.parent
    return place


def _free(folder: Path) -> int | None:
    try:
        return free_bytes(folder)
    except OSError:
        return None


def _memory_mb(plan: ScanPlan, master: Size) -> int:
    """The usual budget, doubled until the master can be made with it."""
    memory_mb = USUAL_MEMORY_MB
    while True:
        try:
            solve(master, len(plan.scans), plan.bits, memory_mb, os.cpu_count() or 1)
            return memory_mb
        except UsageError:
            memory_mb *= 2
