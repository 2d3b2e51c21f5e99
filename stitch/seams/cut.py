"""The cut through the overlaps, for all scans at once."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px, px_from_mm
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap, placed_maps
from stitch.model.geometry import Size
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.seams import LabelMap
from stitch.model.wishes import WishOutcome, WishPlace
from stitch.progress import SILENT, Progress
from stitch.seams.colours import CellColours, cell_colours
from stitch.seams.cost import cut_costs
from stitch.seams.lattice import Part, make_lattice, make_parts
from stitch.seams.partition import Region, partition
from stitch.seams.specks import without_specks
from stitch.seams.tidy import without_islands
from stitch.seams.wished import outcomes, with_wishes

ISLAND_MM = 6.0  # a patch of one scan smaller than a square of this side is given up


def cut(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    tables: Mapping[str, NDArray[np.float32] | None],
    encoding: Encoding,
    *,
    bits: int,
    memory_mb: int,
    jobs: int = 0,
    wishes: Sequence[WishPlace] = (),
    progress: Progress = SILENT,
) -> LabelMap:
    """Choose the scan for every cell of a coarse lattice, so that the borders run where nobody sees them.

    Parameters
    ----------
    tables : for every scan the encoded value 0..1 of each code, float32 (2**bits, 3), or None to keep its codes.
    jobs : threads; 0 means as many as there are cores.
    wishes : what was said by hand; a later one goes before an earlier one.

    Every scan is read once, by bands. A cell goes to a scan that covers all of it wherever there is one. Raises
    whatever a source raises.
    """
    sizes = {scan_id: source.size for scan_id, source in sources.items()}
    lattice = make_lattice(layout, sizes, memory_mb)
    parts = with_wishes(lattice, make_parts(lattice, layout, sizes), wishes)
    threads = jobs or os.cpu_count() or 1

    def colours_of(part: Part) -> CellColours:
        return cell_colours(
            sources[part.scan_id],
            PlacedMap.of(layout.placement(part.scan_id), sizes[part.scan_id]),
            tables.get(part.scan_id),
            encoding,
            lattice,
            part.window,
            bits=bits,
            memory_mb=memory_mb / threads,
            task=task,
        )

    total = sum(size.megapixels for size in sizes.values())
    with progress.task("Looking for the best seams", total) as task, ThreadPoolExecutor(threads) as pool:
        colours = list(pool.map(colours_of, parts))
    costs = cut_costs(lattice, parts, colours, layout.canvas_ppi)
    parts = without_specks(lattice, parts, colours, layout, placed_maps(layout, sizes))
    del colours
    labels = partition(_regions(parts, costs), (lattice.rows, lattice.columns), jobs=threads)
    fewest = round((px_from_mm(ISLAND_MM, layout.canvas_ppi) / lattice.cell_px) ** 2)
    cells = np.ascontiguousarray(without_islands(labels, parts, fewest)[lattice.used])
    cells.setflags(write=False)
    return LabelMap(cells, lattice.cell_px, tuple(part.scan_id for part in parts))


def wish_outcomes(
    layout: Layout, sizes: Mapping[str, Size], label_map: LabelMap, wishes: Sequence[WishPlace], *, memory_mb: int
) -> tuple[WishOutcome, ...]:
    """What a cut made with these wishes and this `memory_mb` came to, wish by wish."""
    lattice = make_lattice(layout, sizes, memory_mb)
    cell_mm = mm_from_px(lattice.cell_px, layout.canvas_ppi)
    return outcomes(lattice, make_parts(lattice, layout, sizes), wishes, label_map.cells, cell_mm)


def _regions(parts: tuple[Part, ...], costs: list[NDArray[np.float32]]) -> list[Region]:
    regions = []
    for part, cost in zip(parts, costs, strict=True):
        depth = np.maximum(part.depth_px, np.float32(1.0))
        share = (part.is_valid * depth / (depth.max() + np.float32(1.0))).astype(np.float32)
        regions.append(Region.begin(part.place, part.is_valid, cost, np.zeros_like(cost), share))
    return regions
