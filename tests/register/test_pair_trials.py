"""A few dozen of the pairs that scripts/pair_table.py tries by the thousand."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.flatbed import layout
from fixtures.scoring import pair_trials as judge
from fixtures.scoring.pair_trials import TRIALS, Trial, as_row, ready, table, try_set


def small(name: str) -> Trial:
    trial = TRIALS[name]
    grid = layout.grid(120, 100, 3, 2, overlap_fraction=0.24)
    return replace(trial, case=replace(trial.case, width_mm=120, height_mm=100, arrangement=grid))


@pytest.mark.parametrize("name", ["oil, dust and frame", pytest.param("pencil", marks=pytest.mark.slow)])
def test_true_pairs_are_found_and_no_false_one_is_believed(name: str) -> None:
    before = ready(small("blank, dust and frame"), 1)
    outcome = try_set(small(name), 2, ready(small(name), 2), before)
    assert outcome.true_count >= 4 and outcome.found_count == outcome.true_count, outcome.missed
    assert outcome.false_count >= 24 and outcome.accepted_count == 0, outcome.wrong
    assert all(is_right and 0.9 < probability < 1 for probability, is_right in outcome.claims)
    said = table([as_row(outcome)])
    assert f"{outcome.false_count} false pairs: 95 % bound 3/n = 1 in {outcome.false_count / 3:.0f}" in said


def test_a_misplaced_pair_counts_as_false() -> None:
    """The judge itself: a placement a few px off is not right."""
    made = ready(small("oil"), 3)
    names = list(made.reduced)
    a, b = next((a, b) for a in names for b in names if a < b and judge._true_overlap(made, a, b) > 0.15)
    result = judge._tried(made, a, made, b, 3, 0)
    assert judge._is_right(made, a, b, result)
    moved = result.candidate.a_from_b + np.array([[0, 0, 6.0], [0, 0, 0]])
    assert not judge._is_right(made, a, b, replace(result, candidate=replace(result.candidate, a_from_b=moved)))
