"""Known drifts put in, the same drifts asked back."""

from __future__ import annotations

import time

import numpy as np
import pytest

from stitch.errors import UsageError
from stitch.imaging.affine import compose
from stitch.imaging.colour import D65_XY, xyz_d50_from_rgb
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from stitch.tone.apply import code_table
from stitch.tone.fit import fit
from tests.held import HeldSource
from tests.imaging import icc_maker
from tests.tone.drifted import case, expected

WIDE_GAMUT = icc_maker.matrix_profile(
    xyz_d50_from_rgb(((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), D65_XY), [icc_maker.curve_gamma(563 / 256)] * 3
)


def worst_errors(found, made) -> tuple[float, float]:
    """Largest relative error of a gain and largest error of an offset."""
    gain_error, offset_error = 0.0, 0.0
    for tone in found.scans:
        gain, offset = expected(made, tone.scan_id, found.reference_id)
        gain_error = max(gain_error, float(np.abs(np.array(tone.gain_rgb) / gain - 1).max()))
        offset_error = max(offset_error, float(np.abs(np.array(tone.offset_rgb) - offset).max()))
    return gain_error, offset_error


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("how", [{}, {"turn_deg": 1.0, "jitter_px": 5.0}, {"bits": 8}, {"profile": WIDE_GAMUT}])
def test_gains_are_recovered(seed: int, how: dict) -> None:
    made = case(seed, **how)
    found = fit(made.sources, made.layout, made.encoding, bits=how.get("bits", 16))
    gain_error, offset_error = worst_errors(found, made)
    assert gain_error < 0.002
    assert offset_error == 0.0
    # Not closer than the noise allows, or the answer has leaked in: 0.2 % noise over 65 cells of 144 px a pair.
    assert gain_error > 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_gains_are_recovered_across_a_grid_without_piling_up(seed: int) -> None:
    made = case(seed, columns=4, rows=3, tile=220, overlap=70)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert worst_errors(found, made)[0] < 0.003


@pytest.mark.parametrize("seed", range(5))
def test_black_offsets_are_recovered_where_dark_and_light_tones_show_them(seed: int) -> None:
    made = case(seed, offset=0.004)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    gain_error, offset_error = worst_errors(found, made)
    assert gain_error < 0.003 and offset_error < 3e-4
    assert sum(value != 0 for tone in found.scans for value in tone.offset_rgb) >= 8


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_a_scan_that_lay_turned_is_not_taken_as_the_reference(turn: int) -> None:
    made = case(3, columns=3, rows=1)
    usual = fit(made.sources, made.layout, made.encoding, bits=16).reference_id
    side = made.sources[usual].size.width_px - 1
    back = {
        1: np.array([[0.0, -1, side], [1, 0, 0]]),
        2: np.array([[-1.0, 0, side], [0, -1, side]]),
        3: np.array([[0.0, 1, 0], [-1, 0, side]]),
    }[turn]
    pixels = np.ascontiguousarray(np.rot90(made.sources[usual].pixels, turn))
    sources = {**made.sources, usual: HeldSource(pixels)}
    placements = [
        Placement(p.scan_id, tuple(map(tuple, compose(p.matrix, back).tolist())), 0.05) if p.scan_id == usual else p
        for p in made.layout.placements
    ]
    layout = Layout(made.layout.canvas, 150.0, tuple(placements), (), False, 0)
    found = fit(sources, layout, made.encoding, bits=16)
    assert found.reference_id != usual
    assert worst_errors(found, made)[0] < 0.003


def test_no_offset_is_claimed_for_a_painting_of_one_tone() -> None:
    made = case(1, offset=0.004, darkest=0.40, lightest=0.46)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert all(tone.offset_rgb == (0.0, 0.0, 0.0) for tone in found.scans)
    assert max(pair.mean_after_de00 for pair in found.pairs) < 0.2


@pytest.mark.parametrize("seed", range(5))
def test_a_gamma_drift_of_four_percent_is_mostly_taken_up(seed: int) -> None:
    rng = np.random.default_rng(seed)
    powers = {f"scan {letter}": rng.uniform(0.96, 1.04, 3) for letter in "abcd"}
    made = case(seed, drift=0.0, per_scan=lambda light, name: np.maximum(light, 1e-6) ** powers[name])
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    before = np.mean([pair.mean_before_de00 for pair in found.pairs])
    after = np.mean([pair.mean_after_de00 for pair in found.pairs])
    assert before > 0.6 and after < 0.45 * before


@pytest.mark.parametrize("bits", [8, 16])
def test_equal_scans_keep_their_pixels_exactly(bits: int) -> None:
    made = case(2, drift=0.0, noise=0.0, bits=bits)
    found = fit(made.sources, made.layout, made.encoding, bits=bits)
    assert all(tone.is_identity for tone in found.scans) and found.common_scale == 1.0
    assert all(pair.mean_before_de00 == 0.0 == pair.mean_after_de00 for pair in found.pairs)
    assert all(code_table(tone, made.encoding, bits, found.common_scale) is None for tone in found.scans)


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_changes_no_pixel(seed: int) -> None:
    made = case(seed, drift=0.0, noise=0.004, turn_deg=0.5, jitter_px=3)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert all(tone.is_identity for tone in found.scans)


def test_a_small_true_drift_is_not_taken_for_noise() -> None:
    made = case(4, drift=0.0, per_scan=lambda light, name: light * (1.01 if name == "scan b" else 1.0))
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan a")
    np.testing.assert_allclose(found.scan("scan b").gain_rgb, 1 / 1.01, atol=0.001)
    assert found.scan("scan c").is_identity and found.scan("scan d").is_identity


@pytest.mark.parametrize("reference", ["scan a", "scan b", "scan c", "scan d"])
def test_the_named_scan_is_left_as_it_is(reference: str) -> None:
    made = case(6)
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id=reference)
    assert found.reference_id == reference and found.scan(reference).is_identity
    assert worst_errors(found, made)[0] < 0.002


