"""Relief that is lit from the other side does not pass for a shift."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.imaging.colour import Encoding
from stitch.seams.shift import shifts_between
from stitch.seams.signal import compared

SIZE = 140
CURVE = Encoding.of_profile(None)
INNER = slice(22, 118)


def smooth(rng: np.random.Generator, sigma: float, planes: int) -> np.ndarray:
    field = np.dstack([cv2.GaussianBlur(rng.standard_normal((SIZE, SIZE)), (0, 0), sigma) for _ in range(planes)])
    return field / field.std(axis=(0, 1))


def lit_from_both_sides(seed: int, colour: float) -> tuple[np.ndarray, np.ndarray]:
    """Encoded RGB of one place of toothed, reddish paper under opposite lamps; pigment has settled in its hollows."""
    rng = np.random.default_rng(seed)
    height = smooth(rng, 2.0, 1)
    paint = 0.5 * np.array([1.0, 0.5, 0.1]) * np.exp(colour * smooth(rng, 3.0, 3)) * (1 + 0.05 * height)
    slope = np.gradient(height[..., 0], axis=1)[..., None]
    sides = [paint * (1 + sign * 0.06 * slope) for sign in (1, -1)]
    return tuple(  # type: ignore[return-value]
        (CURVE.encode(s) + 0.001 * rng.standard_normal(s.shape)).clip(0, 1).astype(np.float32) for s in sides
    )


def length_px(first: np.ndarray, second: np.ndarray, *, is_turned: bool) -> float | None:
    a, b = (compared(side, CURVE, is_turned=is_turned)[INNER, INNER] for side in (first, second))
    (found,) = shifts_between([a], [b])
    return None if found is None else found.length_px


@pytest.mark.parametrize("seed", range(8))
def test_colour_sees_no_shift_where_luminance_sees_one(seed: int) -> None:
    first, second = lit_from_both_sides(seed, 0.02)
    brightness = length_px(first, second, is_turned=False)
    colour = length_px(first, second, is_turned=True)
    assert brightness is not None and brightness > 1.0
    assert colour is not None and colour < 0.1


@pytest.mark.parametrize(("x_px", "y_px"), [(0.7, 0.0), (-0.3, 0.45), (1.6, -0.8)])
def test_colour_reads_back_a_shift_that_is_there(x_px: float, y_px: float) -> None:
    first, second = lit_from_both_sides(9, 0.03)
    matrix = np.array([[1.0, 0.0, x_px], [0.0, 1.0, y_px]])
    second = cv2.warpAffine(second, matrix, (SIZE, SIZE), flags=cv2.INTER_CUBIC)
    found = length_px(first, second, is_turned=True)
    assert found == pytest.approx(np.hypot(x_px, y_px), abs=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_without_colour_nothing_is_said(seed: int) -> None:
    first, second = lit_from_both_sides(seed, 0.0)
    assert length_px(first, second, is_turned=True) is None


def test_planes_that_pull_apart_add_up_instead_of_cancelling() -> None:
    """Red against green and blue against green can each hold what their sum has lost."""
    rng = np.random.default_rng(5)
    pattern = smooth(rng, 3.0, 1)[..., 0] * 0.03
    rgb = 0.5 * np.exp(np.dstack([pattern, np.zeros_like(pattern), -pattern])).astype(np.float32)
    noisy = [(rgb + 0.001 * rng.standard_normal(rgb.shape)).astype(np.float32) for _ in range(2)]
    found = length_px(*noisy, is_turned=True)
    assert found is not None and found < 0.1
