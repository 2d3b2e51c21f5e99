"""The seam map as a picture: the painting dimmed, each scan's area tinted and named, seams coloured by their step."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stitch.imaging.affine import MM_PER_INCH
from stitch.model.seams import SeamLine
from stitch.report import lettering, scale
from stitch.report.draft import Region, Sight, outlined
from stitch.report.numbering import numbers_of

SMALLEST_LONG_SIDE_PX = 1000  # smaller previews are enlarged, so that words and lines stay readable
BOARD = "#121417"
INK = "#f3f4f5"
QUIET_INK = "#b9bec5"
Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Where things go on the picture."""

    width_px: int  # of the painting's preview
    height_px: int
    margin_px: int
    text_px: int
    unit: float  # 1 on a picture whose long side is 1600 px
    picture_from_canvas: float  # picture px per canvas px
    picture_ppi: float

    @property
    def origin(self) -> tuple[int, int]:
        return self.margin_px, self.margin_px


def draw(
    preview: NDArray[np.uint8],
    labels: NDArray[np.uint8],
    scan_ids: Sequence[str],
    lines: Sequence[SeamLine],
    *,
    canvas_ppi: float,
    px_per_preview: float,
    regions: Sequence[Region] = (),
) -> NDArray[np.uint8]:
    """The seam map.

    Parameters
    ----------
    preview : (h, w, 3) uint8 RGB, the master reduced.
    labels : (h, w) uint8, 0 for no scan, k for scan_ids[k - 1]; the numbers drawn follow the names (`numbering`).
    lines : seams with points in canvas px.
    canvas_ppi : canvas px per inch.
    px_per_preview : canvas px per preview px.
    regions : outlined, each with its words.

    Returns
    -------
    uint8 RGB picture, larger than the preview by a margin, and by a strip below that holds the scale bar and the key.
    """
    if preview.shape[:2] != labels.shape:
        raise ValueError(f"preview {preview.shape[:2]} and labels {labels.shape} differ in size")
    preview, labels, px_per_preview = _enlarged(preview, labels, px_per_preview)
    sheet = _sheet(preview, canvas_ppi, px_per_preview)
    ground = _ground(preview, labels, len(scan_ids))
    _draw_seams(ground, lines, sheet)
    strip = _strip(sheet)
    board = Image.new(
        "RGB", (sheet.width_px + 2 * sheet.margin_px, sheet.height_px + sheet.margin_px + strip.height), BOARD
    )
    board.paste(Image.fromarray(ground), sheet.origin)
    _draw_names(board, labels, scan_ids, sheet)
    line_px, text_px = max(1, round(2 * sheet.unit)), max(12, round(0.8 * sheet.text_px))
    outlined(board, regions, Sight(sheet.picture_from_canvas, sheet.margin_px, line_px, text_px))
    board.paste(strip, (0, sheet.margin_px + sheet.height_px))
    return np.asarray(board)


def _enlarged(
    preview: NDArray[np.uint8], labels: NDArray[np.uint8], px_per_preview: float
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], float]:
    times = math.ceil(SMALLEST_LONG_SIDE_PX / max(preview.shape[:2]))
    if times <= 1:
        return preview, labels, px_per_preview
    size = (preview.shape[1] * times, preview.shape[0] * times)
    larger = cv2.resize(preview, size, interpolation=cv2.INTER_LINEAR)
    return (
        larger.astype(np.uint8),
        cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST).astype(np.uint8),
        px_per_preview / times,
    )


def _sheet(preview: NDArray[np.uint8], canvas_ppi: float, px_per_preview: float) -> _Sheet:
    height, width = preview.shape[:2]
    unit = max(height, width) / 1600
    return _Sheet(
        width,
        height,
        round(36 * unit),
        max(13, round(30 * unit)),
        unit,
        1 / px_per_preview,
        canvas_ppi / px_per_preview,
    )


def _ground(preview: NDArray[np.uint8], labels: NDArray[np.uint8], scan_count: int) -> NDArray[np.uint8]:
    """The painting as a dim grey picture, multiplied by each area's tint."""
    tints = np.array([scale.rgb(scale.NO_SCAN_COLOUR)] * 256, dtype=np.float32)
    for label, tint in enumerate(scale.tint_of_labels(labels, scan_count), start=1):
        tints[label] = scale.rgb(scale.TINTS[tint])
    grey = cv2.cvtColor(preview, cv2.COLOR_RGB2GRAY).astype(np.float32) / 255
    depth = np.where(labels > 0, 0.52 + 0.8 * _spread(grey), 1.0)
    return np.clip(tints[labels] * depth[..., None], 0, 255).astype(np.uint8)


