"""The fine search finds what a click meant, and says when there is nothing to find."""

from __future__ import annotations

import time

import numpy as np
import pytest

from stitch.imaging.affine import apply, invert, rigid
from stitch.model.geometry import Size
from stitch.model.ties import Tie
from stitch.ties.snap import CLICK_SIGMA_MM, snap
from tests.register.cutting import CutScans, cut, texture

PPI = 600.0
PLACE = np.array([520.0, 400.0])


def two(seed: int, turn_deg: int = 0) -> CutScans:
    picture = texture(1100, 900, seed)
    turned = {0: rigid(0.01, 301.3, 40.6), 90: rigid(-np.pi / 2 + 0.01, 300.4, 800.7)}[turn_deg]
    return cut(picture, [rigid(0.0, 20.0, 30.0), turned], Size(700, 700), seed=seed)


def truth(scans: CutScans, name: str) -> np.ndarray:
    return apply(invert(scans.painting_from_scan[name]), PLACE)


@pytest.mark.parametrize("turn_deg", [0, 90])
@pytest.mark.parametrize("seed", range(4))
def test_a_click_within_reach_comes_to_the_same_place(seed: int, turn_deg: int) -> None:
    scans = two(seed, turn_deg)
    rng = np.random.default_rng(seed)
    wrong = rng.uniform(-45, 45, 2)
    a, b = truth(scans, "S1"), truth(scans, "S2")
    tie = Tie("S1", tuple(a), "S2", tuple(b + wrong))
    started = time.perf_counter()
    found = snap(scans.sources["S1"], scans.sources["S2"], tie, turn_deg=turn_deg, ppi_a=PPI, ppi_b=PPI)
    assert time.perf_counter() - started < 1.0
    assert found.agrees, found.said
    assert np.hypot(*(np.array(found.tie.b_px) - b)) < 0.7
    assert found.moved_px == pytest.approx(np.hypot(*wrong), abs=0.7)
    assert found.tie.a_px == tie.a_px
    assert found.sigma_px < 1


@pytest.mark.parametrize("seed", range(4))
def test_plain_paper_leaves_the_click_where_it_is(seed: int) -> None:
    plain = cut(np.full((900, 1100, 3), 0.8, np.float32), [rigid(0, 20, 30), rigid(0, 300, 40)], Size(700, 700))
    tie = Tie("S1", (500.0, 370.0), "S2", (230.0 + seed, 350.0))
    found = snap(plain.sources["S1"], plain.sources["S2"], tie, turn_deg=0, ppi_a=PPI, ppi_b=PPI)
    assert not found.agrees and found.tie == tie and found.moved_px == 0
    assert found.sigma_px == pytest.approx(CLICK_SIGMA_MM * PPI / 25.4)
    assert "nothing to hold on to" in found.said


def test_places_that_do_not_look_alike_are_told() -> None:
    scans, others = two(1), two(2)
    tie = Tie("S1", (500.0, 370.0), "S2", (230.0, 350.0))
    found = snap(scans.sources["S1"], others.sources["S2"], tie, turn_deg=0, ppi_a=PPI, ppi_b=PPI)
    assert not found.agrees and found.tie == tie


def test_a_click_at_the_very_border_is_taken_as_it_is() -> None:
    scans = two(1)
    tie = Tie("S1", (699.0, 699.0), "S2", (0.0, 0.0))
    found = snap(scans.sources["S1"], scans.sources["S2"], tie, turn_deg=0, ppi_a=PPI, ppi_b=PPI)
    assert not found.agrees and "border" in found.said
