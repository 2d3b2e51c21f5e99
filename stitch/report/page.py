"""The report as one page that needs nothing else: style and pictures are inside it, and it runs no script."""

from __future__ import annotations

from collections.abc import Sequence

from stitch.model.report import RunSummary
from stitch.report.document import document
from stitch.report.html import Html, el, join
from stitch.report.sections import closing, links, painting, pixels, scanner, scans, size, top
from stitch.report.sections.context import Context
from stitch.report.sections.suspects import suspects as suspect_pair
from stitch.report.spots import Spot
from stitch.report.verdict import Outcome, Verdict, verdict


def page(
    summary: RunSummary,
    *,
    preview_png: bytes | None = None,
    seam_map_png: bytes | None = None,
    spots: Sequence[Spot] = (),
    suspects: Sequence[tuple[str, bytes]] = (),
) -> str:
    """The report page as HTML text, to be written as UTF-8.

    Parameters
    ----------
    preview_png : the master reduced (PNG or JPEG), or None when there is no master.
    seam_map_png : the picture made by `seam_map.draw`, or None.
    spots : the worst places along the seams, worst first.
    suspects : names and small pictures of the two scans whose link stopped the run.

    A run that stopped early gives a shorter page: the verdict, the next command, what was found, and the scans.
    """
    context = Context(summary, preview_png or None, seam_map_png or None, tuple(spots), tuple(suspects))
    said = verdict(summary)
    title = summary.settings.title or summary.job_name
    main = el("main", _parts(context, said))
    return document(
        f"{title}: {said.headline}", summary.tool_version, top.header(context), main, closing.footer(context)
    )


def _parts(context: Context, said: Verdict) -> Html:
    if said.outcome is Outcome.STOPPED:
        return _stopped_parts(context, said)
    return join(
        top.verdict_block(context, said),
        top.five_questions(context),
        top.findings(context, said),
        painting.painting(context),
        painting.spots(context),
        painting.seams(context),
        links.links(context),
        scanner.scanner(context),
        size.size(context),
        pixels.pixels(context),
        scans.scans(context),
        closing.cautions(context),
        closing.glossary(),
    )


def _stopped_parts(context: Context, said: Verdict) -> Html:
    return join(
        top.verdict_block(context, said),
        top.findings(context, said),
        suspect_pair(context),
        painting.painting(context),
        links.links(context),
        scans.scans(context),
        closing.cautions(context),
        closing.glossary(),
    )
