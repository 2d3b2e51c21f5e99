"""Blocks of a picture, several of them worked on at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

from stitch.imaging.windows import blocks
from stitch.model.geometry import Window
from stitch.progress import Task

Made = TypeVar("Made")
SIDES_PX = (1024, 768, 640, 512, 384, 256)


@dataclass(frozen=True, slots=True)
class AtOnce:
    """How many blocks are under way, and how large they are."""

    side_px: int
    threads: int


def at_once(free_mb: float, margin_px: int, bytes_of: Callable[[int], float]) -> AtOnce:
    """What gets most done within the memory: many blocks, and such as are large beside their margins.

    bytes_of : what one block takes, by its side in px without the margin. The smallest block, one at a time, where
    nothing fits.
    """
    choices = [AtOnce(side, threads) for side in SIDES_PX for threads in range(1, (os.cpu_count() or 1) + 1)]
    fitting = [one for one in choices if bytes_of(one.side_px) * one.threads <= free_mb * 1e6]
    return max(
        fitting,
        key=lambda one: one.threads * (one.side_px / (one.side_px + 2 * margin_px)) ** 2,
        default=AtOnce(SIDES_PX[-1], 1),
    )


def each_block(area: Window, how: AtOnce, make: Callable[[Window], Made], task: Task) -> Iterator[Made]:
    """What `make` gives for each block of `area`, row by row; advances `task` by megapixels."""

    def one(block: Window) -> Made:
        made = make(block)
        task.advance(block.width_px * block.height_px / 1e6)
        return made

    pool = ThreadPoolExecutor(how.threads, thread_name_prefix="block")
    try:
        yield from pool.map(one, blocks(area, how.side_px, how.side_px))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
