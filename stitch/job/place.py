"""Where a job lies: its folder beside the scans, or the folder of an earlier run that is continued."""

from __future__ import annotations

from pathlib import Path

from stitch.errors import UsageError, WriteError
from stitch.model.request import JoinRequest

JOB_FILE = "job.json"


def job_root(request: JoinRequest) -> Path:
    """The job folder a request leads to, absolute; it need not exist yet. Raises UsageError, WriteError."""
    inputs = checked_inputs(request)
    if len(inputs) == 1 and (inputs[0] / JOB_FILE).is_file():
        return _continued_root(inputs[0], request.out)
    return _new_root(inputs, request)


def checked_inputs(request: JoinRequest) -> tuple[Path, ...]:
    """The inputs, absolute: one folder or some files, all there. Raises UsageError."""
    if not request.inputs:
        raise UsageError("No scans were named.", advice="Name the folder with the scans: stitch join FOLDER.")
    inputs = tuple(path.absolute() for path in request.inputs)
    missing = [path for path in inputs if not path.exists()]
    if missing:
        names = ", ".join(str(path) for path in missing)
        raise UsageError(f"Not found: {names}.", advice="Check the spelling, or drag the folder into the terminal.")
    folders = [path for path in inputs if path.is_dir()]
    if folders and len(inputs) > 1:
        raise UsageError("Name one folder, or several files, but not both.", advice="One job is one painting.")
    return inputs


def _continued_root(root: Path, out: Path | None) -> Path:
    root = root.resolve()
    if out is not None and out.resolve() != root:
        raise UsageError(
            f"{root} is a job and keeps its place; --out cannot move it.",
            advice="Leave --out away, or name the folder with the scans to start another job.",
        )
    return root


def _new_root(inputs: tuple[Path, ...], request: JoinRequest) -> Path:
    scans = _scans_folder(inputs)
    root = scans.with_name(f"{scans.name}-joined") if request.out is None and scans.name else request.out
    if root is None:
        raise UsageError("The scans lie at the top of a disk.", advice="Say where the job goes with --out FOLDER.")
    root = root.resolve()
    if root.exists() and not root.is_dir():
        raise WriteError(f"{root} is a file, not a folder.", advice="Choose another place with --out.")
    scan_folders = {scans.resolve(), *(path.parent.resolve() for path in inputs if path.is_file())}
    is_among = root in scan_folders or (request.recurse and not scan_folders.isdisjoint(root.parents))
    if is_among:
        raise UsageError(
            f"The job cannot lie among the scans ({root}).", advice="Choose another place with --out, or leave it away."
        )
    return root


def _scans_folder(inputs: tuple[Path, ...]) -> Path:
    first = inputs[0].resolve()
    return first if first.is_dir() else first.parent
