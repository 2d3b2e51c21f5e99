"""One run at a time in a job folder.

The system's own lock on the file is the judge where the disk supports it: it ends with the process, however that
ends. Where it is not supported (some network drives) the process named in the file is looked up instead. The
text in the file tells a person who holds the job.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path
from types import TracebackType

from stitch.errors import WriteError, write_error
from stitch.job.process import is_running, started_mark
from stitch.model.codec import from_plain, to_plain

SETTLE_S = 0.1  # without a system lock: time for a rival that started at the same moment to show itself
_LOCKED_BYTE = 1 << 30  # Windows locks ranges; one far behind the text keeps the text readable


class SystemLock(Enum):
    """What came of asking the system for its lock."""

    TAKEN = "taken"
    BUSY = "busy"
    UNSUPPORTED = "unsupported"


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds the job."""

    pid: int
    host: str
    started_at: str  # ISO 8601 with offset: when the lock was taken
    process_mark: str  # when the process itself began, as the system tells it; "" where it does not


def try_system_lock(handle: int) -> SystemLock:
    """Ask for an exclusive lock on an open file without waiting."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            return SystemLock.BUSY
        return SystemLock.UNSUPPORTED
    return SystemLock.TAKEN


class JobLock:
    """Context manager that holds the lock file of a job; raises WriteError when another run holds it."""

    def __init__(self, path: Path, *, system_lock: Callable[[int], SystemLock] = try_system_lock) -> None:
        self._path = path
        self._system_lock = system_lock
        self._handle = -1
        self._me = Holder(os.getpid(), socket.gethostname(), _now(), started_mark(os.getpid()))

    def __enter__(self) -> JobLock:
        try:
            self._take()
        except OSError as error:
            self._close()
            raise write_error(self._path, error) from error
        except WriteError:
            self._close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if _holder(self._handle) == self._me:
            if os.name == "nt":  # an open file cannot be removed there
                os.ftruncate(self._handle, 0)
                self._close()
            with contextlib.suppress(OSError):
                self._path.unlink()
        self._close()

    def _take(self) -> None:
        while True:
            self._handle = os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            answer = self._system_lock(self._handle)
            holder = _holder(self._handle)
            if answer is SystemLock.BUSY or (holder is not None and _counts(holder, answer)):
                raise self._refusal(holder)
            if self._is_current():
                break
            self._close()  # the file was removed by a run that ended just now
        _write_holder(self._handle, self._me)
        if answer is SystemLock.UNSUPPORTED:
            time.sleep(SETTLE_S)
            holder = _holder(self._handle)
            if holder != self._me:
                raise self._refusal(holder)

    def _is_current(self) -> bool:
        try:
            return os.path.samestat(os.fstat(self._handle), self._path.stat())
        except FileNotFoundError:
            return False

    def _refusal(self, holder: Holder | None) -> WriteError:
        if holder is None:
            return WriteError(
                f"Another run of stitch is at work in {self._path.parent}.",
                advice="Wait until it has finished, then try again.",
            )
        advice = "Wait until it has finished, then try again."
        if holder.host != self._me.host:
            advice = f"Wait until it has finished; if nothing runs on that computer any more, delete {self._path}."
        return WriteError(
            f"Another run of stitch is at work in {self._path.parent}: "
            f"process {holder.pid} on {holder.host}, since {holder.started_at}.",
            advice=advice,
        )

    def _close(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


def _counts(holder: Holder, answer: SystemLock) -> bool:
    """Does the name in the file stand for a run that may be alive?"""
    if holder.host != socket.gethostname():
        return True  # a system lock need not reach across a network drive
    return answer is SystemLock.UNSUPPORTED and is_running(holder.pid, holder.process_mark)


def _holder(handle: int) -> Holder | None:
    os.lseek(handle, 0, os.SEEK_SET)
    try:
        return from_plain(Holder, json.loads(os.read(handle, 4096)))
    except (ValueError, KeyError, TypeError):
        return None  # empty, or cut short by a crash


def _write_holder(handle: int, holder: Holder) -> None:
    os.lseek(handle, 0, os.SEEK_SET)
    os.ftruncate(handle, 0)
    os.write(handle, json.dumps(to_plain(holder)).encode("utf-8"))
    os.fsync(handle)


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
