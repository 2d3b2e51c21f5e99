"""Which prints are made of a picture, each laid out before the first pixel, and which are not and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from stitch.errors import UsageError
from stitch.imaging.affine import px_from_mm
from stitch.model.geometry import Size
from stitch.model.prints import FileKind, Fit, Intent
from stitch.prints.fit import SAME_SHAPE_MM, Frame, Room, bordered, cropped, paper_size, shape_loss_mm, stretched
from stitch.prints.sizes import PrintSize, pixels

USUAL_QUALITY = 92
USUAL_DPI = 300.0

Middle = Callable[[float, float], tuple[float, float]]
"""Shares of width and height that a part takes → the middle (shares) of the one that holds most."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One size asked for; `fit` None: as for all."""

    size: PrintSize
    fit: Fit | None = None


@dataclass(frozen=True, slots=True)
class PrintRequest:
    """What is asked for. `keep_mm` : a place (x, y) or a region (x, y, width, height) of the work, mm."""

    path: Path
    wanted: tuple[Wanted, ...]
    out: Path | None = None
    dpi: float = USUAL_DPI
    fit: Fit | None = None
    keep_mm: tuple[float, ...] | None = None
    room: Room = field(default_factory=Room)
    border_colour: tuple[int, int, int] = (255, 255, 255)  # sRGB
    profile_path: Path | None = None  # None: sRGB
    keeps_profile: bool = False  # the picture's own
    intent: Intent = Intent.RELATIVE
    kind: FileKind = FileKind.JPEG
    quality: int = USUAL_QUALITY
    most_mb: float | None = None
    most_px: int | None = None
    most_enlarge: float = 1.0
    title: str | None = None
    creator: str | None = None
    rights: str | None = None
    paper: str = ""
    copies: int = 1
    memory_mb: int = 1000
    force: bool = False


@dataclass(frozen=True, slots=True)
class Skipped:
    """A size that was not made, and why."""

    name: str
    why: str


def planned(
    request: PrintRequest, work: Size, ppi: float, middle: Middle
) -> tuple[tuple[Frame, ...], tuple[Skipped, ...]]:
    """Every print asked for, laid out; and those that the picture cannot fill.

    Raises UsageError where a shape differs and nothing was said about it, or what must be kept cannot be.
    """
    sizes = [one.size.following(is_wide=work.width_px > work.height_px) for one in request.wanted]
    _require_choice(request, sizes, work, ppi)
    frames, skipped = [], []
    for one, size in zip(request.wanted, sizes, strict=True):
        frame = _frame(request, size, one.fit or request.fit or Fit.CROP, work, ppi, middle)
        if frame.enlargement > request.most_enlarge + 1e-9:
            skipped.append(Skipped(size.name, _too_few(frame, request)))
        else:
            frames.append(frame)
    return tuple(frames), tuple(skipped)


def _too_few(frame: Frame, request: PrintRequest) -> str:
    said = f"the picture has {frame.effective_dpi:.0f} dpi at this size, not {frame.dpi:.0f}"
    if request.most_enlarge > 1.0:
        return f"{said}: an enlargement of {frame.enlargement:.2f}, more than --allow-enlarge {request.most_enlarge:g}"
    return f"{said}; --dpi {int(frame.effective_dpi)} or --allow-enlarge {frame.enlargement + 0.005:.2f} would make it"


def _require_choice(request: PrintRequest, sizes: Sequence[PrintSize], work: Size, ppi: float) -> None:
    """A shape that differs is the painter's to decide."""
    open_sizes = []
    for one, size in zip(request.wanted, sizes, strict=True):
        paper, _ = paper_size(size, request.dpi, request.room, request.most_px)
        loss = shape_loss_mm(work, ppi, paper)
        if one.fit is None and request.fit is None and loss > SAME_SHAPE_MM:
            open_sizes.append(f"{size.name} would lose {loss:.0f} mm")
    if open_sizes:
        raise UsageError(
            f"The work has another shape than the paper: cropped, {', '.join(open_sizes)}.",
            advice="Choose with --fit crop or --fit border, or for one size like 8x10in:border.",
        )


