"""Where a room may keep what it worked out for single scans and pairs, to find it again when another one changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from numpy.typing import NDArray

Arrays = Mapping[str, NDArray[Any]]


class Store(Protocol):
    """Arrays kept by a key that names all they were made from. Safe to use from several threads at once."""

    def arrays(self, key: str, make: Callable[[], Arrays]) -> Arrays:
        """The arrays kept under `key`, made now when there are none."""

    def held(self, key: str) -> Arrays | None:
        """The arrays kept under `key`, None when there are none."""

    def keep(self, key: str, arrays: Arrays) -> None:
        """Keep arrays under `key`, in place of what was kept there."""


class NoStore:
    """Keeps nothing."""

    def arrays(self, key: str, make: Callable[[], Arrays]) -> Arrays:
        """Make them."""
        return make()

    def held(self, key: str) -> Arrays | None:
        """None."""
        return None

    def keep(self, key: str, arrays: Arrays) -> None:
        """Forget them."""


class MemoryStore:
    """Keeps everything in memory, for as long as it lives."""

    def __init__(self) -> None:
        self._kept: dict[str, Arrays] = {}

    def arrays(self, key: str, make: Callable[[], Arrays]) -> Arrays:
        """The arrays kept under `key`, made now when there are none."""
        found = self._kept.get(key)
        if found is None:
            found = self._kept[key] = make()
        return found

    def held(self, key: str) -> Arrays | None:
        """The arrays kept under `key`, None when there are none."""
        return self._kept.get(key)

    def keep(self, key: str, arrays: Arrays) -> None:
        """Keep arrays under `key`, in place of what was kept there."""
        self._kept[key] = arrays


NO_STORE = NoStore()
