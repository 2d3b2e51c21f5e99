"""What a refusal takes along: where the scans lie so far, and which of them are mirrored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

from stitch.errors import RegisterError
from stitch.imaging.affine import FloatArray, compose, rows_of
from stitch.register.gaps import Gap, refuse_gaps
from stitch.register.mirrored import mirrored_scans
from stitch.register.place import Registration
from stitch.register.reduced import Reduced


def refuse_holes(gaps: Sequence[Gap], registration: Registration, upright: FloatArray) -> None:
    """Raise RegisterError, with the places of all scans, when part of the painting is in no scan."""
    try:
        refuse_gaps(gaps, registration.links)
    except RegisterError as stop:
        stop.places = {n: rows_of(compose(upright, pose.matrix())) for n, pose in registration.poses.items()}
        raise


def mirrored_of(
    stop: RegisterError, reduced: Mapping[str, Reduced], ppi: Mapping[str, float], threads: int
) -> tuple[str, ...]:
    """Which of the scans that found no place would, once mirrored."""
    group = [name for name in reduced if name in stop.places] or list(reduced)[:1]
    lost = [name for name in reduced if name not in group]
    steps = {name: one.factor / ppi[name] for name, one in reduced.items()}
    with ThreadPoolExecutor(threads) as pool:
        return tuple(mirrored_scans(reduced, group, lost, steps, pool))
