"""Is a process still the one that was noted: a number alone may have been given to another since."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def started_mark(pid: int) -> str:
    """When process `pid` began, as the system tells it; "" when it does not or there is no such process.

    Linux: the boot and the clock ticks since then (proc(5), /proc/pid/stat field 22); elsewhere on POSIX: `ps`.
    """
    if sys.platform == "win32":
        return ""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return f"{boot} {text.rpartition(')')[2].split()[19]}"
    except (OSError, IndexError):
        return _mark_from_ps(pid)


def is_running(pid: int, mark: str) -> bool:
    """True when process `pid` runs and, where the system tells, began at `mark`; True when it cannot be told."""
    if not _exists(pid):
        return False
    now = started_mark(pid)
    return not mark or not now or now == mark


def _exists(pid: int) -> bool:
    if sys.platform == "win32" or pid <= 0:  # there, signal 0 would be Ctrl-C
        return pid > 0
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _mark_from_ps(pid: int) -> str:
    try:
        answer = subprocess.run(
            ["ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True, timeout=5, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return " ".join(answer.stdout.split())
