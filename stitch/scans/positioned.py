"""Reading bytes at a position, from several threads at once, without mapping the file into memory."""

from __future__ import annotations

import os
import threading
from pathlib import Path


class PositionedFile:
    """A file read by position. Where the system has `preadv` it is used; elsewhere a lock guards seek and read.

    The file is opened by Python, so that any name the system allows works. Raises OSError.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb", buffering=0)
        self._lock = threading.Lock()
        self._has_preadv = hasattr(os, "preadv")

    def size(self) -> int:
        """Bytes in the file now."""
        return os.fstat(self._file.fileno()).st_size

    def read_into(self, buffer: memoryview, offset: int) -> None:
        """Fill `buffer` (flat bytes) from `offset`. Raises EOFError when the file ends before it is full."""
        done = 0
        while done < len(buffer):
            count = self._read_some(buffer[done:], offset + done)
            if count == 0:
                raise EOFError(f"the file ends at byte {offset + done:,}")
            done += count

    def read(self, offset: int, count: int) -> bytearray:
        """`count` bytes from `offset`. Raises EOFError when there are fewer."""
        data = bytearray(count)
        self.read_into(memoryview(data), offset)
        return data

    def close(self) -> None:
        """Release the file."""
        self._file.close()

    def _read_some(self, buffer: memoryview, offset: int) -> int:
        if self._has_preadv:
            return os.preadv(self._file.fileno(), [buffer], offset)
        with self._lock:
            self._file.seek(offset)
            return self._file.readinto(buffer) or 0
