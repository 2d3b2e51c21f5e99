"""What every part of the page is handed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stitch.model.geometry import Size
from stitch.model.report import RunSummary
from stitch.report.html import Child, Html, el
from stitch.report.numbering import numbers_of
from stitch.report.spots import Spot


@dataclass(frozen=True, slots=True)
class Context:
    """The record and the pictures."""

    summary: RunSummary
    preview: bytes | None
    seam_map: bytes | None
    spots: Sequence[Spot]
    suspects: Sequence[tuple[str, bytes]] = ()  # name and small picture of two scans whose link is at fault

    @property
    def canvas(self) -> Size | None:
        """Size of the master."""
        return self.summary.layout.canvas if self.summary.layout else None

    def number(self, scan_id: str) -> str:
        """The number of a scan, the same on the page and on the seam map; "?" for a name that is not in the job."""
        return str(numbers_of(scan.scan_id for scan in self.summary.scans).get(scan_id, "?"))

    def named(self, scan_id: str) -> Html:
        """A scan's number and name."""
        return named_scan(self.number(scan_id), scan_id)


def named_scan(number: str, scan_id: str) -> Html:
    """A scan's number and name."""
    return el("span", el("b", number, class_="tag"), " ", el("span", scan_id, class_="name"), class_="scan")


def section(anchor: str, title: str, lead: Child, *body: Child, wide: bool = False) -> Html:
    """A part of the page: its title and what it tells on the left, the rest on the right (or below when wide)."""
    head = el("header", el("h2", title), el("p", lead, class_="lead"))
    return el("section", head, el("div", *body, class_="body"), id=anchor, class_="wide" if wide else None)
