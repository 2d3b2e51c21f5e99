"""Drawing on pages: mm from the top-left corner, x right, y down; text is real text."""

from __future__ import annotations

import io

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from stitch.plan.lying import Rect
from stitch.plan.sheet.paper import Paper

PT_PER_MM = 72 / 25.4
BLACK, GREY, PALE, WHITE = 0.0, 0.45, 0.86, 1.0  # lightness
HAIR_MM, LINE_MM, BOLD_MM = 0.15, 0.3, 0.7
LEADING = 1.35  # distance of lines, in sizes of the letters
PLAIN_FONT, BOLD_FONT = "Helvetica", "Helvetica-Bold"  # every PDF reader has them, PDF 1.7 section 9.6.2.2


class Pen:
    """A document under way."""

    def __init__(self, paper: Paper, title: str) -> None:
        self.width, self.height = paper.size_mm
        self._buffer = io.BytesIO()
        page = (self.width * PT_PER_MM, self.height * PT_PER_MM)
        self._canvas = Canvas(self._buffer, pagesize=page, invariant=1)
        self._canvas.setTitle(printable(title))
        self._canvas.setCreator("stitch")
        self._canvas.setViewerPreference("PrintScaling", "None")  # keep 1:1, PDF 1.7 section 12.2

    def next_page(self) -> None:
        """End this page and begin another."""
        self._canvas.showPage()

    def finished(self) -> bytes:
        """End the document; its bytes."""
        self._canvas.showPage()
        self._canvas.save()
        return self._buffer.getvalue()

    def line(self, x0: float, y0: float, x1: float, y1: float, *, width: float = LINE_MM, grey: float = BLACK) -> None:
        """A straight line."""
        self._canvas.setLineWidth(width * PT_PER_MM)
        self._canvas.setStrokeGray(grey)
        self._canvas.line(*self._at(x0, y0), *self._at(x1, y1))

    def rect(
        self, rect: Rect, *, fill: float | None = None, stroke: float | None = BLACK, width: float = LINE_MM
    ) -> None:
        """A rectangle, filled and outlined with the greys given."""
        if fill is not None:
            self._canvas.setFillGray(fill)
        if stroke is not None:
            self._canvas.setStrokeGray(stroke)
        self._canvas.setLineWidth(width * PT_PER_MM)
        x, y = self._at(rect.x, rect.bottom)
        wide, high = rect.width * PT_PER_MM, rect.height * PT_PER_MM
        self._canvas.rect(x, y, wide, high, fill=int(fill is not None), stroke=int(stroke is not None))

    def disc(self, x: float, y: float, radius: float, *, fill: float = WHITE, stroke: float = BLACK) -> None:
        """A filled circle."""
        self._canvas.setFillGray(fill)
        self._canvas.setStrokeGray(stroke)
        self._canvas.setLineWidth(HAIR_MM * PT_PER_MM)
        self._canvas.circle(*self._at(x, y), radius * PT_PER_MM, fill=1, stroke=1)

    def arrow(self, x: float, y: float, length: float, turn_deg: int, *, grey: float = BLACK) -> None:
        """An arrow through (x, y), pointing up the page when `turn_deg` is 0, turned clockwise."""
        along = {0: (0.0, -1.0), 90: (1.0, 0.0), 180: (0.0, 1.0), 270: (-1.0, 0.0)}[turn_deg % 360]
        half, head = length / 2, length * 0.35
        (tip_x, tip_y), across = (x + along[0] * half, y + along[1] * half), (-along[1], along[0])
        back_x, back_y = tip_x - along[0] * head, tip_y - along[1] * head
        self.line(x - along[0] * half, y - along[1] * half, back_x, back_y, width=length * 0.1, grey=grey)
        path = self._canvas.beginPath()
        path.moveTo(*self._at(tip_x, tip_y))
        for sign in (1, -1):
            path.lineTo(*self._at(back_x + sign * across[0] * head * 0.6, back_y + sign * across[1] * head * 0.6))
        path.close()
        self._canvas.setFillGray(grey)
        self._canvas.drawPath(path, fill=1, stroke=0)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        pt: float = 10,
        is_bold: bool = False,
        grey: float = BLACK,
        at: float = 0,
    ) -> None:
        """One line with its foot at y. `at` : 0 begins at x, 0.5 is centred there, 1 ends there."""
        words, font = printable(words), _font(is_bold=is_bold)
        self._canvas.setFillGray(grey)
        self._canvas.setFont(font, pt)
        foot_x, foot_y = self._at(x, y)
        self._canvas.drawString(foot_x - at * stringWidth(words, font, pt), foot_y, words)

    def paragraph(
        self,
        x: float,
        y: float,
        width: float,
        words: str,
        *,
        pt: float = 10,
        is_bold: bool = False,
        grey: float = BLACK,
    ) -> float:
        """Lines no wider than `width`, the first with its foot at y; where the foot of a next line would be."""
        for line in wrapped(words, width, pt=pt, is_bold=is_bold):
            self.text(x, y, line, pt=pt, is_bold=is_bold, grey=grey)
            y += pt / PT_PER_MM * LEADING
        return y

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return x * PT_PER_MM, (self.height - y) * PT_PER_MM


def wrapped(words: str, width_mm: float, *, pt: float, is_bold: bool = False) -> list[str]:
    """Words in lines no wider than that."""
    return list(simpleSplit(printable(words), _font(is_bold=is_bold), pt, width_mm * PT_PER_MM))


def printable(words: str) -> str:
    """What the fonts that every reader has can show; a question mark for any other letter."""
    return words.encode("cp1252", "replace").decode("cp1252")


def _font(*, is_bold: bool) -> str:
    return BOLD_FONT if is_bold else PLAIN_FONT
