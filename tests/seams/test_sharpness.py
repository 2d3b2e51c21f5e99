from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.seams.sharpness import sharpness_ratio
from tests.seams.pieces import picture


def grey(seed: int, noise: float = 0.0, sigma: float = 0.0) -> np.ndarray:
    light = cv2.cvtColor(picture(seed, 128, 128, noise=0.0), cv2.COLOR_RGB2GRAY).astype(np.float32) / 65535
    light = cv2.GaussianBlur(light, (0, 0), sigma) if sigma else light
    rng = np.random.default_rng(seed + round(1000 * sigma))
    return (light + rng.normal(0, noise, light.shape)).astype(np.float32)


@pytest.mark.parametrize("seed", range(3))
def test_as_sharp_is_one_and_a_blur_is_as_much_as_it_takes_away(seed: int) -> None:
    assert sharpness_ratio(grey(seed), grey(seed)) == 1.0
    assert sharpness_ratio(grey(seed, 0.0004), grey(seed + 0, 0.0004, 0.01)) == pytest.approx(1.0, abs=0.05)
    soft = sharpness_ratio(grey(seed), grey(seed, sigma=0.8))
    assert soft is not None and 0.6 < soft < 0.9
    assert sharpness_ratio(grey(seed, sigma=0.8), grey(seed)) == pytest.approx(1 / soft)


def test_noise_other_detail_and_none_are_not_told() -> None:
    assert sharpness_ratio(grey(1, 0.05), grey(1, 0.05, 0.01)) is None
    assert sharpness_ratio(grey(1), grey(2)) is None
    assert sharpness_ratio(np.zeros((64, 64), np.float32), grey(2)[:64, :64]) is None
