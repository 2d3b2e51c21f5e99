"""The tape decides the scale, and only as far as that can be right."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stitch.errors import RegisterError, UsageError
from stitch.model.bed import Bed, BedSource
from stitch.model.findings import Severity
from stitch.model.settings import JoinSettings, Measured
from stitch.pipeline.fitting import Fitted, fit_size, require_lengths
from stitch.size.outline import ENDS, Outline, SideLine
from stitch.size.strips import Side

PX_PER_MM = 4.0


def outline_of(width_mm: float, height_mm: float, *hidden: Side) -> Outline:
    """An upright sheet, 20 mm of lid around it."""
    low, high = np.array([20.0, 20.0]), np.array([20.0 + width_mm, 20.0 + height_mm])
    corners = PX_PER_MM * np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    sides = tuple(
        SideLine(side, side not in hidden, *(corners[k] for k in ENDS[side]), 0.1, "lid", np.zeros(3), False)
        for side in Side
    )
    return Outline(sides, corners)


def fitted(
    seen_mm: tuple[float, float],
    tape_mm: tuple[float, float],
    bed: Bed | None = None,
    *hidden: Side,
    is_tied: bool = False,
    up_deg: int = 0,
) -> Fitted:
    settings = JoinSettings(width_mm=tape_mm[0], height_mm=tape_mm[1], fit_size=True, up_deg=up_deg)
    return fit_size(outline_of(*seen_mm, *hidden), PX_PER_MM, bed or Bed(), settings, is_tied=is_tied)


@pytest.mark.parametrize(("across", "down"), [(1.003, 0.999), (0.9925, 0.9925), (1.0, 1.0099)])
def test_without_turned_pieces_each_axis_is_brought_to_the_tape(across: float, down: float) -> None:
    found = fitted((610 / across, 914 / down), (610, 914))
    assert found.scale == pytest.approx((across, down), abs=1e-9)
    assert found.bed.source is BedSource.TAPE
    np.testing.assert_allclose(found.bed.linear, np.diag([across, down]), atol=1e-9)
    assert found.bed.sigma_anisotropy == pytest.approx(math.hypot(0.5 / 610, 0.5 / 914))
    (note,) = found.findings
    assert note.severity is Severity.NOTE and "610.0 × 914.0 mm" in note.message
    assert f"{100 * (across - 1):+.3f} %" in note.message


def test_what_small_turns_showed_is_kept_under_the_tape() -> None:
    bed = Bed(anisotropy=0.002, skew_deg=0.05, sigma_anisotropy=1e-4, sigma_skew_deg=0.004)
    found = fitted((610, 914), (610 * 1.001, 914 * 0.999), bed)
    assert found.bed.anisotropy == pytest.approx(1.002 * 1.001 / 0.999 - 1)
    np.testing.assert_allclose(found.bed.linear.diagonal(), np.diag([1.001, 0.999]) @ bed.linear.diagonal(), rtol=1e-6)
    assert found.bed.skew_deg == bed.skew_deg
    assert "diagonals" in found.findings[0].advice


@pytest.mark.parametrize(
    ("bed", "is_tied"), [(Bed(BedSource.TURNED_PIECES, 0.0015), True), (Bed(BedSource.FILE), False)]
)
def test_where_the_axes_are_known_one_common_factor_is_fitted(bed: Bed, is_tied: bool) -> None:
    found = fitted((600, 900), (601.2, 901.8), bed, is_tied=is_tied)
    assert found.scale == pytest.approx((1.002, 1.002))
    assert (found.bed.source, found.bed.anisotropy) == (bed.source, bed.anisotropy)
    assert found.bed.scale == pytest.approx(1.002)
    assert [finding.code for finding in found.findings] == ["size-fitted"]


def test_a_tape_that_contradicts_the_axes_is_told_and_shared_out() -> None:
    found = fitted((600, 900), (603.6, 900), Bed(BedSource.TURNED_PIECES, 0.001, sigma_anisotropy=1e-5), is_tied=True)
    assert found.scale is not None and found.scale[0] == found.scale[1]
    assert 1.0 < found.scale[0] < 1.006
    warning = found.findings[1]
    assert (warning.code, warning.severity) == ("tape-contradicts", Severity.WARNING)
    assert "0.60 %" in warning.message and "turned pieces" in warning.message


def test_turned_pieces_tie_the_axes_even_where_they_could_not_be_compared() -> None:
    found = fitted((600, 900), (600.6, 900.9), is_tied=True)
    assert found.scale == pytest.approx((1.001, 1.001)) and found.bed.source is BedSource.UNKNOWN


def test_more_than_one_percent_is_refused_with_both_numbers() -> None:
    with pytest.raises(RegisterError, match=r"600\.0 × 900\.0 mm, the tape says 610\.0 × 900\.0 mm"):
        fitted((600, 900), (610, 900))


def test_lengths_given_the_other_way_round_and_a_turned_master() -> None:
    assert fitted((600, 900), (901.8, 600.6)).scale == pytest.approx((1.001, 1.002))
    assert fitted((600, 900), (901.8, 600.6), up_deg=90).scale == pytest.approx((1.001, 1.002))
    almost_square = fitted((600, 603), (604.0, 600.0), up_deg=270)
    assert almost_square.scale == pytest.approx((1.0, 604 / 603))


def test_an_edge_that_is_not_certain_is_a_failed_check_and_nothing_is_changed() -> None:
    found = fitted((600, 900), (601, 901), None, Side.LEFT, Side.BOTTOM)
    assert found.scale is None and found.bed == Bed()
    np.testing.assert_array_equal(found.matrix, np.eye(2, 3))
    (failed,) = found.findings
    assert failed.severity is Severity.FAILED and "left and bottom edges are not certain" in failed.message


def test_nothing_happens_unless_asked() -> None:
    settings = JoinSettings(width_mm=601.0, height_mm=901.0)
    assert fit_size(outline_of(600, 900), PX_PER_MM, Bed(), settings, is_tied=False) == Fitted(None, Bed(), ())


@pytest.mark.parametrize(
    "settings",
    [{}, {"width_mm": 600.0}, {"height_mm": 9.0}, {"width_mm": 6.0, "height_mm": 9.0, "measured": Measured.PAINT}],
)
def test_it_takes_both_sides_of_the_sheet(settings: dict[str, object]) -> None:
    with pytest.raises(UsageError, match="--fit-size needs"):
        require_lengths(JoinSettings(fit_size=True, **settings), has_ruler=False)  # type: ignore[arg-type]
    require_lengths(JoinSettings(**settings), has_ruler=False)  # type: ignore[arg-type]
    require_lengths(JoinSettings(fit_size=True, width_mm=600.0, height_mm=900.0), has_ruler=False)
    require_lengths(JoinSettings(fit_size=True), has_ruler=True)
