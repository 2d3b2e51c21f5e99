"""Cells, the solve, the white check and the table, each by itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitch.imaging.affine import rigid
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap
from stitch.imaging.resample import coverage
from stitch.model.geometry import Size, Window
from stitch.model.tone import ScanTone
from stitch.tone.apply import KNEE, code_table, has_shoulder
from stitch.tone.cells import common_cells
from stitch.tone.solve import ChannelPair, lightness, lightness_slope, residuals, solve_channel
from stitch.tone.white import scale_for_white
from tests.held import HeldSource

SRGB = Encoding.of_profile(None)


@given(st.floats(-0.03, 0.03), st.floats(-40, 260), st.floats(-40, 190), st.floats(100, 600))
@settings(max_examples=60, deadline=None)
def test_usable_cells_lie_inside_both_scans(angle: float, x: float, y: float, ppi: float) -> None:
    sizes, maps = (Size(300, 240), Size(280, 260)), (rigid(0.0, 3.0, 4.0), rigid(angle, x, y))
    grid = common_cells(*(PlacedMap(m, size) for size, m in zip(sizes, maps, strict=True)), Size(600, 500), ppi)
    covered = [coverage(size, m, Window(0, 0, 600, 500), inset_px=3) for size, m in zip(sizes, maps, strict=True)]
    both = covered[0] & covered[1]
    for row, column in np.argwhere(grid.is_usable):
        y0, x0 = grid.y0_px + row * grid.cell_px, grid.x0_px + column * grid.cell_px
        assert both[y0 : y0 + grid.cell_px, x0 : x0 + grid.cell_px].all()


def test_cells_are_two_millimetres_where_there_is_room() -> None:
    size = Size(2000, 2000)
    grid = common_cells(PlacedMap(rigid(0, 0, 0), size), PlacedMap(rigid(0, 1000, 0), size), Size(3000, 2000), 600)
    assert grid.cell_px == 47 and grid.is_usable.sum() > 500


def make_pairs(seed: int, gains, offsets, edges, noise: float = 0.0, count: int = 80) -> list[ChannelPair]:
    rng = np.random.default_rng(seed)
    pairs = []
    for a, b in edges:
        light = 0.01 * 80 ** rng.random(count)
        seen = [light * gains[k] + offsets[k] + rng.normal(0, noise, count) for k in (a, b)]
        pairs.append(ChannelPair(a, b, *seen))
    return pairs


@pytest.mark.parametrize("seed", range(5))
def test_solve_finds_gains_and_offsets_in_a_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    gains, offsets = rng.uniform(0.9, 1.1, 4), rng.uniform(-0.002, 0.002, 4)
    pairs = make_pairs(seed, gains, offsets, [(0, 1), (1, 2), (2, 3), (3, 0)])
    found = solve_channel(pairs, 4, reference=2, has_offset=np.ones(4, dtype=bool))
    np.testing.assert_allclose(np.exp(found.log_gain), gains[2] / gains, rtol=3e-4)
    np.testing.assert_allclose(found.offset, offsets[2] - gains[2] / gains * offsets, atol=1e-5)
    assert found.log_gain[2] == found.offset[2] == found.sigma_log_gain[2] == 0.0
    for pair in pairs:
        np.testing.assert_allclose(residuals(pair, found), 0, atol=0.02)


def test_stated_uncertainty_covers_the_error() -> None:
    gains, none = np.array([1.0, 1.05, 0.97, 1.02]), np.zeros(4)
    ratios = []
    for seed in range(40):
        pairs = make_pairs(seed, gains, none, [(0, 1), (1, 2), (2, 3)], noise=0.003)
        found = solve_channel(pairs, 4, reference=0, has_offset=np.zeros(4, dtype=bool))
        ratios.append((found.log_gain + np.log(gains))[1:] / found.sigma_log_gain[1:])
    spread = float(np.sqrt(np.mean(np.square(ratios))))
    assert 0.1 < spread < 1.0  # cautious by design: an overlap counts as 16 cells at most
    assert np.abs(ratios).max() < 3.0


def test_cells_that_disagree_wildly_are_left_out() -> None:
    pairs = make_pairs(1, np.array([1.0, 1.05]), np.zeros(2), [(0, 1)], noise=0.0005)
    pairs[0].light_b[:16] = 0.5
    found = solve_channel(pairs, 2, reference=0, has_offset=np.zeros(2, dtype=bool))
    assert found.log_gain[1] == pytest.approx(-np.log(1.05), abs=0.002)


def test_a_scan_without_overlaps_keeps_gain_one() -> None:
    pairs = make_pairs(1, np.array([1.0, 1.05, 1.0]), np.zeros(3), [(0, 1)])
    found = solve_channel(pairs, 3, reference=0, has_offset=np.zeros(3, dtype=bool))
    assert found.log_gain[2] == pytest.approx(0.0, abs=1e-9)


def test_lightness_slope_is_its_derivative() -> None:
    light = np.array([-0.01, 0.001, 0.0088, 0.009, 0.2, 1.0])
    step = (lightness(light + 1e-6) - lightness(light - 1e-6)) / 2e-6
    np.testing.assert_allclose(lightness_slope(light), step, rtol=1e-4)
    np.testing.assert_allclose(lightness(np.array([0.18419, 1.0])), [50.0, 100.0], atol=1e-3)


def white_source(level: float, *, sparkle: float | None = None) -> HeldSource:
    light = np.full((200, 200, 3), 0.2, np.float32)
    light[100:180, 20:140] = level
    if sparkle is not None:
        light[10, 10] = sparkle
    return HeldSource(SRGB.encode_to_codes(light, 16))


GAIN = ScanTone("x", (1.1, 1.0, 1.0), (0.0, 0.0, 0.0))


def test_white_with_room_needs_no_scaling() -> None:
    assert scale_for_white(white_source(0.88), GAIN, SRGB, 16) == 1.0


def test_white_without_room_scales_by_what_is_missing() -> None:
    assert scale_for_white(white_source(0.95), GAIN, SRGB, 16) == pytest.approx(KNEE / (1.1 * 0.95), rel=1e-4)


def test_a_lone_sparkle_does_not_darken_the_painting() -> None:
    # one pixel in a square of 48 × 48: mean 0.2, so 2 standard deviations end far below it
    assert scale_for_white(white_source(0.5, sparkle=0.99), GAIN, SRGB, 16) > 0.999


def test_what_is_clipped_already_asks_for_nothing() -> None:
    assert scale_for_white(white_source(1.0), GAIN, SRGB, 16) == 1.0


def test_only_whites_of_the_painting_count_where_its_edges_are_known() -> None:
    source = white_source(0.95)
    height, width = source.pixels.shape[:2]
    around = np.array([[-9.0, -9.0], [width + 9.0, -9.0], [width + 9.0, height + 9.0], [-9.0, height + 9.0]])
    rows, columns = np.nonzero((source.pixels == source.pixels.max()).all(axis=-1))
    beside = around.copy()
    beside[[0, 3], 0] = columns.max() + 1  # the painting begins to the right of the white
    assert scale_for_white(source, GAIN, SRGB, 16, around) == pytest.approx(KNEE / (1.1 * 0.95), rel=1e-4)
    assert scale_for_white(source, GAIN, SRGB, 16, around[::-1]) == pytest.approx(KNEE / (1.1 * 0.95), rel=1e-4)
    assert scale_for_white(source, GAIN, SRGB, 16, beside) == 1.0
    assert len(rows)


def test_no_gain_reads_no_pixel() -> None:
    source = white_source(0.99)
    assert scale_for_white(source, ScanTone("x", (0.9, 1.0, 0.95), (0.0,) * 3), SRGB, 16) == 1.0
    assert source.read_px == 0


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("gain", [1.02, 1.08, 1.3])
def test_glints_are_eased_under_the_top_and_nothing_else_is_bent(bits: int, gain: float) -> None:
    tone = ScanTone("x", (gain, 1.0, 1.0), (0.0, 0.0, 0.0))
    table = code_table(tone, SRGB, bits)
    assert table is not None and has_shoulder(tone, SRGB, bits, 1.0)
    codes = np.rint(table.astype(np.float64) * (2**bits - 1))
    assert codes[-2, 0] <= 2**bits - 2  # what was not clipped stays so
    assert codes[-1, 0] == 2**bits - 1
    assert np.all(np.diff(table[:, 0]) > 0)
    light = SRGB.decode_table(bits)[:, 0].astype(np.float64)
    straight = gain * light < KNEE * 0.99
    np.testing.assert_allclose(SRGB.decode(table)[straight, 0], gain * light[straight], atol=1e-5)
    bent = SRGB.decode(table)[:, 0].astype(np.float64)
    assert np.abs(np.diff(bent[:-1]) / np.diff(light[:-1])).max() <= gain * 1.05  # no tone is spread
    np.testing.assert_allclose(table[:, 1], np.linspace(0, 1, 2**bits), atol=2e-6)


def test_a_gain_that_pushes_nothing_has_no_shoulder() -> None:
    assert not has_shoulder(ScanTone("x", (0.9, 1.0, 0.95), (0.0,) * 3), SRGB, 16, 1.0)
    assert not has_shoulder(ScanTone("x", (1.05, 1.0, 1.0), (0.0,) * 3), SRGB, 16, 0.95)
    assert not has_shoulder(ScanTone("x", (1.0, 1.0, 1.0), (0.0,) * 3), SRGB, 16, 1.0)


@pytest.mark.parametrize("bits", [8, 16])
def test_table_multiplies_light_not_codes(bits: int) -> None:
    tone = ScanTone("x", (0.5, 1.0, 0.9), (0.0, 0.0, 0.01))
    table = code_table(tone, SRGB, bits)
    assert table is not None and table.shape == (2**bits, 3) and table.dtype == np.float32
    codes = np.linspace(0, 1, 2**bits)
    np.testing.assert_allclose(table[:, 1], codes, atol=2e-7 + 1e-6)
    np.testing.assert_allclose(SRGB.decode(table)[:, 0], 0.5 * SRGB.decode_table(bits)[:, 0], atol=1e-6)
    np.testing.assert_allclose(SRGB.decode(table)[:, 2], 0.9 * SRGB.decode_table(bits)[:, 2] + 0.01, atol=1e-6)
    assert np.all(np.diff(table, axis=0) >= 0)


def test_table_is_none_only_when_nothing_changes() -> None:
    same = ScanTone("x", (1.0, 1.0, 1.0), (0.0, 0.0, 0.0))
    assert code_table(same, SRGB, 16) is None
    scaled = code_table(same, SRGB, 16, common_scale=0.9)
    assert scaled is not None and SRGB.decode(scaled)[-1, 0] == pytest.approx(0.9, abs=1e-6)
