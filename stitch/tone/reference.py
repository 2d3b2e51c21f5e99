"""Which scan sets the tone where none was named."""

from __future__ import annotations

import numpy as np

from stitch.imaging.affine import apply, corners, nearest_turn_deg
from stitch.model.layout import Layout
from stitch.tone.choose import channel_pairs
from stitch.tone.samples import PairSamples, PlacedSource
from stitch.tone.solve import solve_channel

JOINED_SHARE = 0.8  # of the most overlap; scans below it are not taken as the reference
SAME_BRIGHTNESS = 0.01  # log gain; scans are as bright as each other within it


def chosen_reference(pairs: list[PairSamples], placed: list[PlacedSource], layout: Layout, ids: list[str]) -> str:
    """The reference: among the scans with the most overlap the one to which the others need least raising.

    Only scans that lie as most do are asked, so that the master is lit as its reference is.
    Raising a scan could push its white past the top, and then the whole would have to be darkened; lowering one loses
    nothing. Among scans alike in that the one with the most overlap, then the one nearest the middle.
    """
    area = {scan.scan_id: 0.0 for scan in placed}
    for pair in pairs:
        area[pair.scan_a] += pair.area_px
        area[pair.scan_b] += pair.area_px
    usual = [scan for scan in placed if nearest_turn_deg(scan.placed.canvas_from_straight) == layout.up_deg]
    placed = usual or placed
    most = max(area[scan.scan_id] for scan in placed)
    raised = _most_raised(pairs, ids)

    def rank(scan: PlacedSource) -> tuple[int, int, float, str]:
        share = round(20 * area[scan.scan_id] / most) if most else 0
        size = scan.source.size
        centre = apply(scan.placed.canvas_from_straight, corners(size.width_px, size.height_px)).mean(axis=0)
        middle = np.array([layout.canvas.width_px, layout.canvas.height_px]) / 2
        return raised[scan.scan_id], -share, round(float(np.hypot(*(centre - middle))), 3), scan.scan_id

    candidates = [scan for scan in placed if area[scan.scan_id] >= JOINED_SHARE * most]
    return min(candidates, key=rank).scan_id


def _most_raised(pairs: list[PairSamples], ids: list[str]) -> dict[str, int]:
    """For every scan as reference, the largest gain any other would need, in whole steps of log gain."""
    none = np.zeros(len(ids), dtype=bool)
    fits = [
        solve_channel(channel_pairs(pairs, ids, channel, heldout=False), len(ids), reference=0, has_offset=none)
        for channel in range(3)
    ]
    log_gain = np.stack([found.log_gain for found in fits], axis=1)
    return {name: int(np.rint((log_gain - log_gain[k]).max() / SAME_BRIGHTNESS)) for k, name in enumerate(ids)}
