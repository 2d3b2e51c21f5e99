"""Each scan's exposure and colour against the others', from light compared in overlaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitch.check.compare import Shared, levels

ODD_LOG = float(np.log(1.15))  # lamps drift by a few percent between scans; automatic exposure goes beyond


@dataclass(frozen=True, slots=True)
class Exposure:
    """A scan's light against that of most scans, as factors."""

    scan_id: str
    light: float
    channels: tuple[float, float, float]

    @property
    def is_odd(self) -> bool:
        """Whether no lamp's drift explains it."""
        return max(abs(float(np.log(v))) for v in (self.light, *self._cast)) > ODD_LOG

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
    return found
