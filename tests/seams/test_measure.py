from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.imaging.colour import delta_e_2000
from stitch.imaging.labels import labels_at
from stitch.model.seams import LabelMap, SeamLine
from stitch.seams.cut import cut
from stitch.seams.measure import measure
from stitch.seams.shift import TOGETHER, shifts_between
from stitch.seams.trace import traced
from tests.held import HeldSource
from tests.seams.pieces import SRGB, Pieces, flat, picture, scanned, tiled, toned

BOXES = {"a": (0, 0, 260, 300), "b": (140, 0, 260, 300)}


def halves(cell_px: int = 8) -> LabelMap:
    cells = np.ones((38, 50), dtype=np.uint8)
    cells[:, 25:] = 2
    return LabelMap(cells, cell_px, ("a", "b"))


def measured(pieces: Pieces, tables=None) -> SeamLine:
    tables = tables or pieces.untoned
    (line,) = measure(pieces.sources, pieces.layout, tables, SRGB, halves(), bits=pieces.bits)
    return line


def moved(pixels: np.ndarray, x_px: float, y_px: float) -> np.ndarray:
    matrix = np.array([[1.0, 0.0, x_px], [0.0, 1.0, y_px]])
    size = (pixels.shape[1], pixels.shape[0])
    return cv2.warpAffine(pixels, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(("x_px", "y_px"), [(0.7, 0.0), (0.0, -0.7), (0.5, 0.49), (2.3, -1.1), (0.0, 0.0)])
def test_a_shift_put_in_is_read_back(bits, x_px, y_px):
    pieces = tiled(picture(11, 400, 300, bits=bits, noise=0.0), BOXES)
    pixels = moved(pieces.sources["b"].pixels, x_px, y_px)
    noisy = pixels + np.random.default_rng(1).normal(0, 0.004 * (2**bits - 1), pixels.shape)
    pieces.sources["b"] = HeldSource(noisy.clip(0, 2**bits - 1).round().astype(pixels.dtype))
    found = [shift for shift in measured(pieces).misregistration_px if shift is not None]
    assert len(found) >= 4
    assert np.abs(np.array(found) - np.hypot(x_px, y_px)).max() <= 0.1


@pytest.mark.parametrize("seed", range(3))
def test_scans_placed_where_they_lie_show_no_shift(seed):
    pieces = scanned(picture(20 + seed, 400, 300, noise=0.002), BOXES, seed=seed)
    found = [shift for shift in measured(pieces).misregistration_px if shift is not None]
    assert len(found) >= 4 and max(found) <= 0.1


def test_a_difference_of_tone_is_not_taken_for_a_shift():
    pieces = tiled(picture(12, 400, 300), BOXES)
    line = measured(pieces, {"a": None, "b": toned(1.1, 16)})
    assert max(shift for shift in line.misregistration_px if shift is not None) <= 0.05


@pytest.mark.parametrize("grain", [0.0, 0.01])
def test_a_plain_wash_has_too_little_detail(grain):
    pieces = tiled(flat(0.6, 400, 300), BOXES)
    rng = np.random.default_rng(3)
    for scan_id, source in pieces.sources.items():
        grainy = source.pixels + rng.normal(0.0, grain * 65535, source.pixels.shape)
        pieces.sources[scan_id] = HeldSource(grainy.clip(0, 65535).astype(np.uint16))
    assert set(measured(pieces).misregistration_px) == {None}


def test_lines_in_one_direction_tell_nothing():
    stripes = np.tile(np.sin(np.arange(96) / 3).astype(np.float32), (96, 1))
    assert shifts_between([stripes], [stripes]) == [None]


def test_the_shift_has_a_direction():
    grey = picture(13, 200, 200, noise=0.0)[..., 1].astype(np.float32) / 65535
    (shift,) = shifts_between([grey[40:136, 40:136]], [moved(grey, 1.2, -0.4)[40:136, 40:136]])
    assert shift is not None
    assert (shift.x_px, shift.y_px) == pytest.approx((1.2, -0.4), abs=0.05)
    assert 0 < shift.sigma_px < 0.1


def test_many_shifts_told_together_are_those_told_one_by_one():
    grey = picture(14, 200, 200, noise=0.002)[..., 1].astype(np.float32) / 65535
    even = np.full((96, 96), 0.5, np.float32)
    stripes = np.tile(np.sin(np.arange(96) / 3).astype(np.float32), (96, 1))
    true = [(0.1 * k, 0.7 - 0.05 * k) for k in range(TOGETHER + 3)]
    firsts = [grey[40:136, 40:136] for _ in true] + [even, stripes, grey[10:106, 10:106]]
    seconds = [moved(grey, x, y)[40:136, 40:136] for x, y in true] + [even, stripes, grey[90:186, 90:186]]
    together = shifts_between(firsts, seconds)
    assert together[len(true) :] == [None, None, None]
    one_by_one = [shifts_between([first], [second])[0] for first, second in zip(firsts, seconds, strict=True)]
    for (x, y), shift, alone in zip(true, together, one_by_one, strict=False):
        assert shift is not None and alone is not None
        assert (shift.x_px, shift.y_px) == pytest.approx((x, y), abs=0.05)
        assert (shift.x_px, shift.y_px, shift.sigma_px) == pytest.approx(
            (alone.x_px, alone.y_px, alone.sigma_px), abs=1e-6
        )


@pytest.mark.parametrize("gain", [0.97, 1.0, 1.05])
def test_a_step_put_in_is_read_back(gain):
    pieces = tiled(flat(0.6, 400, 300), BOXES)
    line = measured(pieces, {"a": None, "b": toned(gain, 16)})
    linear = SRGB.decode(np.full(3, round(0.6 * 65535) / 65535))
    expected = delta_e_2000(SRGB.lab_of_linear(linear), SRGB.lab_of_linear(linear * gain))
    assert line.step_de00 == pytest.approx([float(expected)] * len(line.step_de00), abs=0.01)


def test_fine_detail_that_differs_is_not_a_step():
    rng = np.random.default_rng(4)
    pieces = tiled(flat(0.6, 400, 300), BOXES)
    grainy = pieces.sources["b"].pixels + rng.normal(0, 0.01 * 65535, (300, 260, 3))
    pieces.sources["b"] = HeldSource(grainy.astype(np.uint16))
    assert max(measured(pieces).step_de00) < 0.25  # what is left of the grain over one patch


def test_the_line_runs_where_the_labels_change():
    pieces = tiled(flat(0.6, 400, 300), BOXES)
    line = measured(pieces)
    xs = np.array(line.points_px)[:, 0]
    assert (line.scan_a, line.scan_b) == ("a", "b")
    assert np.abs(xs - 199.5).max() < 1e-6
    assert line.length_mm == pytest.approx(304 * 25.4 / 300)


def test_the_line_keeps_to_where_the_pixels_change():
    pieces = scanned(picture(14, 400, 300), BOXES, seed=3)
    label_map = cut(pieces.sources, pieces.layout, pieces.untoned, SRGB, bits=16, memory_mb=500)
    labels = labels_at(label_map, pieces.maps, pieces.layout.canvas.window())
    rows, columns = np.nonzero((labels[:, 1:] != labels[:, :-1]) & (labels[:, 1:] > 0) & (labels[:, :-1] > 0))
    for line in measure(pieces.sources, pieces.layout, pieces.untoned, SRGB, label_map, bits=16):
        for x, y in line.points_px[1:-1]:
            assert np.hypot(columns + 0.5 - x, rows - y).min() <= 1.5 * label_map.cell_px


def test_a_closed_seam_and_a_fork_are_traced_whole():
    cells = np.ones((40, 40), dtype=np.uint8)
    cells[10:20, 10:20] = 2
    cells[25:, :] = 3
    cells[25:, 20:] = 4
    traces = traced(LabelMap(cells, 10, ("a", "b", "c", "d")), 20.0)
    lengths = {(t.label_a, t.label_b): t.length_px for t in traces}
    assert set(lengths) == {(1, 2), (1, 3), (1, 4), (3, 4)} and len(traces) == 4
    assert lengths[1, 3] == pytest.approx(200) and lengths[1, 4] == pytest.approx(200)
    assert lengths[3, 4] == pytest.approx(150)
    assert 350 <= lengths[1, 2] <= 400  # corners are rounded


def test_a_speck_in_one_scan_is_no_step():
    pieces = tiled(picture(9, 420, 360), {"a": (0, 0, 240, 360), "b": (180, 0, 240, 360)})
    label_map = LabelMap(np.repeat([[1] * 18 + [2] * 18], 30, axis=0).astype(np.uint8), 12, ("a", "b"))
    clean = measure(pieces.sources, pieces.layout, pieces.untoned, SRGB, label_map, bits=16)
    pieces.sources["a"].pixels[100:110, 205:215] = 3000
    dusty = measure(pieces.sources, pieces.layout, pieces.untoned, SRGB, label_map, bits=16)
    assert max(clean[0].step_de00) < 0.01
    assert max(dusty[0].step_de00) < 0.05
    pieces.sources["a"].pixels[:] = (pieces.sources["a"].pixels * 0.98).astype(np.uint16)
    stepped = measure(pieces.sources, pieces.layout, pieces.untoned, SRGB, label_map, bits=16)
    assert min(stepped[0].step_de00) > 0.4
