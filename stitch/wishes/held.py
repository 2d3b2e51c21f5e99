"""How a region stays on its paint: mm follow the master's corner and px their scan, until one of these changes.

A region is held by the paint it was first used for. Its corners are put down as px of every scan of that time; later
they are read from the first of these scans that is still the same, wherever the canvas begins by then, however it is
turned and at whatever resolution. A region in mm asks the scan first in which its middle lies deepest, one in px the
scan whose px they are.
"""

from __future__ import annotations

import numpy as np

from stitch.imaging.affine import FloatArray, px_from_mm
from stitch.imaging.labels import depth_at
from stitch.imaging.placed_map import PlacedMap
from stitch.model.wishes import Frame, FramedScan, Held, HeldPlace, Points, Wish


def corners_px(wish: Wish, frame: Frame) -> FloatArray | None:
    """The region's corners as it is written, canvas px (n, 2); None when the scan of its px is not placed."""
    corners = np.array(wish.corners, dtype=np.float64)
    if not wish.px_of:
        return px_from_mm(1.0, frame.canvas_ppi) * corners - 0.5
    scan = next((one for one in frame.scans if one.scan_id == wish.px_of), None)
    return None if scan is None else _placed(scan).canvas_from_scan(corners)


def held_by(wish: Wish, frame: Frame) -> Held | None:
    """The paint that a region as written covers in a frame; None when the scan of its px is not placed."""
    corners = corners_px(wish, frame)
    if corners is None:
        return None
    return Held(wish.points, wish.px_of, _places(wish, corners, frame))


def held_corners_px(held: Held, frame: Frame) -> FloatArray | None:
    """Where the paint lies now, canvas px (n, 2); None when none of its scans is there any more."""
    known = {(scan.scan_id, scan.key): scan for scan in frame.scans}
    for place in held.places:
        scan = known.get((place.scan_id, place.key))
        if scan is not None:
            return _placed(scan).canvas_from_scan(np.array(place.points_px))
    return None


def renewed(held: Held, wish: Wish, corners: FloatArray, frame: Frame) -> Held:
    """Held by the scans of now, too: a scan made again holds the paint from now on, and may outlast the others."""
    current = {(scan.scan_id, scan.key) for scan in frame.scans}
    still = [place for place in held.places if (place.scan_id, place.key) in current]
    there = {(place.scan_id, place.key) for place in still}
    more = [place for place in _places(wish, corners, frame) if (place.scan_id, place.key) not in there]
    return Held(held.points, held.px_of, (*still, *more))


def _places(wish: Wish, corners: FloatArray, frame: Frame) -> tuple[HeldPlace, ...]:
    maps = {scan.scan_id: _placed(scan) for scan in frame.scans}
    middle = corners.mean(axis=0)
    order = sorted(
        frame.scans,
        key=lambda one: (
            one.scan_id != wish.px_of,
            -float(depth_at(maps[one.scan_id], middle[:1], middle[1:])[0]),
            one.scan_id,
        ),
    )
    return tuple(HeldPlace(one.scan_id, one.key, _points(maps[one.scan_id].scan_from_canvas(corners))) for one in order)


def _placed(scan: FramedScan) -> PlacedMap:
    return PlacedMap.of(scan.placement, scan.size)


def _points(found: FloatArray) -> Points:
    return tuple((float(x), float(y)) for x, y in found)
