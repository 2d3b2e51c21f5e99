"""The first placement, from small copies: poses to refine, and points to refine them by."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from stitch.imaging.affine import apply, compose, nearest_turn_deg, rigid, rows_of
from stitch.model.bed import Bed
from stitch.model.geometry import Size
from stitch.model.layout import Affine
from stitch.register import graph
from stitch.register.pairs import Pair
from stitch.register.reduced import Reduced
from stitch.register.solve import Points, Pose

FEATURE_SIGMA_REDUCED_PX = 0.7


def first_poses(
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


def places_so_far(
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
    poses = first_poses(anchor, inside, {name: reduced[name] for name in group}, sizes, scales, Bed())
    turn = Counter(nearest_turn_deg(pose.matrix()) for pose in poses.values()).most_common(1)[0][0]
    upright = rigid(-np.radians(turn), 0.0, 0.0)
    return {name: rows_of(compose(upright, pose.matrix())) for name, pose in poses.items()}


def feature_points(pair: Pair, reduced: Mapping[str, Reduced], scales: Mapping[str, float]) -> Points:
    a, b = pair.scan_ids
    points_a = apply(reduced[a].scan_from_reduced, pair.candidate.points_a)
    points_b = apply(reduced[b].scan_from_reduced, pair.candidate.points_b)
    sigma = FEATURE_SIGMA_REDUCED_PX * max(reduced[n].factor * scales[n] for n in (a, b))
    covariance = np.broadcast_to(np.eye(2) * sigma**2, (len(points_a), 2, 2))
    return Points(a, b, points_a, points_b, covariance, is_coarse=True)
