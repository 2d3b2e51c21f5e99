"""Which scans are compared: all of a few, the promising ones of many, and those left over with everything."""

from concurrent.futures import ThreadPoolExecutor
from itertools import combinations

import numpy as np
import pytest

from stitch.imaging.affine import compose, invert
from stitch.model.geometry import Size
from stitch.progress import SILENT
from stitch.register import belief, votes
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate, overlap_area_px
from stitch.register.features import FEATURE_COUNT, Features, detect, feature_count
from stitch.register.place import reduce_all
from stitch.register.reduced import Reduced
from stitch.register.search import ALL_PAIRS_UP_TO, PARTNERS, find_pairs
from tests.register.cutting import CutScans, cut, jittered_grid, texture

SCAN = Size(190, 170)


def grid_of(columns: int, rows: int, seed: int) -> CutScans:
    picture = texture(60 + 120 * columns + 90, 60 + 108 * rows + 90, seed, 0.04)
    return cut(picture, jittered_grid(columns, rows, (120, 108), seed, jitter=6.0), SCAN, seed=seed)


def neighbours(scans: CutScans, least: float) -> set[tuple[int, int]]:
    maps = list(scans.painting_from_scan.values())
    area = SCAN.width_px * SCAN.height_px
    return {
        (i, j)
        for i, j in combinations(range(len(maps)), 2)
        if overlap_area_px(SCAN, SCAN, compose(invert(maps[i]), maps[j])) > least * area
    }


def ranked_of(reduced: list[Reduced], features: list[Features]) -> list[list[int]]:
    with ThreadPoolExecutor(2) as pool:
        return votes.ranked(votes.sketches(features, [one.size for one in reduced]), [1.0] * len(reduced), pool)


def test_comparing_many_scans_takes_no_longer_than_comparing_some() -> None:
    """Each is compared with PARTNERS others, which takes the product of their features."""
    work = {count: count * feature_count(count) ** 2 for count in (12, 20, 24, 36, 48, 60)}
    assert feature_count(12) == feature_count(20) == FEATURE_COUNT
    assert all(work[count] <= 1.01 * work[20] for count in (24, 36, 48, 60))
    assert feature_count(37) == feature_count(48)  # one scan more changes nothing about the others
    assert feature_count(60) > 1000


@pytest.mark.parametrize(("columns", "rows"), [(3, 3), (5, 4), (6, 5)])
def test_work_grows_in_step_with_the_number_of_scans(columns: int, rows: int) -> None:
    """At full price at most PARTNERS tries a scan, and no neighbour is passed over."""
    scans = grid_of(columns, rows, columns)
    reduced = list(reduce_all(scans.sources).values())
    count = len(reduced)
    features = [detect(one, feature_count(count)) for one in reduced]
    if count <= ALL_PAIRS_UP_TO:
        tried = set(combinations(range(count), 2))
    else:
        ranked = ranked_of(reduced, features)
        tried = {(min(i, j), max(i, j)) for i, row in enumerate(ranked) for j in row[:PARTNERS]}
    assert len(tried) <= PARTNERS * count
    assert neighbours(scans, 0.12) <= tried


def test_many_scans_hang_together_and_repeat_themselves() -> None:
    scans = grid_of(5, 3, 7)
    reduced = list(reduce_all(scans.sources).values())
    features = [detect(one) for one in reduced]
    with ThreadPoolExecutor(2) as pool:
        one, two = (find_pairs(reduced, features, [1.0] * len(reduced), 0, pool, SILENT) for _ in range(2))
    names = list(scans.sources)
    found = {(names.index(a), names.index(b)) for a, b in (pair.scan_ids for pair in one.pairs)}
    assert neighbours(scans, 0.25) <= found <= neighbours(scans, 0.0)
    assert one.tried_count < len(names) * (len(names) - 1) / 2
    assert [p.candidate.a_from_b.tolist() for p in one.pairs] == [p.candidate.a_from_b.tolist() for p in two.pairs]


def test_a_scan_without_features_does_not_stop_the_vote() -> None:
    scans = grid_of(3, 2, 8)
    reduced = list(reduce_all(scans.sources).values())
    features = [detect(one) for one in reduced]
    features[2] = features[2].only(np.zeros(0, int))
    order = ranked_of(reduced, features)
    assert all(sorted([i, *row]) == list(range(len(reduced))) for i, row in enumerate(order))


def claim(matches: int, putative: int, agreeing: int, blocks: int, margin: float = np.inf) -> float:
    index = np.zeros(matches, np.intp)
    candidate = Candidate("A", "B", 0, np.eye(2, 3), index, index, 0.5, putative, 0.2)
    return belief.probability(candidate, Agreement(blocks, agreeing, 0.9), margin)


def test_probability_grows_with_evidence_and_never_beyond_what_was_tried() -> None:
    most = 1 - 1 / belief.TRIALS_WITHOUT_ERROR
    assert claim(200, 210, 60, 60) == pytest.approx(most)
    assert 0.03 < claim(0, 0, 0, 0) < 0.07  # nothing seen: what was thought before
    assert claim(10, 60, 4, 30) < claim(12, 14, 6, 9) <= most
    rivalled = [claim(200, 210, 60, 60, margin) for margin in (1.0, 2.0, 5.0, 100.0)]
    assert rivalled == sorted(rivalled) and rivalled[0] < 0.75 < 0.9 < rivalled[1] <= rivalled[-1] <= most
