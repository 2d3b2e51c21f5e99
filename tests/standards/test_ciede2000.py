"""CIEDE2000.

Source: G. Sharma, W. Wu, E. N. Dalal, The CIEDE2000 color-difference formula: implementation notes, supplementary
test data, and mathematical observations, Color Research and Application 30(1), 21–30, 2005, Table 1,
doi 10.1002/col.20070. A copy: the first author's page at his university. Numbers:
fixtures/standards/ciede2000_pairs.csv, retyped from the copy in scikit-image's test data. Tolerance 1e-4: the table
prints four decimals, and a looser one misses errors of hue.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stitch.imaging.colour import delta_e_2000

TABLE = np.genfromtxt(
    Path(__file__).parents[2] / "fixtures" / "standards" / "ciede2000_pairs.csv", delimiter=",", skip_header=5
)
FIRST, SECOND, EXPECTED = TABLE[:, 1:4], TABLE[:, 4:7], TABLE[:, 7]


def test_all_34_pairs() -> None:
    assert TABLE.shape == (34, 8)
    np.testing.assert_allclose(delta_e_2000(FIRST, SECOND), EXPECTED, atol=1e-4, rtol=0)


def test_swapping_the_colours_changes_nothing() -> None:
    np.testing.assert_allclose(delta_e_2000(FIRST, SECOND), delta_e_2000(SECOND, FIRST), atol=1e-12)


def test_a_colour_against_itself_is_zero() -> None:
    np.testing.assert_array_equal(delta_e_2000(FIRST, FIRST), 0.0)


@pytest.mark.parametrize(
    ("pairs", "expected"),
    [((9, 10), 7.1792), ((11, 12), 7.2195), ((13, 14), 4.8045), ((15,), 4.7461), ((7, 8), 2.3669)],
)
def test_the_traps_of_mean_hue_and_neutral_colours(pairs: tuple[int, ...], expected: float) -> None:
    rows = np.array(pairs) - 1
    np.testing.assert_allclose(delta_e_2000(FIRST[rows], SECOND[rows]), expected, atol=1e-4)


def test_one_pair_at_a_time_gives_the_same_as_all_together() -> None:
    single = [float(delta_e_2000(a, b)) for a, b in zip(FIRST, SECOND, strict=True)]
    np.testing.assert_allclose(single, delta_e_2000(FIRST, SECOND), atol=1e-12)


@pytest.mark.parametrize("library", ["colour", "skimage.color"])
def test_reference_libraries_agree_on_random_colours(library: str) -> None:
    pytest.importorskip(library)
    rng = np.random.default_rng(2)
    first = rng.uniform((0, -100, -100), (100, 100, 100), (3000, 3))
    second = first + rng.normal(0, 12, first.shape)
    if library == "colour":
        from colour.difference import delta_E_CIE2000 as theirs
    else:
        from skimage.color import deltaE_ciede2000 as theirs
    np.testing.assert_allclose(delta_e_2000(first, second), theirs(first, second), atol=1e-6)
