"""What the tests of wishes and layers do with a finished job."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner, Result

from stitch.cli.commands import app
from stitch.model.report import RunSummary
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import join
from tests.pipeline.jobs import PPI, hashes

MM = 25.4 / PPI
IN_BOTH = (340, 100, 400, 200)  # px of the master that A1 and A2 cover
Box = tuple[int, int, int, int]


def region(box: Box) -> str:
    """A box of whole px in mm, a little inside its outermost px."""
    x0, y0, x1, y1 = box
    return f"{x0 * MM + 0.01:.2f},{y0 * MM + 0.01:.2f} {x1 * MM - 0.01:.2f},{y1 * MM - 0.01:.2f}"


def run(job: Path, **settings: object) -> RunSummary:
    """Go on with a job."""
    return join(JoinRequest((job,), JoinSettings(**settings), given=tuple(settings)))


def stitch(*words: object) -> Result:
    """The command, run in this process."""
    return CliRunner().invoke(app, [str(word) for word in words])


def kept(found: RunSummary) -> set[str]:
    """Rooms kept, but for the look at the scans: those of a copied job are looked at again."""
    return {timing.room for timing in found.timings if timing.is_kept} - {"scans"}


def codes(found: RunSummary) -> list[str]:
    """What was noticed."""
    return [finding.code for finding in found.findings]


def results(job: Path) -> dict[str, str]:
    """Checksums of all but what a look at copied scans changes."""
    return {name: sha256 for name, sha256 in hashes(job).items() if name not in ("work/scans.json", "work/state.json")}
