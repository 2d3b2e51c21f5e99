"""Scans that fit each other at several places are linked at the clearly best one, or not at all."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from fixtures.flatbed.case import Case
from fixtures.flatbed.layout import grid
from fixtures.flatbed.paintings import Kind, Tooth
from fixtures.flatbed.simulate import SCANS, simulate
from stitch.errors import RegisterError
from stitch.imaging.affine import apply, compose, invert
from stitch.model.geometry import Size
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate
from stitch.register.pairs import Doubt, Pair, _clearest
from stitch.register.place import reduce_all, register
from stitch.register.rivals import rival_maps
from stitch.register.search import without_repeats
from tests.held import HeldSource
from tests.register.cutting import CutScans, cut, texture

PERIOD_PX = 160
SCAN = Size(500, 400)
PLACES = [np.array([[1.0, 0, 10.0], [0, 1.0, 10.0]]), np.array([[1.0, 0, 310.5], [0, 1.0, 13.25]])]
SMALL = Case("ornament", Kind.ORNAMENT, width_mm=120, height_mm=90, dpi=110, tooth=Tooth.SMOOTH)


def maps_of_rivals(scans: CutScans) -> list[np.ndarray]:
    reduced = reduce_all(scans.sources)
    true = compose(invert(PLACES[0]), PLACES[1])
    return rival_maps(reduced["S1"], reduced["S2"], true, 0)


def repeated(seed: int) -> np.ndarray:
    return np.tile(texture(PERIOD_PX, 420, seed), (1, 6, 1))


@pytest.mark.parametrize("seed", [1, 2])
def test_every_place_where_a_repeated_picture_fits_is_found(seed: int) -> None:
    found = maps_of_rivals(cut(repeated(seed), PLACES, SCAN, seed=seed))
    off = sorted(float(m[0, 2]) - 300.5 for m in found)
    for expected in (-2 * PERIOD_PX, -PERIOD_PX, PERIOD_PX):
        assert min(abs(v - expected) for v in off) < 4
    assert all(abs(v) > 20 for v in off)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_picture_without_repeats_has_no_rival(seed: int) -> None:
    assert maps_of_rivals(cut(texture(900, 420, seed), PLACES, SCAN, seed=seed)) == []


def fit(unexplained: float, x_px: float) -> Pair:
    none = np.zeros(0, dtype=np.intp)
    place = np.array([[1.0, 0, x_px], [0, 1.0, 0]])
    return Pair(Candidate("A", "B", 0, place, none, none, 0.2, 0, 0.2), Agreement(20, 20, 1 - unexplained))


def test_the_clearly_best_place_is_taken_and_none_when_two_are_alike() -> None:
    """One place is taken only when it leaves next to nothing unexplained and every other leaves more."""
    assert _clearest([fit(0.05, 0), fit(0.0004, 160)]).candidate.a_from_b[0, 2] == 160
    assert _clearest([fit(0.3, 80)]).candidate.a_from_b[0, 2] == 80
    doubt = _clearest([fit(0.0101, 0), fit(0.01, 160), fit(0.2, 320)])
    assert isinstance(doubt, Doubt) and (doubt.scan_a, doubt.scan_b, doubt.place_count) == ("A", "B", 3)
    assert isinstance(_clearest([fit(0.0001, 0), fit(0.0004, 160)]), Doubt)
    assert isinstance(_clearest([fit(0.05, 0), fit(0.01, 160)]), Doubt)


def test_where_a_pattern_repeats_strictly_no_pair_with_rivals_is_believed() -> None:
    """Other scans may be laid by chance where they fit perfectly, once two scans do so at two places."""
    sure, lone = _clearest([fit(0.0002, 0), fit(0.01, 160)]), _clearest([fit(0.01, 0)])
    strict = _clearest([fit(0.0001, 0), fit(0.0002, 160)])
    assert isinstance(sure, Pair) and isinstance(lone, Pair) and isinstance(strict, Doubt)
    assert without_repeats([sure, lone], []) == ([sure, lone], [])
    kept, doubts = without_repeats([sure, lone], [strict])
    assert kept == [lone] and [doubt.place_count for doubt in doubts] == [2, 2]


def simulated(case: Case, folder: Path) -> dict[str, HeldSource]:
    truth = simulate(case, folder)
    return {Path(s.file_name).stem: HeldSource(tifffile.imread(folder / SCANS / s.file_name)) for s in truth.scans}


@pytest.mark.parametrize(("seed", "overlap"), [(1, 0.1), (2, 0.1), (1, 0.15)])
def test_two_scans_of_a_strictly_repeated_ornament_are_not_placed_by_guess(
    seed: int, overlap: float, tmp_path: Path
) -> None:
    """Each of these was placed whole repeats away from the truth, at an error of thousandths of a pixel."""
    laid = grid(SMALL.width_mm, SMALL.height_mm, 2, 1, overlap_fraction=overlap)
    sources = simulated(replace(SMALL, seed=seed, ornament_variation=0.0, arrangement=laid), tmp_path)
    with pytest.raises(RegisterError) as caught:
        register(sources, reduce_all(sources), dict.fromkeys(sources, SMALL.dpi))
    assert set(caught.value.scan_ids) == set(sources)


def test_a_repeat_that_is_told_apart_elsewhere_is_placed_by_the_other_links() -> None:
    """Two scans share only a repeated band; a third scan, beside both, holds what is there only once."""
    picture = texture(900, 420, 6)
    picture[:, 290:530] = np.tile(texture(240, 105, 5), (4, 1, 1))
    places = [*PLACES, np.array([[1.0, 0, 150.0], [0, 1.0, 12.5]])]
    scans = cut(picture, places, SCAN, seed=5)
    found = scans.register()
    assert np.percentile(scans.misregistration_px(found), 99) < 0.2
    ends = np.array([[250.0, 200.0]])
    for name in ("S1", "S2"):
        here = apply(compose(invert(found.poses["S3"].matrix()), found.poses[name].matrix()), ends)
        true = apply(compose(invert(places[2]), scans.painting_from_scan[name]), ends)
        assert np.hypot(*(here - true).T).max() < 0.3


def test_a_picture_that_looks_the_same_turned_half_round_is_not_placed_by_guess() -> None:
    """Each quarter fits its neighbours as it lies and, as well, turned by 180° in the place of another."""
    half = texture(450, 700, 7)
    picture = np.concatenate([half, half[::-1, ::-1]], axis=1)
    places = [np.array([[1.0, 0, x], [0, 1.0, y]]) for x, y in ((2, 3), (378.5, 1), (0, 288.5), (380, 290.25))]
    scans = cut(picture, places, Size(520, 410), seed=7)
    try:
        found = scans.register()
    except RegisterError as refused:
        assert "in more than one way" in refused.message
    else:
        assert np.percentile(scans.misregistration_px(found), 99) < 0.15
