"""How well the ties of one pair hold it, and which of them contradict the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitch.imaging.affine import px_from_mm
from stitch.model.ties import Tie

DOUBT_MM = 1.0  # a tie that lies this far off where all others put it contradicts them
DOUBT_RATIO = 4.0  # and this many times the others' own error
FAR_MM = 20.0  # ties closer together than this hardly hold a turn


@dataclass(frozen=True, slots=True)
class PairPins:
    """The ties of one pair. `residual_px` is zero where fewer than three ties leave no error to see."""

    count: int
    what: str
    residual_px: tuple[float, ...]
    doubtful: tuple[int, ...]
    said: tuple[str, ...]


def judge(ties: Sequence[Tie], ppi: float) -> PairPins:
    """Judge the ties of one pair, all in one sense, by a rigid fit. `ppi` is that of their scan a.

    A tie is doubtful when the other ties, of which there must be three, agree with each other and not with it.
    """
    count = len(ties)
    a, b = (np.array([getattr(tie, end) for tie in ties]).reshape(-1, 2) @ (1, 1j) for end in ("a_px", "b_px"))
    what = _what(count, np.abs(a[:, None] - a[None, :]).max(initial=0.0) < px_from_mm(FAR_MM, ppi))
    if count < 3:
        return PairPins(count, what, (0.0,) * count, (), ())
    off = np.array([_off_the_others(a, b, n) for n in range(count)])
    worst = int(np.argmin(off[:, 1]))  # without it the others agree best
    is_doubtful = count > 3 and off[worst, 0] > max(px_from_mm(DOUBT_MM, ppi), DOUBT_RATIO * off[worst, 1])
    kept = np.arange(count) != worst if is_doubtful else np.ones(count, bool)
    residual = np.abs(_fitted(a[kept], b[kept], b) - a)
    said = f"Tie {worst + 1} lies {off[worst, 0]:.0f} px off where the other {count - 1} put it."
    return PairPins(
        count,
        what,
        tuple(float(r) for r in residual),
        (worst,) if is_doubtful else (),
        (said,) if is_doubtful else (),
    )


def _what(count: int, is_close: bool) -> str:  # noqa: FBT001
    if count == 0:
        return "No tie yet."
    if count == 1:
        return "One tie holds the place. A second, far from it, holds the turn."
    if is_close:
        return "The ties lie close together and hardly hold the turn. Set one far from them."
    if count == 2:
        return "Two ties hold place and turn. A third would show whether they are right."
    return f"{count} ties hold place and turn, and check each other."


def _fitted(a: np.ndarray, b: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points of scan b in scan a by the least-squares rotation, shift and scale of resolution (complex px)."""
    turn = np.sum((a - a.mean()) * np.conj(b - b.mean()))
    scale = np.sqrt(np.sum(np.abs(a - a.mean()) ** 2) / max(1e-12, float(np.sum(np.abs(b - b.mean()) ** 2))))
    rotation = turn / abs(turn) if turn else 1.0
    return a.mean() + scale * rotation * (points - b.mean())


def _off_the_others(a: np.ndarray, b: np.ndarray, n: int) -> tuple[float, float]:
    """How far tie n lies off where the others put it, and the largest error among the others, px."""
    others = np.arange(len(a)) != n
    errors = np.abs(_fitted(a[others], b[others], b) - a)
    return float(errors[n]), float(errors[others].max())
