"""`stitch ties`: say by hand where two scans show the same, that two do not touch, or what a ruler reads."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli.console import answer, say
from stitch.cli.guard import guarded
from stitch.cli.lengths import parse_length_mm
from stitch.cli.options import Debug
from stitch.cli.wording import flowing
from stitch.errors import UsageError

if TYPE_CHECKING:
    from stitch.model.ties import TieBook

HELP = flowing("""
Say by hand where scans belong, when they could not be linked.

[bold]stitch ties scans-joined/[/bold]

A page opens in your browser, on this computer only. Find something that two scans both show, and click it in one and
then in the other: that is a tie. Two or three ties hold two scans. Then run the join again; what is done already is
kept. Everything you say is kept in ties.csv in the job's folder, which you may also edit by hand.

Without the page, with places in pixels from the top left of each scan:

[bold]stitch ties scans-joined/ --add "A1 1200,3400 B1 310,3390"[/bold]
""")
EPILOG = "Exit codes: 0 done, 2 something typed is wrong, 5 trouble with the disk."

_PLACE = r"(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)"
_TWO_PLACES = re.compile(rf"\s*(.+?)\s+{_PLACE}\s+(.+?)\s+{_PLACE}\s*")
_DISTANCE = re.compile(rf"\s*(.+?)\s+{_PLACE}\s+(.+?)\s+{_PLACE}\s+(\S.*?)\s*")


def ties(
    ctx: typer.Context,
    job: Annotated[
        Path, typer.Argument(metavar="JOB", show_default=False, help="The job's folder.", exists=True, file_okay=False)
    ],
    add: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TIE", help='A tie, e.g. "A1 1200,3400 B1 310,3390". May be repeated.', show_default=False
        ),
    ] = None,
    apart: Annotated[
        list[str] | None,
        typer.Option(metavar="SCANS", help='Two scans that do not touch, e.g. "A1 C3".', show_default=False),
    ] = None,
    distance: Annotated[
        list[str] | None,
        typer.Option(metavar="READING", help='A ruler, e.g. "A1 80,90 A2 5800,95 250mm".', show_default=False),
    ] = None,
    show: Annotated[bool, typer.Option("--list", metavar=" ", help="Print what was said so far.")] = False,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", metavar=" ", help="Print the page's address; open nothing.")
    ] = False,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        if not (add or apart or distance or show):
            from stitch.page import serve

            serve(job, open_browser=not no_browser, say=_address)
            return
        from stitch.pipeline.ties_file import add_to_book, book_of, scan_names

        names = scan_names(job)
        if add or apart or distance:
            new = _said(add or [], apart or [], distance or [], names)
            path = add_to_book(job, new)
            say(f"Noted in {path}.")
        if show:
            for line in _shown(book_of(job)):
                answer(line)


def _address(address: str) -> None:
    say("The page is at the address below. It works once, in one browser on this computer.")
    say("Close the page, or press Ctrl-C here, to stop; every tie is in ties.csv at once.")
    answer(address)
    sys.stdout.flush()  # whoever reads it through a pipe waits for it


def _said(add: list[str], apart: list[str], distance: list[str], names: tuple[str, ...]) -> TieBook:
    """What was typed as a book. Raises UsageError."""
    from stitch.model.ties import Apart, Distance, Tie, TieBook

    ties, distances = [], []
    for text in add:
        match = _TWO_PLACES.fullmatch(text)
        if match is None:
            raise UsageError(f"--add: {text!r} is no tie.", advice='Write it like "A1 1200,3400 B1 310,3390".')
        a, ax, ay, b, bx, by = match.groups()
        ties.append(Tie(a, (float(ax), float(ay)), b, (float(bx), float(by))))
    for text in distance:
        match = _DISTANCE.fullmatch(text)
        if match is None:
            raise UsageError(
                f"--distance: {text!r} is no reading.", advice='Write it like "A1 80,90 A2 5800,95 250mm".'
            )
        a, ax, ay, b, bx, by, length = match.groups()
        length_mm = parse_length_mm(length, what="--distance")
        distances.append(Distance(a, (float(ax), float(ay)), b, (float(bx), float(by)), length_mm))
    return TieBook(tuple(ties), tuple(Apart(*_two_names(text, names)) for text in apart), tuple(distances))


def _two_names(text: str, names: tuple[str, ...]) -> tuple[str, str]:
    """The two scans named in one text, whose names may hold spaces. Raises UsageError."""
    for first in names:
        rest = text.strip().removeprefix(first).strip()
        if rest in names and text.strip().startswith(f"{first} "):
            return first, rest
    raise UsageError(f"--apart: {text!r} does not name two of the scans.", advice=f"They are {', '.join(names)}.")


def _shown(book: TieBook) -> list[str]:
    lines = [f"tie       {t.scan_a} {_place(t.a_px)}  {t.scan_b} {_place(t.b_px)}  {t.note}" for t in book.ties]
    lines += [f"apart     {one.scan_a}  {one.scan_b}  {one.note}" for one in book.apart]
    lines += [
        f"distance  {d.scan_a} {_place(d.a_px)}  {d.scan_b} {_place(d.b_px)}  {d.length_mm:g} mm  {d.note}"
        for d in book.distances
    ]
    return [line.rstrip() for line in lines]


def _place(place: tuple[float, float]) -> str:
    return f"{place[0]:g},{place[1]:g}"
