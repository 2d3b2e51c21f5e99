"""Strips of a TIFF packed on several threads and handed back in order.

Compression schemes by their TIFF numbers: 5 LZW (TIFF 6.0, section 13), 8 Deflate (Adobe TIFF Technical Note 2, 2002),
50000 Zstandard (registered with LibTIFF, not in TIFF 6.0; older programs cannot open it). All with horizontal
differencing (TIFF 6.0, section 14, Predictor 2), without which 16-bit pictures hardly pack.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.master.layout import ROWS_PER_STRIP
from stitch.model.settings import Compression

TAG_VALUE = {Compression.NONE: 1, Compression.LZW: 5, Compression.DEFLATE: 8, Compression.ZSTD: 50000}
LARGEST_SHARE = {Compression.NONE: 1.0, Compression.LZW: 1.52, Compression.DEFLATE: 1.01, Compression.ZSTD: 1.01}
"""Of the plain bytes that the packed ones can take, noise included (LZW: twelve bits for eight)."""
LEVEL = 1  # of Deflate and Zstandard: on noisy 16-bit pictures higher levels take longer and win nothing


class StripPacker:
    """Takes rows, gives packed strips in their order. Use as a context manager."""

    def __init__(self, compression: Compression, jobs: int) -> None:
        self._pack = _packing(compression)
        self._pool = ThreadPoolExecutor(jobs, thread_name_prefix="pack")
        self._most = jobs + 1
        self._packed: deque[Future[bytes]] = deque()
        self._waiting: list[NDArray[Any]] = []
        self._waiting_rows_count = 0

    @property
    def most_strips(self) -> int:
        """Strips that are held at once: one a thread, one that waits to be packed, one that is filled."""
        return self._most + 1

    def take(self, rows: NDArray[Any]) -> Iterator[bytes]:
        """Take rows (n, width, samples); yields the strips that must be written before more are taken."""
        while len(rows):
            part = rows[: ROWS_PER_STRIP - self._waiting_rows_count]
            rows = rows[len(part) :]
            self._waiting.append(part)
            self._waiting_rows_count += len(part)
            if self._waiting_rows_count == ROWS_PER_STRIP:
                self._submit()
                while len(self._packed) >= self._most:
                    yield self._packed.popleft().result()

    def rest(self) -> Iterator[bytes]:
        """All strips that are left, a last short one included."""
        if self._waiting:
            self._submit()
        while self._packed:
            yield self._packed.popleft().result()

    def close(self) -> None:
        """Stop the threads."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _submit(self) -> None:
        strip = self._waiting[0] if len(self._waiting) == 1 else np.concatenate(self._waiting)
        self._packed.append(self._pool.submit(self._pack, strip))
        self._waiting, self._waiting_rows_count = [], 0


def _packing(compression: Compression) -> Callable[[NDArray[Any]], bytes]:
    import imagecodecs

    encode = {
        Compression.DEFLATE: lambda data: imagecodecs.deflate_encode(data, level=LEVEL),
        Compression.ZSTD: lambda data: imagecodecs.zstd_encode(data, level=LEVEL),
        Compression.LZW: imagecodecs.lzw_encode,
    }[compression]

    def pack(strip: NDArray[Any]) -> bytes:
        differences = imagecodecs.delta_encode(np.ascontiguousarray(strip), axis=1)
        return bytes(encode(np.ascontiguousarray(differences).tobytes()))

    return pack
