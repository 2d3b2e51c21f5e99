"""Which scans overlap, by how much, and how finely each overlap is measured."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from itertools import combinations

from stitch.imaging.affine import compose, invert
from stitch.model.geometry import Size
from stitch.model.ties import ordered
from stitch.register.candidates import overlap_area_px
from stitch.register.plan import FEWEST_PATCHES, Grain
from stitch.register.solve import Pose

LEAST_SHARE = 0.004  # overlaps below this share of the smaller scan are left alone
SMALL_BESIDE = 0.5  # of the largest overlap of each of its scans: a smaller one is measured by fewer patches,
FEWEST_BESIDE = 24  # in proportion to its side, but by no fewer than these
MANY_OVERLAPS = 60  # each scan is held by its share of all patches: of more overlaps each has fewer
LEAST_PATCHES = 16  # with fewer nobody could say that an overlap shows something else

Two = tuple[str, str]


def common_areas(poses: Mapping[str, Pose], sizes: Mapping[str, Size], pairs: Iterable[Two]) -> dict[Two, float]:
    """Area that every two scans share, canvas px²."""
    return {(a, b): _common_px(poses, sizes, a, b) for a, b in pairs}


def overlapping(poses: Mapping[str, Pose], sizes: Mapping[str, Size], apart: Collection[Two]) -> set[Two]:
    """Every two scans that share enough to be measured; those of `apart` (in the order of names) never do."""
    found = set()
    for (a, b), common in common_areas(poses, sizes, combinations(sizes, 2)).items():
        smaller = min(sizes[name].width_px * sizes[name].height_px * poses[name].scale ** 2 for name in (a, b))
        if ordered(a, b) not in apart and common > LEAST_SHARE * smaller:
            found.add((a, b))
    return found


def fine_grains(areas: Mapping[Two, float], usual: Grain) -> dict[Two, Grain]:
    """How each overlap is measured: by fewer patches where there are many, or larger ones hold its scans as well."""
    fewer = min(1.0, MANY_OVERLAPS / max(1, len(areas))) ** 0.5
    usual = replace(usual, fewest=max(LEAST_PATCHES, round(fewer * usual.fewest)))
    largest: dict[str, float] = {}
    for pair, area in areas.items():
        for name in pair:
            largest[name] = max(area, largest.get(name, 0.0))
    grains = dict.fromkeys(areas, usual)
    for pair, area in areas.items():
        share = area / max(1.0, min(largest[name] for name in pair))
        if share < SMALL_BESIDE:
            most = round(FEWEST_PATCHES * (share / SMALL_BESIDE) ** 0.5)
            most = max(LEAST_PATCHES, round(fewer * max(FEWEST_BESIDE, most)))
            grains[pair] = replace(usual, most=most)
    return grains


def _common_px(poses: Mapping[str, Pose], sizes: Mapping[str, Size], a: str, b: str) -> float:
    a_from_b = compose(invert(poses[a].matrix()), poses[b].matrix())
    return overlap_area_px(sizes[a], sizes[b], a_from_b) * poses[a].scale ** 2
