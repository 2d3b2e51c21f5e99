"""The run of this room: scans in, one consistent placement of all of them out, or a refusal by name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from stitch.errors import RegisterError
from stitch.imaging.colour import Encoding
from stitch.imaging.discs import glass_discs_px
from stitch.imaging.placed_map import PlacedMap, Shifts
from stitch.model.bed import Bed, GlassSpeck
from stitch.model.findings import Finding
from stitch.model.geometry import Size
from stitch.model.layout import CorrectionFit, Link
from stitch.model.scans import PixelSource
from stitch.model.store import NO_STORE, Arrays, Store
from stitch.model.ties import SureTie
from stitch.progress import SILENT, Progress, Task
from stitch.register import conflicts, graph, links, recall
from stitch.register.drawn import has_colour
from stitch.register.feature_search import FeatureSearch
from stitch.register.first import feature_points, first_poses, places_so_far
from stitch.register.glass import find_glass
from stitch.register.observed import observed_bed
from stitch.register.reduced import REDUCED_LONG_SIDE_PX, Reduced, factor_for, reduce_scan
from stitch.register.refine import Refiner
from stitch.register.refusal import refuse_unlinked
from stitch.register.remembered import Remembered
from stitch.register.solve import Pose
from stitch.register.tied import tie_links


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """Placements in a common frame at `nominal_ppi`, before a canvas is laid around them."""

    nominal_ppi: float
    anchor: str
    poses: Mapping[str, Pose]  # nominal px from scan px
    sizes: Mapping[str, Size]
    sigma_px: Mapping[str, float]
    links: tuple[Link, ...]
    findings: tuple[Finding, ...]
    bed: Bed = field(default_factory=Bed)
    shifts: Mapping[str, Shifts] = field(default_factory=dict)  # local corrections
    correction: CorrectionFit | None = None
    glass: tuple[GlassSpeck, ...] = ()  # what lies on the glass
    observed_bed: Bed | None = None  # as turned pieces show it, where a file said it already

    def placed(self) -> dict[str, PlacedMap]:
        """The whole map of every scan into nominal px."""
        return {n: PlacedMap(p.matrix(), self.sizes[n], self.shifts.get(n)) for n, p in self.poses.items()}


def reduce_all(
    sources: Mapping[str, PixelSource],
    *,
    long_side_px: int = REDUCED_LONG_SIDE_PX,
    jobs: int = 2,
    store: Store = NO_STORE,
    keys: Mapping[str, str] | None = None,
    progress: Progress = SILENT,
) -> dict[str, Reduced]:
    """A small copy of every scan, its longer side about `long_side_px`; each scan is read once from top to bottom.

    `keys` : what decides each scan's pixels, by which its copy is kept in `store`.
    """

    def made(name: str) -> Reduced:
        factor = factor_for(sources[name].size, long_side_px)
        return _reduced(name, sources[name], factor, task, store, (keys or {}).get(name))

    total = sum(source.size.megapixels for source in sources.values())
    with progress.task("Reading scans", total) as task, ThreadPoolExecutor(jobs) as pool:
        return dict(zip(sources, pool.map(made, sources), strict=True))


def _reduced(name: str, source: PixelSource, factor: int, task: Task, store: Store, key: str | None) -> Reduced:
    if key is None:
        return reduce_scan(name, source, task, factor)
    made: list[Reduced] = []

    def arrays() -> Arrays:
        made.append(reduce_scan(name, source, task, factor))
        return {"codes": made[0].codes, "factor": np.array(made[0].factor)}

    held = store.arrays(f"reduced {recall.VERSION} {factor} {key}", arrays)
    return made[0] if made else Reduced(name, held["codes"], int(held["factor"]), source.size)


def register(
    sources: Mapping[str, PixelSource],
    reduced: Mapping[str, Reduced],
    ppi: Mapping[str, float],
    *,
    jobs: int = 2,
    feature_jobs: int | None = None,
    seed: int = 0,
    encoding: Encoding | None = None,
    bed: Bed | None = None,
    ties: Sequence[SureTie] = (),
    apart: frozenset[tuple[str, str]] = frozenset(),
    store: Store = NO_STORE,
    pixel_keys: Mapping[str, str] | None = None,
    progress: Progress = SILENT,
) -> Registration:
    """Place all scans.

    Parameters
    ----------
    sources, reduced : pixels and small copy of each scan by its name.
    ppi : resolution of each scan; scales are taken from it, not estimated.
    jobs : threads; `feature_jobs` of them search for features, which takes most memory (all when None).
    seed : of the random trials, so that a run repeats itself.
    encoding : of the scans' codes; sRGB when None.
    bed : the shape of the bed all scans were made on, where it is known; else it is found where turned pieces show it.
    ties : made by hand, each with its own standard deviation.
    apart : every two scans, in the order of their names, that do not touch: never linked, and not measured.
    store : where features, comparisons and patches of scans that did not change are found again.
    pixel_keys : what decides each scan's pixels, by which its patches are kept.

    Raises
    ------
    RegisterError : scans that cannot be linked, or links that contradict each other; named in `scan_ids`.
    """
    names = list(sources)
    sizes = {name: sources[name].size for name in names}
    nominal_ppi = float(np.median([ppi[name] for name in names]))
    scales = {name: nominal_ppi / ppi[name] for name in names}
    glass = find_glass(reduced, ppi, seed=seed, jobs=jobs)
    cleaned = {name: glass.cleaned(reduced[name], ppi[name]) for name in names}

    search = FeatureSearch(cleaned, {n: glass.mask(cleaned[n], ppi[n]) for n in names}, store, feature_jobs or jobs)
    with ThreadPoolExecutor(jobs) as pool:
        steps = [reduced[name].factor * scales[name] for name in names]
        searched = search.pairs(steps, seed, pool, progress, apart)
        tied = tie_links(names, searched.pairs, ties, reduced, scales, nominal_ppi)
        pairs = searched.pairs + tied.pairs
        try:
            refuse_unlinked(names, pairs, searched.doubts, is_colourless=lambda name: not has_colour(cleaned[name]))
        except RegisterError as stop:
            stop.places = places_so_far(names, pairs, reduced, sizes, scales)
            raise
        anchor = graph.most_central(names, pairs)
        poses = first_poses(anchor, pairs, reduced, sizes, scales, bed or Bed())
        points = [feature_points(pair, reduced, scales) for pair in searched.pairs]
        points += tied.points[: len(tied.pairs)]
        settled = conflicts.settle(poses, points, pairs, anchor, max(steps))
        spots = {name: glass_discs_px(glass.specks, ppi[name]) for name in names}
        curve = encoding or Encoding.of_profile(None)
        refiner = Refiner(
            sources,
            settled.points,
            anchor,
            nominal_ppi,
            spots,
            curve,
            pool,
            progress,
            ties=tied.points,
            apart=apart,
            remembered=Remembered(store, pixel_keys or {}, nominal_ppi),
        )
        refined = refiner.refine(settled.poses)
    made = links.describe(refined, sizes, {pair.scan_ids: pair for pair in pairs})
    findings = settled.findings + links.judge(made)
    final = refined.maps.poses
    return Registration(
        nominal_ppi,
        anchor,
        final,
        sizes,
        refined.sigma_px,
        made,
        findings,
        final[anchor].bed,
        refined.maps.shifts,
        refined.correction,
        glass.specks,
        observed_bed(refined, anchor) if bed is not None else None,
    )
