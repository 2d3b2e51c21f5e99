"""Orientation 1 to 8. TIFF revision 6.0 (Adobe, 3 June 1992), page 36, tag 274: which side of the visual picture the
0th row and the 0th column stand for. Typed from a transcription of that page; Exif uses the same values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from stitch.model.geometry import Size, Window
from stitch.scans.orientation import shown_pixels, shown_size, stored_window
from stitch.scans.readers import open_scan
from tests.scans.pictures import oriented, painting, read_scan, read_whole, scan_of, write_tiff

SIDES = {  # orientation: (side of the 0th row, side of the 0th column)
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def distance_from(side: str, x: np.ndarray, y: np.ndarray, width: int, height: int) -> np.ndarray:
    """How many rows or columns a visual pixel lies from a visual side."""
    return {"top": y, "bottom": height - 1 - y, "left": x, "right": width - 1 - x}[side]


@pytest.mark.parametrize("orientation", SIDES)
@pytest.mark.parametrize("cache_bytes", [0, 32 << 20])
@pytest.mark.parametrize("compression", [None, "lzw"])
def test_the_standards_definition(
    orientation: int, compression: str | None, cache_bytes: int, tmp_path: Path, scratch: Path
) -> None:
    stored = painting(31, 47)
    path = write_tiff(tmp_path / "a.tif", stored, compression=compression, rowsperstrip=5, **oriented(orientation))
    got = read_scan(scan_of(path, scratch), scratch, cache_bytes=cache_bytes)
    row_side, column_side = SIDES[orientation]
    height, width = (31, 47) if row_side in ("top", "bottom") else (47, 31)
    y, x = np.mgrid[0:height, 0:width]
    expected = stored[distance_from(row_side, x, y, width, height), distance_from(column_side, x, y, width, height)]
    assert np.array_equal(got, expected)


@pytest.mark.parametrize("orientation", SIDES)
def test_pillow_agrees(orientation: int, tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(31, 47, bits=8), **oriented(orientation))
    with Image.open(path) as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    assert np.array_equal(read_whole(path, scratch), expected)


@pytest.mark.parametrize("orientation", SIDES)
def test_facts_are_as_shown(orientation: int, tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(31, 47), resolution=(600, 300), **oriented(orientation))
    scan = scan_of(path, scratch)
    turned = orientation >= 5
    assert scan.size == (Size(31, 47) if turned else Size(47, 31))
    assert (scan.ppi_x, scan.ppi_y) == ((300, 600) if turned else (600, 300))
    assert scan.orientation == orientation


@settings(deadline=None, max_examples=60)
@given(orientation=st.integers(1, 8), data=st.data())
def test_windows_of_the_shown_picture(orientation: int, data: st.DataObject) -> None:
    stored = painting(23, 17)
    size = Size(17, 23)
    whole = shown_pixels(stored, orientation)
    shown = shown_size(size, orientation)
    assert whole.shape[:2] == (shown.height_px, shown.width_px)
    x0 = data.draw(st.integers(0, shown.width_px))
    y0 = data.draw(st.integers(0, shown.height_px))
    window = Window(
        x0, y0, data.draw(st.integers(0, shown.width_px - x0)), data.draw(st.integers(0, shown.height_px - y0))
    )
    inner = stored_window(window, size, orientation)
    rows, columns = inner.slices_in(size.window())
    got = shown_pixels(stored[rows, columns], orientation)
    rows, columns = window.slices_in(shown.window())
    assert np.array_equal(got, whole[rows, columns])


@pytest.mark.parametrize("orientation", SIDES)
@pytest.mark.parametrize(
    "layout", [{}, {"tile": (16, 16)}, {"compression": "zlib", "rowsperstrip": 4}, {"planarconfig": "separate"}]
)
def test_windowed_reads_equal_the_whole(orientation: int, layout: dict, tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(45, 37), **layout, **oriented(orientation))
    source = open_scan(scan_of(path, scratch), scratch=scratch)
    whole = source.read(source.size.window())
    rng = np.random.default_rng(orientation)
    for _ in range(25):
        x0, y0 = rng.integers(0, source.size.width_px), rng.integers(0, source.size.height_px)
        window = Window(
            int(x0),
            int(y0),
            int(rng.integers(1, source.size.width_px - x0 + 1)),
            int(rng.integers(1, source.size.height_px - y0 + 1)),
        )
        got = source.read(window)
        assert got.flags.c_contiguous
        assert np.array_equal(got, whole[window.y0_px : window.y1_px, window.x0_px : window.x1_px])
    source.close()
