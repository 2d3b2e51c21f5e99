"""Prints of one picture: exact, in its colours, one reading, whole or not at all."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from fixtures.flatbed.profiles import wide_gamut_profile
from stitch.cli.print_sizes import wanted_sizes
from stitch.errors import ScanError, UsageError, WriteError
from stitch.imaging.colour import Encoding, delta_e_2000
from stitch.job.checksums import sha256_of
from stitch.model.prints import FileKind, Fit
from stitch.pipeline.print_plan import PrintRequest
from stitch.pipeline.print_records import write_records
from stitch.pipeline.printing import make_prints
from stitch.pipeline.proofing import make_proof
from stitch.prints.colours import srgb_profile
from stitch.prints.fit import Room
from stitch.prints.sizes import PrintSize
from tests.pipeline.pictures import painted, write_picture


def asked(path: Path, sizes: str, **more: object) -> PrintRequest:
    wanted = wanted_sizes(sizes, unit=None, own={})
    return PrintRequest(path, wanted, **{"dpi": 100.0, "fit": Fit.CROP, **more})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """200 × 150 mm at 150 dpi, in a wide profile."""
    folder = tmp_path_factory.mktemp("work")
    codes = np.rint(painted(1181, 886) * 0.5 + 16000).astype(np.uint16)
    return write_picture(folder / "boats.tif", codes, 150.0, profile=wide_gamut_profile(), title="Boats: two?")


def test_every_size_is_exact_and_says_what_it_is(work: Path, tmp_path: Path) -> None:
    before = sha256_of(work)
    request = asked(work, "5x7in,4x4in:border,A5", out=tmp_path, room=Room(border_mm=5.0), paper="cotton", copies=3)
    done = make_prints(request)
    page, slip = write_records(done, request)
    assert [one.path.name for one in done.prints] == [
        "Boats- two_5x7in_100dpi.jpg",
        "Boats- two_4x4in_100dpi.jpg",
        "Boats- two_A5_100dpi.jpg",
    ]
    for one, size in zip(done.prints, [(700, 500), (400, 400), (827, 583)], strict=True):
        with Image.open(one.path) as found:
            found.load()
            assert found.size == size and found.info["dpi"] == (100, 100) and found.mode == "RGB"
            assert found.getexif()[315] == "Ylva Lindgarn" and b"print " in found.info["xmp"]
    assert (np.asarray(Image.open(done.prints[1].path))[:19] == 255).all()
    rows = list(csv.DictReader(slip.read_text(encoding="utf-8").splitlines()))
    assert [row["copies"] for row in rows] == ["3"] * 3 and rows[0]["paper"] == "cotton"
    assert "order a proof" in page.read_text(encoding="utf-8")
    record = json.loads((done.folder / "prints.json").read_text(encoding="utf-8"))
    assert record["prints"]["Boats- two_5x7in_100dpi.jpg"]["sha256"] == done.prints[0].sha256
    assert sha256_of(work) == before


def test_colours_in_gamut_stay_what_they_were(work: Path, tmp_path: Path) -> None:
    done = make_prints(asked(work, "8x6in", out=tmp_path, fit=Fit.CROP, quality=95))
    frame = done.prints[0].frame
    with Image.open(done.prints[0].path) as found:
        lab = Encoding.of_profile(None).lab(np.asarray(found) / 255.0)
    own = Encoding.of_profile(wide_gamut_profile())
    scale = frame.part.width / frame.paper.width_px
    x = np.rint(frame.part.x0 + (np.arange(frame.paper.width_px) + 0.5) * scale - 0.5).astype(int)
    y = np.rint(frame.part.y0 + (np.arange(frame.paper.height_px) + 0.5) * scale - 0.5).astype(int)
    true = own.lab(tifffile.imread(work)[np.ix_(y, x)] / 65535.0)
    off = delta_e_2000(lab, true)
    assert done.out_of_gamut < 0.5 and np.median(off) < 0.6
    assert off[off < 3].mean() < 1.0


def test_sixteen_bits_in_its_own_profile(work: Path, tmp_path: Path) -> None:
    request = asked(work, "5x7in", out=tmp_path, kind=FileKind.TIFF16, keeps_profile=True, dpi=150.0)
    done = make_prints(request)
    with tifffile.TiffFile(done.prints[0].path) as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16 and page.shape == (750, 1050, 3)
        assert page.tags[34675].value == wide_gamut_profile() and page.tags[282].value == (150, 1)


def test_eight_bits_without_a_profile_and_a_profile_that_is_not_for_rgb(tmp_path: Path) -> None:
    codes = (painted(400, 300) >> 8).astype(np.uint8)
    tifffile.imwrite(
        tmp_path / "bare.tif", codes, photometric="rgb", resolution=(100, 100), resolutionunit="INCH", metadata=None
    )
    done = make_prints(asked(tmp_path / "bare.tif", "4x3in", out=tmp_path, kind=FileKind.TIFF8))
    assert done.is_profile_assumed and done.title == "bare"
    assert np.array_equal(tifffile.imread(done.prints[0].path), codes)
    grey = srgb_profile()[:16] + b"GRAY" + srgb_profile()[20:]
    write_picture(tmp_path / "grey.tif", codes, 100.0, profile=grey)
    with pytest.raises(ScanError, match="is made for GRAY"):
        make_prints(asked(tmp_path / "grey.tif", "4x3in", out=tmp_path))


def test_shapes_are_the_painters_choice_and_nothing_grows_silently(work: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"another shape.*5x7in would lose"):
        make_prints(asked(work, "5x7in", out=tmp_path, fit=None))
    done = make_prints(asked(work, "5x7in,16x20in", out=tmp_path))
    assert [one.frame.size.name for one in done.prints] == ["5x7in"]
    assert "the picture has 55 dpi" in done.skipped[0].why
    grown = make_prints(asked(work, "16x20in", out=tmp_path, most_enlarge=2.0))
    assert grown.prints[0].frame.enlargement == pytest.approx(100 / 55.4, abs=0.01)


def test_what_must_stay_in_stays_in(work: Path, tmp_path: Path) -> None:
    kept = make_prints(asked(work, "4x4in", out=tmp_path, keep_mm=(2.0, 20.0, 60.0, 60.0)))
    part = kept.prints[0].frame.part
    assert part.x0 <= 2 * 150 / 25.4 and part.x0 + part.width >= 62 * 150 / 25.4
    with pytest.raises(UsageError, match="does not fit into 4x4in"):
        make_prints(asked(work, "4x4in", out=tmp_path / "b", keep_mm=(2.0, 20.0, 180.0, 60.0)))


def test_limits_of_a_service(work: Path, tmp_path: Path) -> None:
    small = make_prints(asked(work, "7x5in", out=tmp_path, most_px=350, most_mb=1.0))
    assert small.prints[0].frame.paper.width_px == 350 and small.prints[0].path.name.endswith("_50dpi.jpg")
    tight = make_prints(asked(work, "7x5in", out=tmp_path, most_mb=small.prints[0].byte_count * 1.6 / 1e6))
    assert tight.prints == () or (tight.prints[0].quality or 0) < 92
    none = make_prints(asked(work, "A5", out=tmp_path / "none", most_mb=0.001))
    assert none.prints == () and "more than --max-mb" in none.skipped[0].why
    assert not list((tmp_path / "none").rglob("*.*"))


def test_nothing_in_the_way_is_replaced_and_nothing_is_left_of_a_failure(work: Path, tmp_path: Path) -> None:
    (tmp_path / "Boats- two").mkdir()
    (tmp_path / "Boats- two" / "BOATS- two_a5_100DPI.jpg").write_bytes(b"mine")
    with pytest.raises(WriteError, match="holds BOATS- two_a5"):
        make_prints(asked(work, "A5,5x7in", out=tmp_path))
    with pytest.raises(UsageError, match="too little"):
        make_prints(asked(work, "A6,5x7in", out=tmp_path, memory_mb=100))
    assert [path.name for path in (tmp_path / "Boats- two").iterdir()] == ["BOATS- two_a5_100DPI.jpg"]


def test_the_picture_is_read_once_for_all_sizes(work: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from stitch.scans.readers import ShownPixels

    rows = 0
    read = ShownPixels.read

    def counted(self, window):  # type: ignore[no-untyped-def]
        nonlocal rows
        rows += window.height_px if window.height_px > 1 else 0  # single rows are the glance for details
        return read(self, window)

    monkeypatch.setattr(ShownPixels, "read", counted)
    make_prints(asked(work, "5x7in,A5,A6,4x4in,4x6in", out=tmp_path))
    assert rows <= 886


def test_a_proof_shows_the_risks_at_print_scale(work: Path, tmp_path: Path) -> None:
    (work.parent / "seams.json").write_text(
        json.dumps({"seams": [{"step_de00": [0.1, None, 0.4], "points_px": [[500, 10], [500, 400], [505, 800]]}]})
    )
    request = asked(work, "7x5in", out=tmp_path)
    path = make_proof(request, PrintSize("A5", 148, 210))
    with Image.open(path) as found:
        found.load()
        assert found.size == (583, 827) and found.info["dpi"] == (100, 100)
        board = np.asarray(found)
    greys = board[827 - 39 - 100 : -39]
    assert (np.ptp(greys.astype(int), axis=2) <= 2).mean() > 0.95
    with pytest.raises(WriteError, match="exists already"):
        make_proof(request, PrintSize("A5", 148, 210))
    with pytest.raises(UsageError, match="cannot be proofed"):
        make_proof(asked(work, "16x20in", out=tmp_path), PrintSize("A4", 210, 297))
