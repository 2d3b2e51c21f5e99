"""Bars only on a terminal, and only for what takes long."""

from __future__ import annotations

import io
import threading
import time

from rich.console import Console

from stitch.cli.console import TerminalProgress, progress_bars
from stitch.progress import SILENT


def terminal() -> tuple[Console, io.StringIO]:
    screen = io.StringIO()
    return Console(file=screen, force_terminal=True, width=80), screen


def test_a_short_step_shows_nothing() -> None:
    console, screen = terminal()
    bars = TerminalProgress(console, patience_s=60)
    with bars.task("Reading", 10) as task:
        task.advance(10)
    bars.close()
    assert screen.getvalue() == ""


def test_a_long_step_shows_its_name_even_when_it_does_not_advance() -> None:
    console, screen = terminal()
    bars = TerminalProgress(console, patience_s=0.01)
    with bars.task("Reading", 10) as task:
        deadline = time.monotonic() + 5
        while "Reading" not in screen.getvalue() and time.monotonic() < deadline:
            time.sleep(0.01)
        task.advance(5)
    bars.close()
    assert "Reading" in screen.getvalue()


def test_one_bar_goes_through_a_run_and_is_named_after_its_step() -> None:
    console, screen = terminal()
    bars = TerminalProgress(console, patience_s=0.0)
    with bars.whole({"Reading": (0.0, 0.2), "Composing": (0.2, 1.0)}) as progress:
        for label in ("Reading", "Composing"):
            with progress.task(label, 4) as task:
                deadline = time.monotonic() + 5
                task.advance(2)
                while label not in screen.getvalue() and time.monotonic() < deadline:
                    time.sleep(0.01)
    bars.close()
    assert "Reading" in screen.getvalue() and "Composing" in screen.getvalue()


def test_no_timer_outlives_its_step() -> None:
    console, screen = terminal()
    bars = TerminalProgress(console, patience_s=0.05)
    before = threading.active_count()
    with bars.task("Reading", 10):
        pass
    bars.close()
    time.sleep(0.1)
    assert threading.active_count() <= before
    assert screen.getvalue() == ""


def test_silence_when_stderr_is_no_terminal() -> None:
    with progress_bars() as progress:
        assert progress is SILENT
