"""Dust that only one scan shows is not in the master; what both show, and what is no dust, changes nothing."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from stitch.model.bed import GlassSpeck
from stitch.seams.cut import cut
from tests.seams.pieces import SRGB, Pieces, picture, tiled

BOXES = {"a": (0, 0, 400, 480), "b": (240, 0, 400, 480)}  # they share x 240 to 400, at 300 ppi
OVERLAP = range(252, 389)


def pieces(seed: int) -> Pieces:
    return tiled(picture(seed, 640, 480), BOXES)


def specks(seed: int, count: int = 12) -> list[tuple[str, int, int, float, float]]:
    """Scan, place in the whole, radius in px and what is left of the light: grains of 0.15 to 0.6 mm."""
    rng = np.random.default_rng(seed)
    found = []
    for k in range(count):
        x, y = int(rng.choice(OVERLAP)), 20 + 36 * k + int(rng.integers(0, 12))
        found.append((str(rng.choice(["a", "b"])), x, y, float(rng.uniform(1.0, 3.5)), float(rng.choice([0.35, 1.9]))))
    return found


def sprinkle(some: Pieces, dirt: list[tuple[str, int, int, float, float]]) -> Pieces:
    for name, x, y, radius, left in dirt:
        scan = some.sources[name].pixels
        mask = np.zeros(scan.shape[:2], np.float32)
        cv2.circle(mask, (x - BOXES[name][0], y), round(radius), 1.0, -1)
        mask = cv2.GaussianBlur(mask, (0, 0), 0.6)[..., None]
        some.sources[name].pixels[:] = np.clip(scan * (1 + mask * (left - 1)), 0, 65535).astype(np.uint16)
    return some


def labels(some: Pieces) -> np.ndarray:
    made = cut(some.sources, some.layout, some.untoned, SRGB, bits=16, memory_mb=500)
    return made.cells.repeat(made.cell_px, 0).repeat(made.cell_px, 1)[:480, :640]


@pytest.mark.parametrize("seed", range(4))
def test_the_clean_scan_is_used_around_every_speck(seed: int) -> None:
    dirt = specks(seed)
    found = labels(sprinkle(pieces(seed), dirt))
    wrong = 0
    for name, x, y, radius, _ in dirt:
        reach = round(radius) + 3
        near = found[max(0, y - reach) : y + reach + 1, x - reach : x + reach + 1]
        wrong += bool((near == "ab".index(name) + 1).any())
    assert wrong <= 1


@pytest.mark.parametrize("end", [(380, 190), (290, 230)])
def test_a_hair_in_one_scan_is_left_out(end: tuple[int, int]) -> None:
    some = pieces(7)
    line = np.zeros((480, 400), np.uint8)
    cv2.line(line, (270, 60), end, 255, 1, cv2.LINE_AA)
    hair = some.sources["a"].pixels
    hair[:] = (hair * (1 - 0.7 * line[..., None] / 255)).astype(np.uint16)
    found = labels(some)[:, :400]
    assert (found[line > 128] == 2).mean() > 0.95


def test_what_both_scans_show_is_paint() -> None:
    dirt = specks(3)
    both = sprinkle(pieces(3), dirt + [("b" if name == "a" else "a", *rest) for name, *rest in dirt])
    assert patches(labels(both)) == 2


def test_a_blurred_scan_is_not_full_of_dust() -> None:
    some = tiled(picture(5, 640, 480, noise=0.03), BOXES)
    some.sources["b"].pixels[:] = cv2.GaussianBlur(some.sources["b"].pixels, (0, 0), 1.2)
    assert patches(labels(some)) == 2


def test_a_moved_ruler_is_no_dust() -> None:
    some = pieces(6)
    some.sources["a"].pixels[200:300, 280:380] = 60000
    assert patches(labels(some)) <= 3


def test_what_is_known_to_lie_on_the_glass_is_left_out() -> None:
    some = pieces(8)
    x_mm, y_mm = ((300 + 0.5) / 300 * 25.4, (240 + 0.5) / 300 * 25.4)
    some = replace(some, layout=replace(some.layout, glass=(GlassSpeck(x_mm, y_mm, 0.4, 2),)))
    found = labels(some)
    assert (found[234:247, 294:307] == 2).all()  # where scan a shows it
    assert (found[234:247, 534:547] == 2).all()  # where only b could, and no other scan is cleaner


def patches(found: np.ndarray) -> int:
    return sum(cv2.connectedComponents((found == k).astype(np.uint8), connectivity=4)[0] - 1 for k in (1, 2))
