"""What a painter is told: which command to type next, and what is wrong with the size."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path

import pytest

from stitch.errors import RegisterError
from stitch.model.geometry import Size
from stitch.model.request import JoinRequest
from stitch.model.scans import Scan
from stitch.model.settings import JoinSettings
from stitch.model.size import Edge, SizeCheck, SizeReading
from stitch.pipeline.again import join_command, skip_command, way_out
from stitch.pipeline.sizing import size_findings
from stitch.scans.collect import collect

ROOT = Path("/paintings/scans-joined")


def scan(name: str, path: Path, page: int = 0) -> Scan:
    return Scan(
        scan_id=name,
        path=path,
        page_index=page,
        size=Size(100, 100),
        bits=16,
        is_grey=False,
        ppi_x=600.0,
        ppi_y=600.0,
        orientation=1,
        file_format="TIFF",
        compression="none",
        profile=None,
        sha256="",
        byte_count=1,
        clipped_low_fraction=0.0,
        clipped_high_fraction=0.0,
    )


def asked(folder: Path, **settings: object) -> JoinRequest:
    return JoinRequest(inputs=(folder,), settings=JoinSettings(**settings))


def test_the_next_command_leaves_out_just_the_file_that_was_named(tmp_path: Path) -> None:
    names = ["it's [1].tif", "it's 1.tif", "b.tif", "c.tif"]
    scans = [scan(Path(name).stem, tmp_path / name) for name in names]
    for one in scans:
        one.path.write_bytes(b"")
    words = shlex.split(skip_command(ROOT, ["it's [1]"], scans))
    assert words[:4] == ["stitch", "join", "scans-joined", "--skip"]
    left = collect([one.path for one in scans], skip=words[4:]).files
    assert sorted(path.name for path in left) == sorted(names[1:])


def test_a_page_among_pages_that_fit_cannot_be_left_out(tmp_path: Path) -> None:
    files = [tmp_path / "s" / "A.tif", tmp_path / "s" / "B.tif"]
    root, request = tmp_path / "s-joined", asked(tmp_path / "s")
    files[0].parent.mkdir()
    pages = [scan("A", files[0]), scan("A page 2", files[0], 1), scan("B", files[1])]
    assert skip_command(root, ["A page 2"], pages) == ""
    assert skip_command(root, ["B"], pages) == "stitch join s-joined --skip B.tif"
    assert skip_command(root, ["A", "B"], pages) == ""
    assert join_command(root, request, pages) == "stitch join s"


def test_a_refusal_that_ties_can_mend_ends_with_their_command(tmp_path: Path) -> None:
    root, request = tmp_path / "my scans-joined", asked(tmp_path / "my scans")
    scans = [scan(name, tmp_path / "my scans" / f"{name}.tif") for name in "ABC"]
    alone = RegisterError("C is alone.", advice="Look at it.", strays=("C",), suspects=("B", "C"))
    advice, command = way_out(root, request, alone, scans)
    assert command == "stitch ties 'my scans-joined'"
    assert "stitch join 'my scans-joined' --skip C.tif" in advice and advice.startswith("Look at it.")
    halves = RegisterError("Two groups.", suspects=("A", "C"))
    assert "--skip" not in way_out(root, request, halves, scans)[0]
    hole = RegisterError("A hole.", advice="Scan it.")
    assert way_out(root, request, hole, scans) == ("Scan it.", "stitch join 'my scans'")


@pytest.mark.parametrize("is_continued", [False, True])
def test_where_a_scan_is_missing_the_folder_is_looked_at_again_with_the_same_settings(
    tmp_path: Path, is_continued: bool
) -> None:
    folder = tmp_path / "my scans"
    folder.mkdir()
    scans = [scan("A", folder / "A.tif"), scan("B", folder / "B.tif")]
    request = asked(folder, width_mm=609.6, title="Low tide", up_deg=90, allow_enlarge=True, memory_mb=700)
    request = replace(request, skip=("old*",))
    if is_continued:
        request = replace(request, inputs=(folder / "A.tif", folder / "B.tif"))
    words = shlex.split(join_command(tmp_path / "job", request, scans))
    assert words[:5] == ["stitch", "join", "my scans", "--out", "job"]
    assert words[5:9] == ["--skip", "old*", "--width", "609.6mm"]
    assert words[9:] == ["--allow-enlarge", "--up", "90", "--title", "Low tide"]


def test_a_wrong_width_is_one_failed_check_that_names_both_places() -> None:
    top = SizeReading("width top", 605.0, 0.1, 610.0, 2.5, False)
    bottom = replace(top, name="width bottom", measured_mm=604.0)
    left = SizeReading("height left", 914.0, 0.1, 914.0, 3.3, True)
    found = size_findings(SizeCheck(600.0, (), (top, bottom, left), None, False, None, ()))
    assert [finding.code for finding in found] == ["size"]
    assert "The width measures 605.0 mm at the top and 604.0 mm at the bottom" in found[0].message
    assert "the tape says 610.0 mm (allowed: ± 2.5 mm)" in found[0].message
    assert "--scan-dpi" not in found[0].advice


def test_a_size_that_was_not_checked_is_said() -> None:
    width = SizeReading("width top", 605.0, 0.1, None, None, None)
    check = SizeCheck(600.0, (), (width,), None, False, None, ())
    assert [finding.code for finding in size_findings(check)] == ["size-not-given"]
    hidden = replace(check, edges=(Edge("top", False, None, None, None, "not in view: dark"),), readings=())
    assert [finding.code for finding in size_findings(hidden)] == ["edge-not-in-view"]
    taped = replace(width, expected_mm=605.0, tolerance_mm=2.5, is_ok=True)
    assert size_findings(replace(check, readings=(taped,))) == ()
