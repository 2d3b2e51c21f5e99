"""What the small turns of scans against each other show of the bed's shape, and whether that is plain.

Scans turned by δ against each other show only δ times the shape that they share, as a stretch of their overlap by a few
hundredths of a px, and errors that all patches of an overlap have in common look just like it. So a figure is believed
only where it stands out from both of its standard errors:

- by the test for lack of fit (Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, section 2.1): what the
  overlaps, each taken as one affine map, contradict each other by is the noise, when that is more than the patches' own
  scatter, with Student's t for as many degrees of freedom as there are;
- by the jackknife over overlaps (Tukey, Ann. Math. Stat. 29, 1958): how much it changes without any one of them, so
  that one overlap whose patches err together does not carry it alone.

What small turns show makes precise overlaps meet; it is not told as the scanner's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from stitch.imaging.affine import FloatArray, apply
from stitch.model.bed import BedSource
from stitch.register.solve import (
    BOTH_FIGURES,
    Points,
    Pose,
    Solution,
    figures_of,
    measured,
    normal_equations,
    pair_equations,
    precisions_of,
    shows_bed,
    solve,
    weighted,
)

CHANCE = 0.0027  # with which a figure that is not there stands out: three standard deviations of a normal error
SINGULAR = 1e-9  # share of its own information that keeps a scan in place while nothing else does


def feel(poses: Mapping[str, Pose], points: Sequence[Points], anchor: str) -> Solution:
    """As `solve`, with those of the bed's figures that small turns show plainly; the bed's source stays unknown then.

    For precise points of scans that no correction bends.
    """
    figures: tuple[int, ...] = BOTH_FIGURES
    if shows_bed(poses, points) or poses[anchor].bed.source is not BedSource.UNKNOWN:
        return solve(poses, points, anchor)
    while figures:
        found = solve(poses, points, anchor, figures)
        sigma, least = _standard_errors(found, points)
        is_plain = np.abs(figures_of(found.poses[anchor].bed)[list(figures)]) > least * sigma
        if is_plain.all():
            bed = measured(found.poses[anchor].bed, figures, sigma, BedSource.UNKNOWN)
            return replace(found, poses={name: replace(pose, bed=bed) for name, pose in found.poses.items()})
        figures = tuple(figure for figure, is_kept in zip(figures, is_plain, strict=True) if is_kept)
    return solve(poses, points, anchor, ())


def _standard_errors(found: Solution, points: Sequence[Points]) -> tuple[FloatArray, float]:
    """Those of the figures solved for, and how many of them a figure must stand out by."""
    from scipy.special import stdtrit

    explained, count = _explained(found, points)
    freedom = count - len(found.covariance)
    if freedom < 1:
        return np.full(len(found.figures), np.inf), 1.0
    excess = max(1.0, float(np.sqrt(explained / freedom)))
    sigma = excess * np.sqrt(np.diag(found.covariance)[-len(found.figures) :])
    return np.maximum(sigma, _jackknife_sigma(found, points)), float(stdtrit(freedom, 1 - CHANCE / 2))


def _explained(found: Solution, points: Sequence[Points]) -> tuple[float, int]:
    """What affine maps of each overlap's own would still explain, in squared standard deviations, and their numbers."""
    total, count = 0.0, 0
    for pair, precision in zip(points, precisions_of(points), strict=True):
        if pair.is_stated or pair.is_coarse:
            continue
        off, weight = weighted(found.poses, pair, precision, found.spread)
        half = np.linalg.cholesky(weight).transpose(0, 2, 1) / found.spread
        target = (half @ off[..., None]).reshape(-1)
        maps = (half @ _affine(apply(found.poses[pair.scan_a].matrix(), pair.points_a))).reshape(len(target), -1)
        fitted, _, rank, _ = np.linalg.lstsq(maps, target, rcond=1e-9)
        total += float(np.square(maps @ fitted).sum())
        count += int(rank)
    return total, count


def _affine(places: FloatArray) -> FloatArray:
    """Derivatives (n, 2, 6) of places (n, 2) under an affine map by its numbers."""
    arms = (places - places.mean(axis=0)) / np.maximum(places.std(axis=0), 1e-9)
    plain = np.column_stack([np.ones(len(places)), arms])
    return np.asarray(np.einsum("nk,ij->nijk", plain, np.eye(2)).reshape(len(places), 2, 6))


def _jackknife_sigma(found: Solution, points: Sequence[Points]) -> FloatArray:
    """Standard errors of the figures by how they change without each overlap (linearised)."""
    precisions, how = precisions_of(points), (found.column, found.spread, found.figures)
    whole, right = normal_equations(found.poses, points, precisions, *how)
    held = whole + SINGULAR * np.diag(np.diag(whole))
    changes = []
    for pair, precision in zip(points, precisions, strict=True):
        place, part, pull = pair_equations(found.poses, pair, precision, *how)
        rest, pulling = held.copy(), right.copy()
        rest[np.ix_(place, place)] -= part
        pulling[place] -= pull
        changes.append(np.linalg.solve(rest, pulling)[-len(found.figures) :])
    return np.asarray(np.sqrt((1 - 1 / len(points)) * np.square(changes).sum(axis=0)))
