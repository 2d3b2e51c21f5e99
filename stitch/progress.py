"""Progress as an observer with a silent default; the bars themselves are drawn in `cli`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Task(Protocol):
    """One bar under way."""

    def advance(self, amount: float = 1.0) -> None:
        """Move the bar on by `amount` of its total. Safe to call from worker threads."""


class Progress(Protocol):
    """Where a room reports how far it is."""

    def task(self, label: str, total: float) -> AbstractContextManager[Task]:
        """Start a bar that ends when the context does."""


class _NoTask:
    def advance(self, amount: float = 1.0) -> None:
        """Do nothing."""


class SilentProgress:
    """The default: says nothing."""

    @contextmanager
    def task(self, label: str, total: float) -> Iterator[Task]:
        """Yield a task that ignores every step."""
        yield _NoTask()


SILENT = SilentProgress()
