"""Every way a command can end, as one sentence and an exit code."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager

import typer

from stitch.cli.console import say
from stitch.errors import INTERRUPTED, InternalFault, StitchError

_SYSTEM_LIBRARIES = ("libGL", "libEGL", "libgthread", "libglib", "libgobject", "libSM", "libX", "libxcb")


@contextmanager
def guarded(*, debug: bool) -> Iterator[None]:
    """Turn what stops a command into one line on stderr and its exit code; with `debug` the traceback comes first."""
    try:
        yield
    except (typer.Exit, typer.Abort, typer.TyperException, BrokenPipeError):
        raise
    except KeyboardInterrupt:
        say("Stopped before it was finished. The same command begins again; your scans are untouched.")
        raise typer.Exit(INTERRUPTED) from None
    except StitchError as error:
        _end(str(error), error.exit_code, debug=debug)
    except ImportError as error:
        _end(missing_library_words(error), InternalFault.exit_code, debug=debug)
    except MemoryError:
        _end("The computer ran out of memory. Close other programs, or try a smaller --memory.", 70, debug=debug)
    except Exception as error:
        words = f"Something went wrong inside stitch ({type(error).__name__}: {_first_line(error)})."
        hint = "" if debug else " Your scans are untouched. Run it again with --debug and pass on what it prints."
        _end(words + hint, InternalFault.exit_code, debug=debug)


def missing_library_words(error: ImportError) -> str:
    """What to install when a part that stitch needs cannot be loaded."""
    text = str(error)
    if any(name in text for name in _SYSTEM_LIBRARIES):
        return (
            f"A system library is missing ({text}). On Debian or Ubuntu: apt install libgl1 libglib2.0-0. "
            "On Fedora: dnf install mesa-libGL glib2. On Arch: pacman -S libglvnd glib2. "
            "Elsewhere install your system's packages for libGL and glib 2."
        )
    return f"A part that stitch needs cannot be loaded ({text}). Install stitch again: pip install --force-reinstall ."


def _end(words: str, code: int, *, debug: bool) -> None:
    if debug:
        traceback.print_exc(file=sys.stderr)
    say(words)
    raise typer.Exit(code) from None


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [""])[0]