def _spread(grey: NDArray[Any]) -> NDArray[Any]:
    """The greys stretched between their darkest and lightest hundredth, so that pale and dark paintings both show."""
    low, high = np.percentile(grey, [1, 99])
    spread = max(float(high - low), 0.12)
    middle = float(high + low) / 2
    return np.clip((grey - middle) / spread + 0.5, 0, 1)


def _draw_seams(ground: NDArray[np.uint8], lines: Sequence[SeamLine], sheet: _Sheet) -> None:
    """Casings first, then colours with the most visible on top."""
    runs = [(kind, points) for line in lines for kind, points in class_runs(line)]
    for kind, points in runs:
        _polyline(ground, points, sheet, scale.CASING_COLOUR, kind.width_px + 2.6)
    for kind, points in sorted(runs, key=lambda run: run[0].width_px):
        _polyline(ground, points, sheet, kind.colour, kind.width_px)


def class_runs(line: SeamLine) -> Iterator[tuple[scale.StepClass, Points]]:
    """The seam cut into stretches of one class, each (n, 2) canvas px; a stretch reaches half way to the next one."""
    points = np.array(line.points_px, dtype=np.float64).reshape(-1, 2)
    kinds = [scale.step_class(step) for step in line.step_de00]
    start = 0
    for index in range(1, len(points) + 1):
        if index < len(points) and kinds[index] is kinds[start]:
            continue
        stretch = points[start:index]
        if start > 0:
            stretch = np.vstack([(points[start - 1] + points[start]) / 2, stretch])
        if index < len(points):
            stretch = np.vstack([stretch, (points[index - 1] + points[index]) / 2])
        yield kinds[start], stretch
        start = index


def _polyline(ground: NDArray[np.uint8], points: Points, sheet: _Sheet, colour: str, width_px: float) -> None:
    """Canvas px to picture px: centres of both grids lie at whole numbers, their corners at -0.5."""
    fraction_bits = 4
    placed = (points + 0.5) * sheet.picture_from_canvas - 0.5
    fixed = np.rint(placed * (1 << fraction_bits)).astype(np.int32).reshape(-1, 1, 2)
    thickness = max(1, round(width_px * max(sheet.unit, 0.75)))
    cv2.polylines(
        ground,
        [fixed],
        isClosed=False,
        color=scale.rgb(colour),
        thickness=thickness,
        lineType=cv2.LINE_AA,
        shift=fraction_bits,
    )


def _draw_names(board: Image.Image, labels: NDArray[np.uint8], scan_ids: Sequence[str], sheet: _Sheet) -> None:
    pen = ImageDraw.Draw(board)
    numbers = numbers_of(scan_ids)
    for label, scan_id in enumerate(scan_ids, start=1):
        area = labels == label
        if area.any():
            _draw_name(pen, area, str(numbers[scan_id]), lettering.drawable(scan_id), sheet)


def _draw_name(pen: ImageDraw.ImageDraw, area: NDArray[np.bool_], number: str, name: str, sheet: _Sheet) -> None:
    """The number large, the name under it as wide as the area allows; the number alone where there is no room."""
    largest, smallest = round(sheet.text_px * 1.2), max(12, round(sheet.text_px * 0.7))
    number_px = round(sheet.text_px * 1.9)
    for size_px in range(largest, smallest - 1, -2):
        wanted = max(lettering.width_px(name, size_px), lettering.width_px(number, number_px)) + 1.5 * size_px
        x, y, room = widest_place(area, wanted / (1.3 * number_px + 1.6 * size_px))
        is_last = size_px - 2 < smallest
        if room >= wanted or (is_last and room > 5 * size_px):
            shown = lettering.shortened(name, size_px, room - 1.5 * size_px)
            middle, down = x + sheet.margin_px, y + sheet.margin_px
            lettering.haloed(pen, (middle, down - 0.6 * size_px), number, number_px)
            lettering.haloed(pen, (middle, down + 0.65 * number_px), shown, size_px)
            return
    x, y, room = widest_place(area, 1.0)
    small_px = round(min(number_px, max(12.0, 0.8 * room)))
    lettering.haloed(pen, (x + sheet.margin_px, y + sheet.margin_px), number, small_px)


