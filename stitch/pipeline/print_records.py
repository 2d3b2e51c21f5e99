"""What is said of the prints in a folder: their record, the contact sheet, the order slip."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw

from stitch import __version__
from stitch.imaging.affine import MM_PER_INCH
from stitch.job.whole import write_text_whole
from stitch.model.prints import FileKind, Fit
from stitch.pipeline.print_plan import PrintRequest, lost_words, settings_of
from stitch.pipeline.printing import Print, PrintsSummary
from stitch.report.prints_page import Shown, prints_page

RECORD, PAGE, SLIP = "prints.json", "prints.html", "order-slip.csv"
THUMB_QUALITY = 82
VERSION = 1


def write_records(done: PrintsSummary, request: PrintRequest) -> tuple[Path, Path]:
    """Add the prints to the folder's record, draw its page anew, write an order slip. Returns page and slip.

    Prints of earlier runs stay on the page as long as their files are there. Raises WriteError.
    """
    known = _known(done.folder)
    for one in done.prints:
        known[one.path.name] = _entry(one, done, request)
    known = {name: entry for name, entry in known.items() if (done.folder / name).exists()}
    record = {"version": VERSION, "prints": known}
    write_text_whole(done.folder / RECORD, json.dumps(record, indent=1, ensure_ascii=False) + "\n")
    page = done.folder / PAGE
    write_text_whole(
        page, prints_page(done.title, [_shown(*item) for item in known.items()], _notes(done), __version__)
    )
    slip = _free(done.folder / SLIP, force=request.force)
    write_text_whole(slip, _slip(done, request))
    return page, slip


def cells_of(one: Print) -> dict[str, str]:
    """What the table says of a print."""
    frame = one.frame
    lost = lost_words(frame) if frame.fit is Fit.CROP else frame.fit.value
    return {
        "size": frame.size.name,
        "pixels": f"{frame.paper.width_px} × {frame.paper.height_px}",
        "dpi of the file": f"{frame.dpi:.0f}",
        "dpi the work has": f"{frame.effective_dpi:.0f}" + (" (ENLARGED)" if frame.enlargement > 1 else ""),
        "cut": lost,
        "MB": f"{one.byte_count / 1e6:.1f}",
    }


def _known(folder: Path) -> dict[str, Any]:
    try:
        plain = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        return dict(plain["prints"]) if plain.get("version") == VERSION else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _entry(one: Print, done: PrintsSummary, request: PrintRequest) -> dict[str, Any]:
    return {
        **settings_of(one.frame, request),
        "cells": cells_of(one),
        "kind": request.kind.value,
        "quality": one.quality,
        "profile": done.profile_name,
        "sha256": one.sha256,
        "byte_count": one.byte_count,
        "made_with": f"stitch {__version__}",
        "made_from": request.path.name,
        "thumb": base64.b64encode(_thumb(one, request, done.profile)).decode("ascii"),
    }


def _thumb(one: Print, request: PrintRequest, profile: bytes) -> bytes:
    """The small picture in the print's profile, with the cut and the safe strip drawn where there are any."""
    picture = Image.fromarray(one.thumb)
    pen, scale = ImageDraw.Draw(picture), one.frame.dpi / MM_PER_INCH / one.frame.paper.width_px * picture.width
    bleed, safe = request.room.bleed_mm * scale, request.room.safe_mm * scale
    for inset, is_drawn in ((bleed, bleed > 0), (bleed + safe, safe > 0)):
        if is_drawn:
            box = (inset, inset, picture.width - 1 - inset, picture.height - 1 - inset)
            pen.rectangle(box, outline="#ffffff")
            pen.rectangle(tuple(v + (1 if k < 2 else -1) for k, v in enumerate(box)), outline="#22201c")
    packed = io.BytesIO()
    picture.save(packed, "JPEG", quality=THUMB_QUALITY, icc_profile=profile)
    return packed.getvalue()


def _shown(name: str, entry: Mapping[str, Any]) -> Shown:
    try:
        picture: bytes | None = base64.b64decode(entry["thumb"])
    except (KeyError, ValueError):
        picture = None
    cells = {**entry.get("cells", {}), "profile": entry.get("profile", "")}
    return Shown(name, {str(heading): str(cell) for heading, cell in cells.items()}, picture)


def _notes(done: PrintsSummary) -> list[str]:
    return [gamut_words(done)] + [f"Not made: {one.name}: {one.why}." for one in done.skipped]


def gamut_words(done: PrintsSummary) -> str:
    """What the profile cannot hold."""
    return f"{100 * done.out_of_gamut:.1f} % of the work's colours lie outside what {done.profile_name} can hold."


def _slip(done: PrintsSummary, request: PrintRequest) -> str:
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["file", "size", "paper", "profile", "copies"])
    for one in done.prints:
        kind = "" if request.kind is FileKind.JPEG else f" ({request.kind.bits} bit)"
        rows.writerow([one.path.name, one.frame.size.name, request.paper, done.profile_name + kind, request.copies])
    return text.getvalue()


def _free(path: Path, *, force: bool) -> Path:
    """The path, or one with a number behind it: a slip that was filled in by hand stays."""
    number, free = 2, path
    while free.exists() and not force:
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free
