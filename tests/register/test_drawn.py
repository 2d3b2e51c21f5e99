"""Works without colour: what turned scans of them are compared in, and what is said when they cannot be."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitch.errors import RegisterError
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size, Window
from stitch.register.drawn import fine_tooth_of, has_colour, log_grey
from stitch.register.evidence import Signal
from stitch.register.patches import Side, measure
from stitch.register.plan import Grain
from stitch.register.reduced import Reduced
from stitch.register.refusal import refuse_unlinked

SIDE_PX = 420
NO_SPOTS = np.zeros((0, 3))


class Held:
    """Pixels in memory, read by windows."""

    def __init__(self, grey: NDArray[np.float32]) -> None:
        self._codes = np.repeat((np.clip(grey, 0, 1) * 65535).astype(np.uint16)[..., None], 3, axis=2)
        self.size = Size(grey.shape[1], grey.shape[0])

    def read(self, window: Window) -> NDArray[np.uint16]:
        return self._codes[window.y0_px : window.y1_px, window.x0_px : window.x1_px]


def drawing(seed: int, line_count: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Albedo of a drawing and the shade of its paper's tooth, lit from the left."""
    rng = np.random.default_rng(seed)
    lines = np.zeros((4 * SIDE_PX, 4 * SIDE_PX), np.float32)
    for _ in range(line_count):
        ends = rng.integers(0, 4 * SIDE_PX, (2, 2))
        cv2.line(lines, tuple(map(int, ends[0])), tuple(map(int, ends[1])), 1.0, 7, cv2.LINE_AA)
    lines = np.asarray(cv2.resize(lines, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA))
    height = cv2.GaussianBlur(rng.standard_normal((SIDE_PX, SIDE_PX)).astype(np.float32), (0, 0), 1.5)
    shade = np.asarray(cv2.Sobel(height, cv2.CV_32F, 1, 0))
    return (0.85 * (1 - 0.7 * lines)).astype(np.float32), 0.02 * shade / shade.std()


def turned_pair(seed: int, line_count: int) -> tuple[Side, Side]:
    """The same sheet as it lies, and turned by 180°: the lamp then lights its tooth from the other side."""
    albedo, shade = drawing(seed, line_count)
    noise = np.random.default_rng(seed + 1).normal(0, 0.003, (2, SIDE_PX, SIDE_PX))
    a = Held((albedo * (1 + shade) + noise[0]).astype(np.float32))
    b = Held(np.rot90(albedo * (1 - shade) + noise[1], 2).astype(np.float32))
    far = SIDE_PX - 1.0
    upright, over = np.eye(2, 3), np.array([[-1.0, 0.0, far], [0.0, -1.0, far]])
    return (
        Side("a", a, PlacedMap(upright, a.size), NO_SPOTS),
        Side("b", b, PlacedMap(over, b.size), NO_SPOTS),
    )


@pytest.mark.parametrize(("seed", "line_count"), [(1, 60), (2, 60), (3, 0)])
def test_turned_scans_without_colour_are_measured_where_they_lie(seed: int, line_count: int) -> None:
    a, b = turned_pair(seed, line_count)
    found = measure(a, b, 180, Grain(search_px=4))
    assert found.signal is Signal.DRAWN_LINES
    assert found.count >= 6
    off = found.points_b - (SIDE_PX - 1.0 - found.points_a)
    assert np.abs(off).max() < 0.3
    assert np.abs(np.median(off, axis=0)).max() < 0.06


def test_drawings_have_no_colour_and_paintings_have() -> None:
    grey = np.repeat((drawing(4, 60)[0] * 65535).astype(np.uint16)[..., None], 3, axis=2)
    coloured = grey.copy()
    coloured[100:200, :, 0] //= 2
    scans = (Reduced("one", codes, 1, Size(SIDE_PX, SIDE_PX)) for codes in (grey, coloured))
    assert [has_colour(scan) for scan in scans] == [False, True]


def test_a_few_lines_make_the_tooth_come_out_somewhat_larger_never_smaller() -> None:
    albedo, shade = drawing(5, 8)
    bare, drawn = (fine_tooth_of(log_grey(np.dstack([one] * 3))) for one in (0.85 * (1 + shade), albedo * (1 + shade)))
    assert bare < drawn < 1.5 * bare


def test_of_unlinked_scans_without_colour_it_is_said_that_they_must_not_lie_turned() -> None:
    with pytest.raises(RegisterError) as refused:
        refuse_unlinked(["a", "b"], [], is_colourless=lambda name: name == "b")
    assert "If b was laid turned: it shows no colour to compare" in refused.value.advice
    with pytest.raises(RegisterError) as plain:
        refuse_unlinked(["a", "b"], [])
    assert "turned" not in plain.value.advice
