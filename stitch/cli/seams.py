"""`stitch seams`: say by hand which scan makes a region, and see the new cut before it is in the master."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli.console import answer, progress_bars, say, show_findings
from stitch.cli.guard import guarded
from stitch.cli.options import Debug
from stitch.cli.wording import flowing
from stitch.errors import UsageError

if TYPE_CHECKING:
    from stitch.model.wishes import Wish
    from stitch.pipeline.drafting import Draft
    from stitch.report.measures import SeamFigures

HELP = flowing("""
Say which scan makes a part of the master, and see the new seams first.

[bold]stitch seams scans-joined/ --prefer "A1 120,80 160,110"[/bold]

In that rectangle, two opposite corners in mm from the master's top-left corner, the scan A1 is used wherever it covers
it. --avoid keeps a scan out wherever another one covers the region. Three and more corners are a polygon. With
[bold]px[/bold] behind them the corners are pixels of that scan itself, as its file is shown, with
[bold]px of B1[/bold] those of B1.

Everything you say is kept in seams.csv in the job's folder, which you may also edit by hand. Without more words the
new seams are drawn as a draft; the master and its seam map stay as they are until you join again:

[bold]stitch seams scans-joined/[/bold]
""")
EPILOG = (
    "Exit codes: 0 done, 1 a wish could not be met, 2 something typed is wrong or the job is not joined, "
    "5 trouble with the disk."
)

_NUMBER = r"-?\d+(?:\.\d+)?"
_PLACE = rf"{_NUMBER}\s*,\s*{_NUMBER}"
_WISH = re.compile(rf"\s*(.+?)\s+({_PLACE}(?:\s+{_PLACE})+)(?:\s*(mm|px(?:\s+of\s+.+?)?))?\s*", re.IGNORECASE)
EXAMPLE = 'Write it like "A1 120,80 160,110", or with "px" or "px of B1" behind it.'


def seams(
    ctx: typer.Context,
    job: Annotated[
        Path, typer.Argument(metavar="JOB", show_default=False, help="The job's folder.", exists=True, file_okay=False)
    ],
    prefer: Annotated[
        list[str] | None,
        typer.Option(
            metavar="REGION", help='Use a scan here: "A1 120,80 160,110". May be repeated.', show_default=False
        ),
    ] = None,
    avoid: Annotated[
        list[str] | None,
        typer.Option(metavar="REGION", help="Keep a scan out of here. May be repeated.", show_default=False),
    ] = None,
    remove: Annotated[
        list[int] | None,
        typer.Option(metavar="LINE", help="Take out the wish of that number in --list.", show_default=False),
    ] = None,
    show: Annotated[bool, typer.Option("--list", metavar=" ", help="Print what was said so far.")] = False,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        if not (prefer or avoid or remove or show):
            raise typer.Exit(_draft(job))
        from stitch.pipeline.wishes_file import add_wishes, remove_wishes

        new = [*_said(prefer or [], "prefer"), *_said(avoid or [], "avoid")]
        if remove:
            path = remove_wishes(job, remove)
            say(f"Taken out of {path}.")
        if new:
            path = add_wishes(job, new)
            say(f"Noted in {path}.")
        if remove or new:
            say(f"To see what it changes: stitch seams {shlex.quote(str(job))}")
        if show:
            _list(job)


def _draft(job: Path) -> int:
    from stitch.pipeline.drafting import draft

    with progress_bars() as progress:
        made = draft(job, progress)
    show_findings(made.findings)
    for line in _told(made):
        say(line)
    say(f"This is a draft, not yet in the master. To take it up: stitch join {shlex.quote(str(job))}")
    answer(str(made.picture))
    answer(str(made.labels))
    from stitch.model.findings import Severity

    return 1 if any(one.severity is Severity.FAILED for one in made.findings) else 0


def _told(made: Draft) -> list[str]:
    from stitch.pipeline.drafting import changed_words

    area = f" ({made.changed_mm2 / 100:.1f} cm²)" if made.changed_fraction else ""
    return [
        f"{changed_words(made.changed_fraction)}{area}.",
        f"{'':<24}in the master   draft",
        *(f"{words:<24}{before:>13}{after:>8}" for words, before, after in _figures(made.before, made.after)),
    ]


def _figures(before: SeamFigures, after: SeamFigures) -> list[tuple[str, str, str]]:
    """Words, the figure of the master's seams, that of the draft's."""
    rows = [
        ("length of seams, mm", "length_mm", ".0f"),
        ("step, p95, ΔE2000", "p95_step_de00", ".2f"),
        ("step, worst, ΔE2000", "worst_step_de00", ".2f"),
        ("shift, p95, px", "p95_misregistration_px", ".2f"),
        ("shift, worst, px", "worst_misregistration_px", ".2f"),
    ]

    def told(figures: SeamFigures, name: str, digits: str) -> str:
        value = getattr(figures, name)
        return "–" if value is None else format(value, digits)

    return [(words, told(before, name, digits), told(after, name, digits)) for words, name, digits in rows]


def _list(job: Path) -> None:
    from stitch.pipeline.wishes_file import wishes_of
    from stitch.wishes.region import region_text, unit_text

    found = wishes_of(job)
    if not found:
        say("Nothing was said of the seams so far.")
    for wish, moved in found:
        place = f"{region_text(wish.points)} {unit_text(wish) or 'mm'}"
        now = f"now at {moved} mm" if moved else ""
        words = "  ".join(filter(None, (wish.want.value, wish.scan_id, place, now, wish.note)))
        answer(f"{wish.line:<5}{words}")


def _said(texts: Sequence[str], want: str) -> list[Wish]:
    """What was typed as wishes. Raises UsageError."""
    if not texts:
        return []
    from stitch.model.wishes import Want, Wish
    from stitch.sheet.cells import BadLine
    from stitch.wishes.book import px_of
    from stitch.wishes.region import parse_region

    found = []
    for text in texts:
        match = _WISH.fullmatch(text)
        if match is None:
            raise UsageError(f"--{want}: {text!r} is no region of a scan.", advice=EXAMPLE)
        try:
            points, of = parse_region(match[2]), px_of(match[3] or "", match[1], None)
        except BadLine as reason:
            raise UsageError(f"--{want}: {reason}.", advice=EXAMPLE) from None
        found.append(Wish(Want(want), match[1], points, of))
    return found
