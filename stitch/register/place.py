"""The run of this room: scans in, one consistent placement of all of them out, or a refusal by name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from stitch.errors import RegisterError
from stitch.imaging.affine import apply, compose, nearest_turn_deg, rigid, rows_of
from stitch.imaging.colour import Encoding
from stitch.imaging.discs import glass_discs_px
from stitch.imaging.placed_map import PlacedMap, Shifts
from stitch.model.bed import Bed, GlassSpeck
from stitch.model.findings import Finding
from stitch.model.geometry import Size
from stitch.model.layout import Affine, CorrectionFit, Link
from stitch.model.scans import PixelSource
from stitch.model.store import NO_STORE, Arrays, Store
from stitch.model.ties import SureTie
from stitch.progress import SILENT, Progress, Task
from stitch.register import conflicts, graph, links, recall
from stitch.register.drawn import has_colour
from stitch.register.features import Features, detect, detect_in_colour, without_fixed
from stitch.register.glass import find_glass
from stitch.register.observed import observed_bed
from stitch.register.pairs import Doubt, Pair
from stitch.register.reduced import Reduced, reduce_scan
from stitch.register.refine import Refiner
from stitch.register.remembered import Remembered
from stitch.register.search import find_pairs
from stitch.register.solve import Points, Pose
from stitch.register.tied import tie_links

FEATURE_SIGMA_REDUCED_PX = 0.7


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
    jobs: int = 2,
    store: Store = NO_STORE,
    keys: Mapping[str, str] | None = None,
    progress: Progress = SILENT,
) -> dict[str, Reduced]:
    """A small copy of every scan, each scan read once from top to bottom.

    `keys` : what decides each scan's pixels, by which its copy is kept in `store`.
    """
    total = sum(source.size.megapixels for source in sources.values())
    with progress.task("Reading scans", total) as task, ThreadPoolExecutor(jobs) as pool:
        made = pool.map(lambda name: _reduced(name, sources[name], task, store, (keys or {}).get(name)), sources)
        return dict(zip(sources, made, strict=True))


def _reduced(name: str, source: PixelSource, task: Task, store: Store, key: str | None) -> Reduced:
    if key is None:
        return reduce_scan(name, source, task)
    made: list[Reduced] = []

    def arrays() -> Arrays:
        made.append(reduce_scan(name, source, task))
        return {"codes": made[0].codes, "factor": np.array(made[0].factor)}

    held = store.arrays(f"reduced {recall.VERSION} {key}", arrays)
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
    glass = find_glass(reduced, ppi, seed=seed)
    cleaned = {name: glass.cleaned(reduced[name], ppi[name]) for name in names}

    masks = {name: glass.mask(cleaned[name], ppi[name]) for name in names}
    keys = {name: recall.digest(cleaned[name].codes, masks[name]) for name in names} if store is not NO_STORE else {}

    def found_by(look: Callable[[Reduced], Features]) -> list[Features]:
        def one(name: str) -> Features:
            key = f"{look.__name__} {keys.get(name, '')}"
            return recall.features(store, key, name, lambda: without_fixed(look(cleaned[name]), masks[name]))

        with ThreadPoolExecutor(feature_jobs or jobs) as pool:
            return list(pool.map(one, names))

    with ThreadPoolExecutor(jobs) as pool:
        steps = [reduced[name].factor * scales[name] for name in names]
        seen = found_by(detect)
        searched = find_pairs(
            [cleaned[n] for n in names],
            seen,
            steps,
            seed,
            pool,
            progress,
            lambda: found_by(detect_in_colour),
            apart,
            list(keys.values()),
            store,
        )
        tied = tie_links(names, searched.pairs, ties, reduced, scales, nominal_ppi)
        pairs = searched.pairs + tied.pairs
        try:
            refuse_unlinked(names, pairs, searched.doubts, colourless=[n for n in names if not has_colour(cleaned[n])])
        except RegisterError as stop:
            stop.places = _places_so_far(names, pairs, reduced, sizes, scales)
            raise
        anchor = graph.most_central(names, pairs)
        poses = _first_poses(anchor, pairs, reduced, sizes, scales, bed or Bed())
        points = [_feature_points(pair, reduced, scales) for pair in searched.pairs]
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


def refuse_unlinked(
    names: Sequence[str], pairs: Sequence[Pair], doubts: Sequence[Doubt] = (), *, colourless: Collection[str] = ()
) -> None:
    """Raise RegisterError when the scans do not all hang together, naming those left over.

    Of scans that are `colourless` it is said that they cannot be compared when they lie turned.
    """
    found = graph.groups(names, [pair.scan_ids for pair in pairs])
    if len(found) == 1:
        return
    if doubts and len(graph.groups(names, [p.scan_ids for p in pairs] + [(d.scan_a, d.scan_b) for d in doubts])) == 1:
        raise _doubtful(found, doubts, pairs)
    left = tuple(name for group in found[1:] for name in group)
    strays: tuple[str, ...] = ()
    if len(found[0]) == 1:
        message = f"No two of these {len(names)} scans could be linked: {', '.join(names)}."
        left = tuple(names)
    elif len(found) == 2 and len(left) > 1:
        message = f"The scans fall into two groups that do not link: {', '.join(found[0])} and {', '.join(left)}."
    else:
        message = f"{', '.join(left)} could not be linked to the other scans ({', '.join(found[0])})."
        strays = left
    they, them = ("it shows", "it") if len(left) == 1 else ("they show", "them")
    advice = (
        f"Check that {they} this painting, with 30 mm or more of overlap and paint in the overlap; "
        f"scan again with more overlap, or leave {them} out with --skip."
    )
    grey = [name for name in left if name in colourless]
    if grey:
        was = "was" if len(grey) == 1 else "were"
        show = "it shows" if len(grey) == 1 else "they show"
        advice += (
            f" If {', '.join(grey)} {was} laid turned: {show} no colour to compare, "
            "and relief looks different once turned; scan all pieces the same way round."
        )
    suspects = _suspects(names, found)
    raise RegisterError(
        message, advice=advice, scan_ids=left, links=links.unmeasured(pairs), strays=strays, suspects=suspects
    )


def _suspects(names: Sequence[str], found: Sequence[Sequence[str]]) -> tuple[str, str]:
    """A scan that is not linked and the nearest one of the largest group: scans tend to be named in order."""
    order = {name: number for number, name in enumerate(names)}
    lost = found[1][0]
    return min(found[0], key=lambda name: abs(order[name] - order[lost])), lost


def _doubtful(found: Sequence[Sequence[str]], doubts: Sequence[Doubt], pairs: Sequence[Pair]) -> RegisterError:
    group = {name: number for number, names in enumerate(found) for name in names}
    needed = [doubt for doubt in doubts if group[doubt.scan_a] != group[doubt.scan_b]]
    said = " and ".join(f"{d.scan_a} with {d.scan_b} ({d.place_count} places)" for d in needed[:3])
    return RegisterError(
        f"A pattern repeats, and some scans fit each other equally well in more than one way: {said}.",
        advice="Scan again with a larger overlap that holds something that is there only once: a signature, an edge, "
        "a small piece of paper of your own laid on the margin. Or leave a scan out with --skip.",
        scan_ids=tuple(dict.fromkeys(name for d in needed for name in (d.scan_a, d.scan_b))),
        links=links.unmeasured(pairs),
        suspects=(needed[0].scan_a, needed[0].scan_b),
    )


def _first_poses(
    anchor: str,
    pairs: Sequence[Pair],
    reduced: Mapping[str, Reduced],
    sizes: Mapping[str, Size],
    scales: Mapping[str, float],
    bed: Bed,
) -> dict[str, Pose]:
    """Poses in nominal px from the placements of the reduced copies."""
    steps = {name: np.diag([r.factor * scales[name], r.factor * scales[name], 1.0])[:2] for name, r in reduced.items()}
    placed = graph.first_placement(anchor, pairs, steps)
    poses = {}
    for name, matrix in placed.items():
        centre = np.array([(sizes[name].width_px - 1) / 2, (sizes[name].height_px - 1) / 2])
        r = reduced[name]
        x, y = apply(matrix, (centre - (r.factor - 1) / 2) / r.factor)
        angle = float(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
        poses[name] = Pose(angle, float(x), float(y), scales[name], (float(centre[0]), float(centre[1])), bed)
    return poses


def _places_so_far(
    names: Sequence[str],
    pairs: Sequence[Pair],
    reduced: Mapping[str, Reduced],
    sizes: Mapping[str, Size],
    scales: Mapping[str, float],
) -> dict[str, Affine]:
    """Roughly where the scans of the largest group lie, most of them upright; nothing when no two are linked."""
    group = graph.groups(names, [pair.scan_ids for pair in pairs])[0]
    if len(group) < 2:
        return {}
    inside = [pair for pair in pairs if pair.scan_ids[0] in group]
    anchor = graph.most_central(group, inside)
    poses = _first_poses(anchor, inside, {name: reduced[name] for name in group}, sizes, scales, Bed())
    turn = Counter(nearest_turn_deg(pose.matrix()) for pose in poses.values()).most_common(1)[0][0]
    upright = rigid(-np.radians(turn), 0.0, 0.0)
    return {name: rows_of(compose(upright, pose.matrix())) for name, pose in poses.items()}


def _feature_points(pair: Pair, reduced: Mapping[str, Reduced], scales: Mapping[str, float]) -> Points:
    a, b = pair.scan_ids
    points_a = apply(reduced[a].scan_from_reduced, pair.candidate.points_a)
    points_b = apply(reduced[b].scan_from_reduced, pair.candidate.points_b)
    sigma = FEATURE_SIGMA_REDUCED_PX * max(reduced[n].factor * scales[n] for n in (a, b))
    covariance = np.broadcast_to(np.eye(2) * sigma**2, (len(points_a), 2, 2))
    return Points(a, b, points_a, points_b, covariance)
