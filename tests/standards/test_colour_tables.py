"""sRGB and CIELAB against published and cross-checked values.

sRGB codes to Lab D50 (Bradford to the D50 of the profile connection space) and XYZ D50: computed with
colour-science and cross-checked by Little CMS to 8 bits. Tolerance 0.02: four-digit matrices and rounding of the
white point leave 0.01 to 0.015.
XYZ to Lab: values published in colour-science's tests. Tolerance 1e-6.
Primaries of sRGB (IEC 61966-2-1:1999) and Adobe RGB (1998), version 2005-05; the latter's Lab computed likewise.
"""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.colour import (
    BRADFORD,
    D50_XYZ,
    D65_XY,
    SRGB_PRIMARIES_XY,
    Encoding,
    lab_from_xyz,
    srgb_decode,
    xyz_d50_from_rgb,
    xyz_y_from_lightness,
)

SRGB_LAB_D50 = [  # code, Lab D50, XYZ D50
    ((255, 0, 0), (54.286, 80.835, 69.912), (0.4361, 0.2224, 0.0139)),
    ((0, 255, 0), (87.821, -79.276, 80.994), (0.3851, 0.7169, 0.0971)),
    ((0, 0, 255), (29.568, 68.290, -112.027), (0.1431, 0.0606, 0.7139)),
    ((0, 255, 255), (90.668, -50.661, -14.956), (0.5282, 0.7776, 0.8110)),
    ((255, 0, 255), (60.165, 93.566, -60.503), (0.5791, 0.2831, 0.7278)),
    ((255, 255, 0), (97.607, -15.742, 93.397), (0.8212, 0.9394, 0.1110)),
    ((128, 128, 128), (53.585, 0, 0), (0.2081, 0.2159, 0.1781)),
    ((255, 255, 255), (100, 0, 0), (0.9642, 1, 0.8249)),
]


@pytest.mark.parametrize(("code", "lab", "xyz"), SRGB_LAB_D50)
def test_srgb_codes_to_lab_d50(code, lab, xyz) -> None:
    encoding = Encoding.of_profile(None)
    encoded = np.array(code) / 255
    np.testing.assert_allclose(encoding.xyz_from_rgb @ encoding.decode(encoded), xyz, atol=1e-4)
    np.testing.assert_allclose(encoding.lab(encoded), lab, atol=0.02)


def test_adobe_rgb_primaries_to_lab_d50() -> None:
    matrix = xyz_d50_from_rgb(((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), D65_XY)
    expected = [(62.60, 90.37, 78.15), (83.21, -129.09, 87.17), (30.21, 69.25, -113.61)]
    np.testing.assert_allclose(lab_from_xyz(matrix.T), expected, atol=0.02)


@pytest.mark.parametrize(
    ("xyz", "white_xy", "lab"),
    [
        ((0.14222010, 0.23042768, 0.10495772), (0.3127, 0.3290), (55.11636304, -41.08791787, 30.91825778)),
        ((0.07818780, 0.06157201, 0.28099326), (0.3127, 0.3290), (29.80565520, 20.01830466, -48.34913874)),
        ((0.20654008, 0.12197225, 0.05136952), (0.3457, 0.3585), (41.52787529, 51.19354174, 19.91843098)),
    ],
)
def test_xyz_to_lab(xyz, white_xy, lab) -> None:
    x, y = white_xy
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    np.testing.assert_allclose(lab_from_xyz(np.array(xyz), white), lab, atol=1e-6)


def test_lab_branch_point_is_lightness_eight() -> None:
    assert lab_from_xyz(D50_XYZ * 216 / 24389)[0] == pytest.approx(8.0, abs=1e-12)
    assert xyz_y_from_lightness(np.array(50.0)) == pytest.approx(0.18419, abs=5e-6)
    assert xyz_y_from_lightness(np.array(8.0)) == pytest.approx(216 / 24389, abs=1e-12)


def test_bradford_from_d65_to_d50() -> None:
    # Little CMS's built-in sRGB profile, `chad`; equal to colour-science to six decimals.
    expected = [
        (1.047886, 0.022919, -0.050216),
        (0.029582, 0.990484, -0.017079),
        (-0.009252, 0.015073, 0.751678),
    ]
    white = np.array([0.3127 / 0.3290, 1.0, 0.3583 / 0.3290])
    cones = np.diag((BRADFORD @ D50_XYZ) / (BRADFORD @ white))
    np.testing.assert_allclose(np.linalg.inv(BRADFORD) @ cones @ BRADFORD, expected, atol=1e-4)


def test_white_is_exactly_the_white_of_the_connection_space() -> None:
    np.testing.assert_allclose(xyz_d50_from_rgb(SRGB_PRIMARIES_XY, D65_XY).sum(axis=1), D50_XYZ, atol=1e-12)


def test_reference_library_agrees_on_the_srgb_curve_and_lab() -> None:
    colour = pytest.importorskip("colour")
    codes = np.linspace(0, 1, 4096)
    np.testing.assert_allclose(srgb_decode(codes), colour.models.eotf_sRGB(codes), atol=1e-9)
    xyz = np.random.default_rng(4).random((500, 3))
    white_xy = D50_XYZ[:2] / D50_XYZ.sum()
    theirs = colour.XYZ_to_Lab(xyz, white_xy)
    np.testing.assert_allclose(lab_from_xyz(xyz), theirs, atol=1e-6)
