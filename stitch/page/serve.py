"""From a job folder to an open page, and back when it is closed."""

from __future__ import annotations

import threading
import webbrowser
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stitch.errors import ScanError
from stitch.page.desk import Desk
from stitch.page.gate import Gate
from stitch.page.opened import OpenJob, opened
from stitch.page.routes import Routes
from stitch.page.server import PageServer
from stitch.page.watch import Watch
from stitch.progress import SILENT, Progress


@dataclass(frozen=True, slots=True)
class ServedPage:
    """A page that can be opened at `address`, once."""

    address: str
    watch: Watch


def serve(job: Path, *, open_browser: bool, say: Callable[[str], None], progress: Progress = SILENT) -> None:
    """Show the page of a job until it is closed, or Ctrl-C is pressed. Every change is in ties.csv at once.

    Parameters
    ----------
    open_browser : open the address in the usual browser; it is told through `say` in any case.
    say : is given the address, alone on its line.

    Raises
    ------
    StitchError : the folder is no job, its scans are gone, ties.csv has a bad line, or another page is open.
    """
    with served(job, progress) as page:
        try:
            say(page.address)
            if open_browser:
                webbrowser.open(page.address)
            page.watch.wait_until_closed()
        except KeyboardInterrupt:
            return  # the usual way to stop


@contextmanager
def served(job: Path, progress: Progress = SILENT) -> Iterator[ServedPage]:
    """The page of a job, answered in other threads while this lasts. Raises StitchError as `serve` does."""
    with opened(job, progress) as open_job:
        watch, gate = Watch(), Gate()
        server = PageServer(gate, Routes(Desk(open_job, watch)), watch)
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.2}, daemon=True).start()
        preparing = ThreadPoolExecutor(1)
        preparing.submit(_prepare, open_job, watch)
        try:
            yield ServedPage(gate.address, watch)
        finally:
            watch.end()
            server.shutdown()
            server.server_close()
            preparing.shutdown(cancel_futures=True)


def _prepare(job: OpenJob, watch: Watch) -> None:
    """Make the reduced copies before they are asked for; what cannot be read is told when it is."""
    for tiled in job.tiled:
        if watch.is_over:
            return
        try:
            tiled.prepare()
        except ScanError:
            continue
