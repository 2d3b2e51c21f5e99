"""The outline on a reduced picture, as the pipeline uses it to crop."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.size.outline import find_outline
from stitch.size.strips import Side
from tests.size.sheets import Sheet, sheet

PPI, FACTOR = 200.0, 2
PX_PER_MM = PPI / 25.4 / FACTOR


def reduced(made: Sheet) -> np.ndarray:
    height, width = (n // FACTOR for n in made.rgb.shape[:2])
    part = made.rgb[: height * FACTOR, : width * FACTOR]
    return cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA)


def everything(picture: np.ndarray) -> np.ndarray:
    return np.ones(picture.shape[:2], dtype=bool)


def corner_error_mm(outline, made: Sheet) -> float:
    full = (outline.corners_px + 0.5) * FACTOR - 0.5
    return float(np.hypot(*(full - made.corners_px).T).max()) * 25.4 / PPI


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    "how",
    [
        {},
        {"lid": "black", "angle_deg": 1.5},
        {"lid": "cloth", "angle_deg": -1.0},
        {"margin_mm": 12.0},
        {"border_mm": (30.0, 8.0, 20.0, 5.0)},
    ],
)
def test_corners_are_found_within_a_third_of_a_millimetre(seed: int, how: dict) -> None:
    made = sheet(seed, **how)
    picture = reduced(made)
    outline = find_outline(picture, everything(picture), PX_PER_MM)
    assert all(line.is_in_view and line.sigma_px < 1.0 for line in outline.sides)
    assert corner_error_mm(outline, made) < 0.33


@pytest.mark.parametrize("kind", ["uint8", "float32"])
def test_depth_of_the_picture_does_not_matter(kind: str) -> None:
    made = sheet(3, angle_deg=0.7)
    picture = reduced(made)
    other = (picture >> 8).astype(np.uint8) if kind == "uint8" else (picture / 65535).astype(np.float32)
    wanted = find_outline(picture, everything(picture), PX_PER_MM).corners_px
    np.testing.assert_allclose(find_outline(other, everything(picture), PX_PER_MM).corners_px, wanted, atol=0.3)


@pytest.mark.parametrize("seed", range(4))
def test_scans_cropped_to_the_painting_end_where_they_end(seed: int) -> None:
    picture = reduced(sheet(seed, border_mm=(-2.0, -2.0, -2.0, -2.0)))
    height, width = picture.shape[:2]
    outline = find_outline(picture, everything(picture), PX_PER_MM)
    assert not any(line.is_in_view for line in outline.sides)
    assert all(line.sigma_px is None and "not in view" in line.evidence for line in outline.sides)
    ends = [[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]]
    np.testing.assert_allclose(outline.corners_px, ends)


def test_a_side_out_of_view_ends_where_the_cover_ends() -> None:
    picture = reduced(sheet(2, border_mm=(0.0, 6.0, 6.0, 6.0)))
    covered = everything(picture)
    covered[:, :7] = False
    outline = find_outline(picture, covered, PX_PER_MM)
    left = outline.side(Side.LEFT)
    assert not left.is_in_view
    np.testing.assert_allclose([left.start_px[0], left.end_px[0]], 6.5)
    assert all(outline.side(side).is_in_view for side in (Side.RIGHT, Side.TOP, Side.BOTTOM))


def test_stepped_ends_of_scans_are_not_edges() -> None:
    made = sheet(4, lid="open", border_mm=(12.0, 12.0, 12.0, 12.0))
    picture = reduced(made)
    covered = everything(picture)
    middle = covered.shape[0] // 2
    covered[:middle, :10] = False
    covered[middle:, -16:] = False
    covered[:9, : covered.shape[1] // 2] = False
    picture[~covered] = 0
    assert corner_error_mm(find_outline(picture, covered, PX_PER_MM), made) < 0.33


def test_false_edges_in_paintings_without_any_background_are_rare() -> None:
    found = 0
    for seed in range(20, 40):
        picture = reduced(sheet(seed, border_mm=(-2.0, -2.0, -2.0, -2.0)))
        found += sum(line.is_in_view for line in find_outline(picture, everything(picture), PX_PER_MM).sides)
    assert found <= 2  # of 80 sides, on small sheets with a dozen strips a side


def test_a_line_that_could_be_paint_on_a_blank_margin_is_not_safe_to_crop_to() -> None:
    cropped_sheet = reduced(sheet(1, margin_mm=12.0, border_mm=(-2.0, -2.0, -2.0, -2.0)))
    outline = find_outline(cropped_sheet, everything(cropped_sheet), PX_PER_MM)
    assert not any(line.is_safe_to_crop for line in outline.sides)
    for how in ({}, {"margin_mm": 12.0}, {"lid": "black"}, {"lid": "cloth"}):
        picture = reduced(sheet(1, **how))
        assert all(line.is_safe_to_crop for line in find_outline(picture, everything(picture), PX_PER_MM).sides)
