"""Inflating a deflate stream row by row, in bounded memory (RFC 1950, RFC 1951)."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator

PIECE_BYTES = 1 << 20  # inflated at a time
GROUP_BYTES = 4 << 20  # handed on at a time


def inflated_rows(pieces: Iterable[bytes], row_bytes: int, row_count: int) -> Iterator[bytes]:
    """Groups of whole rows, `row_count` rows together, from the pieces of one compressed stream.

    Raises zlib.error for damaged data and EOFError when rows are missing.
    """
    rows_at_once = max(1, GROUP_BYTES // row_bytes)
    waiting, left = bytearray(), row_count
    for inflated in _inflated(pieces):
        waiting += inflated
        while left and len(waiting) >= min(rows_at_once, left) * row_bytes:
            rows = min(rows_at_once, left)
            yield bytes(waiting[: rows * row_bytes])
            del waiting[: rows * row_bytes]
            left -= rows
        if not left:
            return
    raise EOFError(f"{left:,} rows are missing")


def _inflated(pieces: Iterable[bytes]) -> Iterator[bytes]:
    inflater = zlib.decompressobj()
    for piece in pieces:
        data = piece
        while data:
            yield inflater.decompress(data, PIECE_BYTES)
            data = inflater.unconsumed_tail
    yield inflater.flush()
