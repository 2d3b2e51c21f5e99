"""What the ties of one pair of scans pin down, and which of them contradict the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px, px_from_mm
from stitch.model.ties import Tie
from stitch.ties.snap import CLICK_SIGMA_MM

CONTRADICTS_SIGMAS = 5.0
MOST_TRIED = 24  # ties of which every two are tried

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PairPins:
    """How well two scans are held by their ties."""

    count: int
    what: str  # one sentence
    residual_px: tuple[float, ...]  # of each tie under the fit of those that agree; zeros below three ties
    doubtful: tuple[int, ...]  # ties that contradict the rest
    said: tuple[str, ...]  # what each of these disagrees with


def judge(
    ties: Sequence[Tie], ppi: float, *, scale_b: float = 1.0, sigma_px: Sequence[float] | None = None
) -> PairPins:
    """Judge the ties of one pair, all in one sense.

    Parameters
    ----------
    ppi : resolution of scan a; `scale_b` : px of a in a px of b (ppi of a ÷ ppi of b).
    sigma_px : standard deviation of each tie along each axis, px of a; that of a click when None.
    """
    count = len(ties)
    sigma = np.array(sigma_px if sigma_px is not None else [px_from_mm(CLICK_SIGMA_MM, ppi)] * count)
    if count < 2:
        return PairPins(count, _what(count, []), (0.0,) * count, (), ())
    a = np.array([tie.a_px for tie in ties])
    b = np.array([tie.b_px for tie in ties]) * scale_b
    good = _agreeing(a, b, sigma)
    doubtful = tuple(int(k) for k in np.flatnonzero(~good))
    residual = _residual(a, b, good, sigma) if good.sum() >= 2 else np.zeros(count)
    shown = tuple(float(v) for v in residual) if count > 2 else (0.0,) * count
    said = tuple(_said(ties, k, good, residual, ppi) for k in doubtful)
    return PairPins(count, _what(count, [v for k, v in enumerate(shown) if good[k]]), shown, doubtful, said)


def _agreeing(a: FloatArray, b: FloatArray, sigma: FloatArray) -> NDArray[np.bool_]:
    """The largest set of ties that one rigid placement explains; none where several sets are as large."""
    best: list[tuple[int, float, NDArray[np.bool_]]] = []
    for i, j in combinations(range(min(len(a), MOST_TRIED)), 2):
        use = np.zeros(len(a), bool)
        use[[i, j]] = True
        for _ in range(4):
            good = _residual(a, b, use, sigma) <= CONTRADICTS_SIGMAS * _spread(a, use, sigma)
            if (good == use).all() or good.sum() < 2:
                break
            use = good
        if good.sum() >= 2 and good[use].all():
            best.append((int(good.sum()), -float(_residual(a, b, good, sigma)[good].mean()), good))
    if not best:
        return np.zeros(len(a), bool)
    most, _, chosen = max(best, key=lambda one: one[:2])
    is_only = all((other == chosen).all() for number, _, other in best if number == most)
    return chosen if is_only or most > len(a) / 2 + 0.5 or most == len(a) else np.zeros(len(a), bool)


def _fit(a: FloatArray, b: FloatArray, sigma: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The rotation and shift that take b to a (Kabsch, Acta Cryst. A32, 922, 1976)."""
    w = 1 / sigma**2
    w = w / w.sum()
    middle_a, middle_b = w @ a, w @ b
    u, _, vt = np.linalg.svd(((a - middle_a) * w[:, None]).T @ (b - middle_b))
    turn = (u * np.array([1.0, np.linalg.det(u) * np.linalg.det(vt)])) @ vt
    return turn, middle_a - turn @ middle_b


def _residual(a: FloatArray, b: FloatArray, use: NDArray[np.bool_], sigma: FloatArray) -> FloatArray:
    turn, shift = _fit(a[use], b[use], sigma[use])
    return np.asarray(np.hypot(*(a - b @ turn.T - shift).T))


def _spread(a: FloatArray, use: NDArray[np.bool_], sigma: FloatArray) -> FloatArray:
    """Standard deviation expected of each residual: its own, that of the fit's shift and, by its arm, of its turn."""
    info = 1 / sigma[use] ** 2
    middle = (info @ a[use]) / info.sum()
    arm = ((a - middle) ** 2).sum(axis=1)
    inertia = max(float(info @ arm[use]), 1e-12)
    return np.asarray(np.sqrt(sigma**2 + 1 / info.sum() + arm / inertia))


def _what(count: int, residuals_px: Sequence[float]) -> str:
    if count == 0:
        return "Nothing holds these two yet."
    if count == 1:
        return "One tie holds the position; one more holds the turn."
    if count == 2:
        return "Two ties hold position and turn; a third would show errors."
    worst = max(residuals_px, default=0.0)
    return f"{count} ties check each other: those that agree do so within {worst:.1f} px."


def _said(ties: Sequence[Tie], k: int, good: NDArray[np.bool_], residual: FloatArray, ppi: float) -> str:
    name = _name(ties, k)
    others = [_name(ties, i) for i in range(len(ties)) if i != k and (good[i] or not good.any())]
    listed = ", ".join(others)
    if not good.any():
        return f"{name} and {listed} contradict each other, and there are too few to tell which is wrong."
    far = float(residual[k])
    return f"{name} is {far:.0f} px ({mm_from_px(far, ppi):.1f} mm) away from where {listed} put it."


def _name(ties: Sequence[Tie], k: int) -> str:
    return f"line {ties[k].line}" if ties[k].line else f"tie {k + 1}"
