"""Maps, windows and lengths."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitch.imaging.affine import angle_deg, apply, compose, invert, mm_from_px, px_from_mm, rigid, scale_of
from stitch.imaging.windows import bands, blocks
from stitch.model.geometry import Size, Window

turns = st.floats(-3.1, 3.1)
shifts = st.floats(-1e4, 1e4)
scales = st.floats(0.1, 10)


@given(turns, shifts, shifts, scales)
def test_a_map_and_its_inverse_cancel(angle: float, x: float, y: float, scale: float) -> None:
    matrix = rigid(angle, x, y, scale)
    points = np.array([[0.0, 0.0], [1000.0, -20.0], [3.0, 700.0]])
    np.testing.assert_allclose(apply(invert(matrix), apply(matrix, points)), points, atol=1e-6)
    assert scale_of(matrix) == pytest.approx(scale)
    assert angle_deg(matrix) == pytest.approx(np.degrees(angle), abs=1e-6)


@given(turns, shifts, turns, shifts)
def test_compose_applies_the_inner_map_first(a: float, x: float, b: float, y: float) -> None:
    outer, inner = rigid(a, x, 1.0), rigid(b, 2.0, y)
    point = np.array([3.0, 4.0])
    np.testing.assert_allclose(apply(compose(outer, inner), point), apply(outer, apply(inner, point)), atol=1e-8)


@given(st.integers(1, 300), st.integers(1, 300), st.integers(1, 90), st.integers(1, 90))
@settings(max_examples=50)
def test_blocks_cover_every_pixel_once(width: int, height: int, block_width: int, block_height: int) -> None:
    count = np.zeros((height, width), int)
    for block in blocks(Window(0, 0, width, height), block_width, block_height):
        rows, columns = block.slices_in(Window(0, 0, width, height))
        count[rows, columns] += 1
    assert (count == 1).all()


def test_bands_are_full_width_from_top_to_bottom() -> None:
    found = list(bands(Size(50, 25), 10))
    assert [(b.y0_px, b.height_px, b.width_px) for b in found] == [(0, 10, 50), (10, 10, 50), (20, 5, 50)]


@given(*[st.integers(-50, 50)] * 2, *[st.integers(0, 60)] * 2)
def test_clipping_stays_inside(x: int, y: int, width: int, height: int) -> None:
    clipped = Window(x, y, width, height).clipped(Size(40, 30))
    assert clipped.is_empty or (clipped.x0_px >= 0 and clipped.x1_px <= 40 and clipped.y1_px <= 30)


@pytest.mark.parametrize(
    ("inches", "pixels"), [((5, 7), (1500, 2100)), ((8, 10), (2400, 3000)), ((24, 36), (7200, 10800))]
)
def test_print_sizes_at_300_dpi(inches: tuple[int, int], pixels: tuple[int, int]) -> None:
    """Common US print sizes at 300 dpi: common practice, no source; 1 in = 25.4 mm exactly."""
    assert tuple(px_from_mm(side * 25.4, 300) for side in inches) == pytest.approx(pixels, abs=1e-9)


@pytest.mark.parametrize(
    ("sheet_mm", "pixels_600"), [((420, 594), (9921, 14031)), ((297, 420), (7016, 9921)), ((210, 297), (4961, 7016))]
)
def test_iso_216_sheets_at_600_dpi(sheet_mm: tuple[int, int], pixels_600: tuple[int, int]) -> None:
    """ISO 216 trimmed sizes A2, A3, A4 (from public tables), pixels rounded."""
    assert tuple(round(px_from_mm(side, 600)) for side in sheet_mm) == pixels_600
    assert mm_from_px(px_from_mm(sheet_mm[0], 600), 600) == pytest.approx(sheet_mm[0])
