"""Which piece of a plan each placed scan is, and the words for a piece's place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np

from stitch.imaging.affine import FloatArray
from stitch.model.plan import PlannedScan, ScanPlan

NEAR_SHARE = 0.3  # of a piece's side: a scan whose middle is this near to a planned one is that piece
ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
EDGE_MM = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Which planned piece is which scan."""

    piece_of: Mapping[str, PlannedScan]
    missing: tuple[PlannedScan, ...]
    elsewhere: tuple[str, ...]  # placed scans that no piece of the plan explains
    turn_deg: int  # of the painting against the frame of the scans, clockwise
    shift_mm: tuple[float, float]  # painting mm = turned frame mm + shift


def place_words(piece: PlannedScan, plan: ScanPlan) -> str:
    """ "row 2, the third from the left"."""
    across = "" if plan.columns == 1 else f"the {_ordinal(piece.column)} from the left"
    down = "" if plan.rows == 1 else f"row {piece.row}"
    return ", ".join(part for part in (down, across) if part)


def _ordinal(number: int) -> str:
    return ORDINALS[number] if number < len(ORDINALS) else f"{number}th"


def match_plan(
    plan: ScanPlan,
    middles_mm: Mapping[str, FloatArray],
    file_names: Mapping[str, str],
    edges_mm: tuple[float | None, float | None, float | None, float | None],
) -> Matched:
    """Lay the plan over the placed scans.

    Every shift that brings one scan onto one planned piece is tried, for every quarter turn; the one that explains
    most scans is taken, then the one under which seen edges of the painting lie where the plan has them, then the one
    that agrees with the planned file names, then the nearest.

    Parameters
    ----------
    middles_mm : middle of each placed scan in the upright frame.
    edges_mm : left, top, right and bottom edge of the painting in that frame, None where it was not seen.
    """
    best: tuple[tuple[float, ...], Matched] | None = None
    usual = _usual_turn(plan)
    for turn_deg in (usual, (usual + 180) % 360, (usual + 90) % 360, (usual + 270) % 360):
        middles = {name: turned(middle, turn_deg) for name, middle in middles_mm.items()}
        edges = _turned_edges(edges_mm, turn_deg)
        for middle in middles.values():
            for piece in plan.scans:
                shift = middle_of(piece) - middle
                merit, matched = _tried(plan, middles, file_names, edges, turn_deg, shift)
                merit = (*merit[:2], float(turn_deg == usual), *merit[2:])
                if best is None or merit > best[0]:
                    best = merit, matched
    if best is None:
        return Matched({}, plan.scans, (), usual, (0.0, 0.0))
    return best[1]


def _tried(
    plan: ScanPlan,
    middles: Mapping[str, FloatArray],
    file_names: Mapping[str, str],
    edges_mm: tuple[float | None, ...],
    turn_deg: int,
    shift: FloatArray,
) -> tuple[tuple[float, ...], Matched]:
    piece_of: dict[str, PlannedScan] = {}
    off = 0.0
    for name, middle in middles.items():
        nearest = min(plan.scans, key=lambda piece: float(np.abs(middle_of(piece) - middle - shift).max()))
        far = np.abs(middle_of(nearest) - middle - shift) / (nearest.width_mm, nearest.height_mm)
        if far.max() < NEAR_SHARE:
            piece_of[name] = nearest
            off += float(far.sum())
    found = {piece.number for piece in piece_of.values()}
    wanted = (0.0, 0.0, plan.painting_width_mm, plan.painting_height_mm)
    seen = sum(edge is not None and abs(edge + shift[k % 2] - wanted[k]) < EDGE_MM for k, edge in enumerate(edges_mm))
    named = sum(PurePath(file_names[n]).stem == PurePath(p.file_name).stem for n, p in piece_of.items())
    matched = Matched(
        piece_of,
        tuple(piece for piece in plan.scans if piece.number not in found),
        tuple(name for name in middles if name not in piece_of),
        turn_deg,
        (float(shift[0]), float(shift[1])),
    )
    return (float(len(found)), float(seen), float(named), -off), matched


def middle_of(piece: PlannedScan) -> FloatArray:
    """The middle of a planned piece, painting mm."""
    return np.array([piece.x_mm + piece.width_mm / 2, piece.y_mm + piece.height_mm / 2])


def _usual_turn(plan: ScanPlan) -> int:
    """How the painting is turned clockwise out of the files, where the scanner adds no turn of its own."""
    turns = [piece.turn_deg for piece in plan.scans]
    return max(sorted(set(turns)), key=turns.count) % 360


def turned(point: FloatArray, turn_deg: int) -> FloatArray:
    """A point turned clockwise about the origin, y down."""
    x, y = float(point[0]), float(point[1])
    for _ in range(turn_deg // 90 % 4):
        x, y = -y, x
    return np.array([x, y])


def _turned_edges(edges_mm: tuple[float | None, ...], turn_deg: int) -> tuple[float | None, ...]:
    """Left, top, right and bottom after a clockwise turn about the origin."""
    left, top, right, bottom = edges_mm
    for _ in range(turn_deg // 90 % 4):
        left, top, right, bottom = _negative(bottom), left, _negative(top), right
    return left, top, right, bottom


def _negative(value: float | None) -> float | None:
    return None if value is None else -value
