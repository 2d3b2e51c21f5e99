"""Patches of an earlier run, taken again where the pixels and the places they were looked for are the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

import numpy as np

from stitch.model.store import NO_STORE, Arrays, Store
from stitch.register import recall
from stitch.register.evidence import Signal
from stitch.register.patches import Measured, Side
from stitch.register.plan import Grain, b_from_a

ROUGHLY_PX = 3.0  # off the place they were measured at: patches are as good as those of a first, wide search
NEARLY_PX = 0.1  # and as those of the last one, which moves by less than this from pass to pass
_ARRAYS = ("points_a", "points_b", "covariance_px2", "is_held_out", "is_beside", "is_at_rim")
_COUNTS = ("offered_count", "textured_count", "contrary_count")


class Remembered:
    """The last patches of every two scans, for each kind of plan (sparse or dense)."""

    def __init__(self, store: Store, pixel_keys: Mapping[str, str], nominal_ppi: float = 0.0) -> None:
        """`pixel_keys` : what decides each scan's pixels; without them nothing is kept."""
        self._store = store if pixel_keys else NO_STORE
        self._keys = pixel_keys
        self._ppi = nominal_ppi
        self._latest: dict[str, Arrays] = {}

    def near(self, a: Side, b: Side, grain: Grain, within_px: float) -> Measured | None:
        """What was measured of two scans, if no patch was looked for further than `within_px` from where it is now."""
        held = self._store.held(self._key(a, b, grain))
        if held is None:
            return None
        found = _measured(held)
        first, second = (a, b) if found.scan_a == a.scan_id else (b, a)
        now = b_from_a(first.placed, second.placed, found.points_a)
        off = np.abs(now - held["looked_at"])
        return found if off.max(initial=0.0) <= within_px and found.count else None

    def note(self, a: Side, b: Side, grain: Grain, measured: Measured) -> None:
        """Note what was measured around the present places of two scans, for `save`."""
        first, second = (a, b) if measured.scan_a == a.scan_id else (b, a)
        looked_at = b_from_a(first.placed, second.placed, measured.points_a)
        self._latest[self._key(a, b, grain)] = {**_plain(measured), "looked_at": looked_at}

    def save(self) -> None:
        """Keep what was noted last of every two scans; only then, so that no pass of a run finds an earlier one's."""
        for key, arrays in self._latest.items():
            self._store.keep(key, arrays)

    def _key(self, a: Side, b: Side, grain: Grain) -> str:
        kind = "sparse" if grain.step_px is None else f"dense {self._ppi:.3f}"
        each = " ".join(f"{self._keys.get(side.scan_id)} {recall.digest(side.spots_px)}" for side in (a, b))
        return f"patches {recall.VERSION} {kind} {a.encoding.name} {each}"


def _plain(measured: Measured) -> Arrays:
    arrays = {name: getattr(measured, name) for name in _ARRAYS}
    counts = np.array([getattr(measured, name) for name in _COUNTS])
    named = np.array([measured.scan_a, measured.scan_b, measured.signal.value])
    return {**arrays, "counts": counts, "named": named}


def _measured(held: Arrays) -> Measured:
    scan_a, scan_b, signal = (str(word) for word in held["named"])
    counts = dict(zip(_COUNTS, (int(count) for count in held["counts"]), strict=True))
    arrays = {name: held[name] for name in _ARRAYS}
    return Measured(scan_a, scan_b, **arrays, **counts, signal=Signal(signal))  # type: ignore[arg-type]


assert {*_ARRAYS, *_COUNTS, "scan_a", "scan_b", "signal"} == {field.name for field in fields(Measured)}
