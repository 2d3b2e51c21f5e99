"""Classic TIFF or BigTIFF, and the exact fractions of resolutions."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.master.layout import Kind, file_bytes_at_most, kind_for, strip_count
from stitch.master.rationals import LARGEST, ppi_fraction
from stitch.model.geometry import Size


def test_the_limit_of_classic_tiff() -> None:
    """TIFF 6.0, section 2: offsets are 32-bit, so a file ends at 2³² bytes at the latest."""
    assert kind_for(2**32) is Kind.CLASSIC
    assert kind_for(2**32 + 1) is Kind.BIG
    assert (Kind.CLASSIC.value, Kind.BIG.value) == (42, 43)


def test_sizes_computed_by_hand() -> None:
    """24 × 36 in at 600 ppi is 1 866 240 000 bytes of 16-bit RGB; at 1200 ppi 7 464 960 000."""
    for size, data_bytes, kind in [
        (Size(14_400, 21_600), 1_866_240_000, Kind.CLASSIC),
        (Size(28_800, 43_200), 7_464_960_000, Kind.BIG),
        (Size(26_754, 26_754), 4_294_659_096, Kind.CLASSIC),
        (Size(26_755, 26_755), 4_294_980_150, Kind.BIG),
    ]:
        assert size.width_px * size.height_px * 6 == data_bytes
        assert kind_for(file_bytes_at_most(size, data_bytes=data_bytes, tag_bytes=10_000)) is kind


def test_a_large_profile_can_tip_the_balance() -> None:
    size = Size(26_754, 26_754)
    assert kind_for(file_bytes_at_most(size, data_bytes=4_294_659_096, tag_bytes=400_000)) is Kind.BIG


@pytest.mark.parametrize(("height", "count"), [(1, 1), (64, 1), (65, 2), (128, 2), (129, 3)])
def test_strip_count(height: int, count: int) -> None:
    assert strip_count(Size(1, height)) == count


@pytest.mark.parametrize(
    ("ppi", "fraction"),
    [
        (600.0, Fraction(600)),
        (300.0, Fraction(300)),
        (15000 / 127 * 2.54, Fraction(300)),  # 118.11… per cm is 15000/127, and that is 300 per inch exactly
        (599.5, Fraction(1199, 2)),
        (1000 / 3, Fraction(1000, 3)),
        (72.009, Fraction(72_009, 1000)),
    ],
)
def test_resolutions_are_exact_fractions(ppi: float, fraction: Fraction) -> None:
    assert ppi_fraction(ppi) == fraction


@given(st.floats(1.0, 20_000.0))
def test_any_resolution_fits_and_is_close(ppi: float) -> None:
    fraction = ppi_fraction(ppi)
    assert 0 < fraction.numerator <= LARGEST
    assert 0 < fraction.denominator <= LARGEST
    assert abs(float(fraction) - ppi) <= 5e-6


@pytest.mark.parametrize("ppi", [0.0, -600.0, float("nan"), float("inf"), 1e12])
def test_impossible_resolutions(ppi: float) -> None:
    with pytest.raises(ValueError, match="pixels per inch"):
        ppi_fraction(ppi)
