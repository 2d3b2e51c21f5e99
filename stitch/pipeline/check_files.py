"""The files of a check: a picture of what is covered, a page, and `check.json`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image

from stitch.errors import WriteError, write_error
from stitch.job.whole import write_text_whole, write_whole
from stitch.model.check import KIND
from stitch.model.codec import to_plain
from stitch.pipeline.checking import Checked
from stitch.pipeline.laying import Laid
from stitch.report.check_page import check_page
from stitch.report.coverage import Piece, draw_coverage
from stitch.report.files import png_bytes

JSON_NAME = "check.json"
PICTURE_NAME = "coverage.png"
PAGE_NAME = "check.html"
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
    if path.exists() or any((folder / name).exists() for name in (PICTURE_NAME, PAGE_NAME)):
        raise WriteError(
            f"{folder} holds a file that stitch check did not write.", advice="Choose another place with --out."
        )


def write_check(checked: Checked, folder: Path) -> tuple[Path, ...]:
    """Write the picture, where scans were placed, the page and the record. Raises WriteError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        picture, page, record = (folder / name for name in (PICTURE_NAME, PAGE_NAME, JSON_NAME))
        if checked.laid is None:
            picture.unlink(missing_ok=True)
    except OSError as error:
        raise write_error(folder, error) from error
    shown = None if checked.laid is None else png_bytes(np.asarray(_coverage(checked, checked.laid)))
    if shown is not None:
        with write_whole(picture) as part:
            part.write_bytes(shown)
    write_text_whole(page, check_page(checked.record, coverage_png=shown))
    text = json.dumps(to_plain(checked.record), ensure_ascii=False, indent=1) + "\n"
    write_text_whole(record, text)
    return (page, record) if shown is None else (picture, page, record)


def _coverage(checked: Checked, laid: Laid) -> Image.Image:
    again = set(checked.record.scan_again)
    pieces = [Piece(name, corners, name in again) for name, corners in laid.corners_mm.items()]
    pieces += [Piece(name, corners, is_again=True) for name, corners in checked.mirrored_mm.items()]
    small = laid.picture
    return draw_coverage(small.rgb, small.covered, small.px_per_mm, pieces, checked.missing_mm)
