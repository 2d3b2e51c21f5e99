"""A job with everything the page shows of it: its scans, what is known of them, and the book of ties."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property, partial
from pathlib import Path

from stitch.errors import UsageError, WriteError, write_error
from stitch.job.folder import JobFolder
from stitch.job.lock import JobLock
from stitch.job.place import JOB_FILE
from stitch.model.request import JoinRequest
from stitch.model.scans import PixelSource, Scan
from stitch.model.settings import JoinSettings
from stitch.page.by_name import ByName, by_name
from stitch.page.last_run import LastRun, read_last_run
from stitch.page.ledger import Ledger, stamp_of
from stitch.page.tiles import TiledScan
from stitch.pipeline import checkin
from stitch.pipeline.checkin import LEAST_CACHE_BYTES
from stitch.pipeline.keep import Keeper
from stitch.progress import Progress
from stitch.scans.readers import open_scan

CACHE_BYTES = 48 << 20  # decoded strips kept of each compressed scan that is looked at: a row of tiles of 36 megapixels
ALL_CACHE_BYTES = 512 << 20  # of all of them together
LOCK_NAME = "page.lock"


class OpenJob:
    """What is needed of one job while its page is open. Scans are known by their number, counted from 0."""

    def __init__(self, root: Path, scans: tuple[Scan, ...], scan_dpi: float | None, scratch: Path) -> None:
        self.name = root.name
        self.scans = scans
        self.names = [scan.scan_id for scan in scans]
        self.ppi = [checkin.resolutions((scan,), scan_dpi)[scan.scan_id] for scan in scans]
        self.ledger = Ledger(root, scans)
        self._report = root / "report.json"
        self._report_stamp = stamp_of(self._report)
        self.known: LastRun = read_last_run(self._report, self.names)
        self._scratch = scratch
        self._sources: dict[int, PixelSource] = {}
        self._lock = threading.Lock()
        self.tiled = [
            TiledScan(partial(self.source, n), partial(self._opened, n, LEAST_CACHE_BYTES), scan, scratch / f"{n}.npy")
            for n, scan in enumerate(scans)
        ]

    @cached_property
    def guess(self) -> ByName:
        """What the names of the scans tell of where they lie."""
        return by_name(self.names)

    def notice(self) -> int:
        """The revision of all that is shown, after a look at what a run or another program changed meanwhile.

        Raises UsageError when ties.csv has a bad line now.
        """
        with self._lock:
            stamp = stamp_of(self._report)
            if stamp != self._report_stamp:
                self._report_stamp = stamp
                self.known = read_last_run(self._report, self.names)
                self.ledger.count()
        self.ledger.refresh()
        return self.ledger.revision

    def source(self, number: int) -> PixelSource:
        """The pixels of a scan, opened when they are first needed. Raises ScanError."""
        with self._lock:
            if number not in self._sources:
                cache_bytes = min(CACHE_BYTES, ALL_CACHE_BYTES // len(self.scans))
                self._sources[number] = self._opened(number, cache_bytes)
            return self._sources[number]

    def _opened(self, number: int, cache_bytes: int) -> PixelSource:
        return open_scan(self.scans[number], scratch=self._scratch, cache_bytes=cache_bytes)

    def close(self) -> None:
        """Let go of all files."""
        for tiled in self.tiled:
            tiled.close()
        with self._lock:
            for source in self._sources.values():
                source.close()
            self._sources.clear()


@contextmanager
def opened(job: Path, progress: Progress) -> Iterator[OpenJob]:
    """The job of a folder; its scans are only read. One page at a time; runs of `join` may come and go meanwhile.

    Raises UsageError (not a job), ScanError (scans that are gone), WriteError (another page, or a run at work).
    """
    if not (job / JOB_FILE).is_file():
        raise UsageError(
            f"{job} is not the folder of a job.",
            advice=f"Name the folder that stitch join made (it holds {JOB_FILE}), or run stitch join first.",
        )
    # no result is written here, so a result that was changed since is nobody's trouble
    folder = JobFolder.open_or_create(JoinRequest(inputs=(job,), settings=JoinSettings(), force=True))
    with folder.at_work():
        checked, _ = checkin.check_in(folder, checkin.find(folder.request).files, Keeper(folder), progress)
    with _only_page(folder.work / LOCK_NAME), _scratch(folder.work) as scratch:
        open_job = OpenJob(folder.root, checked.scans, folder.request.settings.scan_dpi, scratch)
        try:
            yield open_job
        finally:
            open_job.close()


@contextmanager
def _only_page(path: Path) -> Iterator[None]:
    """One page of a job at a time: two servers would not know of each other's changes."""
    with contextlib.ExitStack() as held:
        try:
            held.enter_context(JobLock(path))
        except WriteError as error:
            raise WriteError(
                f"The page of {path.parent.parent.name} is open already, or another program holds {path.name}.",
                advice="Go on in the browser where it is open, or stop it (Ctrl-C in its terminal) and try again.",
            ) from error
        yield


@contextmanager
def _scratch(work: Path) -> Iterator[Path]:
    """A folder for reduced copies that is gone afterwards; one that a crash left behind goes first."""
    for left in work.glob("page-*"):
        shutil.rmtree(left, ignore_errors=True)
    try:
        scratch = Path(tempfile.mkdtemp(prefix="page-", dir=work))
    except OSError as error:
        raise write_error(work / "page", error) from error
    try:
        yield scratch
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(scratch)
