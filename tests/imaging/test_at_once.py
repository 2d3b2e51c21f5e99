"""Blocks worked on at once: all of them, in their order, as many as the memory holds."""

from __future__ import annotations

import os

import pytest

from stitch.imaging.at_once import SIDES_PX, AtOnce, at_once, each_block
from stitch.imaging.windows import blocks
from stitch.model.geometry import Size, Window
from stitch.progress import SILENT


def test_every_block_comes_once_and_in_order() -> None:
    area = Size(70, 50).window()
    with SILENT.task("", 1.0) as task:
        made = list(each_block(area, AtOnce(16, 3), lambda block: block, task))
    assert made == list(blocks(area, 16, 16))


def test_what_goes_wrong_in_a_block_is_raised() -> None:
    def fails(block: Window) -> None:
        raise ValueError(str(block))

    with SILENT.task("", 1.0) as task, pytest.raises(ValueError, match="x0_px=0"):
        list(each_block(Size(70, 50).window(), AtOnce(16, 2), fails, task))


def test_blocks_fit_into_the_memory() -> None:
    def bytes_of(side: int) -> float:
        return 100.0 * (side + 2 * 100) ** 2

    assert at_once(1e9, 100, bytes_of) == AtOnce(max(SIDES_PX), os.cpu_count() or 1)
    for free_mb in (30, 100, 300):
        how = at_once(free_mb, 100, bytes_of)
        assert bytes_of(how.side_px) * how.threads <= free_mb * 1e6
    assert at_once(1.0, 100, bytes_of) == AtOnce(min(SIDES_PX), 1)
