"""Features and comparisons of two scans as arrays to keep, by keys that name all they were made from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.model.store import Arrays, Store
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate
from stitch.register.evidence import Signal
from stitch.register.features import Features
from stitch.register.pairs import Doubt, Pair
from stitch.register.reduced import Reduced

VERSION = 3  # raised by hand when what features or comparisons come to changes
FEATURE_ARRAYS = tuple(field.name for field in fields(Features) if field.name != "scan_id")

Attempt = Pair | Doubt | None


def digest(*arrays: NDArray[Any]) -> str:
    """Hex SHA-256 of arrays with their shapes and types."""
    found = hashlib.sha256()
    for array in arrays:
        found.update(f"{array.shape}{array.dtype}".encode())
        found.update(np.ascontiguousarray(array).tobytes())
    return found.hexdigest()


def features(store: Store, key: str, scan_id: str, make: Callable[[], Features]) -> Features:
    """The features kept under a key, or made now."""

    def arrays() -> Arrays:
        made = make()
        return {name: getattr(made, name) for name in FEATURE_ARRAYS}

    held = store.arrays(f"features {VERSION} {key}", arrays)
    return Features(scan_id, **{name: held[name] for name in FEATURE_ARRAYS})


def comparison(store: Store, a: Reduced, b: Reduced, key: str, make: Callable[[], Attempt]) -> Attempt:
    """What comparing two scans came to: kept under a key, or made now."""
    held = store.arrays(f"pair {VERSION} {key}", lambda: {"text": np.array(json.dumps(_plain(make())))})
    return _attempt(json.loads(str(held["text"])), a.scan_id, b.scan_id)


def _plain(found: Attempt) -> dict[str, Any]:
    if found is None:
        return {"kind": "none"}
    if isinstance(found, Doubt):
        return {"kind": "doubt", "count": found.place_count, "fits": [_plain(fit) for fit in found.fits]}
    candidate, agreed = found.candidate, found.agreement
    return {
        "kind": "pair",
        "turn_deg": candidate.turn_deg,
        "a_from_b": candidate.a_from_b.tolist(),
        "points_a": candidate.points_a.tolist(),
        "points_b": candidate.points_b.tolist(),
        "counts": [candidate.match_ratio, candidate.putative_count, candidate.overlap_fraction],
        "agreement": [agreed.block_count, agreed.agreeing_count, agreed.mean_ncc],
        "correction": None if agreed.correction is None else agreed.correction.tolist(),
        "noise_share": agreed.noise_share,
        "signal": agreed.signal.value,
        "probability": found.probability,
        "rivals": [_plain(rival) for rival in found.rivals],
    }


def _attempt(plain: dict[str, Any], a: str, b: str) -> Attempt:
    if plain["kind"] == "none":
        return None
    if plain["kind"] == "doubt":
        return Doubt(a, b, plain["count"], tuple(_pair(fit, a, b) for fit in plain["fits"]))
    return _pair(plain, a, b)


def _pair(plain: dict[str, Any], a: str, b: str) -> Pair:
    points_a, points_b = (np.array(plain[name], float).reshape(-1, 2) for name in ("points_a", "points_b"))
    ratio, putative, overlap = plain["counts"]
    blocks, agreeing, ncc = plain["agreement"]
    correction = None if plain["correction"] is None else np.array(plain["correction"])
    return Pair(
        Candidate(a, b, plain["turn_deg"], np.array(plain["a_from_b"]), points_a, points_b, ratio, putative, overlap),
        Agreement(blocks, agreeing, ncc, correction, plain["noise_share"], Signal(plain["signal"])),
        plain["probability"],
        tuple(_pair(rival, a, b) for rival in plain["rivals"]),
    )
