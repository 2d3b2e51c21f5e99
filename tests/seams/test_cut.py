from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitch.imaging.labels import labels_at
from stitch.model.geometry import Size, Window
from stitch.model.layout import Layout, Placement
from stitch.model.seams import LabelMap
from stitch.seams.cut import cut
from stitch.seams.lattice import INSET_PX, make_lattice, make_parts
from tests.held import HeldSource
from tests.seams.pieces import SRGB, Pieces, flat, grid, picture, scanned, tiled


def cut_of(pieces: Pieces, **changes) -> LabelMap:
    settings_ = {"bits": pieces.bits, "memory_mb": 500, **changes}
    return cut(pieces.sources, pieces.layout, pieces.untoned, SRGB, **settings_)


def whole_labels(pieces: Pieces, label_map: LabelMap) -> np.ndarray:
    return labels_at(label_map, pieces.maps, pieces.layout.canvas.window())


def patch_counts(cells: np.ndarray) -> list[int]:
    return [
        cv2.connectedComponents((cells == k).astype(np.uint8), connectivity=4)[0] - 1 for k in np.unique(cells) if k
    ]


WHOLE = picture(3, 420, 360)
CASES = {
    "side by side": tiled(WHOLE, {"a": (0, 0, 240, 360), "b": (180, 0, 240, 360)}),
    "four at a corner": tiled(WHOLE, grid(WHOLE, 2, 2, 70)),
    "three by three": tiled(WHOLE, grid(WHOLE, 3, 3, 50)),
    "four, turned": scanned(
        picture(4, 420, 360), {k: (x - 8, y - 8, w + 16, h + 16) for k, (x, y, w, h) in grid(WHOLE, 2, 2, 70).items()}
    ),
    "one inside another": tiled(WHOLE, {"a": (0, 0, 420, 360), "b": (120, 100, 150, 130)}),
}


@pytest.mark.parametrize("name", CASES)
def test_a_cell_goes_to_a_scan_that_covers_all_of_it_wherever_one_does(name):
    pieces = CASES[name]
    label_map = cut_of(pieces)
    lattice = make_lattice(pieces.layout, pieces.sizes, 500)
    parts = make_parts(lattice, pieces.layout, pieces.sizes)
    best = np.full((lattice.rows, lattice.columns), -np.inf)
    depth = np.full((len(parts), lattice.rows, lattice.columns), -np.inf)
    for index, part in enumerate(parts):
        depth[index][part.place] = part.depth_px
    best = depth.max(axis=0)[lattice.used]
    cells = label_map.cells
    assert (cells[best >= 0] > 0).all()
    chosen = np.take_along_axis(depth[(slice(None), *lattice.used)], np.maximum(cells, 1)[None].astype(int) - 1, 0)[0]
    assert (chosen[best >= INSET_PX] >= INSET_PX).all()
    assert (chosen[(best >= 0)] >= 0).all()


@pytest.mark.parametrize("name", CASES)
def test_every_region_hangs_together(name):
    assert all(count == 1 for count in patch_counts(cut_of(CASES[name]).cells))


@pytest.mark.parametrize("name", CASES)
def test_every_pixel_has_a_scan_that_covers_it(name):
    pieces = CASES[name]
    labels = whole_labels(pieces, cut_of(pieces))
    canvas = pieces.layout.canvas
    xs, ys = np.meshgrid(np.arange(canvas.width_px), np.arange(canvas.height_px))
    anywhere = np.zeros(labels.shape, dtype=bool)
    for index, placement in enumerate(pieces.layout.placements):
        u, v = np.einsum(
            "ij,jhw->ihw",
            np.linalg.inv(placement.matrix[:, :2]),
            np.stack([xs, ys]) - placement.matrix[:, 2, None, None],
        )
        size = pieces.sizes[placement.scan_id]
        inside = (u > -1e-6) & (v > -1e-6) & (u < size.width_px - 1 + 1e-6) & (v < size.height_px - 1 + 1e-6)
        assert inside[labels == index + 1].all()
        anywhere |= inside
    assert np.array_equal(labels > 0, anywhere)


def test_the_same_scans_give_the_same_cut():
    first, second = cut_of(CASES["four, turned"]), cut_of(CASES["four, turned"])
    assert np.array_equal(first.cells, second.cells) and first.scan_ids == second.scan_ids


