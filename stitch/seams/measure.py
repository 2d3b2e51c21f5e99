"""How visible each seam is, measured on the tone-matched scans on both sides of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px, nearest_turn_deg, px_from_mm
from stitch.imaging.colour import Encoding, delta_e_2000
from stitch.imaging.labels import covered
from stitch.imaging.placed_map import PlacedMap
from stitch.imaging.resample import sample, source_window
from stitch.model.geometry import Window
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.seams import LabelMap, SeamLine
from stitch.progress import SILENT, Progress
from stitch.seams.sharpness import sharpness_ratio
from stitch.seams.shift import shifts_between
from stitch.seams.signal import compared
from stitch.seams.trace import Trace, traced

SPACING_MM = 4.0
PATCH_MM = 4.0  # side of the square over which a step is averaged
PATCH_MIN_PX, PATCH_MAX_PX = 48, 128
MOST_THREADS = 2  # each holds some 100 MB of READ_PX squares
READ_PX = 1024  # points are read together as long as they fit into a square of this side
ALIEN_SPREADS, LEAST_ALIEN = 5.0, 0.01  # times the usual spread, encoded 0..1: what differs more is not common paint
SPREAD_STEP = 2  # rows and columns of a patch whose usual difference is taken
LEAST_SHARED = 0.25  # share of a patch that both scans must cover


_Entry = tuple[tuple[float, float], float, float | None, float | None]


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One scan, ready to be sampled."""

    source: PixelSource
    placed: PlacedMap
    values: NDArray[np.float32]  # (1, 2**bits, 3): encoded 0..1 of each code, tone applied

    def sampled(self, window: Window) -> NDArray[np.float32]:
        """Encoded values (h, w, 3) on a canvas window; zeros where they do not meet."""
        needed = source_window(self.placed, window, self.source.size)
        if needed.is_empty:
            return np.zeros((window.height_px, window.width_px, 3), dtype=np.float32)
        pixels = cv2.LUT(np.ascontiguousarray(self.source.read(needed)), self.values)
        return np.asarray(sample(pixels, needed, self.placed, window))

    @property
    def turn_deg(self) -> int:
        """The quarter turn it was placed with."""
        return nearest_turn_deg(self.placed.canvas_from_straight)

    def covers(self, window: Window) -> NDArray[np.bool_]:
        """Which pixels (h, w) of a canvas window the scan covers."""
        return covered(self.placed, window)


def measure(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    tables: Mapping[str, NDArray[np.float32] | None],
    encoding: Encoding,
    label_map: LabelMap,
    *,
    bits: int,
    jobs: int = 1,
    progress: Progress = SILENT,
) -> tuple[SeamLine, ...]:
    """Every seam as a line with, at points some 4 mm apart, the step and the misregistration between its two scans.

    Step: CIEDE2000 between the mean linear light of both scans, tone applied, over the same patch of canvas (a 4 mm
    square, weighted towards its middle, without specks that one of them shows). Misregistration: length of the shift
    between them there, canvas px, None where it cannot be told to 0.1 px; between scans that lay differently turned it
    is told from colour alone. Sharpness: see `sharpness`. Points that too little of both scans covers are left out.
    """
    lines = traced(label_map, px_from_mm(SPACING_MM, layout.canvas_ppi))
    patch = round(min(PATCH_MAX_PX, max(PATCH_MIN_PX, px_from_mm(PATCH_MM, layout.canvas_ppi))))
    sides = [_side(sources, layout, tables, scan_id, bits) for scan_id in label_map.scan_ids]
    found = []

    def of_group(group: NDArray[np.float64], line: Trace) -> list[_Entry]:
        return list(_measured(group, patch, sides[line.label_a - 1], sides[line.label_b - 1], encoding))

    with (
        progress.task("Measuring the seams", sum(line.length_px for line in lines)) as task,
        ThreadPoolExecutor(max(1, min(jobs, MOST_THREADS)), thread_name_prefix="seams") as pool,
    ):
        waiting = [[pool.submit(of_group, group, line) for group in _groups(line.points_px, patch)] for line in lines]
        for line, groups in zip(lines, waiting, strict=True):
            measured = [entry for group in groups for entry in group.result()]
            if measured:
                found.append(_seam_line(line, measured, label_map, layout.canvas_ppi))
            task.advance(line.length_px)
    return tuple(found)


