"""What the turned pieces of a run show of the bed where a file said it already, to hold one against the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitch.model.bed import Bed, BedSource
from stitch.register.apart import points_of
from stitch.register.overlap_patches import MIN_PATCHES
from stitch.register.refine import Refined
from stitch.register.solve import shows_bed, solve


def observed_bed(refined: Refined, anchor: str) -> Bed | None:
    """The bed as this run's own patches show it; None where no piece lies a quarter turned against another.

    Local corrections are not taken off first: they may have taken up what the file said wrongly.
    """
    placed, poses = refined.maps.placed(), refined.maps.poses
    points = [
        points_of(one, placed, np.ones(one.count, bool))
        for one in refined.measured
        if (one.scan_a, one.scan_b) in refined.used and one.count >= MIN_PATCHES
    ]
    freed = {name: replace(pose, bed=replace(pose.bed, source=BedSource.UNKNOWN)) for name, pose in poses.items()}
    return solve(freed, points, anchor).poses[anchor].bed if shows_bed(freed, points) else None
