"""A master with known corners trimmed: right, or refused with a reason."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.errors import ScanError, UsageError, WriteError
from stitch.imaging.projective import project
from stitch.job.checksums import sha256_of
from stitch.master.carried import read_carried
from stitch.model.settings import Measured
from stitch.pipeline.trimming import TrimRequest, TrimSummary, trim
from tests.pipeline.pictures import write_picture
from tests.size.sheets import Sheet, sheet

MM = 25.4


def master(folder: Path, drawn: Sheet) -> Path:
    return write_picture(folder / "master.tif", drawn.rgb, drawn.ppi, title="Boats")


def worst_corner_mm(done: TrimSummary, drawn: Sheet) -> float:
    assert done.picture is not None
    settings = json.loads(read_carried(done.picture).steps[-1][1])
    width, height = settings["size_px"]
    ring = np.array([[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]])
    found = project(np.array(settings["picture_from_cut"]).reshape(3, 3), ring)
    return float(np.hypot(*(found - drawn.corners_px).T).max()) * MM / drawn.ppi


@pytest.mark.parametrize(
    ("lid", "angle", "more"),
    [("white", 1.3, {"margin_mm": 9.0}), ("black", -1.9, {}), ("open", 0.6, {"deckle_mm": 0.3})],
)
def test_corners_are_found_and_squared(tmp_path: Path, lid: str, angle: float, more: dict[str, float]) -> None:
    drawn = sheet(5, ppi=150, lid=lid, angle_deg=angle, shear_deg=0.1, **more)
    path = master(tmp_path, drawn)
    before = sha256_of(path)
    done = trim(TrimRequest(path, width_mm=90, height_mm=70))
    assert worst_corner_mm(done, drawn) < 0.25
    assert [reading.is_ok for reading in done.readings] == [True, True]
    assert sha256_of(path) == before
    with tifffile.TiffFile(done.picture) as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16 and page.tags[282].value == (150, 1)
        assert page.tags[34675].value and "Ylva Lindgarn" in str(page.tags[315].value)
    events = read_carried(done.picture).events
    assert "joined" in events[1].told and "resampled once" in events[-1].told


def test_square_work_is_only_cropped(tmp_path: Path) -> None:
    drawn = sheet(2, ppi=150, lid="black")
    done = trim(TrimRequest(master(tmp_path, drawn), border_mm=2.0))
    assert done.is_whole and done.picture is not None
    x0, y0 = np.round(drawn.corners_px[0] + 0.5 - 2.0 * 150 / MM).astype(int)
    made = tifffile.imread(done.picture)
    assert any(
        np.array_equal(made[:50, :50], drawn.rgb[y : y + 50, x : x + 50])
        for y in range(y0 - 1, y0 + 2)
        for x in range(x0 - 1, x0 + 2)
    )


def test_only_the_preview_is_drawn(tmp_path: Path) -> None:
    done = trim(TrimRequest(master(tmp_path, sheet(2, ppi=150, angle_deg=1)), only_preview=True))
    assert done.picture is None and done.outline.stat().st_size > 10_000
    assert not (tmp_path / "master_trim.tif").exists()


def test_what_no_scan_covers_is_no_edge(tmp_path: Path) -> None:
    """A wedge of filling across a corner looks like an edge; the labels beside a job's master tell it is none."""
    drawn = sheet(6, ppi=150, lid="white")
    y, x = np.mgrid[0 : drawn.rgb.shape[0], 0 : drawn.rgb.shape[1]]
    filled = y < 18 + 0 * x
    codes = drawn.rgb.copy()
    codes[filled] = (60000, 59000, 61000)
    path = write_picture(tmp_path / "master.tif", codes, 150)
    labels = np.where(filled, 0, 1).astype(np.uint8)
    tifffile.imwrite(tmp_path / "seam-labels.tif", labels, photometric="minisblack", metadata=None)
    done = trim(TrimRequest(path, width_mm=90, height_mm=70))
    assert worst_corner_mm(done, drawn) < 0.25


def test_what_is_not_sure_is_refused(tmp_path: Path) -> None:
    no_lid = master(tmp_path, sheet(1, ppi=150, border_mm=(0.0, 6.0, 6.0, 6.0)))
    with pytest.raises(ScanError, match=r"left edge of master\.tif is not in view"):
        trim(TrimRequest(no_lid))
    drawn = trim(TrimRequest(no_lid, only_preview=True))
    assert "left edge" in drawn.why_not and drawn.outline.exists()
    leaning = write_picture(tmp_path / "leaning.tif", sheet(1, ppi=150, lid="black", shear_deg=0.8).rgb, 150)
    with pytest.raises(ScanError, match="off a right angle"):
        trim(TrimRequest(leaning))
    turned = trim(TrimRequest(leaning, only_turn=True)).lean
    assert turned is not None and turned.corner_deg > 0.5
    with pytest.raises(ScanError, match=r"tape says 95\.0 mm"):
        trim(TrimRequest(leaning, width_mm=95, height_mm=70, only_turn=True, force=True))
    with pytest.raises(UsageError, match="nothing is invented"):
        trim(TrimRequest(leaning, border_mm=20, only_turn=True))


def test_white_without_a_shadow_may_be_a_margin(tmp_path: Path) -> None:
    path = master(tmp_path, sheet(3, ppi=150, has_shadow=False))
    with pytest.raises(ScanError, match="may be the sheet's or that of the paint"):
        trim(TrimRequest(path))
    assert trim(TrimRequest(path, to=Measured.PAINT)).picture
    assert trim(TrimRequest(path, width_mm=90, height_mm=70)).picture


def test_corners_by_hand_and_files_in_the_way(tmp_path: Path) -> None:
    drawn = sheet(4, ppi=150, angle_deg=0.8)
    path = master(tmp_path, drawn)
    places = [((x + 0.5) * MM / 150, (y + 0.5) * MM / 150) for x, y in drawn.corners_px]
    (tmp_path / "master_trim.tif").write_bytes(b"mine")
    with pytest.raises(WriteError, match="not written by stitch"):
        trim(TrimRequest(path, corners_mm=(places[0], places[1], places[2], places[3])))
    (tmp_path / "master_trim.tif").unlink()
    done = trim(TrimRequest(path, corners_mm=(places[0], places[1], places[2], places[3])))
    assert worst_corner_mm(done, drawn) < 0.1