def _frame(request: PrintRequest, size: PrintSize, fit: Fit, work: Size, ppi: float, middle: Middle) -> Frame:
    paper, dpi = paper_size(size, request.dpi, request.room, request.most_px)
    if fit is Fit.BORDER:
        return bordered(size, work, paper, dpi, request.room)
    if fit is Fit.STRETCH:
        return stretched(size, work, paper, dpi)
    scale = min(work.width_px / paper.width_px, work.height_px / paper.height_px)
    shares = paper.width_px * scale / work.width_px, paper.height_px * scale / work.height_px
    if request.keep_mm is None:
        x, y = middle(*shares)
        return cropped(size, work, ppi, paper, dpi, (x * work.width_px, y * work.height_px))
    kept = [px_from_mm(mm, ppi) for mm in request.keep_mm]
    x, y, width, height = (*kept, 0.0, 0.0)[:4]
    frame = cropped(size, work, ppi, paper, dpi, (x + width / 2, y + height / 2))
    if width:
        _require_kept(request, frame, (x, y, width, height), work)
    return frame


def _require_kept(request: PrintRequest, frame: Frame, kept: tuple[float, float, float, float], work: Size) -> None:
    """A region that must stay in keeps clear of the cut and of the strip along it."""
    x, y, width, height = kept
    if x < 0 or y < 0 or x + width > work.width_px or y + height > work.height_px:
        raise UsageError("--keep: the region reaches out of the work.", advice="Write x,y,width,height in mm.")
    scale = frame.part.width / frame.paper.width_px
    edge = scale * pixels(request.room.bleed_mm + request.room.safe_mm, frame.dpi) if request.room != Room() else 0.0
    part = frame.part
    inside = (
        x >= part.x0 + edge - 0.5
        and y >= part.y0 + edge - 0.5
        and x + width <= part.x0 + part.width - edge + 0.5
        and y + height <= part.y0 + part.height - edge + 0.5
    )
    if not inside:
        raise UsageError(
            f"The region of --keep does not fit into {frame.size.name} when cropped.",
            advice=f"Take {frame.size.name}:border, or keep less.",
        )


def settings_of(frame: Frame, request: PrintRequest) -> dict[str, object]:
    """What a program needs to make the print again, or to follow a place into it."""
    part, at = frame.part, frame.picture
    return {
        "size": frame.size.name,
        "size_mm": [frame.size.width_mm, frame.size.height_mm],
        "fit": frame.fit.value,
        "dpi": frame.dpi,
        "effective_dpi": round(frame.effective_dpi, 3),
        "paper_px": [frame.paper.width_px, frame.paper.height_px],
        "picture_px": [at.x0_px, at.y0_px, at.width_px, at.height_px],
        "part_px": [round(value, 6) for value in (part.x0, part.y0, part.width, part.height)],
        "bleed_mm": request.room.bleed_mm,
        "safe_mm": request.room.safe_mm,
        "intent": request.intent.value,
    }


def told_of(frame: Frame, request: PrintRequest, profile_name: str) -> str:
    """What was done, as one plain sentence for the record."""
    way = "reduced" if frame.enlargement <= 1 else f"enlarged {frame.enlargement:.3f} times"
    lost = "" if frame.fit is not Fit.CROP else f", {lost_words(frame)}"
    inches = f"{frame.size.name} at {frame.dpi:g} dpi"
    colours = f"converted to {profile_name}, {request.intent.value} intent"
    return f"print {inches}: {frame.fit.value}{lost}, {way} by a windowed sinc; {colours}; not sharpened"


def lost_words(frame: Frame) -> str:
    """What a crop takes off, side by side."""
    sides = zip(("left", "right", "top", "bottom"), frame.lost_mm, strict=True)
    said = [f"{side} {mm:.1f} mm" for side, mm in sides if mm >= 0.05]
    return f"lost: {', '.join(said)}" if said else "nothing lost"
