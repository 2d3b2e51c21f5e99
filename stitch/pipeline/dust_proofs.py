"""What a joined job proves to be dust in its master, and what its other scans show in its place."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stitch.compose.layers import Layer, coarse_codes, make_layers
from stitch.dust.contrast import contrast, grey_of, margin_px, usual
from stitch.dust.glass import OnGlass, find_on_glass
from stitch.dust.mend import disagreement
from stitch.dust.odd import odd_ones
from stitch.dust.shapes import PIECE_MM, REACH_MM, small_patches
from stitch.imaging.affine import px_from_mm
from stitch.imaging.at_once import at_once, each_block
from stitch.imaging.labels import labels_at
from stitch.imaging.placed_map import placed_maps
from stitch.imaging.spots import Capsule, capsule, inside, pieces
from stitch.model.dust import Proof
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.pipeline.making import Seams
from stitch.pipeline.toned import Toned
from stitch.progress import Progress

BYTES_A_PX = 110  # of a block with its margin, while its scans are compared
LEAST_PX = 2
SHOWS = 0.015  # of the code range, that a speck stands out by in the picture
SHOWS_TIMES = 0.8  # and so many times what is usual there
PAINT_SHARE = 0.55  # of a speck's contrast that another scan shows there, too: then it is paint
CLEAN_SHARE = 0.4  # a donor shows no more of it
MOST_APART = 0.02  # of the code range, between a donor's paint around the speck and the picture's
NEAR_MM = 0.5
COVERED = 0.5  # of a place, by others that were found before it: then it is nothing new

Boolean = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Proven:
    """A piece of dust in px of the master."""

    place: Capsule
    proof: Proof
    note: str


class JobProofs:
    """Asks a job's scans. `picture` has the size of the job's master and shows the same places."""

    def __init__(self, ready: Toned, seams: Seams, picture: PixelSource) -> None:
        self._ready, self._picture = ready, picture
        self._label_map = seams.label_map
        self._maps = placed_maps(ready.layout, ready.sizes)
        self._ppi = ready.layout.canvas_ppi
        names = seams.label_map.scan_ids
        self._layers: dict[str, Layer] = dict(
            zip(names, make_layers(ready.sources, ready.layout, ready.tables, names, ready.job.bits), strict=True)
        )

    def proven(self, free_mb: float, progress: Progress) -> tuple[Proven, ...]:
        """Everything proven, each place once. `free_mb` : memory that may be taken."""
        scans = self._alike()
        on_glass = find_on_glass(scans, self._ready.ppi[next(iter(scans))], free_mb=free_mb, progress=progress)
        found = [*self._from_glass(on_glass, scans), *self._odd(free_mb, progress)]
        return tuple(_each_once(found, px_from_mm(NEAR_MM, self._ppi)))

    def donor(self, window: Window, speck: Boolean, dirty: Boolean, codes: NDArray[Any]) -> NDArray[Any] | None:
        """Codes of the window from the scan that shows the speck's place clean and agrees best around it, or None.

        speck, dirty : (h, w) of the window.
        """
        rows, columns = np.nonzero(speck)
        around = np.s_[max(0, rows.min() - 8) : rows.max() + 9, max(0, columns.min() - 8) : columns.max() + 9]
        labels = labels_at(self._label_map, self._maps, window)
        own = contrast(grey_of(codes), self._ppi)
        strength = float(np.abs(own[speck]).max())
        best: tuple[float, NDArray[Any]] | None = None
        for number, name in enumerate(self._label_map.scan_ids, start=1):
            if (labels[speck] == number).any():
                continue
            found = self._sampled(name, window)
            if found is None or not found[1][around].all():
                continue
            shown = contrast(grey_of(found[0]), self._ppi)
            apart = disagreement(codes, found[0], speck, dirty)
            if float(np.abs(shown[speck]).max()) > max(CLEAN_SHARE * strength, SHOWS) or apart > MOST_APART:
                continue
            if best is None or apart < best[0]:
                best = apart, found[0]
        return None if best is None else best[1]

    def _alike(self) -> Mapping[str, PixelSource]:
        """The scans of the resolution that most have, as scanned: places of the bed compare only among those."""
        ppi = self._ready.ppi
        values = [round(ppi[name], 3) for name in self._ready.sources]
        usual_ppi = max(set(values), key=values.count)
        return {name: one for name, one in self._ready.as_scanned.items() if round(ppi[name], 3) == usual_ppi}

    def _sampled(self, name: str, window: Window) -> tuple[NDArray[Any], Boolean] | None:
        """A scan's codes on a window of the master, and where it covers it; None where it does not at all."""
        layer = self._layers[name]
        if layer.needs(window).is_empty:
            return None
        covers = layer.covers(window)
        if covers is None:
            covers = np.ones((window.height_px, window.width_px), bool)
        elif not covers.any():
            return None
        return coarse_codes(layer.sampled(window, None), self._ready.job.bits), covers

    def _from_glass(self, on_glass: Sequence[OnGlass], scans: Mapping[str, PixelSource]) -> Iterator[Proven]:
        def proven(speck: OnGlass) -> list[Proven]:
            placed = ((name, self._on_master(name, speck.place)) for name in scans)
            return [
                Proven(place, Proof.GLASS, f"on the glass in {speck.scan_count} scans; here by {name}")
                for name, place in placed
                if place is not None and self._shows(place, name, is_sure=speck.is_sure)
            ]

        with ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="glass") as pool:
            yield from chain.from_iterable(pool.map(proven, on_glass))

    def _on_master(self, name: str, place: Capsule) -> Capsule | None:
        """A place of a scan on the master; None outside it."""
        turn = np.radians(place.angle_deg)
        half = np.array([np.cos(turn), np.sin(turn)]) * max(place.length, 1.0) / 2
        middle = np.array([place.x, place.y])
        start, end = self._maps[name].canvas_from_scan(np.stack([middle - half, middle + half]))
        x, y = (start + end) / 2
        canvas = self._ready.layout.canvas
        if not (0 <= x < canvas.width_px and 0 <= y < canvas.height_px):
            return None
        along = end - start
        scale = float(np.hypot(*along)) / max(place.length, 1.0)
        angle = float(np.degrees(np.arctan2(along[1], along[0])))
        return Capsule(float(x), float(y), place.length * scale, place.width * scale, angle)

    def _shows(self, place: Capsule, name: str, *, is_sure: bool) -> bool:
        """Whether the master shows it there, by that scan, and no other scan shows it as paint.

        What is surely on the glass lies there though the paint under it looks the same.
        """
        reach = margin_px(self._ppi) + round(place.length / 2 + place.width)
        middle = Window(round(place.x), round(place.y), 1, 1)
        labels = labels_at(self._label_map, self._maps, middle)
        if labels[0, 0] == 0 or self._label_map.scan_ids[int(labels[0, 0]) - 1] != name:
            return False
        window = middle.grown(reach).clipped(self._ready.layout.canvas)
        x, y = np.arange(window.x0_px, window.x1_px)[None, :], np.arange(window.y0_px, window.y1_px)[:, None]
        within = inside(place, x, y, 1.0)
        own = contrast(grey_of(self._picture.read(window)), self._ppi)
        strongest = np.abs(own * within).argmax()
        peak = float(own.flat[strongest])
        if abs(peak) < max(SHOWS, SHOWS_TIMES * float(usual(own, self._ppi).flat[strongest])):
            return False
        for other in () if is_sure else self._label_map.scan_ids:
            found = None if other == name else self._sampled(other, window)
            if found is not None and found[1][within].all():
                theirs, mine = contrast(grey_of(found[0]), self._ppi)[within], own[within]
                if float(theirs @ mine) > PAINT_SHARE * float(mine @ mine):
                    return False
        return True

    def _odd(self, free_mb: float, progress: Progress) -> Iterator[Proven]:
        canvas = self._ready.layout.canvas
        margin = margin_px(self._ppi) + round(px_from_mm(REACH_MM, self._ppi))
        how = at_once(free_mb, margin, lambda side: BYTES_A_PX * (side + 2 * margin) ** 2)
        with progress.task("Comparing the scans", canvas.megapixels) as task:
            yield from chain.from_iterable(each_block(canvas.window(), how, self._odd_in, task))

    def _odd_in(self, block: Window) -> list[Proven]:
        """What one scan only shows of a block, and others would."""
        around, labels = self._compared(block)
        if around.is_empty:
            return []
        others = []
        for number, name in enumerate(self._label_map.scan_ids, start=1):
            found = self._sampled(name, around)
            if found is not None:
                others.append((grey_of(found[0]), found[1] & (labels != number)))
        seen = odd_ones(grey_of(self._picture.read(around)), others, self._ppi) & (labels > 0)
        seen = cv2.morphologyEx(seen.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)) > 0
        square = max(2, round(px_from_mm(PIECE_MM, self._ppi)))
        odd = []
        for columns, rows in small_patches(seen, self._ppi, least_px=LEAST_PX):
            x, y = columns.mean() + around.x0_px, rows.mean() + around.y0_px
            if block.x0_px <= x < block.x1_px and block.y0_px <= y < block.y1_px:
                mine = self._label_map.scan_ids[int(labels[rows[0], columns[0]]) - 1]
                for part in pieces(columns + around.x0_px, rows + around.y0_px, square):
                    odd.append(Proven(capsule(*part), Proof.ONE_SCAN, f"only {mine} shows it"))
        return odd

    def _compared(self, block: Window) -> tuple[Window, NDArray[np.uint8]]:
        """The part around a block where a scan covers what another made, with a margin; and its labels. Or empty."""
        canvas = self._ready.layout.canvas
        wide = block.grown(round(px_from_mm(REACH_MM, self._ppi))).clipped(canvas)
        reaching = [name for name in self._label_map.scan_ids if not self._layers[name].needs(wide).is_empty]
        labels = labels_at(self._label_map, self._maps, wide)
        covers = np.zeros(labels.shape, bool)
        for name in reaching if len(reaching) > 1 else ():
            one = self._layers[name].covers(wide)
            others = labels != self._label_map.scan_ids.index(name) + 1
            covers |= others if one is None else one & others
        x, y, width, height = cv2.boundingRect(covers.astype(np.uint8))
        if width == 0:
            return Window(0, 0, 0, 0), labels
        part = Window(wide.x0_px + x, wide.y0_px + y, width, height)
        around = part.grown(margin_px(self._ppi)).clipped(canvas)
        return around, labels_at(self._label_map, self._maps, around)


def _each_once(found: Sequence[Proven], near_px: float) -> Iterator[Proven]:
    """What is not covered by what was kept before it within `near_px`, by half at the least."""
    if not found:
        return
    middles = [(one.place.x, one.place.y) for one in found]
    neighbours = cKDTree(middles).query_ball_point(middles, near_px)
    kept: set[int] = set()
    for k, one in enumerate(found):
        if not _is_covered(one.place, [found[j].place for j in neighbours[k] if j in kept]):
            kept.add(k)
            yield one


def _is_covered(place: Capsule, by: Sequence[Capsule]) -> bool:
    if not by:
        return False
    reach = int(np.ceil((place.length + place.width) / 2)) + 1
    x, y = (round(at) + np.arange(-reach, reach + 1) for at in (place.x, place.y))
    own = inside(place, x[None], y[:, None], 0.0)
    theirs = np.logical_or.reduce([inside(one, x[None], y[:, None], 1.0) for one in by])
    return bool(theirs[own].mean() > COVERED if own.any() else theirs[reach, reach])
