"""The entry point: it loads hardly anything before it is ready for Ctrl-C."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
from types import FrameType

from stitch.errors import INTERRUPTED

LIBRARIES = {
    "OPENBLAS_NUM_THREADS": "1",  # many small products: its threads only wait for one another
    "OPENCV_THREAD_POOL_ACTIVE_WAIT_MAIN": "0",  # idle threads sleep and leave the cores to ours
    "OPENCV_THREAD_POOL_ACTIVE_WAIT_WORKER": "0",
}
"""How the libraries that compute are told to behave, unless the environment says otherwise."""

SWITCH_S = (
    0.0005  # threads that wait for Python get it sooner: ours do many short steps (placing took 10 % longer at 0.005)
)


def run() -> None:
    """Run the command line and end the process with its exit code."""
    for name, value in LIBRARIES.items():
        os.environ.setdefault(name, value)
    sys.setswitchinterval(SWITCH_S)
    try:
        _meet_signals_like_ctrl_c()
        _print_any_name()
        from stitch.cli.commands import app

        app()
    except KeyboardInterrupt:
        _leave_interrupted()
    except SystemExit as end:
        if end.code == INTERRUPTED:
            _leave_interrupted()
        raise


def _leave_interrupted() -> None:
    """End with the exit code of an interruption.

    Left to itself Python ends by the signal instead when Ctrl-C fell into code that was run from text, as a record's
    definition is while it is loaded.
    """
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(INTERRUPTED)


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
