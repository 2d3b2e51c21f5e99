"""Every end of a command: one sentence on stderr, the right exit code, no traceback unless asked for."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from stitch.cli.guard import missing_library_words
from stitch.errors import InternalFault, RegisterError, ScanError, StitchError, UsageError, WriteError

Stitch = Callable[..., Result]


def failing(error: BaseException) -> Callable[[Any], Any]:
    def fail(request: Any) -> Any:
        raise error

    return fail


@pytest.mark.parametrize(
    ("kind", "code"),
    [(UsageError, 2), (ScanError, 3), (RegisterError, 4), (WriteError, 5), (InternalFault, 70)],
)
def test_each_error_is_one_line_with_its_code(
    stitch: Stitch, pipeline: Any, scans: Path, kind: type[StitchError], code: int
) -> None:
    pipeline.on_join = failing(kind("Scan [b]moon one[/b] is too small.", advice="Scan it again."))
    result = stitch("join", scans)
    assert result.exit_code == code
    assert result.stderr == "Scan [b]moon one[/b] is too small. Scan it again.\n"
    assert result.stdout == ""


@pytest.mark.parametrize("words", [["--debug", "join"], ["join", "--debug"]])
def test_debug_shows_the_trace_before_or_after_the_command(
    stitch: Stitch, pipeline: Any, scans: Path, words: list[str]
) -> None:
    pipeline.on_join = failing(ScanError("No."))
    result = stitch(*words, scans)
    assert result.exit_code == 3
    assert "Traceback" in result.stderr
    assert result.stderr.endswith("No.\n")


def test_a_fault_of_ours_is_70_and_says_what_to_do(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    pipeline.on_join = failing(ZeroDivisionError("division by zero\nmore"))
    result = stitch("join", scans)
    assert result.exit_code == 70
    assert "ZeroDivisionError: division by zero)" in result.stderr
    assert "scans are untouched" in result.stderr
    assert "--debug" in result.stderr
    assert "Traceback" not in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_running_out_of_memory(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    pipeline.on_join = failing(MemoryError())
    result = stitch("join", scans)
    assert result.exit_code == 70
    assert "--memory" in result.stderr


def test_ctrl_c(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    pipeline.on_join = failing(KeyboardInterrupt())
    result = stitch("join", scans)
    assert result.exit_code == 130
    assert result.stderr.startswith("Stopped")
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    "text",
    [
        "libGL.so.1: cannot open shared object file: No such file or directory",
        "libgthread-2.0.so.0: cannot open shared object file: No such file or directory",
    ],
)
def test_a_missing_system_library_says_what_to_install(stitch: Stitch, pipeline: Any, scans: Path, text: str) -> None:
    pipeline.on_join = failing(ImportError(text))
    result = stitch("join", scans)
    assert result.exit_code == 70
    assert "apt install libgl1 libglib2.0-0" in result.stderr
    assert text in result.stderr


def test_a_missing_python_part_says_to_install_again() -> None:
    assert "Install stitch again" in missing_library_words(ImportError("No module named 'cv2'"))


CHILD = """
import os, signal, sys, threading, types
module = types.ModuleType("stitch.pipeline")
def join(request, progress):
    from stitch.job.folder import JobFolder
    job = JobFolder.open_or_create(request)
    with job.at_work():
        (job.scratch / "canvas.raw").write_text("x")
        threading.Timer(0.1, os.kill, (os.getpid(), getattr(signal, NAME))).start()
        threading.Event().wait(30)
module.join = join
sys.modules["stitch.pipeline"] = module
from stitch.cli.app import run
FOLDER, NAME = sys.argv[1:]
sys.argv = ["stitch", "join", FOLDER]
run()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_real_signal_ends_with_130_and_leaves_no_scratch(scans: Path, tmp_path: Path, name: str) -> None:
    child = subprocess.run(
        [sys.executable, "-c", CHILD, str(scans), name], capture_output=True, text=True, timeout=30, check=False
    )
    assert child.returncode == 130, child.stderr
    assert child.stderr.startswith("Stopped")
    assert not (tmp_path / "scans-joined").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_ctrl_c_while_still_loading_shows_no_trace() -> None:
    script = (
        "import builtins, sys\n"
        "from stitch.cli.app import run\n"
        "real = builtins.__import__\n"
        "def stop(name, *more):\n"
        "    if name == 'typer':\n"
        "        raise KeyboardInterrupt\n"
        "    return real(name, *more)\n"
        "builtins.__import__ = stop\n"
        "run()\n"
    )
    child = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (child.returncode, child.stderr) == (130, "")


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_ctrl_c_inside_code_run_from_text_ends_with_130_too(scans: Path, tmp_path: Path) -> None:
    waiting = "threading.Event().wait(30)"
    (tmp_path / "child.py").write_text(CHILD.replace(waiting, f"exec({waiting!r})"))
    command = [sys.executable, "-m", "child", str(scans), "SIGINT"]
    child = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=30, check=False)
    assert child.returncode == 130, child.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="such names cannot exist there")
def test_a_name_that_is_no_text_can_be_printed(tmp_path: Path) -> None:
    folder = tmp_path / os.fsdecode(b"caf\xe9")
    folder.mkdir()
    (folder / "checksums.sha256").write_bytes(b"0" * 64 + b"  caf\xe9.tif\n")
    child = subprocess.run([sys.executable, "-m", "stitch", "verify", folder], capture_output=True, check=False)
    assert (child.returncode, child.stdout) == (1, b"MISSING    caf\xe9.tif\n")
