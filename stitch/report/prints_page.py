"""The contact sheet: every print of a folder to look at, with its figures, on one page without network."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stitch.report.html import Html, el

_STYLE = """
body { margin: 2rem auto; max-width: 70rem; padding: 0 1rem; font: 16px/1.5 Georgia, serif; color: #22201c; }
h1 { font-weight: normal; }
.board { display: grid; grid-template-columns: repeat(auto-fill, minmax(14rem, 1fr)); gap: 2rem 1.5rem; }
figure { margin: 0; } figure img { max-width: 100%; max-height: 22rem; box-shadow: 0 0 0 1px #c9c4ba; }
figcaption { font-size: 0.9rem; } td, th { text-align: left; padding: 0.2rem 1rem 0.2rem 0; vertical-align: top; }
table { border-collapse: collapse; margin: 2rem 0; font-size: 0.9rem; overflow-wrap: anywhere; }
tr + tr { border-top: 1px solid #ddd8ce; }
.mind { border-left: 3px solid #22201c; padding-left: 1rem; }
"""

CAUTIONS = (
    "Colours on a screen are not the print: order a proof before you order fifty.",
    "Sell only what is yours to copy. Owning a picture is not owning the right to copy it.",
)


@dataclass(frozen=True, slots=True)
class Shown:
    """One print on the page: its cells by heading, and its small picture (JPEG) or None."""

    file_name: str
    cells: Mapping[str, str]
    picture: bytes | None


def prints_page(title: str, shown: Sequence[Shown], notes: Sequence[str], tool_version: str) -> str:
    """The page as HTML text, to be written as UTF-8."""
    return bare_page(
        f"{title}: prints",
        [
            el("div", *(_figure(one) for one in shown), class_="board"),
            _table(shown),
            *(el("p", note) for note in notes),
            *(el("p", caution, class_="mind") for caution in CAUTIONS),
        ],
        tool_version,
    )


def bare_page(title: str, children: Sequence[Html], tool_version: str) -> str:
    """A page in the style of the contact sheet."""
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="generator", content=f"stitch {tool_version}"),
        el("title", title),
        el("style", Html(_STYLE)),
    )
    document = el("html", head, el("body", el("h1", title), *children), lang="en")
    return f"<!DOCTYPE html>\n{document}\n"


def _figure(one: Shown) -> Html:
    picture = None
    if one.picture is not None:
        data = base64.b64encode(one.picture).decode("ascii")
        picture = el("img", src=f"data:image/jpeg;base64,{data}", alt=one.file_name)
    return el("figure", picture, el("figcaption", one.file_name))


def _table(shown: Sequence[Shown]) -> Html:
    headings = list(dict.fromkeys(name for one in shown for name in one.cells))
    return el(
        "table",
        el("tr", el("th", "file"), *(el("th", name) for name in headings)),
        *(
            el("tr", el("td", one.file_name), *(el("td", one.cells.get(name, "")) for name in headings))
            for one in shown
        ),
    )
