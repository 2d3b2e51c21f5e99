"""A placement from small copies alone: good to about a reduced px, in seconds, and never refused as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from stitch.errors import RegisterError
from stitch.model.bed import Bed, GlassSpeck
from stitch.model.store import NO_STORE, Store
from stitch.progress import SILENT, Progress
from stitch.register import conflicts, graph, links
from stitch.register.drawn import has_colour
from stitch.register.feature_search import FeatureSearch
from stitch.register.first import feature_points, first_poses
from stitch.register.glass import find_glass
from stitch.register.mirrored import mirrored_scans
from stitch.register.pairs import Doubt, Pair
from stitch.register.place import Registration
from stitch.register.reduced import Reduced
from stitch.register.refusal import refuse_unlinked


@dataclass(frozen=True, slots=True, eq=False)
class Rough:
    """Where the scans of the largest group lie, and what does not hang together with them."""

    registration: Registration | None  # of the largest group; None when no two scans link
    lost: tuple[str, ...]  # scans outside that group
    mirrored: Mapping[str, Pair]  # of those, the ones that link once they are mirrored left to right, and how
    stop: RegisterError | None  # why a join would refuse, mirrored scans apart
    glass: tuple[GlassSpeck, ...]
    pairs: tuple[Pair, ...] = ()
    doubts: tuple[Doubt, ...] = ()  # scans that fit each other in more than one way, each way with its evidence


def place_roughly(
    reduced: Mapping[str, Reduced],
    ppi: Mapping[str, float],
    *,
    jobs: int = 2,
    seed: int = 0,
    store: Store = NO_STORE,
    progress: Progress = SILENT,
) -> Rough:
    """Place the small copies of all scans as far as they hang together.

    reduced : small copy of each scan by its name; ppi : resolution of each scan, scan px per inch.
    `store` : where features and comparisons of scans that did not change are found again.
    """
    names = list(reduced)
    scales = {name: _nominal(ppi) / ppi[name] for name in names}
    glass = find_glass(reduced, ppi, seed=seed, jobs=jobs)
    cleaned = {name: glass.cleaned(reduced[name], ppi[name]) for name in names}
    search = FeatureSearch(cleaned, {n: glass.mask(cleaned[n], ppi[n]) for n in names}, store, jobs)
    steps = {name: reduced[name].factor * scales[name] for name in names}
    with ThreadPoolExecutor(jobs) as pool:
        found = search.pairs(list(steps.values()), seed, pool, progress, frozenset())
        group = graph.groups(names, [pair.scan_ids for pair in found.pairs])[0]
        lost = tuple(name for name in names if name not in group)
        mirrored = mirrored_scans(cleaned, group, lost, steps, pool, seed=seed)
    stop = _stop([name for name in names if name not in mirrored], found.pairs, found.doubts, cleaned)
    if len(group) < 2:
        return Rough(None, lost, mirrored, stop, glass.specks, found.pairs, found.doubts)
    registration, trouble = _registered(group, found.pairs, reduced, ppi)
    registration = replace(registration, glass=glass.specks)
    return Rough(registration, lost, mirrored, stop or trouble, glass.specks, found.pairs, found.doubts)


def _stop(
    names: Sequence[str], pairs: Sequence[Pair], doubts: Sequence[Doubt], cleaned: Mapping[str, Reduced]
) -> RegisterError | None:
    """Why a join of these scans alone would be refused; None when they all hang together."""
    if len(names) < 2:
        return None
    among = [pair for pair in pairs if set(pair.scan_ids) <= set(names)]
    between = [doubt for doubt in doubts if {doubt.scan_a, doubt.scan_b} <= set(names)]
    try:
        refuse_unlinked(names, among, between, is_colourless=lambda name: not has_colour(cleaned[name]))
    except RegisterError as error:
        return error
    return None


def with_chosen(
    rough: Rough, chosen: Sequence[Pair], reduced: Mapping[str, Reduced], ppi: Mapping[str, float]
) -> Rough:
    """The same with fits of doubts that something else than the scans decided; why a join would refuse stays."""
    pairs = (*rough.pairs, *chosen)
    group = graph.groups(list(reduced), [pair.scan_ids for pair in pairs])[0]
    registration, trouble = _registered(group, pairs, reduced, ppi)
    lost = tuple(name for name in reduced if name not in group)
    registration = replace(registration, glass=rough.glass)
    return replace(rough, registration=registration, lost=lost, stop=rough.stop or trouble, pairs=pairs)


def _registered(
    group: Sequence[str], found: Sequence[Pair], reduced: Mapping[str, Reduced], ppi: Mapping[str, float]
) -> tuple[Registration, RegisterError | None]:
    """The group placed; with the contradiction among its links, where there is one."""
    pairs = [pair for pair in found if pair.scan_ids[0] in group]
    sizes = {name: one.scan_size for name, one in reduced.items()}
    nominal_ppi = _nominal(ppi)
    scales = {name: nominal_ppi / ppi[name] for name in reduced}
    anchor = graph.most_central(group, pairs)
    poses = first_poses(anchor, pairs, {n: reduced[n] for n in group}, sizes, scales, Bed())
    points = [feature_points(pair, reduced, scales) for pair in pairs]
    trouble = None
    try:
        step = max(reduced[n].factor * scales[n] for n in group)
        poses = dict(conflicts.settle(poses, points, pairs, anchor, step).poses)
    except RegisterError as error:
        trouble = error
    mine = {name: sizes[name] for name in group}
    unknown = dict.fromkeys(group, 0.0)
    return Registration(nominal_ppi, anchor, poses, mine, unknown, links.unmeasured(pairs), ()), trouble


def _nominal(ppi: Mapping[str, float]) -> float:
    return float(np.median(list(ppi.values())))
