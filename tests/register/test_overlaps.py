"""Which overlaps hold the scans, and how finely each is measured."""

import itertools

from stitch.model.geometry import Size
from stitch.register import graph
from stitch.register.overlaps import FEWEST_BESIDE, LEAST_PATCHES, MANY_OVERLAPS, common_areas, fine_grains, overlapping
from stitch.register.plan import Grain
from stitch.register.solve import Pose

SIZE = Size(1000, 800)
USUAL = Grain(search_px=4)


def grid(columns: int, rows: int, pitch: tuple[float, float] = (850.0, 680.0)) -> dict[str, Pose]:
    """Scans laid side by side; the overlaps are 150 px and 120 px wide."""
    return {
        f"r{j}c{i}": Pose(0.0, 500 + i * pitch[0], 400 + j * pitch[1], 1.0, ((1000 - 1) / 2, (800 - 1) / 2))
        for j in range(rows)
        for i in range(columns)
    }


def sizes_of(poses: dict[str, Pose]) -> dict[str, Size]:
    return dict.fromkeys(poses, SIZE)


def test_areas_are_those_of_rectangles_and_corners_count_as_overlaps() -> None:
    poses = grid(2, 2)
    areas = common_areas(poses, sizes_of(poses), itertools.combinations(poses, 2))
    assert round(areas["r0c0", "r0c1"]) == 150 * 800
    assert round(areas["r0c0", "r1c0"]) == 1000 * 120
    assert round(areas["r0c0", "r1c1"]) == 150 * 120
    assert overlapping(poses, sizes_of(poses), set()) == set(areas)
    assert overlapping(poses, sizes_of(poses), {("r0c0", "r1c1")}) == set(areas) - {("r0c0", "r1c1")}


def test_only_small_overlaps_beside_larger_ones_of_both_scans_get_fewer_patches() -> None:
    poses = grid(3, 3)
    pairs = overlapping(poses, sizes_of(poses), set())
    grains = fine_grains(common_areas(poses, sizes_of(poses), pairs), USUAL)
    corners = {(a, b) for a, b in pairs if a[1] != b[1] and a[3] != b[3]}
    assert len(corners) == 8
    assert all((grains[pair].most < USUAL.most) == (pair in corners) for pair in pairs)
    assert min(grain.most for grain in grains.values()) >= FEWEST_BESIDE


def test_an_overlap_that_alone_holds_a_scan_is_measured_like_any_other() -> None:
    poses = grid(3, 1)
    poses["alone"] = Pose(0.0, 500 + 2 * 850 + 900, 400 + 700, 1.0, ((1000 - 1) / 2, (800 - 1) / 2))
    pairs = overlapping(poses, sizes_of(poses), set())
    grains = fine_grains(common_areas(poses, sizes_of(poses), pairs), USUAL)
    assert [pair for pair in pairs if "alone" in pair] == [("r0c2", "alone")]
    assert grains["r0c2", "alone"] == USUAL


def test_every_scan_is_held_twice_where_its_links_allow_it_and_by_the_heaviest() -> None:
    poses = grid(4, 3)
    areas = common_areas(poses, sizes_of(poses), overlapping(poses, sizes_of(poses), set()))
    held = graph.held_twice(poses, areas)
    assert len(held) <= 2 * (len(poses) - 1)
    assert len(graph.groups(poses, held)) == 1
    for link in held:
        assert len(graph.groups(poses, held - {link})) == 1  # no single link holds anything alone
    edges = [pair for pair in areas if pair[0][1] == pair[1][1] or pair[0][3] == pair[1][3]]
    assert sum(pair in held for pair in edges) == len(edges)


def test_a_chain_is_held_by_all_it_has() -> None:
    poses = grid(5, 1)
    areas = common_areas(poses, sizes_of(poses), overlapping(poses, sizes_of(poses), set()))
    assert graph.held_twice(poses, areas) == set(areas)


def test_of_many_overlaps_each_is_measured_by_fewer_patches_and_each_scan_by_no_fewer_than_enough() -> None:
    few, many = (
        fine_grains(common_areas(poses, sizes_of(poses), overlapping(poses, sizes_of(poses), set())), USUAL)
        for poses in (grid(3, 4), grid(6, 8))
    )
    assert len(few) < MANY_OVERLAPS < len(many)
    assert {grain.fewest for grain in few.values()} == {USUAL.fewest}
    assert {grain.fewest for grain in many.values()} == {round(USUAL.fewest * (MANY_OVERLAPS / len(many)) ** 0.5)}
    assert all(min(grain.fewest, grain.most) >= LEAST_PATCHES for grain in many.values())
    inner = [grain for pair, grain in many.items() if "r3c3" in pair]
    assert sum(min(grain.fewest, grain.most) for grain in inner) > 2 * USUAL.fewest
