"""What is known of single scans and pairs of a job, in files named by what they were made from."""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections.abc import Callable
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from stitch.job.whole import write_whole
from stitch.model.store import Arrays

SUFFIX = ".npz"


class Known:
    """A folder of arrays. Files that a run did not ask for are removed at its end."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._used: set[str] = set()
        self._lock = threading.Lock()

    def arrays(self, key: str, make: Callable[[], Arrays]) -> Arrays:
        """The arrays kept under `key`, made and written now when there are none. Raises WriteError."""
        found = self.held(key)
        if found is None:
            found = make()
            self.keep(key, found)
        return found

    def held(self, key: str) -> Arrays | None:
        """The arrays kept under `key`, None when there are none."""
        return _loaded(self._used_path(key))

    def keep(self, key: str, arrays: Arrays) -> None:
        """Write arrays under `key`, in place of what was kept there. Raises WriteError."""
        path = self._used_path(key)
        self._folder.mkdir(exist_ok=True)
        with write_whole(path) as part, part.open("wb") as file:
            np.savez(file, **arrays)  # type: ignore[arg-type]

    def _used_path(self, key: str) -> Path:
        path = self._folder / (hashlib.sha256(key.encode()).hexdigest()[:40] + SUFFIX)
        with self._lock:
            self._used.add(path.name)
        return path

    def forget_unused(self) -> None:
        """Remove what this run did not ask for."""
        with contextlib.suppress(OSError):
            for path in self._folder.iterdir():
                if path.suffix == SUFFIX and path.name not in self._used:
                    path.unlink(missing_ok=True)

    def discard(self) -> None:
        """Remove everything."""
        self._used.clear()
        self.forget_unused()
        with contextlib.suppress(OSError):
            self._folder.rmdir()


def _loaded(path: Path) -> Arrays | None:
    try:
        with np.load(path, allow_pickle=False) as held:
            return {name: held[name] for name in held.files}
    except (OSError, ValueError, EOFError, KeyError, BadZipFile):
        return None
