"""Light that differs within the scans: known fields put in, the same asked back, and none where there is none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from stitch.imaging.colour import Encoding
from stitch.model.geometry import Size, Window
from stitch.model.tone import LightField
from stitch.tone import even
from stitch.tone.evened import EvenedSource, evened, spline_matrix
from stitch.tone.fit import fit
from stitch.tone.unevenness import bed_terms
from tests.held import HeldSource
from tests.tone.drifted import case

TILE, OVERLAP, PPI = 620, 220, 150.0
MM_PX = PPI / 25.4
Field = Callable[[str], np.ndarray]  # factor on the light of a scan, (TILE, TILE, 3)

U = np.linspace(-1, 1, TILE)


def lifted(name: str) -> np.ndarray:
    """12 % darker at the sides where the sheet goes on, fading over 20 mm."""
    letter = name[-1]
    inner_x = np.arange(TILE)[::-1] if letter in "ac" else np.arange(TILE)
    inner_y = np.arange(TILE)[::-1] if letter in "ab" else np.arange(TILE)
    x, y = (1 - 0.12 * np.clip(1 - depth / (20 * MM_PX), 0, 1) ** 2 for depth in (inner_x, inner_y))
    return np.repeat((y[:, None] * x[None, :])[..., None], 3, axis=2)


def warming(name: str) -> np.ndarray:
    """The lamp gains 4 % along the pass of two scans, more in red."""
    size = {"a": 0.04, "b": -0.02, "c": 0.0, "d": 0.03}[name[-1]]
    line = 1 + size * (1 - np.exp(-(U + 1))) * np.array([1.0, 0.8, 0.7])[:, None]
    return np.repeat(line.T[:, None, :], TILE, axis=1)


def fall_off(name: str) -> np.ndarray:
    """4 % darker in the corners of the bed."""
    return np.repeat((1 - 0.02 * (U[:, None] ** 2 + U[None, :] ** 2))[..., None], 3, axis=2)


def spoilt(field: Field, seed: int):
    return case(seed, tile=TILE, overlap=OVERLAP, ppi=PPI, per_scan=lambda light, name: light * field(name))


@pytest.mark.parametrize("field", [lifted, warming, fall_off])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_overlaps_agree_once_the_light_is_evened_out(field: Field, seed: int, monkeypatch) -> None:
    made = spoilt(field, seed)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.evenness is not None
    assert found.evenness.after_l < 0.35 * found.evenness.before_l
    monkeypatch.setattr(even, "SEEN_L", 1e9)
    plain = fit(made.sources, made.layout, made.encoding, bits=16)
    assert plain.evenness is None
    after, before = (np.mean([pair.mean_after_de00 for pair in one.pairs]) for one in (found, plain))
    assert 1e-3 < after < 0.8 * before  # what is left is noise from cell to cell


@pytest.mark.parametrize("seed", [4, 5])
def test_what_is_found_is_what_was_put_in_and_not_a_bowl_over_all_of_the_scan(seed: int) -> None:
    """Darkening at two borders of each scan could as well be fall-off in all of them; the middle must stay."""
    made = spoilt(lifted, seed)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    for tone in found.scans:
        assert tone.field is not None
        source = EvenedSource(made.sources[tone.scan_id], tone.field, made.encoding)
        left = np.log(source.factor(Window(0, 0, TILE, TILE)) * lifted(tone.scan_id))
        left -= np.median(left, axis=(0, 1))
        put_in = np.log(lifted(tone.scan_id))
        put_in -= np.median(put_in)
        assert np.abs(left).mean() < 0.5 * np.abs(put_in).mean()
        assert np.percentile(np.abs(left), 95) < 0.03


@pytest.mark.parametrize("seed", [6, 7])
def test_even_light_is_left_alone(seed: int) -> None:
    made = case(seed, tile=TILE, overlap=OVERLAP, ppi=PPI)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.evenness is None and all(tone.field is None for tone in found.scans)


def test_noise_that_differs_from_cell_to_cell_is_not_taken_for_light() -> None:
    made = case(8, tile=TILE, overlap=OVERLAP, ppi=PPI, noise=0.12)
    found = fit(made.sources, made.layout, made.encoding, bits=16)
    assert found.evenness is None


@pytest.mark.parametrize("bits", [8, 16])
def test_evened_pixels_are_light_times_the_factor_whatever_the_window(bits: int) -> None:
    rng = np.random.default_rng(bits)
    size, top = Size(300, 220), 2**bits - 1
    codes = rng.integers(0, top + 1, (size.height_px, size.width_px, 3)).astype(np.uint8 if bits == 8 else np.uint16)
    codes[:4, :4] = top
    log = -rng.uniform(0, 0.3, (3, 7, 9))
    light = LightField((52.0, 60.0), tuple(tuple(tuple(map(float, row)) for row in channel) for channel in log))
    curve = Encoding.of_profile(None)
    source = evened(HeldSource(codes), light, curve)
    assert isinstance(source, EvenedSource) and source.size == size
    whole = source.read(Window(0, 0, size.width_px, size.height_px))
    factor = source.factor(Window(0, 0, size.width_px, size.height_px))
    assert factor.max() <= 1.0
    wanted = curve.encode_to_codes(curve.decode_codes(codes) * factor, bits)
    inner = (slice(4, None), slice(4, None))
    assert np.array_equal(whole[inner][codes[inner] < top], wanted[inner][codes[inner] < top])
    assert (whole[:4, :4] == top).all()  # what the scan clipped stays clipped
    part = Window(37, 101, 150, 90)
    assert np.array_equal(source.read(part), whole[part.slices_in(Window(0, 0, size.width_px, size.height_px))])
    at = np.array([[40.0, 77.0], [299.0, 219.0], [0.0, 0.0]])
    across, down = spline_matrix(at[:, 0], 52.0, 300, 9), spline_matrix(at[:, 1], 60.0, 220, 7)
    exact = np.exp(np.einsum("na,cab,nb->nc", down, log, across))
    near = np.stack([factor[int(y), int(x)] for x, y in at])
    np.testing.assert_allclose(near, exact, rtol=0.004)


def test_a_scan_without_a_field_is_itself() -> None:
    source = HeldSource(np.zeros((4, 4, 3), np.uint16))
    assert evened(source, None, Encoding.of_profile(None)) is source


def test_the_beds_terms_are_zero_on_average() -> None:
    size = Size(401, 301)
    grid = np.stack(np.meshgrid(np.arange(401.0), np.arange(301.0)), -1).reshape(-1, 2)
    np.testing.assert_allclose(bed_terms(grid, size).mean(axis=0), 0, atol=0.01)
