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
        self.kept_count = 0
        self.made_count = 0

    def arrays(self, key: str, make: Callable[[], Arrays]) -> Arrays:
        """The arrays kept under `key`, made and written now when there are none. Raises WriteError."""
        path = self._folder / (hashlib.sha256(key.encode()).hexdigest()[:40] + SUFFIX)
        found = _loaded(path)
        with self._lock:
            self._used.add(path.name)
            self.kept_count += found is not None
            self.made_count += found is None
        if found is not None:
            return found
        made = make()
        self._folder.mkdir(exist_ok=True)
        with write_whole(path) as part, part.open("wb") as file:
            np.savez(file, **made)  # type: ignore[arg-type]
        return made

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
