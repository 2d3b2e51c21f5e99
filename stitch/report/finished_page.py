"""One page of everything that was finished: step, file, size, checksum, and the version that made it."""

from __future__ import annotations

from collections.abc import Sequence

from stitch.report.html import el
from stitch.report.prints_page import CAUTIONS, bare_page

HEADINGS = ("step", "file", "MB", "made with", "SHA-256")


def finished_page(title: str, rows: Sequence[Sequence[str]], notes: Sequence[str], tool_version: str) -> str:
    """The page as HTML text, to be written as UTF-8. rows : cells by `HEADINGS`."""
    return bare_page(
        f"{title}: finished",
        [
            el(
                "table",
                el("tr", *(el("th", heading) for heading in HEADINGS)),
                *(el("tr", *(el("td", cell) for cell in row)) for row in rows),
            ),
            *(el("p", note) for note in notes),
            *(el("p", caution, class_="mind") for caution in CAUTIONS),
        ],
        tool_version,
    )