def _side(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    tables: Mapping[str, NDArray[np.float32] | None],
    scan_id: str,
    bits: int,
) -> _Side:
    table = tables.get(scan_id)
    if table is None:
        table = np.repeat(np.linspace(0.0, 1.0, 2**bits, dtype=np.float32)[:, None], 3, axis=1)
    values = np.ascontiguousarray(table, dtype=np.float32).reshape(1, -1, 3)
    source = sources[scan_id]
    return _Side(source, PlacedMap.of(layout.placement(scan_id), source.size), values)


def _seam_line(line: Trace, measured: list[_Entry], label_map: LabelMap, canvas_ppi: float) -> SeamLine:
    points, steps, shifts, ratios = zip(*measured, strict=True)
    scan_a, scan_b = label_map.scan_ids[line.label_a - 1], label_map.scan_ids[line.label_b - 1]
    return SeamLine(scan_a, scan_b, points, steps, shifts, mm_from_px(line.length_px, canvas_ppi), ratios)


def _groups(points: NDArray[np.float64], patch_px: int) -> Iterator[NDArray[np.float64]]:
    """Runs of points whose patches fit into one square of READ_PX."""
    start = 0
    for stop in range(1, len(points) + 1):
        if stop < len(points) and np.ptp(points[start : stop + 1], axis=0).max() + patch_px <= READ_PX:
            continue
        yield points[start:stop]
        start = stop


def _measured(
    points: NDArray[np.float64], patch_px: int, first: _Side, second: _Side, encoding: Encoding
) -> Iterator[_Entry]:
    corners = np.rint(points).astype(int) - patch_px // 2
    low, high = corners.min(axis=0), corners.max(axis=0) + patch_px
    window = Window(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    a, b = first.sampled(window), second.sampled(window)
    is_turned = first.turn_deg != second.turn_deg
    planes_a, planes_b = (compared(side, encoding, is_turned=is_turned) for side in (a, b))
    shared = first.covers(window) & second.covers(window)
    places = [(slice(y, y + patch_px), slice(x, x + patch_px)) for x, y in (corners - low).tolist()]
    is_whole = [bool(shared[there].all()) for there in places]
    whole = [there for there, is_one in zip(places, is_whole, strict=True) if is_one]
    shifts = iter(shifts_between([planes_a[there] for there in whole], [planes_b[there] for there in whole]))
    for point, there, is_one in zip(points, places, is_whole, strict=True):
        shift = next(shifts) if is_one else None
        if is_one or shared[there].mean() >= LEAST_SHARED:
            step = _step_de00(a[there], b[there], shared[there], encoding)
            ratio = sharpness_ratio(_grey(a[there]), _grey(b[there])) if is_one else None
            yield (float(point[0]), float(point[1])), step, None if shift is None else shift.length_px, ratio


def _grey(encoded: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(encoded), cv2.COLOR_RGB2GRAY), np.float32)


def _step_de00(a: NDArray[np.float32], b: NDArray[np.float32], shared: NDArray[np.bool_], encoding: Encoding) -> float:
    ramp = np.hanning(a.shape[0] + 2)[1:-1]
    weight = np.outer(ramp, ramp) * (shared & _is_common(a, b, shared))
    means = [np.einsum("yxc,yx->c", encoding.decode(side), weight) / weight.sum() for side in (a, b)]
    return float(delta_e_2000(*(encoding.lab_of_linear(mean) for mean in means)))


def _is_common(a: NDArray[np.float32], b: NDArray[np.float32], shared: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where two scans differ as they do all around; a speck that one of them shows is no step."""
    apart = (a - b).mean(axis=2)
    few = np.s_[::SPREAD_STEP, ::SPREAD_STEP]
    usual = apart[few][shared[few]] if shared[few].any() else apart[shared]
    middle = float(np.median(usual))
    spread = 1.4826 * float(np.median(np.abs(usual - middle)))
    return np.asarray(np.abs(apart - middle) <= max(ALIEN_SPREADS * spread, LEAST_ALIEN))
