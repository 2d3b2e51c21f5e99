"""From what was named to scans that can be used: collect, inspect, check against each other."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from stitch.errors import ScanError, UsageError
from stitch.job.folder import JobFolder
from stitch.job.state import fingerprint
from stitch.model.findings import Finding, Severity
from stitch.model.request import JoinRequest
from stitch.model.scans import PixelSource, Scan
from stitch.pipeline.keep import VERSIONS, Keeper, load_record, save_record
from stitch.progress import Progress
from stitch.scans.collect import Collected, collect
from stitch.scans.inspect import look
from stitch.scans.preflight import effective_ppi, master_bits, preflight
from stitch.scans.readers import open_scan

CACHE_SHARE = 0.15  # of the memory budget, for decoded strips and tiles of compressed scans
LEAST_CACHE_BYTES = 4 << 20
MOST_AT_ONCE = 2  # files that are checked at the same time: more would only make a slow disk seek


class ScansDisagree(ScanError):
    """Scans that are sound, each by itself, but do not make one job."""


@dataclass(frozen=True, slots=True)
class CheckedIn:
    """The scans of a job, and what was noticed about each file."""

    scans: tuple[Scan, ...]
    findings: tuple[Finding, ...]


def check_in(job: JobFolder, files: Sequence[Path], keeper: Keeper, progress: Progress) -> tuple[CheckedIn, str]:
    """Look at every scan; with the fingerprint that later rooms build on. Raises ScanError for an unusable file."""
    stats = [(str(path), *facts) for path, facts in keeper.watch(files).items()]
    saved = job.work / "scans.json"

    def make() -> CheckedIn:
        looks = [look(path, scratch=job.scratch, is_read_often=True) for path in files]
        threads = min(MOST_AT_ONCE, job.request.settings.jobs or os.cpu_count() or 1)
        with (
            progress.task("Checking the scans", sum(one.work for one in looks)) as task,
            ThreadPoolExecutor(threads, thread_name_prefix="check") as pool,
        ):
            for _ in pool.map(lambda one: one.measure(task.advance), looks):
                pass
        scans: list[Scan] = []
        findings: list[Finding] = []
        for one in looks:
            looked = one.inspected([scan.scan_id for scan in scans])
            scans += looked.scans
            findings += looked.findings
        found = CheckedIn(tuple(scans), tuple(findings))
        save_record(saved, found)
        return found

    checked, _ = keeper.room("scans", stats, {}, [saved], make=make, load=lambda: load_record(CheckedIn, saved))
    return checked, fingerprint("scans", VERSIONS["scans"], [_known_again(scan) for scan in checked.scans], {})


def _known_again(scan: Scan) -> tuple[str, str, int]:
    """What of a scan decides its pixels, wherever the file lies."""
    return scan.scan_id, scan.sha256, scan.page_index


def keys(scans: Sequence[Scan], bits: int) -> dict[str, str]:
    """What decides the pixels of each scan as they are read for a master of `bits`."""
    return {scan.scan_id: f"{scan.sha256} {scan.page_index} {bits}" for scan in scans}


def find(request: JoinRequest) -> Collected:
    """The files to look at, without the white sheet. Raises ScanError when there are fewer than two."""
    found = collect(request.inputs, only=request.only, skip=request.skip, recurse=request.recurse)
    sheet = request.settings.flat_path
    files = tuple(file for file in found.files if not sheet or file.resolve() != Path(sheet).resolve())
    if len(files) < 2:
        raise ScanError("There is only one scan beside the white sheet.", advice="Name the folder with all the scans.")
    return replace(found, files=files)


def check_together(request: JoinRequest, scans: tuple[Scan, ...], profile: bytes | None) -> tuple[Finding, ...]:
    """Check the scans against each other and the settings against the scans. Raises UsageError."""
    settings = request.settings
    names = [scan.scan_id for scan in scans]
    if settings.tone_reference is not None and settings.tone_reference not in names:
        raise UsageError(
            f"--tone-reference names {settings.tone_reference}, which is none of the scans.",
            advice=f"The scans are {', '.join(names)}.",
        )
    return preflight(
        scans,
        scan_dpi=settings.scan_dpi,
        dpi=settings.dpi,
        allow_enlarge=settings.allow_enlarge,
        profile=profile,
    )


def stop_on(findings: tuple[Finding, ...]) -> None:
    """Raise ScansDisagree with everything that stops the run, when anything does."""
    stops = [finding for finding in findings if finding.severity is Severity.STOP]
    if not stops:
        return
    message = " ".join(finding.message for finding in stops)
    advice = " ".join(dict.fromkeys(finding.advice for finding in stops if finding.advice))
    names = tuple(dict.fromkeys(name for finding in stops for name in finding.scan_ids))
    raise ScansDisagree(message, advice=advice, scan_ids=names)


def read_profile(path: str | None) -> bytes | None:
    """The ICC profile to assign, or None. Raises UsageError when the file is not one."""
    if path is None:
        return None
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise UsageError(f"The profile {path} could not be read: {error.strerror}.") from error
    if data[36:40] != b"acsp":
        raise UsageError(f"{path} is not an ICC profile.", advice="Give a file that ends in .icc or .icm.")
    return data


def resolutions(scans: tuple[Scan, ...], scan_dpi: float | None) -> dict[str, float]:
    """Pixels per inch of every scan."""
    return {scan.scan_id: effective_ppi(scan, scan_dpi) for scan in scans}


@contextmanager
def opened(scans: tuple[Scan, ...], scratch: Path, memory_mb: int) -> Iterator[Mapping[str, PixelSource]]:
    """All scans open for reading, at the master's bit depth; closed afterwards."""
    bits = master_bits(scans)
    cache_bytes = max(LEAST_CACHE_BYTES, int(memory_mb * 1e6 * CACHE_SHARE) // len(scans))
    sources: dict[str, PixelSource] = {}
    try:
        for scan in scans:
            sources[scan.scan_id] = open_scan(scan, scratch=scratch, bits=bits, cache_bytes=cache_bytes)
        yield sources
    finally:
        for source in sources.values():
            source.close()