def test_every_pixel_is_read_once():
    pieces = tiled(WHOLE, grid(WHOLE, 2, 2, 70))
    cut_of(pieces)
    assert all(s.read_px == s.size.width_px * s.size.height_px for s in pieces.sources.values())


def test_the_cut_keeps_away_from_a_stain_that_one_scan_has():
    pieces = tiled(picture(5, 400, 300, noise=0.0), {"a": (0, 0, 260, 300), "b": (140, 0, 260, 300)})
    stained = pieces.sources["b"].pixels.copy()
    stained[100:200, 40:80] //= 2  # canvas x 180..220, where the middle of the overlap is
    pieces.sources["b"] = HeldSource(stained)
    labels = whole_labels(pieces, cut_of(pieces))
    across = labels[108:192, 188:212]
    assert (across == across[0, 0]).all()


def test_the_cut_runs_in_texture_rather_than_across_a_plain_wash():
    rng = np.random.default_rng(6)
    whole = flat(0.6, 400, 300)
    strokes = rng.normal(0.0, 0.08, (300, 40, 1)) * 65535
    whole[:, 230:270] = (whole[:, 230:270] + strokes).clip(0, 65535).astype(np.uint16)
    pieces = tiled(whole, {"a": (0, 0, 300, 300), "b": (120, 0, 280, 300)})
    labels = whole_labels(pieces, cut_of(pieces))
    edges = np.argmax(labels == 2, axis=1)
    assert ((edges >= 226) & (edges <= 274)).all()


def test_the_cut_keeps_away_from_scan_borders():
    whole = flat(0.6, 600, 300)
    pieces = tiled(whole, {"a": (0, 0, 400, 300), "b": (200, 0, 400, 300)}, ppi=300.0)
    edges = np.argmax(whole_labels(pieces, cut_of(pieces)) == 2, axis=1)
    five_mm = 5 * 300 / 25.4
    assert (edges > 200 + five_mm - 6).all() and (edges < 400 - five_mm + 6).all()


def test_small_memory_makes_the_lattice_coarser():
    layout = Layout(
        Size(40_000, 30_000), 600.0, (Placement("a", ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)), 0.0),), (), True, 0
    )
    sizes = {"a": Size(40_000, 30_000)}
    roomy, tight = make_lattice(layout, sizes, 2000), make_lattice(layout, sizes, 100)
    assert tight.cell_px > roomy.cell_px
    assert roomy.rows * roomy.columns < 1.3e6


@settings(max_examples=30, deadline=None)
@given(x=st.integers(-20, 400), y=st.integers(-20, 340), width=st.integers(1, 90), height=st.integers(1, 90))
@pytest.mark.parametrize("name", ["three by three", "four, turned"])
def test_any_window_gives_the_same_labels(name, x, y, width, height):
    pieces, label_map, whole = _labelled(name)
    window = Window(x, y, width, height)
    inside = window.clipped(pieces.layout.canvas)
    labels = labels_at(label_map, pieces.maps, window)
    assert labels.shape == (height, width) and labels.dtype == np.uint8
    assert np.array_equal(labels[inside.slices_in(window)], whole[inside.slices_in(pieces.layout.canvas.window())])


_CACHE: dict[str, tuple[Pieces, LabelMap, np.ndarray]] = {}


def _labelled(name: str) -> tuple[Pieces, LabelMap, np.ndarray]:
    if name not in _CACHE:
        label_map = cut_of(CASES[name])
        _CACHE[name] = CASES[name], label_map, whole_labels(CASES[name], label_map)
    return _CACHE[name]


def test_a_pixel_whose_scan_does_not_cover_it_goes_to_the_deepest_other():
    pieces = tiled(WHOLE, {"a": (0, 0, 240, 360), "b": (180, 0, 240, 360)})
    cells = np.ones((45, 53), dtype=np.uint8)  # says "a" everywhere
    labels = labels_at(LabelMap(cells, 8, ("a", "b")), pieces.maps, pieces.layout.canvas.window())
    assert (labels[:, :240] == 1).all() and (labels[:, 240:] == 2).all()


def test_uncovered_canvas_has_no_label():
    pieces = tiled(WHOLE, {"a": (0, 0, 200, 300), "b": (150, 0, 200, 300)})
    labels = whole_labels(pieces, cut_of(pieces))
    assert (labels[300:] == 0).all() and (labels[:, 350:] == 0).all() and (labels[:300, :350] > 0).all()
