"""What the blend does to the picture near a seam: tone, edges, sharpness, noise."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.imaging.colour import delta_e_2000
from tests.compose.test_run import composed, plan, straight
from tests.held import HeldSource
from tests.seams.pieces import SRGB, flat, picture, scanned, tiled, toned

LEVELS = 4
EDGE = 300
BOXES = {"a": (0, 0, 420, 200), "b": (180, 0, 420, 200)}


def lab_rows(pixels: np.ndarray) -> np.ndarray:
    """Lab of the mean of all rows, per column."""
    linear = SRGB.decode_codes(pixels).mean(axis=0)
    return SRGB.lab_of_linear(linear)


def test_a_step_of_tone_becomes_a_slope():
    pieces = tiled(flat(0.6, 600, 200), BOXES)
    tables = {"a": None, "b": toned(1.06, 16)}
    lab = lab_rows(composed(pieces, straight(pieces, EDGE), plan(256, 256, 1, LEVELS), tables)[0])
    whole_step = float(delta_e_2000(lab[0], lab[-1]))
    neighbours = delta_e_2000(lab[1:], lab[:-1])
    assert whole_step > 1.2
    assert neighbours.max() < 0.06 * whole_step
    assert neighbours.sum() < 1.1 * whole_step  # it does not swing


def test_grey_stays_between_both_sides():
    pieces = tiled(flat(0.5, 600, 200), BOXES)
    pixels, _ = composed(pieces, straight(pieces, EDGE), plan(200, 200, 1, LEVELS), {"a": None, "b": toned(1.2, 16)})
    low, high = pixels[:, 0].min(), pixels[:, -1].max()
    assert pixels.min() >= low - 40 and pixels.max() <= high + 40


def test_a_line_across_the_seam_stays_one_line():
    """A thin dark line, half a pixel off between the scans: nowhere wider or paler than in either scan."""
    whole = flat(0.8, 600, 200)
    whole[99:102] = 6000
    pieces = tiled(whole, BOXES)
    moved = cv2.warpAffine(whole[:, 180:], np.float64([[1, 0, 0], [0, 1, 0.5]]), (420, 200), flags=cv2.INTER_CUBIC)
    moved[:2], moved[-2:] = whole[0, 0], whole[0, 0]
    pieces.sources["b"] = HeldSource(moved)
    pixels, _ = composed(pieces, straight(pieces, EDGE), plan(200, 200, 1, LEVELS))
    dark = 1.0 - pixels[..., 1] / pixels[0, 0, 1]
    mass = dark[80:120].sum(axis=0)
    assert np.abs(mass / mass[0] - 1).max() < 0.08
    peak = dark[80:120].max(axis=0)
    assert peak.min() > 0.9 * min(peak[0], peak[-1])
    runs = np.diff((dark[80:120] > 0.4).astype(int), axis=0)
    assert ((runs == 1).sum(axis=0) == 1).all()


@pytest.mark.parametrize("seed", range(3))
def test_sharpness_and_noise_near_the_seam_are_those_of_the_scans(seed):
    """Both scans see one picture, each with its own noise and place; noise alone and detail with noise."""
    for blob, fine in ((64, False), (24, True)):
        whole = picture(seed, 640, 240, noise=0.0, blob_px=blob) if fine else flat(0.5, 640, 240)
        pieces = scanned(whole, {"a": (-20, -20, 460, 280), "b": (200, -20, 460, 280)}, seed=seed, turn_deg=0.3)
        rng = np.random.default_rng(100 + seed)
        for scan_id, source in pieces.sources.items():
            noisy = source.pixels + rng.normal(0.0, 500.0, source.pixels.shape)
            pieces.sources[scan_id] = HeldSource(noisy.clip(0, 65535).astype(np.uint16))
        label_map = straight(pieces, 320)
        pixels, labels = composed(pieces, label_map, plan(256, 256, 1, LEVELS))
        singles = [composed(pieces, only(label_map, k), plan(256, 256, 1, LEVELS))[0] for k in (1, 2)]
        cutaway = np.where((labels == 1)[..., None], *singles)
        band = slice(320 - 48, 320 + 48)
        ratio = fineness(pixels)[40:200, band].mean() / fineness(cutaway)[40:200, band].mean()
        assert 0.97 <= ratio <= 1.03
        narrow = slice(320 - 6, 320 + 6)
        assert 0.9 <= fineness(pixels)[40:200, narrow].mean() / fineness(cutaway)[40:200, narrow].mean() <= 1.1


def only(label_map, label):
    return type(label_map)(np.full_like(label_map.cells, label), label_map.cell_px, label_map.scan_ids)


def fineness(pixels: np.ndarray) -> np.ndarray:
    """Energy of the finest detail: the squared second difference."""
    grey = pixels.astype(np.float64).mean(axis=2)
    return cv2.Laplacian(grey, cv2.CV_64F) ** 2


def test_a_scan_that_ends_near_the_seam_leaves_no_edge():
    """The second scan is brighter and ends a few pixels past the cut: the slope goes on as if it did not."""
    whole = flat(0.6, 600, 200)
    pieces = tiled(whole, {"a": (0, 0, 420, 200), "b": (294, 0, 306, 200)})
    tables = {"a": None, "b": toned(1.06, 16)}
    lab = lab_rows(composed(pieces, straight(pieces, EDGE), plan(256, 256, 1, LEVELS), tables)[0])
    neighbours = delta_e_2000(lab[1:], lab[:-1])
    assert neighbours.max() < 0.12 * float(delta_e_2000(lab[0], lab[-1]))
