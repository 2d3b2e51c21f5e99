"""The reduced copy, against an exact area mean."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from stitch.model.geometry import Size, Window
from stitch.report import preview as subject


class Picture:
    """Pixels in memory, with a note of the windows asked for."""

    def __init__(self, pixels: NDArray) -> None:
        self.pixels, self.asked = pixels, list[Window]()
        self.size = Size(pixels.shape[1], pixels.shape[0])

    def read(self, window: Window) -> NDArray:
        self.asked.append(window)
        return self.pixels[window.slices_in(self.size.window())]

    def close(self) -> None:
        """Nothing to release."""


def exact_mean(pixels: NDArray, height: int, width: int) -> NDArray:
    """Area mean by splitting every pixel over the outputs it lies in (float64)."""

    def weights(full: int, small: int) -> NDArray:
        edges = np.arange(small + 1) * full / small
        low, high = edges[:-1, None], edges[1:, None]
        cells = np.arange(full)
        return np.clip(np.minimum(cells + 1, high) - np.maximum(cells, low), 0, None) * small / full

    rows, columns = weights(pixels.shape[0], height), weights(pixels.shape[1], width)
    return np.stack([rows @ pixels[..., c].astype(np.float64) @ columns.T for c in range(3)], axis=-1)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_each_pixel_is_the_mean_of_its_area(seed: int, dtype: type, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    height, width = rng.integers(150, 400, 2)
    pixels = rng.integers(0, np.iinfo(dtype).max + 1, (height, width, 3)).astype(dtype)
    monkeypatch.setattr(subject, "BAND_PIXEL_COUNT", int(width) * int(rng.integers(3, 40)))
    made = subject.preview(Picture(pixels), long_side_px=97)
    mean = exact_mean(pixels, made.shape[0], made.shape[1])
    exact = mean if dtype == np.uint8 else np.floor(mean / 256)
    assert max(made.shape) == 97
    assert np.abs(made - exact).max() <= 1.0
    assert np.abs(made - exact).mean() < (0.3 if dtype == np.uint8 else 0.01)


def test_bands_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    pixels = np.random.default_rng(1).integers(0, 65536, (333, 210, 3)).astype(np.uint16)
    whole = subject.preview(Picture(pixels), long_side_px=80)
    monkeypatch.setattr(subject, "BAND_PIXEL_COUNT", 210 * 7)
    source = Picture(pixels)
    assert np.array_equal(subject.preview(source, long_side_px=80), whole)
    assert max(window.height_px for window in source.asked) == 7
    assert sum(window.height_px for window in source.asked) == 333


@pytest.mark.parametrize("value", [0, 255, 256, 40_000, 65_535])
def test_a_flat_picture_keeps_its_value(value: int) -> None:
    made = subject.preview(Picture(np.full((301, 207, 3), value, np.uint16)), long_side_px=64)
    assert np.unique(made).tolist() == [value >> 8]


def test_small_pictures_are_not_enlarged() -> None:
    pixels = np.random.default_rng(2).integers(0, 256, (40, 30, 3)).astype(np.uint8)
    assert np.array_equal(subject.preview(Picture(pixels), long_side_px=1600), pixels)


def test_16_bits_become_8_by_losing_the_low_byte() -> None:
    assert subject.eight_bit(np.array([0, 255, 256, 65535], np.uint16)).tolist() == [0, 0, 1, 255]
