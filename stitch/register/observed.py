"""What the turned pieces of a run show of the bed where a file said it already, to hold one against the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitch.model.bed import Bed, BedSource
from stitch.register.apart import points_of
from stitch.register.refine import MIN_PATCHES, Refined
from stitch.register.solve import shows_bed, solve


def observed_bed(refined: Refined, anchor: str) -> Bed | None:
    """The bed as this run's own patches show it; None where no piece lies a quarter turned against another."""
    placed, poses = refined.maps.placed(), refined.maps.poses
    points = []
    for one in refined.measured:
        if (one.scan_a, one.scan_b) in refined.used and one.count >= MIN_PATCHES:
            found = points_of(one, placed, np.ones(one.count, bool))
            a, b = placed[one.scan_a], placed[one.scan_b]
            straight_a, straight_b = a.straightened(found.points_a), b.straightened(found.points_b)
            points.append(replace(found, points_a=straight_a, points_b=straight_b))
    freed = {name: replace(pose, bed=replace(pose.bed, source=BedSource.UNKNOWN)) for name, pose in poses.items()}
    return solve(freed, points, anchor).poses[anchor].bed if shows_bed(freed, points) else None
