"""Pieces of a plan found again among placed scans."""

import numpy as np
import pytest

from stitch.check.positions import match_plan, place_words
from stitch.model.plan import Bed, ScanPlan
from stitch.plan.grid import Wanted
from stitch.plan.make import make_plan

UNSEEN = (None, None, None, None)


def plan_of(width: float = 480.0, height: float = 620.0) -> ScanPlan:
    return make_plan(Wanted(width, height, Bed(216.0, 297.0)), dpi=300.0, bits=16, title="")


def placed(plan: ScanPlan, seed: int, left_out: set[int], turn: int = 0) -> dict[str, np.ndarray]:
    """Middles of the scans in a frame of their own: shifted, and turned anticlockwise by `turn`."""
    rng = np.random.default_rng(seed)
    shift = rng.uniform(-400, 400, 2)
    middles = {}
    for piece in plan.scans:
        x, y = piece.x_mm + piece.width_mm / 2, piece.y_mm + piece.height_mm / 2
        for _ in range(turn // 90):
            x, y = y, -x
        if piece.number not in left_out:
            middles[f"s{piece.number}"] = np.array([x, y]) + shift + rng.uniform(-6, 6, 2)
    return middles


@pytest.mark.parametrize("seed", range(4))
def test_the_missing_piece_is_found_wherever_the_frame_lies(seed: int) -> None:
    plan = plan_of()
    gone = 1 + seed * 3 % len(plan.scans)
    middles = placed(plan, seed, {gone}, plan.scans[0].turn_deg)
    fit = match_plan(plan, middles, {name: f"{name}.tif" for name in middles}, UNSEEN)
    assert [piece.number for piece in fit.missing] == [gone]
    assert {name: piece.number for name, piece in fit.piece_of.items()} == {name: int(name[1:]) for name in middles}


def test_seen_edges_tell_which_outer_column_is_missing() -> None:
    plan = plan_of(560.0, 540.0)
    right = {piece.number for piece in plan.scans if piece.column == plan.columns}
    middles = placed(plan, 7, right, plan.scans[0].turn_deg)
    first = next(piece for piece in plan.scans if piece.number not in right)
    shift = middles[f"s{first.number}"] - (first.x_mm + first.width_mm / 2, first.y_mm + first.height_mm / 2)
    edges = (float(shift[0]), float(shift[1]), None, float(shift[1] + plan.painting_height_mm))
    fit = match_plan(plan, middles, {name: f"{name}.tif" for name in middles}, edges)
    assert {piece.number for piece in fit.missing} == right


def test_a_place_is_named_by_row_and_column() -> None:
    plan = plan_of(560.0, 540.0)
    piece = next(one for one in plan.scans if (one.row, one.column) == (2, 3))
    assert place_words(piece, plan) == "row 2, the third from the left"
