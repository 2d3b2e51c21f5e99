"""Four scans of one bed with known poses, and the points that two of them share."""

from __future__ import annotations

import numpy as np

from stitch.imaging.affine import FloatArray, apply, invert
from stitch.model.bed import Bed
from stitch.register.solve import Points, Pose

SCAN = (1000.0, 1400.0)
CENTRE = ((SCAN[0] - 1) / 2, (SCAN[1] - 1) / 2)
NOISE_PX = 0.2
QUARTER = (0, 90, 0, 270)
HALF = (0, 180, 0, 180)


def true_poses(turns: tuple[int, ...], bed: Bed, seed: int) -> dict[str, Pose]:
    rng = np.random.default_rng(seed)
    places = [(500.0, 700.0), (1150.0, 650.0), (520.0, 1500.0), (1180.0, 1550.0)]
    return {
        f"S{k}": Pose(float(np.radians(turn + rng.uniform(-1, 1))), x, y, 1.0, CENTRE, bed)
        for k, (turn, (x, y)) in enumerate(zip(turns, places, strict=True))
    }


def inside(points: FloatArray) -> np.ndarray:
    return ((points >= 0) & (points <= np.array(SCAN) - 1)).all(axis=1)


def points_between(poses: dict[str, Pose], seed: int, *, noise_px: float = NOISE_PX, count: int = 60) -> list[Points]:
    """Random places that two scans show, each seen by both with noise."""
    rng = np.random.default_rng(1000 + seed)
    names, made = list(poses), []
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            where = rng.uniform(0, SCAN, (4000, 2))
            there = apply(invert(poses[b].matrix()), apply(poses[a].matrix(), where))
            chosen = np.flatnonzero(inside(there))[:count]
            if len(chosen) < 10:
                continue
            there = there[chosen] + noise_px * rng.standard_normal((len(chosen), 2))
            covariance = np.broadcast_to(np.eye(2) * noise_px**2, (len(chosen), 2, 2))
            made.append(Points(a, b, where[chosen], there, covariance))
    return made


def started(poses: dict[str, Pose], bed: Bed, seed: int) -> dict[str, Pose]:
    """Where the solve starts: a few px and half a degree off, except for the anchor."""
    rng = np.random.default_rng(2000 + seed)
    off = {name: rng.normal(0, (0.003, 4, 4)) * (name != "S0") for name in poses}
    return {
        n: Pose(p.angle_rad + off[n][0], p.x_px + off[n][1], p.y_px + off[n][2], 1.0, CENTRE, bed)
        for n, p in poses.items()
    }
