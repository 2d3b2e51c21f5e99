"""A joined job opened again as its last run left it: scans open, placed and matched in tone, nothing made anew."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from stitch.errors import UsageError
from stitch.job.folder import JobFolder
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import checkin, making, rerun, toned
from stitch.pipeline.keep import Keeper, OnlyPlanned
from stitch.pipeline.ties_file import scans_of
from stitch.progress import Progress

Behind = Callable[[JobFolder, str], UsageError]


@contextmanager
def kept_job(folder: JobFolder, keeper: Keeper, progress: Progress) -> Iterator[tuple[toned.Toned, toned.Books]]:
    """The job's scans, and what was said by hand. `keeper` decides what may be made; raises OnlyPlanned otherwise."""
    begun = toned.begin(folder)
    checked, scanned = checkin.check_in(folder, begun.collected.files, keeper, progress)
    said = toned.books(folder.root, checked.scans)
    sheet = toned.white(folder, begun, checked.scans, progress)
    with toned.toned(folder, keeper, begun, checked.scans, scanned, said.ties, sheet, progress) as ready:
        yield ready, said


def kept_seams_of(folder: JobFolder, ready: toned.Toned, behind: Behind) -> making.Seams:
    """The cut that the master was made with. Raises what `behind` makes when the master there is of another layout."""
    last = rerun.last_run(folder)
    if last is None or last.summary.layout != ready.layout or not folder.master.exists():
        raise behind(folder, "its last join did not end with a master")
    try:
        return making.kept_seams(ready.job, ready.layout)
    except (OSError, ValueError, KeyError, TypeError):
        raise behind(folder, "what it had left was changed or removed") from None


@contextmanager
def opened_job(root: Path, progress: Progress) -> Iterator[tuple[toned.Toned, making.Seams]]:
    """A finished job with the cut of its master; only read. Raises UsageError where it is not as a join left it."""
    scans_of(root)  # a job that looked at its scans, not a folder of scans
    folder = JobFolder.open_or_create(JoinRequest((root,), JoinSettings()))
    with folder.at_work():
        keeper = Keeper(folder, only_plan=True, may_make=("scans",))
        try:
            with kept_job(folder, keeper, progress) as (ready, _):
                yield ready, kept_seams_of(folder, ready, _not_kept)
        except OnlyPlanned:
            room, why = list(keeper.reasons.items())[-1]
            raise _not_kept(folder, f"{rerun.ROOM_WORDS[room]} has to be done again ({why})") from None


def _not_kept(folder: JobFolder, why: str) -> UsageError:
    return UsageError(
        f"{folder.root.name} cannot say where its scans lie: {why}.",
        advice=f"Run stitch join {folder.root.name} first.",
    )
