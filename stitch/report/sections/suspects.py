"""Of a run that stopped: the two scans whose link is at fault, side by side."""

from __future__ import annotations

from stitch.report.html import Html, el
from stitch.report.sections.context import Context, section
from stitch.report.sections.painting import image


def suspects(context: Context) -> Html | None:
    """The two scans as they were scanned; None where no two are at fault."""
    if len(context.suspects) != 2:
        return None
    lead = (
        "These two should hang together, and the run could not tell how. Look for something that both show: when "
        "there is such a place, you can say so by hand; when there is none, scan again with more overlap."
    )
    shown = [
        el("figure", image(picture, f"the scan {name}"), el("figcaption", context.named(name)))
        for name, picture in context.suspects
    ]
    return section("suspects", "The two in question", lead, el("div", *shown, class_="side-by-side"), wide=True)
