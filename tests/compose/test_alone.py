"""A scan by itself on the canvas has, bit for bit, what the master takes of it away from the blend."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest

from stitch.compose.alone import lay_alone, strip_for
from stitch.compose.layers import make_layers
from stitch.errors import UsageError
from stitch.imaging.labels import covered, labels_at
from stitch.imaging.pyramid import reach_px
from stitch.model.seams import LabelMap
from stitch.model.settings import Resample
from stitch.progress import SILENT
from tests.compose.test_run import LEVELS, composed, cut_of, plan
from tests.seams.pieces import Pieces, grid, picture, scanned, tiled, toned

GREY = (11, 12, 13)


def alone(pieces: Pieces, tables: dict, name: str, *, memory_mb: int = 800, jobs: int = 2, **how: object) -> np.ndarray:
    (layer,) = make_layers(pieces.sources, pieces.layout, tables, (name,), pieces.bits, **how)
    rows: list[np.ndarray] = []
    with SILENT.task("", 1) as task:
        lay_alone(
            layer,
            pieces.layout.canvas,
            bits=pieces.bits,
            memory_mb=memory_mb,
            jobs=jobs,
            uncovered_code=GREY,
            write_rows=rows.append,
            task=task,
        )
    return np.concatenate(rows)


def far_from_seams(pieces: Pieces, label_map: LabelMap) -> np.ndarray:
    """Pixels that no blend reaches; seams go on beyond the canvas."""
    canvas, reach = pieces.layout.canvas.window(), reach_px(LEVELS)
    around = labels_at(label_map, pieces.maps, canvas.grown(reach + 1))
    square = np.ones((3, 3), np.uint8)
    is_inner = (cv2.erode(around, square) == cv2.dilate(around, square)).astype(np.uint8)
    return (cv2.distanceTransform(is_inner, cv2.DIST_C, 3) > reach)[canvas.slices_in(canvas.grown(reach + 1))]


@pytest.mark.parametrize("how", Resample)
@pytest.mark.parametrize("bits", [8, 16])
def test_layers_by_their_masks_are_the_master_away_from_the_blend(bits: int, how: Resample) -> None:
    whole = picture(41, 430, 390, bits=bits)
    pieces = scanned(whole, grid(whole, 2, 2, 130), seed=5)
    tables = {scan_id: toned(1.0 - 0.03 * k, bits) for k, scan_id in enumerate(pieces.sources)}
    label_map = cut_of(pieces)
    master, labels = composed(pieces, label_map, plan(100, 77, 2), tables, how=how)
    far = far_from_seams(pieces, label_map)
    for label, name in enumerate(pieces.sources, start=1):
        layer = alone(pieces, tables, name, how=how)
        assert layer.dtype == whole.dtype and layer.shape == (390, 430, 4)
        here = covered(pieces.maps[name], pieces.layout.canvas.window())
        assert np.array_equal(layer[..., 3] > 0, here) and set(np.unique(layer[..., 3])) == {0, 2**bits - 1}
        assert (layer[~here] == (*GREY, 0)).all()
        mine = far & (labels == label)
        assert mine.sum() > 1000
        assert np.array_equal(layer[mine][:, :3], master[mine])


def test_memory_and_threads_change_nothing() -> None:
    whole = picture(42, 700, 500)
    pieces = scanned(whole, {"a": (0, 0, 500, 500), "b": (200, 0, 500, 500)}, seed=6)
    roomy = alone(pieces, pieces.untoned, "a")
    assert np.array_equal(alone(pieces, pieces.untoned, "a", memory_mb=180, jobs=1), roomy)


def test_every_pixel_is_read_once_and_whole_pixels_come_back() -> None:
    pieces = tiled(picture(43, 400, 300), {"a": (0, 0, 250, 300), "b": (150, 0, 250, 300)})
    layer = alone(pieces, pieces.untoned, "b", memory_mb=176)
    assert np.array_equal(layer[:, 150:, :3], pieces.whole[:, 150:])
    assert pieces.sources["b"].read_px == 250 * 300


def test_too_little_memory_is_told_with_what_works() -> None:
    pieces = tiled(picture(44, 400, 300), {"a": (0, 0, 250, 300), "b": (150, 0, 250, 300)})
    (layer,) = make_layers(pieces.sources, pieces.layout, pieces.untoned, ("a",), 16)
    with pytest.raises(UsageError, match="too little for layers of 400 × 300") as stop:
        strip_for(layer, pieces.layout.canvas, 16, 100, 2)
    least = int(re.findall(r"--memory (\d+)", stop.value.advice)[0])
    assert strip_for(layer, pieces.layout.canvas, 16, least, 2).peak_mb <= least
