"""The command to type next, as seen from the folder that holds the job."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from glob import escape
from pathlib import Path

from stitch.errors import RegisterError
from stitch.job.files import relative_name
from stitch.model.request import JoinRequest
from stitch.model.scans import Scan
from stitch.model.settings import JoinSettings
from stitch.scans.naming import shown
from stitch.scans.wording import listed

_OPTIONS = {
    "width_mm": "--width {:g}mm",
    "height_mm": "--height {:g}mm",
    "measured": "--measured {}",
    "tolerance_mm": "--tolerance {:g}mm",
    "dpi": "--dpi {:g}",
    "scan_dpi": "--scan-dpi {:g}",
    "allow_enlarge": "--allow-enlarge",
    "up_deg": "--up {}",
    "tone": "--tone {}",
    "tone_reference": "--tone-reference {}",
    "title": "--title {}",
    "creator": "--creator {}",
    "rights": "--rights {}",
    "fit_size": "--fit-size",
    "allow_gaps": "--allow-gaps",
    "compression": "--compression {}",
    "resample": "--resample {}",
    "layers": "--layers",
}


def way_out(root: Path, request: JoinRequest, stop: RegisterError, scans: Sequence[Scan]) -> tuple[str, str]:
    """What to try after the scans could not be placed, and the command to type.

    Where two scans could be tied by hand that is the command; else the folder of the scans is joined anew.
    """
    if not stop.suspects:
        return stop.advice, join_command(root, request, scans)
    said = [stop.advice]
    if command := skip_command(root, stop.strays, scans):
        said.append(f"To join the others without {listed(stop.strays)}: {command}.")
    said.append("Where you can see what belongs together, tie it by hand with the command below, and join again.")
    return " ".join(said), ties_command(root)


def ties_command(root: Path) -> str:
    """The page for ties."""
    return f"stitch ties {shlex.quote(root.name)}"


def skip_command(root: Path, strays: Sequence[str], scans: Sequence[Scan]) -> str:
    """The job without the files that do not belong; "" when none was named or too few are left."""
    needed = {scan.path for scan in scans if scan.scan_id not in strays}
    left_out = [path for path in dict.fromkeys(scan.path for scan in scans) if path not in needed]
    if not left_out or len(scans) - len(strays) < 2:
        return ""
    return " ".join([f"stitch join {shlex.quote(root.name)}", *_skips(escape(shown(p.name)) for p in left_out)])


def join_command(root: Path, request: JoinRequest, scans: Sequence[Scan]) -> str:
    """The folder of the scans with the same settings, so that a scan put there since is looked at."""
    folder = _folder(request, scans)
    words = ["stitch join", shlex.quote(relative_name(folder, root.parent))]
    if root != folder.with_name(f"{folder.name}-joined"):
        words += ["--out", shlex.quote(root.name)]
    if request.recurse:
        words.append("--recurse")
    words += [f"--only {shlex.quote(pattern)}" for pattern in request.only]
    return " ".join([*words, *_skips(request.skip), *_settings(request.settings, root)])


def _skips(patterns: Sequence[str] | Iterator[str]) -> list[str]:
    return [f"--skip {shlex.quote(pattern)}" for pattern in patterns]


def _folder(request: JoinRequest, scans: Sequence[Scan]) -> Path:
    named = request.inputs[0].resolve()
    return named if named.is_dir() or not scans else scans[0].path.parent.resolve()


def _settings(settings: JoinSettings, root: Path) -> list[str]:
    usual, said = JoinSettings(), []
    for name, pattern in _OPTIONS.items():
        value = getattr(settings, name)
        if value != getattr(usual, name):
            said.append(pattern.format(shlex.quote(value) if isinstance(value, str) else value))
    files = {
        "--profile": settings.profile_path,
        "--scanner": settings.scanner_path,
        "--flat": settings.flat_path,
        "--plan": settings.plan_path,
    }
    for option, path in files.items():
        if path:
            said.append(f"{option} {shlex.quote(relative_name(Path(path), root.parent))}")
    if settings.plan_path == "":
        said.append("--plan none")
    return said
