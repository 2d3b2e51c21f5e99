"""What ties pin down, and the wrong one among them."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.model.ties import Tie
from stitch.ties.pinned import judge

PPI = 600.0


def made(seed: int, count: int, *, wrong: int | None = None, error_px: float = 6.0) -> list[Tie]:
    rng = np.random.default_rng(seed)
    angle = np.radians(rng.uniform(-2, 2))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    b = rng.uniform((0, 0), (900, 6000), (count, 2))
    a = b @ turn.T + (3000, 100) + rng.uniform(-error_px, error_px, (count, 2))
    if wrong is not None:
        away = rng.uniform(0, 2 * np.pi)
        a[wrong] += rng.uniform(120, 600) * np.array([np.cos(away), np.sin(away)])
    return [Tie("A1", tuple(p), "B1", tuple(q), line=k + 5) for k, (p, q) in enumerate(zip(a, b, strict=True))]


@pytest.mark.parametrize(("count", "word"), [(1, "position"), (2, "position and turn"), (3, "check"), (6, "check")])
def test_how_well_a_pair_is_pinned(count: int, word: str) -> None:
    pins = judge(made(3, count), PPI)
    assert (pins.count, pins.doubtful, len(pins.residual_px)) == (count, (), count)
    assert word in pins.what
    assert (max(pins.residual_px) > 0.1) == (count > 2)


def test_the_wrong_one_of_five_is_named() -> None:
    named = 0
    for seed in range(200):
        wrong = seed % 5
        pins = judge(made(seed, 5, wrong=wrong), PPI)
        named += pins.doubtful == (wrong,)
        if pins.doubtful == (wrong,):
            assert pins.said[0].startswith(f"line {wrong + 5} is ")
    assert named >= 190


def test_right_ties_are_not_blamed() -> None:
    assert sum(bool(judge(made(seed, 5), PPI).doubtful) for seed in range(200)) <= 2


def test_two_that_contradict_are_both_in_doubt() -> None:
    pins = judge([Tie("A1", (0.0, 0.0), "B1", (0.0, 0.0)), Tie("A1", (900.0, 0.0), "B1", (0.0, 500.0))], PPI)
    assert pins.doubtful == (0, 1)
    assert "too few to tell" in pins.said[0]
