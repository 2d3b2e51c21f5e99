"""Gains that rise over the whole painting: scans of unequal exposure, or a light that slopes over the bed?

Scans that all lie the same way round show a slope of s as gains of s × place: no overlap tells the two apart, and what
is wrong here is a ramp over the whole master. So it is a matter of what is likelier. Exposures set anew for every scan
scatter about any plane, and from channel to channel; where the gains lie on one plane for all channels and hardly
scatter about it, they are held to be alike and the plane to be the bed's slope, by the posterior mean of a normal
model: the slope's variance expected of beds against that of a plane through gains with the scatter seen here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitch.imaging.affine import FloatArray, apply, corners
from stitch.imaging.placed_map import PlacedMap
from stitch.tone.even import Logs, Scans
from stitch.tone.unevenness import knots_of

FLAT_RANK = 0.05  # of the widest spread of the scans: across a narrower one nothing is fitted
USUAL_SLOPE = 0.02  # log light from one end of a bed to the other, a standard deviation
USUAL_GAIN = 0.02  # log gain: what scans of one exposure scatter by, before any are seen; worth one gain
LIKE_A_PLANE = 0.2  # scatter about the plane, as a share of the plane's own
LEAST_SHARE = 0.5  # of a plane that has to be likelier the bed's for any of it to be taken from the gains
LEAST_SLOPE = 0.005  # of log light over the bed; less is not seen


@dataclass(frozen=True, slots=True, eq=False)
class Slope:
    """A slope of light over the bed: log light for one canvas px across and down, (2, 1), and its largest rise, %."""

    per_px: FloatArray
    percent: float


def gain_slope_percent(gains: FloatArray, placed: list[PlacedMap]) -> float:
    """Rise of the plane through the log gains (scan_count, 3) from scan to scan, %, of the channel where it is most."""
    on_plane = _middles(placed) @ _plane(np.log(gains), placed)
    return 100 * float(np.expm1(np.ptp(on_plane, axis=0).max()))


def held_slope(gains: FloatArray, placed: list[PlacedMap]) -> Slope | None:
    """What of the plane through the gains is held to be the bed's slope; None when that is nothing.

    `placed` : scans that lie the same way round and show the same part of the bed.
    """
    logs, middles = np.log(gains), _middles(placed)
    plane = _plane(logs, placed).mean(axis=1, keepdims=True)
    apart = logs - logs.mean(axis=0) - middles @ plane
    free = 3 * (len(placed) - 1) - int(np.linalg.matrix_rank(middles, tol=FLAT_RANK * np.abs(middles).max()))
    scatter = (float(np.square(apart).sum()) + USUAL_GAIN**2) / (free + 1)
    bed = np.array([placed[0].size.width_px, placed[0].size.height_px], dtype=np.float64)
    if np.square(apart).mean() > LIKE_A_PLANE**2 * np.square(middles @ plane).mean():
        return None
    by_bed = (USUAL_SLOPE / bed) ** 2
    by_gains = scatter / np.maximum(np.square(middles).sum(axis=0), 1e-9)
    share = by_bed / (by_bed + by_gains)
    taken = np.where(share >= LEAST_SHARE, share, 0.0)[:, None] * plane
    rise = float(np.hypot(*(taken * bed[:, None])).max())
    return Slope(taken, 100 * float(np.expm1(rise))) if rise >= LEAST_SLOPE else None


def slope_logs(slope: Slope, placed: list[PlacedMap], scans: Scans) -> Logs:
    """The log factor that undoes a slope of the bed in every scan."""
    found = {}
    for name, one in zip(scans.ids, placed, strict=True):
        step, (x, y) = knots_of(scans.sizes, scans.ppi)[name]
        middle = np.array([one.size.width_px - 1, one.size.height_px - 1]) / 2
        places = np.stack(np.meshgrid(x, y), axis=-1) - middle
        turned = places @ np.array(one.canvas_from_straight)[:, :2].T
        found[name] = (step, np.repeat(-turned @ slope.per_px, 3, axis=-1))
    return found


def _plane(logs: FloatArray, placed: list[PlacedMap]) -> FloatArray:
    """Slope of the plane through the log gains of each channel, for one canvas px, (2, 3)."""
    return np.asarray(np.linalg.lstsq(_middles(placed), logs - logs.mean(axis=0), rcond=FLAT_RANK)[0])


def _middles(placed: list[PlacedMap]) -> FloatArray:
    """Where the scans' middles lie, canvas px about their mean, (scan_count, 2)."""
    found = [
        apply(one.canvas_from_straight, corners(one.size.width_px, one.size.height_px)).mean(axis=0) for one in placed
    ]
    return np.array(found) - np.mean(found, axis=0)
