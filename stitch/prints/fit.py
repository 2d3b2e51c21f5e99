"""How a work of one shape is put on paper of another: which part of it is printed, how large, and what is lost.

Lengths of the work are px of its picture, counted from its outer edge: px k covers k to k + 1.
"""

from __future__ import annotations

from dataclasses import dataclass

from stitch.errors import UsageError
from stitch.imaging.affine import MM_PER_INCH
from stitch.model.geometry import Size, Window
from stitch.model.prints import Fit
from stitch.prints.sizes import PrintSize, pixels

STRETCH_MOST = 0.005
SAME_SHAPE_MM = 0.5  # of the work: a crop that loses no more needs no choice


@dataclass(frozen=True, slots=True)
class Room:
    """The paper's terms, mm: colour beyond the cut, the strip along it where nothing must lie, the least border."""

    bleed_mm: float = 0.0
    safe_mm: float = 0.0
    border_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Part:
    """A rectangle of the work, px from its outer edge."""

    x0: float
    y0: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Frame:
    """One print laid out."""

    size: PrintSize
    fit: Fit
    dpi: float  # of the file
    paper: Size  # all pixels of the file
    picture: Window  # where the work lies in them
    part: Part  # what of the work is shown there
    lost_mm: tuple[float, float, float, float]  # left, right, top, bottom, mm of the work
    effective_dpi: float  # px of the work to an inch of the print

    @property
    def enlargement(self) -> float:
        """How many pixels of the print come from one of the work, along a side."""
        return self.dpi / self.effective_dpi


def paper_size(size: PrintSize, dpi: float, room: Room, most_px: int | None) -> tuple[Size, float]:
    """Pixels of the file, bleed included, and its resolution: less than asked for where the longer side is limited."""
    sides = [side + 2 * room.bleed_mm for side in (size.width_mm, size.height_mm)]
    longest = pixels(max(sides), dpi)
    if most_px is not None and longest > most_px:
        dpi = most_px * MM_PER_INCH / max(sides)
    return Size(pixels(sides[0], dpi), pixels(sides[1], dpi)), dpi


def shape_loss_mm(work: Size, work_ppi: float, paper: Size) -> float:
    """What a crop takes off in all, mm of the work."""
    part = _largest(work, paper)
    return (work.width_px - part.width + work.height_px - part.height) * MM_PER_INCH / work_ppi


def cropped(
    size: PrintSize, work: Size, work_ppi: float, paper: Size, dpi: float, middle: tuple[float, float]
) -> Frame:
    """The largest part of the paper's shape, its middle as near to `middle` (px of the work) as it can be."""
    part = _largest(work, paper)
    x0 = min(max(middle[0] - part.width / 2, 0.0), work.width_px - part.width)
    y0 = min(max(middle[1] - part.height / 2, 0.0), work.height_px - part.height)
    lost = (x0, work.width_px - part.width - x0, y0, work.height_px - part.height - y0)
    left, right, top, bottom = (px * MM_PER_INCH / work_ppi for px in lost)
    return Frame(
        size,
        Fit.CROP,
        dpi,
        paper,
        paper.window(),
        Part(x0, y0, part.width, part.height),
        (left, right, top, bottom),
        dpi * part.width / paper.width_px,
    )


def bordered(size: PrintSize, work: Size, paper: Size, dpi: float, room: Room) -> Frame:
    """The whole work inside a border of at least what was asked for. Raises UsageError when no room is left."""
    edge = pixels(room.bleed_mm + max(room.border_mm, room.safe_mm), dpi) if room != Room() else 0
    across, down = paper.width_px - 2 * edge, paper.height_px - 2 * edge
    if across < 1 or down < 1:
        raise UsageError(f"A border of {room.border_mm:g} mm leaves nothing of {size.name}.", advice="Take a smaller.")
    scale = max(work.width_px / across, work.height_px / down)
    width, height = min(round(work.width_px / scale), across), min(round(work.height_px / scale), down)
    picture = Window((paper.width_px - width) // 2, (paper.height_px - height) // 2, width, height)
    part = Part(0.0, 0.0, float(work.width_px), float(work.height_px))
    return Frame(size, Fit.BORDER, dpi, paper, picture, part, (0.0, 0.0, 0.0, 0.0), dpi * scale)


def stretched(size: PrintSize, work: Size, paper: Size, dpi: float) -> Frame:
    """The whole work, drawn out by at most half a per cent. Raises UsageError beyond."""
    across, down = work.width_px / paper.width_px, work.height_px / paper.height_px
    off = max(across, down) / min(across, down) - 1
    if off > STRETCH_MOST:
        raise UsageError(
            f"{size.name} would stretch the work by {100 * off:.1f} %; more than 0.5 % is never done.",
            advice=f"Take {size.name}:crop or {size.name}:border.",
        )
    part = Part(0.0, 0.0, float(work.width_px), float(work.height_px))
    return Frame(size, Fit.STRETCH, dpi, paper, paper.window(), part, (0.0,) * 4, dpi * min(across, down))


def _largest(work: Size, paper: Size) -> Part:
    scale = min(work.width_px / paper.width_px, work.height_px / paper.height_px)
    return Part(0.0, 0.0, paper.width_px * scale, paper.height_px * scale)
