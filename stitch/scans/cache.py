"""Arrays kept while there is room, each made once even when several threads ask for it together."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Any, Generic, TypeVar

from numpy.typing import NDArray

K = TypeVar("K", bound=Hashable)


class ByteLimitedCache(Generic[K]):
    """The least recently used arrays make room first; an array larger than the limit is not kept."""

    def __init__(self, limit_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._kept: OrderedDict[K, NDArray[Any]] = OrderedDict()
        self._making: dict[K, Future[NDArray[Any]]] = {}
        self._kept_bytes = 0
        self._lock = threading.Lock()

    @property
    def kept_bytes(self) -> int:
        """Bytes held now."""
        return self._kept_bytes

    def get(self, key: K, make: Callable[[K], NDArray[Any]]) -> NDArray[Any]:
        """The array of `key`, made by `make` when it is not there. What `make` raises is raised for all who wait."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            under_way = self._making.get(key)
            if under_way is None:
                mine: Future[NDArray[Any]] = Future()
                self._making[key] = mine
        return under_way.result() if under_way is not None else self._make(key, make, mine)

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._kept.clear()
            self._kept_bytes = 0

    def _make(self, key: K, make: Callable[[K], NDArray[Any]], future: Future[NDArray[Any]]) -> NDArray[Any]:
        try:
            array = make(key)
        except BaseException as error:
            with self._lock:
                del self._making[key]
            future.set_exception(error)
            raise
        with self._lock:
            del self._making[key]
            self._keep(key, array)
        future.set_result(array)
        return array

    def _keep(self, key: K, array: NDArray[Any]) -> None:
        if array.nbytes > self._limit_bytes:
            return
        while self._kept_bytes + array.nbytes > self._limit_bytes:
            _, dropped = self._kept.popitem(last=False)
            self._kept_bytes -= dropped.nbytes
        self._kept[key] = array
        self._kept_bytes += array.nbytes
