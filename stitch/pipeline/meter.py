"""What a room takes: wall time, time of all cores, bytes read and written."""

from __future__ import annotations

import time
from pathlib import Path

from stitch.model.report import Timing

IO_FILE = Path("/proc/self/io")  # proc(5): rchar and wchar count what read and write calls moved


class Meter:
    """Measures from when it is made."""

    def __init__(self) -> None:
        self._started_s, self._cpu_s, self._moved = time.perf_counter(), time.process_time(), _moved()

    def timing(self, room: str, *, is_kept: bool) -> Timing:
        """What was taken since, as that of a room."""
        seconds, cpu_s = time.perf_counter() - self._started_s, time.process_time() - self._cpu_s
        now = _moved()
        if self._moved is None or now is None:
            return Timing(room, seconds, is_kept, cpu_s)
        return Timing(room, seconds, is_kept, cpu_s, now[0] - self._moved[0], now[1] - self._moved[1])


def _moved() -> tuple[int, int] | None:
    """Bytes read and written by this process so far, where the system tells."""
    try:
        lines = dict(line.split(": ") for line in IO_FILE.read_text(encoding="ascii").splitlines())
        return int(lines["rchar"]), int(lines["wchar"])
    except (OSError, ValueError, KeyError):
        return None
