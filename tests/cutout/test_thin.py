"""Lines of one to three pixels, drawn finely and blurred as a scanner does: their alpha, whatever the optic's blur."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.cutout.alpha import cut, matter_of
from stitch.cutout.thin import edge_sigma, peak_share, steepness
from tests.cutout.test_alpha import mapped
from tests.held import HeldSource

PPI, SIDE, FINER = 200.0, 300, 4
PAPER, INK, WASH = ([0.93, 0.92, 0.88], [0.16, 0.14, 0.20], [0.50, 0.30, 0.20])
WIDTHS = (1, 2, 3)


def drawing(seed: int, blur_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Codes, true alpha, and which line is near each pixel: its width, or 0."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SIDE * FINER, : SIDE * FINER] / FINER
    alpha = (np.hypot(x - SIDE / 2, y - 60) < 36).astype(np.float32)
    near = np.zeros(alpha.shape, np.int8)
    turn = rng.uniform(-0.3, 0.3)
    for width in WIDTHS:
        across = (y - 115 - 45 * width) * np.cos(turn) - (x - SIDE / 2) * np.sin(turn) + 5 * np.sin(x / 40)
        alpha[(np.abs(across) < width / 2) & (np.abs(x - SIDE / 2) < 110)] = 1
        near[np.abs(across) < width / 2 + 5] = width
    alpha = cv2.GaussianBlur(cv2.resize(alpha, (SIDE, SIDE), interpolation=cv2.INTER_AREA), (0, 0), blur_px)
    own = np.where(np.arange(SIDE)[:, None, None] < 110, WASH, INK)
    seen = own * alpha[..., None] + np.array(PAPER) * (1 - alpha[..., None])
    noisy = seen + 0.003 * rng.standard_normal(seen.shape)
    return np.rint(np.clip(noisy, 0, 1) * 65535).astype(np.uint16), alpha, near[::FINER, ::FINER]


@pytest.mark.parametrize(("seed", "blur_px"), [(1, 0.5), (2, 0.6), (3, 0.9), (4, 0.7)])
def test_thin_lines_keep_their_alpha(seed: int, blur_px: float) -> None:
    codes, truth, near = drawing(seed, blur_px)
    ground, found = mapped(codes, PPI)
    matter = matter_of(found, PPI)
    _, alpha = cut(codes, HeldSource(codes).size.window(), ground, matter, found.floor, PPI)
    band = cv2.dilate(((truth > 0.01) & (truth < 0.99)).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    for width in WIDTHS:
        line = near == width
        assert np.abs(alpha - truth)[line & band].mean() <= 0.02, width
        assert abs((alpha - truth)[line & (truth > 0.3)].mean()) < 0.1, width


def test_the_blur_of_edges_is_measured_and_lines_are_no_edges() -> None:
    y, x = np.mgrid[:120, :160].astype(np.float32)
    edge = cv2.GaussianBlur((y > 60 + 0.3 * x - 20).astype(np.float32), (0, 0), 1.1)
    assert edge_sigma(steepness(edge)) == pytest.approx(1.1, rel=0.08)
    line = cv2.GaussianBlur((np.abs(y - 60 - 0.2 * x) < 1).astype(np.float32), (0, 0), 1.0)
    assert edge_sigma(steepness(line)) < 0.9  # nothing to measure: taken small


def test_wide_paint_shows_all_of_its_colour() -> None:
    share = peak_share(np.array([1.0, 0.99, 0.75, 0.62]), 0.92)
    assert share[0] == share[1] == pytest.approx(1.0, abs=1e-3)
    assert share[0] > share[2] > share[3] >= 0.4
