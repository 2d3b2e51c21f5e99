"""`stitch dust`: specks and hairs found, listed and mended."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.options import Debug, FinishedPicture, Force, Memory, OutFolder
from stitch.cli.wording import flowing
from stitch.errors import UsageError

if TYPE_CHECKING:
    from stitch.pipeline.dusting import DustSummary

HELP = flowing("""
Find dust and hairs in a master, and mend what is proven to be no paint.

[bold]stitch dust scans-joined/master.tif --job scans-joined/[/bold]

With the job at hand dust is proven: several scans show it at one place of the glass, or one scan shows it where
another is clean. That is mended, from the clean scan where there is one. Everything else that looks like dust is only
listed: look at the contact sheet, and accept or refuse by number. The list is honoured by every later run.
""")
EPILOG = (
    "Exit codes: 0 done, 1 more than --limit was to be mended and nothing was, 2 something typed is wrong, "
    "3 the picture cannot be used, 5 trouble with the disk."
)


def dust(
    ctx: typer.Context,
    file: FinishedPicture,
    job: Annotated[
        Path | None,
        typer.Option(
            metavar="JOB", show_default=False, exists=True, file_okay=False, help="Folder of the job that made it."
        ),
    ] = None,
    mend: Annotated[
        str | None, typer.Option(metavar="NUMBERS", show_default=False, help="Mend these, too, e.g. 3,7-9.")
    ] = None,
    keep: Annotated[
        str | None, typer.Option(metavar="NUMBERS", show_default=False, help="Never touch these, e.g. 4.")
    ] = None,
    limit: Annotated[float, typer.Option(metavar="PERCENT", help="Share of the area that may be mended.")] = 0.5,
    out: OutFolder = None,
    memory: Memory = "1GB",
    force: Force = False,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        accepted, refused = _numbers(mend, "--mend"), _numbers(keep, "--keep")
        memory_mb = amounts.memory_mb(memory)
        from stitch.pipeline.dusting import DustRequest, mend_dust  # heavy: only when there is work

        request = DustRequest(file, job, out, accepted, refused, limit / 100, memory_mb, force)
        with progress_bars() as progress:
            done = mend_dust(request, progress)
        _tell(done, limit)
        for path in (done.picture, done.book, done.mask, done.sheet):
            if path is not None:
                answer(str(path))
        raise typer.Exit(0 if done.picture is not None else 1)


def _tell(done: DustSummary, limit: float) -> None:
    from stitch.model.dust import Verdict

    count = {verdict: sum(one.verdict is verdict for one in done.spots) for verdict in Verdict}
    if done.picture is None:
        say(
            f"Nothing was mended: {count[Verdict.MEND]} specks cover {100 * done.mended_fraction:.2f} % of it, "
            f"more than --limit {limit:g}. Look at the contact sheet: is it dust? Then give a larger --limit."
        )
    else:
        say(
            f"{count[Verdict.MEND]} mended ({done.from_scans} from another scan), "
            f"{100 * done.mended_fraction:.3f} % of the area."
        )
    if count[Verdict.ASK]:
        say(
            f"{count[Verdict.ASK]} only look like dust and were not touched. See the contact sheet; then run it again "
            "with --mend or --keep and their numbers, or change their verdict in the list."
        )


def _numbers(text: str | None, what: str) -> tuple[int, ...]:
    """Numbers and ranges of a list. Raises UsageError."""
    found: list[int] = []
    for part in (text or "").split(","):
        if not part.strip():
            continue
        match = re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+)\s*)?", part)
        if match is None:
            raise UsageError(f"{what}: {part.strip()!r} is no number of the list.", advice="Write them like 3,7-9.")
        found += range(int(match[1]), int(match[2] or match[1]) + 1)
    return tuple(found)
