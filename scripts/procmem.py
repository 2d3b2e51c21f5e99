"""Peak resident memory of a command and everything it starts.

`run_watched` samples the whole process tree. Resident sizes are summed, so pages shared by two processes count twice
and file pages that a process has mapped count as its own: the figure errs on the high side. It works wherever psutil
does; between two samples a short peak can be missed, so the longest gap between samples is given with it.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

SAMPLE_S = 0.02
BYTES_PER_MB = 1e6
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096
STATM = Path("/proc/self/statm")


@dataclass(frozen=True, slots=True)
class WatchedRun:
    """One finished command. MB are millions of bytes. `exit_code` is None when it ran out of time."""

    exit_code: int | None
    stdout: str
    stderr: str
    wall_s: float
    peak_mb: float
    sample_count: int
    longest_gap_s: float
    process_count: int  # most processes alive at once


def end_tidily_when_told() -> None:
    """Let a polite request to end (SIGTERM) run the clean-up: children ended, scratch folders removed."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))


class TreeWatch:
    """Samples a process and its descendants in a thread until stopped."""

    def __init__(self, pid: int, every_s: float = SAMPLE_S) -> None:
        self._root = psutil.Process(pid)
        self._every_s = every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.peak_mb, self.sample_count, self.longest_gap_s, self.process_count = 0.0, 0, 0.0, 0

    def start(self) -> None:
        """Begin to sample."""
        self._thread.start()

    def stop(self) -> None:
        """Sample no more."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        before = time.monotonic()
        while not self._stop.is_set():
            sizes = tree_sizes_mb(self._root)
            if not sizes:
                return
            now = time.monotonic()
            self.longest_gap_s, before = max(self.longest_gap_s, now - before), now
            self.peak_mb = max(self.peak_mb, sum(sizes))
            self.process_count = max(self.process_count, len(sizes))
            self.sample_count += 1
            self._stop.wait(self._every_s)


def tree_sizes_mb(root: psutil.Process) -> list[float]:
    """Resident MB of a process and all its descendants; empty when it is gone."""
    try:
        family = [root, *root.children(recursive=True)]
    except psutil.NoSuchProcess:
        return []
    return [size for size in (_resident_mb(process) for process in family) if size > 0.0]


def _resident_mb(process: psutil.Process) -> float:
    try:
        if STATM.exists():
            fields = Path(f"/proc/{process.pid}/statm").read_text(encoding="ascii").split()
            return int(fields[1]) * PAGE_BYTES / BYTES_PER_MB
        return process.memory_info().rss / BYTES_PER_MB
    except (OSError, psutil.Error, IndexError):
        return 0.0


def run_watched(
    command: Sequence[str],
    *,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    timeout_s: float | None = None,
) -> WatchedRun:
    """Run a command to its end, or stop it and its children after `timeout_s`. Raises OSError when it cannot start."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        started = time.monotonic()
        process = subprocess.Popen(command, cwd=cwd, env=env, stdin=subprocess.DEVNULL, stdout=out, stderr=err)
        watch = TreeWatch(process.pid)
        watch.start()
        try:
            code: int | None = process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            code = None
        finally:
            _end(process)
            wall_s = time.monotonic() - started
            watch.stop()
        texts = []
        for stream in (out, err):
            stream.seek(0)
            texts.append(stream.read().decode("utf-8", errors="replace"))
    return WatchedRun(
        code, texts[0], texts[1], wall_s, watch.peak_mb, watch.sample_count, watch.longest_gap_s, watch.process_count
    )


def _end(process: subprocess.Popen[bytes]) -> None:
    """End the process and its children when it still runs."""
    if process.poll() is not None:
        return
    try:
        children = psutil.Process(process.pid).children(recursive=True)
    except psutil.NoSuchProcess:
        children = []
    for child in [*children, process]:
        try:
            child.kill()
        except (psutil.NoSuchProcess, ProcessLookupError):
            continue
    process.wait()
