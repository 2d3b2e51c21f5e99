"""Lengths and amounts as people write them. 1 inch is 25.4 mm exactly (international inch, 1959)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.cli import amounts
from stitch.cli.lengths import Unit, as_inches, parse_length_mm
from stitch.errors import UsageError


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("610mm", 610.0),
        ("610 mm", 610.0),
        (" 610MM ", 610.0),
        ("61cm", 610.0),
        ("61,5 cm", 615.0),
        ("61.5cm", 615.0),
        (".5in", 12.7),
        ("24in", 609.6),
        ("24 in", 609.6),
        ('24"', 609.6),
        ("24″", 609.6),
        ("24”", 609.6),
        ("24''", 609.6),
        ("24 inches", 609.6),
        ("1 inch", 25.4),
        ("24 1/2in", 622.3),
        ("24-1/2in", 622.3),
        ('24 1/2"', 622.3),
        ("24½in", 622.3),
        ("24 ½ in", 622.3),
        ("3/4in", 19.05),
        ("24 3/16in", 614.3625),
        ("1⁄2in", 12.7),
        ("30 5/8 inches", 777.875),
    ],
)
def test_lengths(text: str, length_mm: float) -> None:
    assert parse_length_mm(text, what="--width") == pytest.approx(length_mm, abs=1e-9)


@pytest.mark.parametrize(("unit", "length_mm"), [(Unit.MM, 24.5), (Unit.CM, 245.0), (Unit.IN, 622.3)])
def test_bare_lengths_take_the_unit_given_and_written_ones_keep_theirs(unit: Unit, length_mm: float) -> None:
    assert parse_length_mm("24 1/2", what="--width", unit=unit) == pytest.approx(length_mm)
    assert parse_length_mm("10mm", what="--width", unit=unit) == 10.0


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("610", "has no unit"),
        ("", "is not a length"),
        ("mm", "is not a length"),
        ("wide", "is not a length"),
        ("610 ells", "'ells' in '610 ells' is not a unit"),
        ("610mmm", "not a unit"),
        ("-610mm", "is not a number"),
        ("0mm", "not more than nothing"),
        ("1/0in", "divides by nothing"),
        ("1.2.3mm", "is not a number"),
        ("1.234,5mm", "is not a number"),
        ("1,219mm", "thousands or decimals"),
        ("24 1/in", "is not a number"),
        ("24in 3", "is not a"),
        ("610mm x 914mm", "is not a"),
        ("1e3mm", "is not a"),
        ("nan mm", "is not a"),
    ],
)
def test_what_is_wrong_is_said(text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told) as caught:
        parse_length_mm(text, what="--width")
    assert caught.value.message.startswith("--width")
    assert caught.value.advice


@given(st.text(max_size=12))
def test_any_text_is_a_length_or_a_sentence(text: str) -> None:
    try:
        assert parse_length_mm(text, what="--width", unit=Unit.MM) > 0
    except UsageError as error:
        assert error.message.startswith("--width")


@given(st.integers(1, 99), st.integers(1, 15))
def test_sixteenths(whole: int, over: int) -> None:
    assert parse_length_mm(f"{whole} {over}/16in", what="-") == pytest.approx((whole + over / 16) * 25.4)


def test_inches_for_tables() -> None:
    assert as_inches(610) == "24.02"


@pytest.mark.parametrize(
    ("text", "memory_mb"),
    [("1GB", 1000), ("800MB", 800), ("1000", 1000), ("1.5 gb", 1500), ("1,5GB", 1500), ("2G", 2000), ("1GiB", 1073)],
)
def test_memory(text: str, memory_mb: int) -> None:
    assert amounts.memory_mb(text) == memory_mb


@pytest.mark.parametrize("text", ["", "GB", "1TB", "-1GB", "99MB", "2000000000", "1 0GB"])
def test_impossible_memory(text: str) -> None:
    with pytest.raises(UsageError, match="--memory"):
        amounts.memory_mb(text)


def test_sides_have_a_plausible_range() -> None:
    assert amounts.side_mm("10mm", what="--width", unit=None) == 10.0
    assert amounts.side_mm("20000mm", what="--width", unit=None) == 20_000.0
    for text in ("9.9mm", "20001mm", "610in x"):
        with pytest.raises(UsageError):
            amounts.side_mm(text, what="--width", unit=None)
