"""The files of a check: a picture of what is covered, and `check.json`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from stitch.errors import WriteError, write_error
from stitch.job.whole import write_text_whole, write_whole
from stitch.model.check import KIND
from stitch.model.codec import to_plain
from stitch.pipeline.checking import Checked
from stitch.report.coverage import Piece, draw_coverage

JSON_NAME = "check.json"
PICTURE_NAME = "coverage.png"
SUFFIX = "-check"


def results_folder(inputs: Sequence[Path], out: Path | None) -> Path:
    """Where the results go: `out`, else NAME-check beside the scans' folder."""
    if out is not None:
        return out
    first = inputs[0].absolute()
    folder = first if first.is_dir() else first.parent
    return folder.with_name(folder.name + SUFFIX)


def require_ours(folder: Path) -> None:
    """A folder may hold an older check, but no file of its names that is none. Raises WriteError."""
    path = folder / JSON_NAME
    try:
        if path.exists() and json.loads(path.read_text(encoding="utf-8")).get("kind") == KIND:
            return
    except (OSError, ValueError, AttributeError):
        pass
    if path.exists() or (folder / PICTURE_NAME).exists():
        raise WriteError(
            f"{folder} holds a file that stitch check did not write.", advice="Choose another place with --out."
        )


def write_check(checked: Checked, folder: Path) -> tuple[Path, ...]:
    """Write the picture, where scans were placed, and the record. Raises WriteError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        picture, record = folder / PICTURE_NAME, folder / JSON_NAME
        if checked.laid is None:
            picture.unlink(missing_ok=True)
    except OSError as error:
        raise write_error(folder, error) from error
    text = json.dumps(to_plain(checked.record), ensure_ascii=False, indent=1) + "\n"
    if checked.laid is not None:
        again = set(checked.record.scan_again)
        pieces = [Piece(name, corners, name in again) for name, corners in checked.laid.corners_mm.items()]
        made = draw_coverage(
            checked.laid.picture.rgb,
            checked.laid.picture.covered,
            checked.laid.picture.px_per_mm,
            pieces,
            checked.missing_mm,
        )
        with write_whole(picture) as part:
            made.save(part)
    write_text_whole(record, text)
    return (picture, record) if checked.laid is not None else (record,)