def widest_place(area: NDArray[np.bool_], aspect: float) -> tuple[float, float, float]:
    """Centre (x, y) and width in px of the largest box of `aspect` (width ÷ height) inside a mask of shape (h, w).

    The mask is squeezed until the box is a square; the chessboard distance transform then gives the largest square.
    """
    height, width = area.shape
    step = max(1.0, max(height, width / aspect) / 500)
    size = (max(1, round(width / aspect / step)), max(1, round(height / step)))
    small = cv2.resize(area.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    padded = np.pad(small, 1)
    distance = cv2.distanceTransform(padded, cv2.DIST_C, 3)
    best = np.argwhere(distance > distance.max() - 0.5)
    row, column = best[np.argmin(np.square(best - best.mean(axis=0)).sum(axis=1))]
    half = float(distance.max()) - 0.5
    across, down = width / size[0], height / size[1]
    return (float(column) - 0.5) * across, (float(row) - 0.5) * down, max(0.0, 2 * half * across)


def _strip(sheet: _Sheet) -> Image.Image:
    """The strip under the painting: scale bar on the left, key on the right, or one under the other when narrow."""
    width = sheet.width_px + 2 * sheet.margin_px
    bar, key = _scale_bar(sheet, round(width * 0.42)), _key(sheet)
    gap = sheet.margin_px
    is_wide = bar.width + key.width + 3 * gap <= width
    height = gap + (max(bar.height, key.height) if is_wide else bar.height + gap + key.height) + gap
    strip = Image.new("RGB", (width, height), BOARD)
    strip.paste(bar, (gap, gap))
    strip.paste(key, (width - gap - key.width, gap) if is_wide else (gap, gap + bar.height + gap))
    return strip


def _key(sheet: _Sheet) -> Image.Image:
    """A swatch of line for every class, with its range."""
    size, pad = max(12, round(sheet.text_px * 0.72)), round(sheet.text_px * 0.5)
    title = "Colour step across the seam (Delta E 2000): does it show?"
    cells = [(kind, f"{scale.range_words(kind)}", kind.meaning) for kind in scale.STEP_CLASSES]
    cell_px = max(max(lettering.width_px(line, size) for line in cell[1:]) for cell in cells) + 1.2 * size
    cell_px = round(min(max(cell_px, lettering.width_px(title, size) / len(cells)), (sheet.width_px) / len(cells)))
    image = Image.new("RGB", (cell_px * len(cells), round(5.6 * size) + pad), BOARD)
    pen = ImageDraw.Draw(image)
    pen.text((0, 0), lettering.shortened(title, size, image.width), font=lettering.font(size), fill=INK)
    for index, (kind, words, meaning) in enumerate(cells):
        left, middle = index * cell_px, round(2.2 * size)
        width = max(1, round(kind.width_px * max(sheet.unit, 0.75)))
        pen.line((left, middle, left + cell_px - size, middle), fill=kind.colour, width=width)
        for row, (line, colour) in enumerate(((words, INK), (meaning, QUIET_INK))):
            shown = lettering.shortened(line, size, cell_px - 0.3 * size)
            pen.text((left, middle + (0.7 + 1.35 * row) * size), shown, font=lettering.font(size), fill=colour)
    return image


def _scale_bar(sheet: _Sheet, room_px: int) -> Image.Image:
    """One rule with centimetres above and inches below."""
    size = max(12, round(sheet.text_px * 0.72))
    per_cm, per_inch = sheet.picture_ppi / MM_PER_INCH * 10, sheet.picture_ppi
    cm, inch = round_length(room_px * 0.8 / per_cm), round_length(room_px * 0.8 / per_inch)
    width = round(max(cm * per_cm, inch * per_inch) + lettering.width_px("000 cm", size))
    image = Image.new("RGB", (min(width, room_px + 6 * size), round(5.6 * size)), BOARD)
    pen = ImageDraw.Draw(image)
    middle, thick = round(2.8 * size), max(2, round(0.22 * size))
    for length, per_unit, unit, direction in ((cm, per_cm, "cm", -1), (inch, per_inch, "in", 1)):
        end = length * per_unit
        y = middle + direction * thick
        pen.line((0, y, end, y), fill=INK, width=thick)
        for part in range(5):
            x = min(end * part / 4, end - 1) + (thick / 2 if part == 0 else 0)
            reach = size * (0.75 if part in (0, 4) else 0.45)
            pen.line((x, y, x, y + direction * reach), fill=INK, width=max(1, thick // 2))
        label = f"{length:g} {unit}"
        pen.text((0, y + direction * 1.5 * size), "0", font=lettering.font(size), fill=QUIET_INK, anchor="lm")
        pen.text((end, y + direction * 1.5 * size), label, font=lettering.font(size), fill=INK, anchor="mm")
    return image


def round_length(most: float) -> float:
    """The largest of 1, 2, 5, 10, 20, 50, ... (also 0.5, 0.2, ...) that is not above `most`."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most * (1 + 1e-9))
