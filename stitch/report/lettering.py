"""Text on pictures, with the font that comes with Pillow: no font of the system is looked for.

That font knows the letters of English alone; accents are dropped, and what remains unknown is drawn as "?". Each scan
therefore carries its number in the report as well as its name.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

from PIL import ImageDraw, ImageFont

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

SPELLED = {
    "ß": "ss",
    "æ": "ae",
    "Æ": "AE",
    "ø": "o",
    "Ø": "O",
    "œ": "oe",
    "Œ": "OE",
    "ł": "l",
    "Ł": "L",
    "–": "-",
    "—": "-",
}
ELLIPSIS = "..."


@lru_cache(maxsize=64)
def font(size_px: int) -> Font:
    """Pillow's own scalable font at `size_px`."""
    return ImageFont.load_default(size=size_px)


def drawable(text: str) -> str:
    """`text` in letters the font has."""
    spelled = "".join(SPELLED.get(c, c) for c in text)
    bare = "".join(c for c in unicodedata.normalize("NFKD", spelled) if not _is_silent(c))
    return "".join(c if " " <= c <= "~" else "?" for c in bare)


def width_px(text: str, size_px: int) -> float:
    """Width of a line of text."""
    return float(font(size_px).getlength(text))


def shortened(text: str, size_px: int, room_px: float) -> str:
    """`text`, with its middle left out when it is wider than `room_px`."""
    if width_px(text, size_px) <= room_px:
        return text
    for keep in range(len(text) - 1, 1, -1):
        head = text[: (keep + 1) // 2].rstrip()
        short = head + ELLIPSIS + text[len(text) - keep // 2 :].lstrip()
        if width_px(short, size_px) <= room_px:
            return short
    return ELLIPSIS


def haloed(
    draw: ImageDraw.ImageDraw,
    place: tuple[float, float],
    text: str,
    size_px: int,
    *,
    anchor: str = "mm",
    fill: str = "#ffffff",
    halo: str = "#0b0c0e",
) -> None:
    """Draw `text` with a halo round every letter, readable on any ground."""
    draw.text(
        place, text, font=font(size_px), fill=fill, anchor=anchor, stroke_width=max(2, size_px // 8), stroke_fill=halo
    )


def _is_silent(character: str) -> bool:
    return unicodedata.combining(character) > 0 or unicodedata.category(character) in {"Cf", "Mn"}