def test_an_unknown_reference_names_the_scans_there_are() -> None:
    made = case(6, tile=120, overlap=40)
    with pytest.raises(UsageError, match="scan z") as caught:
        fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan z")
    assert "scan a, scan b" in caught.value.advice


def test_without_a_named_reference_equally_joined_scans_are_lowered_rather_than_raised() -> None:
    made = case(3, per_scan=lambda light, name: light * (0.85 if name == "scan c" else 1.0), drift=0.02, lightest=0.95)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.reference_id == "scan c" and found.common_scale == 1.0
    assert all(max(tone.gain_rgb) < 0.9 for tone in found.scans if tone.scan_id != "scan c")


def test_without_a_named_reference_the_best_joined_scan_is_taken() -> None:
    made = case(3, columns=3, rows=3, tile=200, overlap=70)
    assert fit(made.sources, made.layout, made.encoding, bits=16).reference_id == "scan e"


def test_order_of_scans_does_not_matter() -> None:
    made = case(7)
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan b")
    layout = made.layout
    turned = Layout(layout.canvas, layout.canvas_ppi, layout.placements[::-1], (), layout.is_whole_pixel, layout.up_deg)
    again = fit(made.sources, turned, made.encoding, bits=16, reference_id="scan b")
    for tone in found.scans:
        np.testing.assert_allclose(again.scan(tone.scan_id).gain_rgb, tone.gain_rgb, rtol=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_dust_does_not_pull_the_gains(seed: int) -> None:
    rng = np.random.default_rng(seed)

    def dusty(light: np.ndarray, name: str) -> np.ndarray:
        for x, y in rng.integers(0, 400, (40, 2)):  # specks of 0.7 mm in about a fifth of the cells
            light[y : y + 4, x : x + 4] = 0.002 if rng.random() < 0.5 else 0.9
        return light

    made = case(seed, per_scan=dusty)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert worst_errors(found, made)[0] < 0.002


@pytest.mark.parametrize("seed", range(3))
def test_a_third_of_a_pixel_of_misregistration_hardly_pulls_the_gains(seed: int) -> None:
    def shifted(light: np.ndarray, name: str) -> np.ndarray:
        return 0.67 * light + 0.33 * np.roll(light, 1, axis=1) if name == "scan b" else light

    made = case(seed, per_scan=shifted)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    # washes here change by up to 3 % a pixel: 0.33 px can be worth 1 % in one cell, and evens out over many
    assert worst_errors(found, made)[0] < 0.005


def test_clipped_pixels_are_left_out_of_the_comparison() -> None:
    def brighten(light: np.ndarray, name: str) -> np.ndarray:
        return light * (1.6 if name == "scan a" else 1.0)

    made = case(5, drift=0.0, lightest=0.95, per_scan=brighten)
    assert (made.sources["scan a"].pixels == 65535).any(axis=-1).mean() > 0.02
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan d")
    np.testing.assert_allclose(found.scan("scan a").gain_rgb, 1 / 1.6, rtol=0.004)


@pytest.mark.parametrize("seed", range(3))
def test_differences_before_and_after_are_what_was_put_in(seed: int) -> None:
    # A grey painting, one scan brighter by 5 % in all channels: lightness alone differs, by a known amount.
    made = case(
        seed,
        drift=0.0,
        noise=0.0,
        darkest=0.18,
        lightest=0.1801,
        per_scan=lambda light, name: light * (1.05 if name == "scan b" else 1.0),
    )
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan a")
    pair = next(p for p in found.pairs if (p.scan_a, p.scan_b) == ("scan a", "scan b"))
    low, high = 116 * np.cbrt([0.18, 0.189]) - 16
    middle = (low + high) / 2
    step = (high - low) / (1 + 0.015 * (middle - 50) ** 2 / np.sqrt(20 + (middle - 50) ** 2))
    assert pair.mean_before_de00 == pytest.approx(step, rel=0.01)
    assert pair.mean_after_de00 < 0.01 and pair.sample_count > 20


def test_differences_are_measured_on_cells_the_fit_never_saw() -> None:
    made = case(3, noise=0.02)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    # Noise of 0.02 in cells of 144 px leaves a difference that a fit cannot remove.
    assert all(pair.mean_after_de00 > 0.3 for pair in found.pairs)


def with_white(level: float, *, brighter: str) -> object:
    """Four scans, a white patch of `level` outside the overlaps of scan b; one scan a ninth brighter than the rest."""
    made = case(8, drift=0.0, per_scan=lambda light, name: light if name == brighter else light * 0.9)
    patch = level + 0.002 * np.random.default_rng(1).normal(size=(90, 90, 3))
    made.sources["scan b"].pixels[20:110, 320:410] = made.encoding.encode_to_codes(patch, 16)
    return made


def test_white_with_room_is_not_scaled() -> None:
    made = with_white(0.97, brighter="scan b")
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan a")
    assert found.common_scale == 1.0 and found.scan("scan a").is_identity
    assert found.scan("scan b").gain_rgb[0] == pytest.approx(0.9, rel=0.003)


def test_paper_white_is_never_pushed_past_the_top() -> None:
    made = with_white(0.95, brighter="scan a")
    found = fit(made.sources, made.layout, made.encoding, bits=16, reference_id="scan a")
    gain = max(found.scan("scan b").gain_rgb)
    assert gain == pytest.approx(1 / 0.9, rel=0.003)
    assert 0.93 / gain < found.common_scale * 0.95 < 1 / gain
    for tone in found.scans:
        table = code_table(tone, made.encoding, 16, found.common_scale)
        assert table is not None
        pixels = made.sources[tone.scan_id].pixels
        matched = np.stack([table[pixels[..., c], c] for c in range(3)], axis=-1)
        assert not np.any((np.rint(matched * 65535) >= 65535) & (pixels < 65535))


def test_an_overlap_of_a_few_pixels_or_none_is_no_evidence() -> None:
    pixels = np.full((60, 60, 3), 30000, np.uint16)
    sources = {"left": HeldSource(pixels), "right": HeldSource(pixels // 2), "alone": HeldSource(pixels)}
    placements = tuple(
        Placement(name, ((1.0, 0.0, x), (0.0, 1.0, 0.0)), 0.1)
        for name, x in (("left", 0.0), ("right", 56.0), ("alone", 300.0))
    )
    found = fit(sources, Layout(Size(360, 60), 300.0, placements, (), True, 0), case(0).encoding, bits=16)
    assert found.pairs == () and all(tone.is_identity for tone in found.scans)


def test_a_large_pair_is_sampled_quickly_and_by_windows() -> None:
    rng = np.random.default_rng(0)
    pixels = np.repeat(np.repeat(rng.integers(9000, 50000, (60, 60, 3)), 60, 0), 60, 1).astype(np.uint16)
    sources = {"a": HeldSource(pixels), "b": HeldSource(pixels)}
    matrix = ((0.99985, -0.01745, 1800.0), (0.01745, 0.99985, 0.0))
    placements = (Placement("a", ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)), 0.1), Placement("b", matrix, 0.1))
    start = time.process_time()
    fit(sources, Layout(Size(5500, 3700), 600.0, placements, (), False, 0), case(0).encoding, bits=16)
    assert time.process_time() - start < 2.0  # about 0.1 s on an idle machine
    assert sources["a"].read_px < 0.3 * pixels.shape[0] * pixels.shape[1]
