"""Which pages are open, and what they are to be told: a change in another page, and how many there are."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

GRACE_S = 8.0  # a page that is loaded again is away for a moment


class Watch:
    """Counts open pages and wakes them up when something changed. Safe to use from several threads."""

    def __init__(self, *, grace_s: float = GRACE_S) -> None:
        self._changed = threading.Condition()
        self._grace_s = grace_s
        self._pages = 0
        self._revision = 0
        self._left_at: float | None = None  # when the last page was closed
        self._is_over = False

    @property
    def is_over(self) -> bool:
        """Whether the page is being taken down."""
        return self._is_over

    @contextmanager
    def page(self) -> Iterator[None]:
        """One page is open while this lasts."""
        self._count(1)
        try:
            yield
        finally:
            self._count(-1)

    def tell(self, revision: int) -> None:
        """The ties have this revision now."""
        with self._changed:
            self._revision = revision
            self._changed.notify_all()

    def next(self, seen: tuple[int, int] | None, timeout_s: float) -> tuple[int, int] | None:
        """(revision, open pages) as soon as they differ from `seen`; unchanged after `timeout_s`; None at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._is_over or (self._revision, self._pages) != seen, timeout_s)
            return None if self._is_over else (self._revision, self._pages)

    def wait_until_closed(self, *, tick_s: float = 0.5) -> None:
        """Return some seconds after the last page was closed. Before one was opened there is no end of waiting."""
        with self._changed:
            while not self._is_over and not self._is_left():
                self._changed.wait(tick_s)

    def end(self) -> None:
        """Let everybody who waits go."""
        with self._changed:
            self._is_over = True
            self._changed.notify_all()

    def _count(self, step: int) -> None:
        with self._changed:
            self._pages += step
            self._left_at = time.monotonic() if self._pages == 0 else None
            self._changed.notify_all()

    def _is_left(self) -> bool:
        return self._left_at is not None and time.monotonic() - self._left_at >= self._grace_s
