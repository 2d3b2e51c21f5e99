"""Gamma, offset and gain: each is found where it was put in and shows, and none where it was not or does not."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.model.settings import ToneMatch
from stitch.model.tone import ScanTone
from stitch.tone.apply import light_before, matched_light
from stitch.tone.fit import fit
from stitch.tone.solve import ChannelPair, lightness, solve_channel
from tests.tone.drifted import case

TONES = np.geomspace(0.01, 0.8, 30)[:, None] * np.ones(3)


def bent(seed: int, *, gamma: float, offset: float, **how):
    """Scans with gammas and offsets of their own beside their gains, and what each makes of light."""
    rng = np.random.default_rng(seed + 50)
    power = {f"scan {c}": 1 + rng.uniform(-gamma, gamma, 3) for c in "abcdefghi"}
    low = {f"scan {c}": rng.uniform(-offset, offset, 3) for c in "abcdefghi"}
    made = case(seed, per_scan=lambda seen, name: np.maximum(seen, 0) ** power[name] + low[name], darkest=0.02, **how)
    return made, lambda name, light: (light * made.gain[name]) ** power[name] + low[name]


def worst_l(found, seen_by, tones=TONES) -> float:
    """Largest error of lightness over all scans, channels and tones."""
    wanted = lightness(seen_by(found.reference_id, tones))
    got = [lightness(matched_light(one, seen_by(one.scan_id, tones))) for one in found.scans]
    return float(np.abs(np.array(got) - wanted).max())


@pytest.mark.parametrize("seed", range(4))
def test_gammas_and_offsets_are_found_where_all_tones_are_shown(seed: int) -> None:
    made, seen_by = bent(seed, gamma=0.04, offset=0.004)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    plain = fit(made.sources, made.layout, made.encoding, bits=16, how=ToneMatch.GAIN)
    assert worst_l(found, seen_by) < 0.6 < 1.5 < worst_l(plain, seen_by)
    assert sum(v != 1.0 for tone in found.scans for v in tone.gamma_rgb) >= 5
    assert found.evenness is None  # a curve is not taken for uneven light
    reference = found.scan(found.reference_id)
    assert reference.is_identity and reference.gamma_rgb == (1.0, 1.0, 1.0)


@pytest.mark.parametrize("seed", range(4))
def test_gains_alone_stay_gains_alone(seed: int) -> None:
    made, _ = bent(seed, gamma=0.0, offset=0.0)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert all(tone.gamma_rgb == (1.0, 1.0, 1.0) and tone.offset_rgb == (0.0, 0.0, 0.0) for tone in found.scans)


@pytest.mark.parametrize("seed", range(4))
def test_overlaps_of_one_tone_never_bend_the_tones_they_do_not_hold(seed: int) -> None:
    """Pale paper in every overlap: a curve through it could go anywhere below."""
    made, _ = bent(seed, gamma=0.04, offset=0.0)
    for source in made.sources.values():
        light = 0.62 + 0.15 * (made.encoding.decode_codes(source.pixels) - 0.4)
        source.pixels[:] = made.encoding.encode_to_codes(light.astype(np.float32), 16)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert all(tone.gamma_rgb == (1.0, 1.0, 1.0) and tone.offset_rgb == (0.0, 0.0, 0.0) for tone in found.scans)


@pytest.mark.parametrize("seed", range(3))
def test_dark_overlaps_lay_a_black_level_to_an_offset_and_not_to_a_gain_no_scanner_has(seed: int) -> None:
    rng = np.random.default_rng(seed)
    light = rng.uniform(0.009, 0.016, 300)
    pair = ChannelPair(0, 1, light, 1.03 * light - 0.0045 + rng.normal(0, 1e-4, 300))
    plain = solve_channel([pair], 2, reference=0, has_offset=np.zeros(2, dtype=bool))
    both = solve_channel([pair], 2, reference=0, has_offset=np.ones(2, dtype=bool))
    assert plain.strangeness - both.strangeness > 9
    assert abs(both.log_gain[1]) < 0.12 < 0.3 < abs(plain.log_gain[1])
    assert both.offset[1] == pytest.approx(0.0045, abs=0.0015)


@pytest.mark.parametrize("seed", range(3))
def test_dust_on_a_tenth_of_the_cells_does_not_bend_the_curve(seed: int) -> None:
    def dusty(light, name):
        rng = np.random.default_rng(ord(name[-1]))
        for y, x in rng.integers(0, 400, (30, 2)):
            light[y : y + 12, x : x + 12] = 0.7
        return light

    made = case(seed, per_scan=dusty)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert all(abs(v - 1.0) < 0.01 for tone in found.scans for v in tone.gamma_rgb)


def test_none_and_gain_do_no_more_than_they_say() -> None:
    made, _ = bent(5, gamma=0.04, offset=0.004)
    none = fit(made.sources, made.layout, made.encoding, bits=16, how=ToneMatch.NONE)
    assert all(tone.is_identity for tone in none.scans) and none.common_scale == 1.0
    assert all(p.mean_before_de00 == p.mean_after_de00 > 0.5 for p in none.pairs)
    gain = fit(made.sources, made.layout, made.encoding, bits=16, how=ToneMatch.GAIN)
    for some, all_cells in zip(none.pairs, gain.pairs, strict=True):  # told from a third of the cells
        assert some.mean_before_de00 == pytest.approx(all_cells.mean_before_de00, rel=0.1)
    assert all(t.field is None and t.gamma_rgb == (1, 1, 1) and t.offset_rgb == (0, 0, 0) for t in gain.scans)
    assert any(not tone.is_identity for tone in gain.scans)


def test_light_before_is_the_inverse_of_the_match() -> None:
    tone = ScanTone("x", (1.1, 0.9, 1.0), (0.002, -0.001, 0.0), None, (0.96, 1.03, 1.0))
    np.testing.assert_allclose(light_before(tone, matched_light(tone, TONES)), TONES, rtol=1e-9)


def test_stated_uncertainty_of_white_grows_where_no_overlap_is_light() -> None:
    rng = np.random.default_rng(1)
    dark = rng.uniform(0.02, 0.05, 200)
    all_tones = 0.01 * 80 ** rng.random(200)
    unsure = []
    for light in (dark, all_tones):
        pair = ChannelPair(0, 1, light, light * (1 + rng.normal(0, 0.01, 200)))
        found = solve_channel(
            [pair], 2, reference=0, has_offset=np.zeros(2, dtype=bool), has_gamma=np.ones(2, dtype=bool)
        )
        unsure.append(float(found.sigma_lightness(1.0)[1]))
    assert unsure[0] > 3 * unsure[1] > 0
