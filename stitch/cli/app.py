"""The entry point: it loads hardly anything before it is ready for Ctrl-C."""

from __future__ import annotations

import io
import os
import signal
import sys
from types import FrameType

from stitch.errors import INTERRUPTED


def run() -> None:
    """Run the command line and end the process with its exit code."""
    try:
        _meet_signals_like_ctrl_c()
        _print_any_name()
        from stitch.cli.commands import app

        app()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)


def _meet_signals_like_ctrl_c() -> None:
    """A closed terminal window or a request to end is met like Ctrl-C, so that scratch files go."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), interrupt)


def _print_any_name() -> None:
    """Paths with characters that the terminal cannot show must not stop the run."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace" if os.name == "nt" else "surrogateescape")
