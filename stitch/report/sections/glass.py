"""The glass with the places to clean, as a drawing and a table."""

from __future__ import annotations

from collections.abc import Sequence

from stitch.model.bed import GlassSpeck
from stitch.report import words
from stitch.report.html import Html, el, join

BOX = 230.0  # long side of the glass in the drawing
MARGIN = 26.0

Shown = Sequence[tuple[int, GlassSpeck]]
"""Specks with their numbers in the record."""


def glass_drawing(shown: Shown, size_mm: tuple[float, float], *, of: str) -> Html:
    """`size_mm` : width and height of the glass; `of` : where the specks stand in the record."""
    return el(
        "div",
        el("figure", _bed_drawing(shown, size_mm), el("figcaption", "The glass, as the scans show it.")),
        _specks(shown, of),
        class_="beside glass",
    )


def _bed_drawing(shown: Shown, size_mm: tuple[float, float]) -> Html:
    width_mm, height_mm = size_mm
    scale = BOX / max(width_mm, height_mm)
    width, height = width_mm * scale, height_mm * scale
    return el(
        "svg",
        el("rect", x=MARGIN, y=MARGIN, width=round(width, 1), height=round(height, 1), class_="sheet"),
        [
            join(
                el("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=8, class_="speck"),
                el("text", str(number), x=f"{x:.1f}", y=f"{y + 3.6:.1f}", class_="speck-number"),
            )
            for number, x, y in (
                (number, MARGIN + speck.x_mm * scale, MARGIN + speck.y_mm * scale)
                for number, (_, speck) in enumerate(shown, start=1)
            )
        ],
        viewBox=f"0 0 {width + 2 * MARGIN:.1f} {height + 2 * MARGIN:.1f}",
        class_="drawing",
        role="img",
        aria_label="The glass with the places to clean",
    )


def _specks(shown: Shown, of: str) -> Html:
    rows = [
        [
            str(number),
            words.figure(f"{of}.{index}.x_mm", speck.x_mm, words.MM_COARSE),
            words.figure(f"{of}.{index}.y_mm", speck.y_mm, words.MM_COARSE),
            words.figure(f"{of}.{index}.size_mm", speck.size_mm, words.MM_TENTH),
            words.figure(f"{of}.{index}.scan_count", speck.scan_count, words.COUNT),
        ]
        for number, (index, speck) in enumerate(shown, start=1)
    ]
    return words.table(
        ["No.", "From the left", "From the top", "Across", "Scans that show it"], rows, numeric=(1, 2, 3, 4)
    )
