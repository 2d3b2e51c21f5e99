"""Gains that rise over the painting: told, and held for the glass only where the scans are alike otherwise."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.affine import compose
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size
from stitch.model.layout import Placement
from stitch.model.tone import SlopeSource
from stitch.tone.fit import fit
from stitch.tone.ramp import gain_slope_percent
from tests.held import HeldSource
from tests.tone.drifted import case
from tests.tone.test_flat import TILE, U, ramp_left

PPI = 150.0
SLOPE = (1 + 0.02 * U[None, :] - 0.012 * U[:, None])[..., None] * np.ones(3)


def sloped(seed: int, drift: float, **how):
    return case(seed, tile=TILE, overlap=200, ppi=PPI, drift=drift, per_scan=lambda light, name: light * SLOPE, **how)


@pytest.mark.parametrize("seed", [1, 2])
def test_alike_scans_under_a_sloping_light_are_held_to_be_alike(seed: int) -> None:
    made = sloped(seed, 0.0)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.slope_source is SlopeSource.UNKNOWN and 2.0 < found.held_slope_percent < 5.0
    put_in = np.ptp(np.log(SLOPE), axis=(0, 1)).max()
    assert ramp_left(found, made, SLOPE) < 0.5 * put_in
    assert max(pair.mean_after_de00 for pair in found.pairs) < 0.25


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_scans_of_unequal_exposure_keep_their_gains(seed: int) -> None:
    made = case(seed, tile=TILE, overlap=200, ppi=PPI, drift=0.08)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.held_slope_percent == 0.0 and all(tone.field is None for tone in found.scans)
    assert found.gain_slope_percent > 1.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_half_turned_around_shows_the_slope(seed: int) -> None:
    """The lower scans lay turned by a half: they see the slope the other way round."""
    half = np.array([[-1.0, 0, TILE - 1], [0, -1.0, TILE - 1]])
    made = case(seed, tile=TILE, overlap=200, ppi=PPI, drift=0.05)
    placements = []
    for placement in made.layout.placements:
        source, matrix = made.sources[placement.scan_id], placement.canvas_from_scan
        light = made.encoding.decode_codes(source.pixels)
        if placement.scan_id[-1] in "cd":
            light, matrix = light[::-1, ::-1], compose(np.array(matrix), half)
        made.sources[placement.scan_id] = HeldSource(made.encoding.encode_to_codes(light * SLOPE.astype("f4"), 16))
        placements.append(Placement(placement.scan_id, tuple(map(tuple, np.array(matrix).tolist())), 0.05))
    made.layout = type(made.layout)(made.layout.canvas, PPI, tuple(placements), (), True, 0)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.slope_source is SlopeSource.TURNED_PIECES and found.evenness is not None
    put_in = np.ptp(np.log(SLOPE), axis=(0, 1)).max()
    assert ramp_left(found, made, SLOPE) < 0.25 * put_in
    assert found.evenness.after_l < 0.3 * found.evenness.before_l


def test_the_rise_of_the_gains_is_that_of_a_plane_through_them() -> None:
    size = Size(100, 100)
    maps = [PlacedMap(np.array([[1.0, 0, x], [0, 1.0, y]]), size) for y in (0.0, 75.0) for x in (0.0, 75.0, 150.0)]
    rise = np.exp(np.array([0.0, 0.01, 0.02, 0.0, 0.01, 0.02]))[:, None] * np.ones(3)
    assert gain_slope_percent(rise, maps) == pytest.approx(100 * np.expm1(0.02), rel=1e-6)
    assert gain_slope_percent(rise[:3], maps[:3]) == pytest.approx(100 * np.expm1(0.02), rel=1e-6)
    twisted = np.exp(np.array([0.01, 0.0, -0.01, -0.01, 0.0, 0.01]))[:, None] * np.ones(3)
    assert gain_slope_percent(twisted, maps) == pytest.approx(0.0, abs=1e-9)
