"""From placed scans to the finished file: tone, cut, compose, write, read back."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.compose.run import compose
from stitch.imaging.overview import Overview, OverviewFile, Shrinking, block_px_for, read_overview
from stitch.master.labels import LabelWriter
from stitch.master.writer import MasterWriter
from stitch.model.layout import Layout
from stitch.model.master import MasterRecord, MasterSpec
from stitch.model.scans import PixelSource
from stitch.model.seams import LabelMap, SeamLine
from stitch.model.settings import Compression
from stitch.model.tone import ToneFit
from stitch.model.wishes import WishOutcome, WishPlace
from stitch.pipeline.job import Job
from stitch.pipeline.keep import load_record, require_same, save_record
from stitch.pipeline.room import require_for
from stitch.seams.cut import cut, wish_outcomes
from stitch.seams.measure import measure
from stitch.tone.apply import code_table, has_shoulder
from stitch.tone.evened import evened
from stitch.tone.fit import fit
from stitch.tone.flat import Flat

Sources = Mapping[str, PixelSource]
Corners = tuple[tuple[float, float], ...]
Tables = Mapping[str, NDArray[np.float32] | None]


@dataclass(frozen=True, slots=True)
class _Cells:
    """What of a label map is not an array."""

    cell_px: int
    scan_ids: tuple[str, ...]
    lines: tuple[SeamLine, ...]
    outcomes: tuple[WishOutcome, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Seams:
    """A cut: which scan makes each part, how visible each seam is, and what became of each wish."""

    label_map: LabelMap
    lines: tuple[SeamLine, ...]
    outcomes: tuple[WishOutcome, ...] = ()


def match_tone(
    job: Job, sources: Sources, layout: Layout, flat: Flat | None, painting_px: Corners | None, placed: str
) -> tuple[ToneFit, str]:
    """The tone of every scan. `painting_px` : corners of the painting on the canvas, where they are certain."""
    saved = job.folder.work / "tone.json"
    settings = {
        "tone": job.settings.tone,
        "tone_reference": job.settings.tone_reference,
        "flat": None if flat is None else flat.use.sha256,
        "encoding": job.encoding.name,
    }

    def make() -> ToneFit:
        found = fit(
            sources,
            layout,
            job.encoding,
            bits=job.bits,
            how=job.settings.tone,
            reference_id=job.settings.tone_reference,
            flat=flat,
            painting_px=None if painting_px is None else np.array(painting_px),
            jobs=job.threads,
            progress=job.progress,
        )
        save_record(saved, found)
        return found

    def load() -> ToneFit:
        found = load_record(ToneFit, saved)
        require_same((tone.scan_id for tone in found.scans), sources)
        return found

    return job.keeper.room("tone", [placed], settings, [saved], make=make, load=load)


def tables_of(job: Job, tone: ToneFit) -> Tables:
    """For every scan the encoded value of each code after the match; None where the codes stay."""
    return {one.scan_id: code_table(one, job.encoding, job.bits, tone.common_scale) for one in tone.scans}


def evened_sources(job: Job, sources: Sources, tone: ToneFit) -> dict[str, PixelSource]:
    """The scans with their light evened out where the tone match found that they need it."""
    return {one.scan_id: evened(sources[one.scan_id], one.field, job.encoding) for one in tone.scans}


def eased_scans(job: Job, tone: ToneFit) -> tuple[str, ...]:
    """Scans whose brightest glints are eased under the top."""
    return tuple(o.scan_id for o in tone.scans if has_shoulder(o, job.encoding, job.bits, tone.common_scale))


def cut_seams(
    job: Job, sources: Sources, layout: Layout, tables: Tables, toned: str, wishes: Sequence[WishPlace]
) -> tuple[Seams, str]:
    """Which scan makes each part, and how visible each seam is."""
    cells_file, facts_file = job.folder.work / "labels.npy", job.folder.work / "labels.json"

    def make() -> Seams:
        found = fresh_seams(job, sources, layout, tables, wishes)
        np.save(cells_file, found.label_map.cells)
        save_record(facts_file, _Cells(found.label_map.cell_px, found.label_map.scan_ids, found.lines, found.outcomes))
        return found

    outputs = [cells_file, facts_file]
    settings = {"wishes": tuple(wishes)}
    return job.keeper.room("seams", [toned], settings, outputs, make=make, load=lambda: kept_seams(job, layout))


def fresh_seams(job: Job, sources: Sources, layout: Layout, tables: Tables, wishes: Sequence[WishPlace]) -> Seams:
    """Cut and measure; nothing is written."""
    memory_mb, sizes = job.settings.memory_mb, {name: source.size for name, source in sources.items()}
    label_map = cut(
        sources,
        layout,
        tables,
        job.encoding,
        bits=job.bits,
        memory_mb=memory_mb,
        wishes=wishes,
        progress=job.progress,
    )
    lines = measure(
        sources, layout, tables, job.encoding, label_map, bits=job.bits, jobs=job.threads, progress=job.progress
    )
    return Seams(label_map, lines, wish_outcomes(layout, sizes, label_map, wishes, memory_mb=memory_mb))


def kept_seams(job: Job, layout: Layout) -> Seams:
    """The cut of the last run. Raises OSError, ValueError, KeyError or TypeError when it does not fit the layout."""
    work = job.folder.work
    facts, cells = load_record(_Cells, work / "labels.json"), np.load(work / "labels.npy", allow_pickle=False)
    require_same(facts.scan_ids, (placement.scan_id for placement in layout.placements))
    rows, columns = (-(-n // facts.cell_px) for n in (layout.canvas.height_px, layout.canvas.width_px))
    if cells.shape != (rows, columns) or cells.dtype != np.uint8 or cells.max() > len(facts.scan_ids):
        raise ValueError("a kept label map that does not fit the canvas")
    return Seams(LabelMap(cells, facts.cell_px, facts.scan_ids), facts.lines, facts.outcomes)


def write_master(
    job: Job,
    sources: Sources,
    layout: Layout,
    tables: Tables,
    label_map: LabelMap,
    spec: MasterSpec,
    uncovered: tuple[int, int, int],
    seamed: str,
    *,
    when_read: Callable[[], None] | None = None,
) -> tuple[MasterRecord, str]:
    """Compose the canvas straight into the master, the label file and the overview.

    `when_read` : called once the scans are read for the last time; the file is read back from the disk after that.
    """
    folder, saved = job.folder, job.folder.work / "master.json"
    facts: list[Any] = [seamed, spec, uncovered]

    def make() -> MasterRecord:
        require_for(job.folder.root, spec)
        with (
            folder.writing(folder.master) as part,
            MasterWriter(part, spec, jobs=job.threads) as writer,
            contextlib.closing(OverviewFile(_overview_file(job))) as overview,
        ):
            job.progress.say(_beforehand(spec, writer))
            _write_all(job, sources, layout, tables, label_map, uncovered, writer, overview)
            if when_read is not None:
                when_read()
            record = writer.finish()
            folder.know_sha256(folder.master, record.sha256)
        save_record(saved, record)
        return record

    outputs = [folder.master, folder.seam_labels, saved, _overview_file(job)]
    settings = {"resample": job.settings.resample}
    return job.keeper.room("master", facts, settings, outputs, make=make, load=lambda: load_record(MasterRecord, saved))


def _beforehand(spec: MasterSpec, writer: MasterWriter) -> str:
    """What the master will be, said while it can still be stopped."""
    size, most = spec.size, "" if spec.compression is Compression.NONE else "at most "
    kind = "BigTIFF (larger than 4 GB: not every program opens it)" if writer.is_bigtiff else "TIFF"
    return f"The master: {size.width_px} × {size.height_px} pixels, {most}{writer.most_bytes / 1e9:.2f} GB, {kind}."


def overview(job: Job, layout: Layout) -> Overview:
    """That of the master, as it was kept when the master was written. Raises OSError, ValueError."""
    block_px = block_px_for(layout.canvas, layout.canvas_ppi)
    return read_overview(_overview_file(job), layout.canvas, block_px, job.bits)


def _overview_file(job: Job) -> Path:
    return job.folder.work / "overview.raw"


def _write_all(
    job: Job,
    sources: Sources,
    layout: Layout,
    tables: Tables,
    label_map: LabelMap,
    uncovered: tuple[int, int, int],
    writer: MasterWriter,
    overview: OverviewFile,
) -> None:
    folder = job.folder
    shrinking = Shrinking(layout.canvas, block_px_for(layout.canvas, layout.canvas_ppi))
    bits = 8 if len(label_map.scan_ids) < 256 else 16
    with (
        folder.writing(folder.seam_labels) as part,
        LabelWriter(part, layout.canvas, bits=bits, ppi=layout.canvas_ppi, scan_ids=label_map.scan_ids) as labels,
    ):

        def write_rows(pixels: NDArray[Any], label_rows: NDArray[np.uint8]) -> None:
            writer.write_rows(pixels)
            labels.write_rows(label_rows)
            overview.add(shrinking.take(pixels, label_rows))

        compose(
            sources,
            layout,
            tables,
            job.encoding,
            label_map,
            bits=job.bits,
            memory_mb=job.settings.memory_mb - writer.buffer_mb,
            jobs=job.settings.jobs,
            uncovered_code=uncovered,
            write_rows=write_rows,
            how=job.settings.resample,
            progress=job.progress,
        )
        labels.finish()
