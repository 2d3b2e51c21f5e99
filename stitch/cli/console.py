"""What is said in the terminal: words and bars on stderr; stdout is kept for results another program may read."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from stitch.model.findings import Finding, Severity
from stitch.progress import SILENT, Stages, Task
from stitch.progress import Progress as ProgressObserver

PATIENCE_S = 2.0  # steps shorter than this show no bar

_ORDER = (Severity.NOTE, Severity.WARNING, Severity.FAILED, Severity.STOP)
_WORDS = {
    Severity.NOTE: ("Note", "cyan"),
    Severity.WARNING: ("Warning", "yellow"),
    Severity.FAILED: ("Check failed", "red"),
    Severity.STOP: ("Cannot go on", "red"),
}


def say(text: str) -> None:
    """One line on stderr, as it is."""
    print(text, file=sys.stderr)


def answer(text: str) -> None:
    """One line of results on stdout."""
    print(text)


def show_findings(findings: Iterable[Finding]) -> None:
    """All findings together, the gravest last, where the eye is when the run ends."""
    console = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
    for finding in sorted(findings, key=lambda one: _ORDER.index(one.severity)):
        word, colour = _WORDS[finding.severity]
        console.print(f"{word}: ", style=colour, end="")
        console.print(finding.message)
        if finding.advice:
            console.print(f"  {finding.advice}")


@contextmanager
def progress_bars(stages: Mapping[str, tuple[float, float]] | None = None) -> Iterator[ProgressObserver]:
    """Bars on stderr when it is a terminal, silence otherwise.

    `stages` : of a run that is shown as one bar, see `progress.Stages`; without them every step has its own.
    """
    console = Console(stderr=True)
    if not console.is_terminal:
        yield SILENT
        return
    bars = TerminalProgress(console)
    try:
        if stages is None:
            yield bars
        else:
            with bars.whole(stages) as observer:
                yield observer
    finally:
        bars.close()


class TerminalProgress:
    """Bars that appear only for steps that take longer than `PATIENCE_S`."""

    def __init__(self, console: Console, *, patience_s: float = PATIENCE_S) -> None:
        columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
        self._bars = Progress(*columns, console=console, transient=True)
        self._patience_s = patience_s
        self._lock = threading.Lock()
        self._is_closed = False

    @contextmanager
    def task(self, label: str, total: float) -> Iterator[Task]:
        """Start a bar that ends when the context does."""
        number = self._bars.add_task(label, total=total, visible=False)
        timer = threading.Timer(self._patience_s, self._reveal, (number,))
        timer.daemon = True
        timer.start()
        try:
            yield _BarTask(self._bars, number)
        finally:
            timer.cancel()
            with self._lock:
                self._bars.remove_task(number)

    @contextmanager
    def whole(self, stages: Mapping[str, tuple[float, float]]) -> Iterator[ProgressObserver]:
        """One bar over all steps of a run, named after the one under way."""
        with self.task("", 1.0) as task:
            number = self._bars.task_ids[-1]
            yield Stages(task, stages, lambda label: self._bars.update(number, description=label), self.say)

    def say(self, text: str) -> None:
        """A line above the bars."""
        self._bars.console.print(text, highlight=False, markup=False)

    def close(self) -> None:
        """Take all bars away."""
        with self._lock:
            self._is_closed = True
            self._bars.stop()

    def _reveal(self, number: int) -> None:
        with self._lock:
            if self._is_closed or number not in self._bars.task_ids:
                return
            self._bars.update(number, visible=True)  # type: ignore[arg-type]
            self._bars.start()


class _BarTask:
    def __init__(self, bars: Progress, number: int) -> None:
        self._bars, self._number = bars, number

    def advance(self, amount: float = 1.0) -> None:
        self._bars.advance(self._number, amount)  # type: ignore[arg-type]
