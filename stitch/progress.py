"""Progress as an observer with a silent default; the bars themselves are drawn in `cli`."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
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

    def say(self, text: str) -> None:
        """Tell a person who watches something worth knowing before the run ends."""


class Stages:
    """One task over a whole run, in place of one for each of its steps.

    A step takes the task from where it begins to where it ends, by `stages` (label to both, 0..1). One that is done
    again takes it half of the way that is left to its end, so that the task never goes back and never waits at its end.
    """

    def __init__(
        self,
        whole: Task,
        stages: Mapping[str, tuple[float, float]],
        told: Callable[[str], None],
        say: Callable[[str], None],
    ) -> None:
        """`whole` : of total 1; `told` : is called with the label of a step as it begins; `say` : passes words on."""
        self._whole, self._stages, self._told = whole, stages, told
        self.say = say
        self._lock = threading.Lock()
        self._at = 0.0
        self._seen: set[str] = set()

    @contextmanager
    def task(self, label: str, total: float) -> Iterator[Task]:
        """Begin a step."""
        begin, end = self._stages.get(label, (self._at, self._at))
        if label in self._seen:
            end = (self._at + end) / 2
        self._seen.add(label)
        self._told(label)
        self._reach(begin)
        step = _Step(self._reach, max(self._at, begin), max(self._at, end), total)
        yield step
        self._reach(step.end)

    def _reach(self, at: float) -> None:
        with self._lock:
            if at > self._at:
                self._whole.advance(at - self._at)
                self._at = at


class _Step:
    def __init__(self, reach: Callable[[float], None], begin: float, end: float, total: float) -> None:
        self._reach, self._begin, self.end, self._total = reach, begin, end, max(total, 1e-9)
        self._lock = threading.Lock()
        self._done = 0.0

    def advance(self, amount: float = 1.0) -> None:
        """Move the step on, and the whole by its share."""
        with self._lock:
            self._done += amount
            share = min(1.0, self._done / self._total)
        self._reach(self._begin + share * (self.end - self._begin))


class _NoTask:
    def advance(self, amount: float = 1.0) -> None:
        """Do nothing."""


class SilentProgress:
    """The default: says nothing."""

    @contextmanager
    def task(self, label: str, total: float) -> Iterator[Task]:
        """Yield a task that ignores every step."""
        yield _NoTask()

    def say(self, text: str) -> None:
        """Say nothing."""


SILENT = SilentProgress()
