"""The filters that patches are seen through."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from stitch.register.evidence import REACH_PX, blurred_at_half


@pytest.mark.parametrize("sigma_px", [4.0, 6.0, 8.0])
@pytest.mark.parametrize("shape", [(200, 300), (201, 303)])
def test_a_blur_at_half_the_size_is_that_of_a_reference_library(sigma_px: float, shape: tuple[int, int]) -> None:
    """Noise, which holds every frequency; scipy's Gaussian filter."""
    noise = np.random.default_rng(3).standard_normal(shape).astype(np.float32)
    off = blurred_at_half(noise, sigma_px) - gaussian_filter(noise, sigma_px, truncate=6.0)
    inner = off[REACH_PX:-REACH_PX, REACH_PX:-REACH_PX]
    assert np.sqrt((inner**2).mean()) < 2e-4


def test_what_lies_two_pixels_further_on_is_blurred_alike() -> None:
    noise = np.random.default_rng(4).standard_normal((220, 260)).astype(np.float32)
    whole, part = blurred_at_half(noise, 6.0), blurred_at_half(noise[32:, 26:], 6.0)
    np.testing.assert_allclose(part[40:-40, 40:-40], whole[72:-40, 66:-40], atol=1e-5)
