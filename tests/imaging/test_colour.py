"""Codes to light and back, profiles of every kind, Lab."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ImageCms

from stitch.imaging import icc
from stitch.imaging.colour import (
    D65_XY,
    SRGB_PRIMARIES_XY,
    Encoding,
    delta_e_2000,
    srgb_decode,
    xyz_d50_from_rgb,
)
from tests.imaging import icc_maker as make

ADOBE_PRIMARIES_XY = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
MATRIX = xyz_d50_from_rgb(SRGB_PRIMARIES_XY, D65_XY)
X1024 = np.linspace(0, 1, 1024)

CURVES = {
    "identity": make.curve_table([]),
    "gamma 563/256": make.curve_gamma(563 / 256),
    "gamma 1.8": make.curve_gamma(1.8),
    "table 1024 of sRGB": make.curve_table(srgb_decode(X1024)),
    "table 1024 of gamma 2.2": make.curve_table(X1024**2.2),
    "table 256 of gamma 2.4": make.curve_table(np.linspace(0, 1, 256) ** 2.4),
    "table 17 of gamma 1.8": make.curve_table(np.linspace(0, 1, 17) ** 1.8),
    "table not reaching 0 and 1": make.curve_table(0.01 + 0.9 * X1024**2),
    "para 0": make.curve_parametric(0, [2.2]),
    "para 1": make.curve_parametric(1, [2.2, 1.0, 0.0]),
    "para 2": make.curve_parametric(2, [2.2, 0.98, 0.01, 0.005]),
    "para 3 of sRGB": make.curve_parametric(3, [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045]),
    "para 4": make.curve_parametric(4, [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.001, 0.001]),
}


def encoding_of(*curves: bytes) -> Encoding:
    three = curves * 3 if len(curves) == 1 else curves
    return Encoding.of_profile(make.matrix_profile(MATRIX, three))


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("name", CURVES)
def test_every_code_survives_decoding_and_encoding(name: str, bits: int) -> None:
    encoding = encoding_of(CURVES[name])
    assert not encoding.is_assumed, encoding.reason
    codes = np.repeat(np.arange(2**bits, dtype=f"uint{bits}")[:, None], 3, axis=1)
    linear = encoding.decode_table(bits)
    assert linear.dtype == np.float32 and linear.shape == (2**bits, 3)
    back = encoding.encode_to_codes(linear, bits)
    assert back.dtype == codes.dtype
    np.testing.assert_array_equal(back, codes)


def test_every_code_survives_when_channels_have_curves_of_their_own() -> None:
    encoding = encoding_of(CURVES["gamma 1.8"], CURVES["para 3 of sRGB"], CURVES["table not reaching 0 and 1"])
    codes = np.random.default_rng(3).integers(0, 65536, (61, 1100, 3)).astype(np.uint16)
    linear = encoding.decode_codes(codes)
    for channel in range(3):
        np.testing.assert_array_equal(linear[..., channel], encoding.decode_table(16)[codes[..., channel], channel])
    np.testing.assert_array_equal(encoding.encode_to_codes(linear, 16), codes)


def test_eight_bit_codes_mean_the_same_light_as_their_sixteen_bit_twins() -> None:
    encoding = encoding_of(CURVES["gamma 563/256"])
    np.testing.assert_array_equal(encoding.decode_table(8), encoding.decode_table(16)[::257])


@pytest.mark.parametrize("name", CURVES)
def test_light_of_values_between_codes_is_near_the_straight_line(name: str) -> None:
    encoding = encoding_of(CURVES[name])
    values = np.random.default_rng(1).random((40, 900, 3))
    expected = np.interp(values[..., 0], np.linspace(0, 1, 65536), encoding.curves[0])
    np.testing.assert_allclose(encoding.decode(values)[..., 0], expected, atol=2e-7)


@given(st.floats(0.0, 1.0))
@settings(max_examples=50, deadline=None)
def test_encoding_undoes_decoding_between_codes(value: float) -> None:
    encoding = encoding_of(CURVES["gamma 563/256"])
    there_and_back = encoding.encode(encoding.decode(np.full((1, 3), value)))
    assert np.abs(there_and_back - value).max() * 65535 < 0.75


def test_light_outside_the_range_is_clipped() -> None:
    encoding = Encoding.of_profile(None)
    found = encoding.encode_to_codes(np.array([[-0.2, 0.0, 1.7]], dtype=np.float32), 16)
    assert found.tolist() == [[0, 0, 65535]]


@pytest.mark.parametrize("name", CURVES)
def test_light_never_falls_as_codes_rise(name: str) -> None:
    assert np.all(np.diff(encoding_of(CURVES[name]).decode_table(16), axis=0) >= 0)


def test_gamma_curve_is_the_power_it_states() -> None:
    found = encoding_of(CURVES["gamma 563/256"]).decode_table(8)[:, 0]
    np.testing.assert_allclose(found, (np.arange(256) / 255) ** 2.19921875, rtol=1e-6)


def test_parametric_curves_follow_their_formulas() -> None:
    # ICC.1:2010 clause 10.15, formulas from memory; worked by hand at x = 0.5 and below the break.
    x = np.array([0.0, 0.1, 0.5])
    np.testing.assert_allclose(icc.parametric(0, [2.0], x), [0, 0.01, 0.25])
    np.testing.assert_allclose(icc.parametric(1, [2.0, 1.0, -0.1], x), [0, 0, 0.16])
    np.testing.assert_allclose(icc.parametric(2, [2.0, 1.0, -0.1, 0.05], x), [0.05, 0.05, 0.21])
    np.testing.assert_allclose(icc.parametric(3, [2.0, 1.0, 0.0, 0.5, 0.2], x), [0, 0.05, 0.25])
    np.testing.assert_allclose(icc.parametric(4, [2.0, 1.0, 0.0, 0.5, 0.2, 0.1, 0.02], x), [0.02, 0.07, 0.35])


def test_another_librarys_profile_is_read() -> None:
    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    encoding = Encoding.of_profile(made)
    assert not encoding.is_assumed and not encoding.is_approximate and "sRGB" in encoding.name
    np.testing.assert_allclose(encoding.xyz_from_rgb, MATRIX, atol=3e-5)
    np.testing.assert_allclose(encoding.decode_table(16)[:, 0], srgb_decode(np.linspace(0, 1, 65536)), atol=2e-5)


def test_lab_agrees_with_another_librarys_transform() -> None:
    made = make.matrix_profile(xyz_d50_from_rgb(ADOBE_PRIMARIES_XY, D65_XY), [CURVES["gamma 563/256"]] * 3)
    from stitch.imaging.colour import _lab_by_tables  # the 8-bit route through Little CMS

    values = np.random.default_rng(5).integers(0, 256, (400, 3)) / 255
    ours, theirs = Encoding.of_profile(made).lab(values), _lab_by_tables(made, values)
    inside = (np.abs(ours[:, 1:]) < 126).all(axis=1)
    assert inside.sum() > 300
    np.testing.assert_allclose(ours[inside], theirs[inside], atol=0.75)


def test_no_profile_is_assumed_srgb_and_says_so() -> None:
    encoding = Encoding.of_profile(None)
    assert encoding.is_assumed and "assumed" in encoding.name and "no profile" in encoding.reason


SOUND = make.matrix_profile(MATRIX, [CURVES["gamma 1.8"]] * 3)


@pytest.mark.parametrize(
    ("broken", "why"),
    [
        (b"", "short"),
        (b"not a profile" * 30, "signature"),
        (SOUND[:-40], "states"),
        (SOUND[:132] + b"\xff" * 12 + SOUND[144:], "beyond its end"),
        (SOUND[:128] + b"\xff\xff\xff\xff" + SOUND[132:], "contents"),
        (make.matrix_profile(MATRIX, [make.curve_table([1.0, 0.0])] * 3), "does not rise"),
        (make.matrix_profile(MATRIX, [b"curv" + bytes(4) + b"\0\0\1\0" + bytes(8)] * 3), "cut short"),
        (make.matrix_profile(MATRIX, [make.curve_parametric(0, [-1.0])] * 3), "gamma"),
        (make.matrix_profile(np.ones((3, 3)) / 3, [CURVES["gamma 1.8"]] * 3), "three colours"),
        (make.profile({"desc": make.text_description("empty")}), "tables"),
    ],
)
def test_a_broken_profile_is_set_aside_with_its_reason(broken: bytes, why: str) -> None:
    encoding = Encoding.of_profile(broken)
    assert encoding.is_assumed and why in encoding.reason


def test_any_bytes_give_an_encoding() -> None:
    rng = np.random.default_rng(9)
    for _ in range(200):
        damaged = bytearray(SOUND)
        for place in rng.integers(0, len(damaged), 6):
            damaged[place] = rng.integers(0, 256)
        assert np.isfinite(Encoding.of_profile(bytes(damaged)).lab(np.array([0.2, 0.5, 0.7]))).all()


def test_grey_profile_gives_neutral_lab() -> None:
    encoding = Encoding.of_profile(make.profile({"kTRC": CURVES["gamma 1.8"]}, space=b"GRAY"))
    lab = encoding.lab(np.full((1, 3), 0.5))
    y = 0.5**1.8
    np.testing.assert_allclose(lab, [[116 * y ** (1 / 3) - 16, 0, 0]], atol=0.02)


def test_a_profile_of_tables_is_used_in_eight_bit_steps_and_says_so() -> None:
    encoding = Encoding.of_profile(make.table_profile())
    assert encoding.is_approximate and not encoding.is_assumed and "approximated" in encoding.name
    grey = np.repeat(np.array([0.1, 0.25, 0.5, 0.9])[:, None], 3, axis=1)
    np.testing.assert_allclose(encoding.lab(grey), np.column_stack([grey[:, 0] * 100, np.zeros((4, 2))]), atol=0.6)
    linear = ((grey[:, 0] * 100 + 16) / 116) ** 3
    np.testing.assert_allclose(encoding.decode(grey)[:, 0], linear, rtol=0.03)
    codes = np.repeat(np.arange(65536, dtype=np.uint16)[:, None], 3, axis=1)
    np.testing.assert_array_equal(encoding.encode_to_codes(encoding.decode_table(16), 16), codes)


def test_light_is_averaged_in_linear_values() -> None:
    # standards 4.4: a 50/50 blend of linear 0.2 and 0.8 is code 0.7354 in sRGB; blending codes would give 0.695.
    mixed = Encoding.of_profile(None).encode(np.full((1, 3), 0.5 * 0.2 + 0.5 * 0.8))
    np.testing.assert_allclose(mixed, 0.7354, atol=5e-5)


def test_encoding_to_codes_is_fast_enough_for_seam_bands() -> None:
    linear = np.random.default_rng(0).random((1000, 1000, 3)).astype(np.float32)
    encoding = Encoding.of_profile(None)
    best = min(_seconds(lambda: encoding.encode_to_codes(linear, 16)) for _ in range(5))
    assert 1.0 / best > 5.0  # MP/s; about 40 on an idle machine, the room below is for a busy one


def _seconds(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def test_difference_of_a_colour_with_itself_is_zero_and_grows_with_lightness() -> None:
    lab = np.array([[50.0, 10.0, -20.0], [0.0, 0.0, 0.0]])
    np.testing.assert_array_equal(delta_e_2000(lab, lab), 0)
    assert delta_e_2000(lab, lab + np.array([1.0, 0.0, 0.0]))[0] == pytest.approx(1.0, abs=0.02)
