"""A master's overview: the same whether its rows come as they are written or are read, and true to its pixels."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from stitch.imaging.overview import OverviewFile, Shrinking, block_px_for, overview_of, read_overview
from stitch.model.geometry import Size
from tests.held import HeldSource


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rows_that_go_by_come_to_the_mean_of_each_block(tmp_path: Path, bits: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width, side = int(rng.integers(40, 90)), int(rng.integers(40, 90)), int(rng.integers(2, 8))
    pixels = rng.integers(0, 2**bits, (height, width, 3), dtype=np.uint8 if bits == 8 else np.uint16)
    labels = rng.integers(1, 9, (height, width), dtype=np.uint8)
    labels[5, 7] = 0
    shrinking = Shrinking(Size(width, height), side)
    with closing(OverviewFile(tmp_path / "overview.raw")) as file:
        row = 0
        while row < height:
            count = int(rng.integers(1, 13))
            file.add(shrinking.take(pixels[row : row + count], labels[row : row + count]))
            row += count
    found = read_overview(tmp_path / "overview.raw", Size(width, height), side, bits)
    down, across = height // side, width // side
    blocks = pixels[: down * side, : across * side].reshape(down, side, across, side, 3)
    assert found.picture.dtype == pixels.dtype
    assert np.abs(found.picture - blocks.mean(axis=(1, 3))).max() <= 0.5 + 1e-3
    expected = labels[: down * side, : across * side][side // 2 :: side, side // 2 :: side].copy()
    expected[5 // side, 7 // side] = 0
    assert np.array_equal(found.labels, expected)
    assert found.known.sum() == down * across - 1


def test_a_picture_that_is_read_has_the_same_overview() -> None:
    rng = np.random.default_rng(4)
    pixels = rng.integers(0, 65536, (203, 151, 3), dtype=np.uint16)
    rows: list[int] = []
    found = overview_of(HeldSource(pixels), 254.0, None, rows.append)
    taken = Shrinking(Size(151, 203), found.block_px).take(pixels, np.ones((203, 151), np.uint8))
    assert taken is not None and np.array_equal(found.picture, taken[0]) and found.known.all()
    assert sum(rows) == 203


def test_an_overview_that_is_not_whole_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "overview.raw").write_bytes(b"x" * 100)
    with pytest.raises(ValueError, match="not whole"):
        read_overview(tmp_path / "overview.raw", Size(100, 100), 5, 16)


def test_a_very_large_master_has_larger_blocks() -> None:
    assert block_px_for(Size(15000, 20000), 600) == 6
    assert block_px_for(Size(60000, 80000), 300) >= (4800 / 36) ** 0.5
    assert block_px_for(Size(300, 200), 72) == 1
