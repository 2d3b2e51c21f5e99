"""Links that contradict each other: drop a feeble one, refuse when the scans could lie in more than one way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stitch.errors import RegisterError
from stitch.model.findings import Finding, Severity
from stitch.register import graph
from stitch.register.pairs import Pair
from stitch.register.solve import Points, Pose, residuals, solve

CONFLICT_REDUCED_PX = 6.0  # true links settle within one or two reduced px
STATED_SIGMAS = 5.0
FEEBLE_SHARE = 0.5  # of the median match ratio of all links


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """Poses and points without contradiction, and what was dropped."""

    poses: Mapping[str, Pose]
    points: tuple[Points, ...]
    findings: tuple[Finding, ...]


def settle(
    poses: Mapping[str, Pose], points: Sequence[Points], pairs: Sequence[Pair], anchor: str, reduced_px: float
) -> Settled:
    """Solve on features and remove links that contradict the rest.

    `reduced_px` is the size of a reduced px in nominal px. Raises RegisterError when a strong link contradicts.
    """
    kept = list(zip(points, pairs, strict=True))
    typical = float(np.median([pair.candidate.match_ratio for pair in pairs]))
    findings: list[Finding] = []
    while True:
        solved = solve(poses, [p for p, _ in kept], anchor).poses
        off = [float(np.median(np.hypot(*residuals(solved, p).T))) for p, _ in kept]
        limits = [max(CONFLICT_REDUCED_PX * reduced_px, _stated_px(p)) for p, _ in kept]
        worst = int(np.argmax(np.divide(off, limits)))
        if off[worst] <= limits[worst]:
            return Settled(solved, tuple(p for p, _ in kept), tuple(findings))
        _, pair = kept.pop(worst)
        linked = len(graph.groups(poses, [p.scan_ids for _, p in kept])) == 1
        if not linked or pair.candidate.match_ratio > FEEBLE_SHARE * typical:
            raise _ambiguous(pair, off[worst])
        findings.append(_dropped(pair))


def _stated_px(points: Points) -> float:
    """How far off points may be whose covariance is stated; 0 for others."""
    if not points.is_stated:
        return 0.0
    return STATED_SIGMAS * float(np.sqrt(np.linalg.eigvalsh(points.covariance_px2)[:, -1].max()))


def _ambiguous(pair: Pair, off_px: float) -> RegisterError:
    a, b = pair.scan_ids
    if pair.tie_count:
        return RegisterError(
            f"The ties between {a} and {b} put them {off_px:.0f} px away from where the other scans put them.",
            advice="Look at these ties again; take out the one that is not the same place in both scans.",
            scan_ids=(a, b),
        )
    return RegisterError(
        f"{a} and {b} match each other, but {off_px:.0f} px away from where the other scans put them: "
        "the scans could lie in more than one way.",
        advice="Check for a scan of another painting or a repeated pattern; leave one out with --skip and run again.",
        scan_ids=(a, b),
        suspects=(a, b),
    )


def _dropped(pair: Pair) -> Finding:
    a, b = pair.scan_ids
    return Finding(
        "link-dropped",
        Severity.WARNING,
        f"A feeble match between {a} and {b} contradicted the other scans and was not used.",
        "Look at the seam between them in the report.",
        (a, b),
    )
