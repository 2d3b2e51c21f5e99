"""Places of a finished picture that no scan covered and one flat colour fills."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.size.candidates import Search
from stitch.size.outline import Outline, SideLine, find_outline, with_sides

RING_SHARE = 0.05  # of the picture's outermost pixels must have exactly one colour, or nothing is taken for filled
LIKE_FILL = 0.12  # background next to a filled place differs from the filling by less, of the code range


def find_outline_beside_filling(
    rgb: NDArray[Any], covered: NDArray[np.bool_], px_per_mm: float, search: Search, *, jobs: int = 1
) -> Outline:
    """`find_outline`, where the picture may end in a flat filling: the step from filling to lid is no edge.

    A flat filling and a flat lid look alike. So a side is looked for twice, the second time with the flat colour left
    out; that one counts when it finds an edge with a background much like the filling, and the first has no shadow.
    `rgb` is uint8 or uint16.
    """
    outline = find_outline(rgb, covered, px_per_mm, search, jobs=jobs)
    filling = _flat_colour(rgb)
    if filling is None:
        return outline
    inner = find_outline(rgb, covered & (rgb != filling).any(axis=-1), px_per_mm, search, jobs=jobs)
    top = {1: 255.0, 2: 65535.0}[rgb.dtype.itemsize]
    better = tuple(
        line for line in inner.sides if _counts(line, filling / top) and not outline.side(line.side).has_shadow
    )
    return with_sides(outline, better) if better else outline


def _counts(line: SideLine, filling: NDArray[Any]) -> bool:
    return line.ground is not None and bool(np.abs(line.ground - filling).max() < LIKE_FILL)


def _flat_colour(rgb: NDArray[Any]) -> NDArray[Any] | None:
    """The colour that many of the outermost pixels share exactly; None when there is none.

    Full white and full black are a lid beyond the scanner's range; a filling of that colour leaves no step to it.
    """
    ring = np.concatenate([rgb[0], rgb[-1], rgb[:, 0], rgb[:, -1]])
    colours, counts = np.unique(ring, axis=0, return_counts=True)
    best = int(counts.argmax())
    if np.isin(colours[best], (0, np.iinfo(rgb.dtype).max)).all():
        return None
    return colours[best] if counts[best] >= RING_SHARE * ring.shape[0] else None
