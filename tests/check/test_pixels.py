"""What pixels alone show: JPEG's blocks, filled corners, a light that is off beside steady others."""

from __future__ import annotations

import io
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from stitch.check.exposure import Exposure, _is_beside
from stitch.check.filled import filled_px, is_filled
from stitch.check.look import Look, Watched
from stitch.model.geometry import Size, Window
from stitch.pipeline.check_quality import BLOCKS_SHOW
from tests.register.cutting import texture


class Pixels:
    """A source of pixels in memory."""

    def __init__(self, pixels: NDArray[Any]) -> None:
        self._pixels = pixels
        self.size = Size(pixels.shape[1], pixels.shape[0])

    def read(self, window: Window) -> NDArray[Any]:
        """Rows of it."""
        return self._pixels[window.y0_px : window.y1_px]

    def close(self) -> None:
        """Nothing to release."""


def looked(pixels: NDArray[Any], rows: int, *, rows_share: float = 1.0) -> Look:
    watched = Watched(Pixels(pixels), 200.0, rows_share=rows_share)
    for y in range(0, len(pixels), rows):
        watched.read(Window(0, y, pixels.shape[1], min(rows, len(pixels) - y)))
    return watched.look()


def scan(seed: int) -> NDArray[np.uint16]:
    rng = np.random.default_rng(seed)
    shade = texture(610, 480, seed) * 0.8 + 0.1 + 0.004 * rng.standard_normal((480, 610, 3))
    return (np.clip(shade, 0, 1) * 65535).astype(np.uint16)


@pytest.mark.parametrize("seed", [3, 4])
def test_blocks_of_jpeg_show_wherever_the_picture_was_cut(seed: int) -> None:
    pixels = scan(seed)
    kept = io.BytesIO()
    Image.fromarray((pixels >> 8).astype(np.uint8)).save(kept, "JPEG", quality=70)
    again = np.asarray(Image.open(kept)).astype(np.uint16) * 257
    assert looked(pixels, 100).blocks < 1 + (BLOCKS_SHOW - 1) / 2
    assert looked(again, 100).blocks > BLOCKS_SHOW
    assert looked(again[3:, 5:], 37).blocks > BLOCKS_SHOW


def test_a_look_does_not_depend_on_how_the_scan_is_read_and_little_on_the_rows_looked_at() -> None:
    pixels = scan(5)
    all_rows = looked(pixels, len(pixels))
    assert looked(pixels, 96).low == pytest.approx(all_rows.low)
    few = looked(pixels, 96, rows_share=0.3)
    ratio = np.log(few.detail / all_rows.detail)
    assert abs(float(np.median(ratio))) < 0.05 and float(np.abs(ratio).max()) < 0.7


@pytest.mark.parametrize("fill", [0, 61680, 65535])
@pytest.mark.parametrize("angle", [-1.5, 0.8, -0.6])
def test_filled_corners_tell_that_a_scan_was_straightened(fill: int, angle: float) -> None:
    pixels = scan(6)
    height, width = pixels.shape[:2]
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), angle, 1.0)
    turned = cv2.warpAffine(pixels, matrix, (width, height), borderValue=(fill,) * 3)
    turned[200:260, 300:340] = fill  # clipped paint
    assert is_filled(turned)
    filled = filled_px(turned)
    assert filled[[0, 0, -1, -1], [0, -1, 0, -1]].all() and not filled[40:-40, 40:-40].any()
    assert not filled_px(pixels).any()


def test_a_lid_that_is_clipped_is_no_filled_corner() -> None:
    pixels = scan(7)
    assert not is_filled(pixels)
    pixels[:40] = 65535
    pixels[:, :30] = 65535
    pixels[-25:] = 65535
    pixels[:, -20:] = 65535
    assert not is_filled(pixels)


def test_a_small_difference_of_light_is_told_only_beside_steady_others() -> None:
    def lights(*percent: float) -> list[Exposure]:
        return [Exposure(str(k), 1 + p / 100, (1 + p / 100,) * 3) for k, p in enumerate(percent)]

    steady, drifting = lights(8, 0.3, -0.4, 0.2, -0.1, 0.5), lights(8, 3, -2, 2.5, -3, 1.5)
    assert [_is_beside(one, steady) for one in steady] == [True, *[False] * 5]
    assert not any(_is_beside(one, drifting) for one in drifting)
    assert not any(_is_beside(one, steady[:4]) for one in steady[:4])  # too few to know what is steady
