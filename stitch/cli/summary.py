"""The end of a run in the terminal: what came out, what to look at, where it lies."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from stitch.cli.console import answer, say, show_findings
from stitch.cli.lengths import MM_PER_INCH

if TYPE_CHECKING:
    from stitch.model.report import RunSummary, Timing


def show_summary(summary: RunSummary, root: Path, *, timings: bool) -> None:
    """Findings and figures on stderr; the paths of master, seam map and report on stdout, one a line, in that order."""
    show_findings(summary.findings)
    for line in _figures(summary):
        say(line)
    if timings:
        for timing in summary.timings:
            say(_timed(timing))
    say(_verdict(summary))
    if summary.next_command:
        where = "" if Path.cwd().resolve() == root.parent else f" (in the folder {root.parent})"
        say(f"Next{where}: {summary.next_command}")
    for path in _paths(summary, root):
        answer(str(path))


def _timed(timing: Timing) -> str:
    """One line: wall time, time of all cores, gigabytes read and written."""
    said = f"{timing.room:<12}{timing.seconds:8.1f} s"
    if timing.cpu_s is not None:
        said += f"{timing.cpu_s:9.1f} s of cores"
    if timing.read_bytes is not None and timing.written_bytes is not None:
        said += f"{timing.read_bytes / 1e9:8.2f} GB read{timing.written_bytes / 1e9:8.2f} GB written"
    return f"{said}  (kept from an earlier run)" if timing.is_kept else said


def show_report_path(root: Path) -> None:
    """The path of the report on stdout, when there is one."""
    for path in _report(root):
        answer(str(path))


def _figures(summary: RunSummary) -> Iterator[str]:
    if summary.master is not None and summary.master_spec is not None:
        spec = summary.master_spec
        width_mm, height_mm = (n * MM_PER_INCH / spec.ppi for n in (spec.size.width_px, spec.size.height_px))
        count = len(summary.scans) - (len(summary.layout.left_out) if summary.layout else 0)
        yield (
            f"{count} scans joined: {spec.size.width_px} × {spec.size.height_px} px at {spec.ppi:g} ppi "
            f"({width_mm:.1f} × {height_mm:.1f} mm, background included), {spec.bits} bits a channel."
        )
    if summary.size_check is not None:
        for reading in summary.size_check.readings:
            if reading.expected_mm is not None:
                yield (
                    f"{reading.name}: {reading.measured_mm:.2f} mm (± {reading.uncertainty_mm:.2f}), "
                    f"tape {reading.expected_mm:.1f} mm: {_judged(is_ok=reading.is_ok)}."
                )


def _judged(*, is_ok: bool | None) -> str:
    if is_ok is None:
        return "not checked"
    return "good" if is_ok else "NOT within the tolerance"


def _verdict(summary: RunSummary) -> str:
    if summary.exit_code == 0:
        return "Done."
    if summary.exit_code == 1:
        return "Done, but a check failed: see above and in the report before you use the master."
    return "Stopped: no master was written by this run."


def _paths(summary: RunSummary, root: Path) -> Iterator[Path]:
    if summary.master is not None:
        yield from (path for path in (root / "master.tif", root / "seam-map.png") if path.exists())
    yield from _report(root)


def _report(root: Path) -> Iterator[Path]:
    report = root / "report.html"
    if report.exists():
        yield report
