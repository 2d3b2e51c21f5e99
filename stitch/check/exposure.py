"""Each scan's exposure and colour against the others', from light compared in overlaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.check.compare import Shared, levels

ODD_LOG = float(np.log(1.15))  # lamps drift by a few percent between scans; automatic exposure goes beyond
LEAST_ODD_LOG = float(np.log(1.04))  # below, a setting is not told apart from a lamp's drift
STEADY_TIMES = 5.0  # the spread of the other scans: so far off one is no drift of theirs
LEAST_OTHERS = 4
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True)
class Exposure:
    """A scan's light against that of most scans, as factors."""

    scan_id: str
    light: float
    channels: tuple[float, float, float]
    is_unsteady: bool = False  # far beside the others, which agree much better with each other

    @property
    def is_odd(self) -> bool:
        """Whether no lamp's drift explains it."""
        return self.most_log > ODD_LOG

    @property
    def most_log(self) -> float:
        """The larger of how far light and colour are off, log."""
        return max(abs(float(np.log(v))) for v in (self.light, *self._cast))

    @property
    def is_cast(self) -> bool:
        """Whether it is the colour that is off, more than the light."""
        return max(abs(float(np.log(v))) for v in self._cast) > abs(float(np.log(self.light)))

    @property
    def _cast(self) -> tuple[float, ...]:
        return tuple(channel / self.light for channel in self.channels)


def exposures(names: Sequence[str], shared: Sequence[Shared]) -> list[Exposure]:
    """The exposure of every scan that shares enough with others."""
    with_light = [one for one in shared if len(one.light)]
    medians = [np.median(one.light, axis=0) for one in with_light]
    channels = []
    for k in range(3):
        channels.append(
            levels(
                names,
                [(s.scan_a, s.scan_b, float(m[k]), len(s.light)) for s, m in zip(with_light, medians, strict=True)],
            )
        )
    found = []
    for name in channels[0]:
        red, green, blue = (float(np.exp(channel[name])) for channel in channels)
        light = float(np.exp(np.mean([channel[name] for channel in channels])))
        found.append(Exposure(name, light, (red, green, blue)))
    return [replace(one, is_unsteady=_is_beside(one, found)) for one in found]


def _is_beside(one: Exposure, found: Sequence[Exposure]) -> bool:
    """Whether a scan is off by far more than the others are (median absolute deviation)."""
    others = np.array([other.most_log for other in found if other.scan_id != one.scan_id])
    if len(others) < LEAST_OTHERS:
        return False
    return one.most_log > max(LEAST_ODD_LOG, STEADY_TIMES * MAD_TO_SIGMA * float(np.median(others)))
