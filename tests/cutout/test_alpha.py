"""A motif with known colour and alpha: cut out right, on any ground, with holes and pale washes as asked."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from fixtures.scoring.clean_cutout import CutoutTruth, cutout_score, cutout_truth
from stitch.cutout.alpha import cut, margin_px, matter_of
from stitch.cutout.ground import GroundMap, GroundTone, NoGround, find_ground, map_ground, reached
from stitch.imaging.cell_light import cell_light
from stitch.imaging.colour import Encoding
from stitch.model.geometry import Window
from tests.held import HeldSource

SRGB = Encoding.of_profile(None)
CELL_PX, FINE_PX = 8, 2


@cache
def truth_of(seed: int) -> CutoutTruth:
    return cutout_truth(seed, ppi=150.0)


def mapped(codes: np.ndarray, ppi: float, *, opens_holes: bool = False) -> tuple[GroundTone, GroundMap]:
    source = HeldSource(codes)
    ground = find_ground(cell_light(source, SRGB, CELL_PX, label=""), SRGB, CELL_PX * 25.4 / ppi)
    return ground, reached(map_ground(source, ground, FINE_PX), named=None, opens_holes=opens_holes)


def cut_of(truth: CutoutTruth, *, opens_holes: bool = True) -> tuple[np.ndarray, np.ndarray]:
    ground, found = mapped(truth.codes, truth.ppi, opens_holes=opens_holes)
    window = HeldSource(truth.codes).size.window()
    return cut(truth.codes, window, ground, matter_of(found, truth.ppi), found.floor, truth.ppi)


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_alpha_and_edge_colours_are_right(seed: int) -> None:
    truth = truth_of(seed)
    score = cutout_score(truth, *cut_of(truth))
    assert score.band_alpha < 0.025
    assert score.black_de00 < 2.0
    assert score.all_alpha < 0.003


def test_holes_stay_unless_they_are_opened() -> None:
    truth = truth_of(31)
    deep = truth.hole & (truth.alpha < 0.005)
    assert deep.sum() > 1000
    assert np.median(cut_of(truth, opens_holes=False)[1][deep]) == 1.0
    assert np.median(cut_of(truth)[1][deep]) == 0.0


def test_mixed_again_with_its_ground_it_is_the_picture() -> None:
    truth = truth_of(32)
    ground, _ = mapped(truth.codes, truth.ppi)
    colour, alpha = cut_of(truth, opens_holes=False)
    behind = ground.at(HeldSource(truth.codes).size.window())
    again = colour * alpha[..., None] + behind * (1 - alpha[..., None])
    off = np.abs(again - truth.codes / 65535)
    assert off[alpha > 0.4].max() < 0.02
    assert off.mean() < 0.01


def test_a_dark_ground_and_marks(seed: int = 33) -> None:
    truth = truth_of(seed)
    seen = truth.colour * truth.alpha[..., None] + 0.12 * (1 - truth.alpha[..., None])
    codes = np.rint(seen * 65535).astype(np.uint16)
    ground, found = mapped(codes, truth.ppi, opens_holes=True)
    window = HeldSource(codes).size.window()
    keep, drop = np.zeros(truth.alpha.shape, bool), np.zeros(truth.alpha.shape, bool)
    keep[:20, :20], drop[200:220, 250:270] = True, True
    matter = matter_of(found, truth.ppi)
    _, alpha = cut(codes, window, ground, matter, found.floor, truth.ppi, keep=keep, drop=drop)
    assert (alpha[keep] == 1).all() and (alpha[drop] == 0).all()
    elsewhere = ~keep & ~drop
    assert np.abs(alpha - truth.alpha)[elsewhere].mean() < 0.01
    inner = Window(100, 80, 120, 90)
    around = inner.grown(margin_px())
    part = cut(codes[around.slices_in(window)], around, ground, matter, found.floor, truth.ppi)[1]
    whole = cut(codes, window, ground, matter, found.floor, truth.ppi)[1]
    assert np.allclose(part[inner.slices_in(around)], whole[inner.slices_in(window)], atol=2e-3)


def test_a_border_of_many_colours_is_no_ground() -> None:
    rng = np.random.default_rng(3)
    patches = rng.integers(5000, 60000, (12, 12, 3)).astype(np.uint16)
    with pytest.raises(NoGround):
        mapped(np.kron(patches, np.ones((24, 24, 1), np.uint16)), 150.0)
