"""Which files of a folder are scans."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitch.errors import ScanError
from stitch.model.findings import Severity
from stitch.scans.collect import Collected, collect
from tests.scans.pictures import painting, write_tiff


def folder_of(tmp_path: Path, *names: str) -> Path:
    folder = tmp_path / "scans"
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"not looked into")
    folder.mkdir(exist_ok=True)
    return folder


def found(collected: Collected) -> list[str]:
    return [file.name for file in collected.files]


def test_picture_files_in_natural_order(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "s10.TIF", "s2.tiff", "s1.Png", "s3.JPEG", "s4.jpg", "notes.txt", "s.raw", "tif")
    collected = collect([folder])
    assert found(collected) == ["s1.Png", "s2.tiff", "s3.JPEG", "s4.jpg", "s10.TIF"]
    assert collected.findings == ()
    assert all(file.is_absolute() for file in collected.files)


def test_hidden_files_and_thumbnails_are_ignored(tmp_path: Path) -> None:
    names = ["A1.tif", "A2.tif", "._A1.tif", ".hidden.tif", "Thumbs.db", "A1_thumb.jpg", "thumb A2.jpg", "preview.jpg"]
    collected = collect([folder_of(tmp_path, *names, ".git/x.tif")], recurse=True)
    assert found(collected) == ["A1.tif", "A2.tif"]
    (note,) = collected.findings
    assert (note.code, note.severity) == ("thumbnails-ignored", Severity.NOTE)
    assert note.message == "A1_thumb.jpg, preview.jpg and thumb A2.jpg were left out: a small preview, by the name."


def test_a_painting_called_tom_thumb_is_no_thumbnail(tmp_path: Path) -> None:
    assert len(collect([folder_of(tmp_path, "Tom Thumb 1.tif", "Tom Thumb 2.tif")]).files) == 2
    assert len(collect([folder_of(tmp_path / "other", "Thumbelina 3.tif", "A1.tif", "small sea.tif")]).files) == 3


def test_sub_folders_only_when_asked(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "A1.tif", "A2.tif", "lower/B1.tif", "lower/deep/C1.tif", "old-joined/master.tif")
    (folder / "old-joined" / "checksums.sha256").touch()
    assert found(collect([folder])) == ["A1.tif", "A2.tif"]
    assert found(collect([folder], recurse=True)) == ["A1.tif", "A2.tif", "B1.tif", "C1.tif"]


def test_patterns(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "A1.tif", "A2.tif", "B1.tif", "Äpfel [1].tif")
    assert found(collect([folder], only=["a*"])) == ["A1.tif", "A2.tif"]
    assert found(collect([folder], skip=["B*", "ä*"])) == ["A1.tif", "A2.tif"]
    assert found(collect([folder], only=["*.TIF"], skip=["A?.tif"])) == ["B1.tif", "Äpfel [1].tif"]
    assert found(collect([folder], skip=["Äpfel [1].tif", "a1.tif"])) == ["A2.tif", "B1.tif"]


def test_a_pattern_that_fits_nothing_is_said(tmp_path: Path) -> None:
    (finding,) = collect([folder_of(tmp_path, "A1.tif", "A2.tif")], skip=["C*"]).findings
    assert (finding.code, finding.severity) == ("pattern-unused", Severity.WARNING)
    assert finding.message == "--skip “C*” fits no file."


def test_files_given_by_name_are_taken_as_they_are(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "A1.tif", "A1_clean.tif", "thumb.jpg", ".hidden.tif", "scan.dat")
    names = ["A1.tif", "A1_clean.tif", "thumb.jpg", ".hidden.tif", "scan.dat"]
    collected = collect([folder / name for name in names])
    assert sorted(found(collected)) == sorted(names)
    assert collected.findings == ()


def test_a_file_is_taken_once(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "A1.tif", "A2.tif")
    (tmp_path / "link.tif").symlink_to(folder / "A1.tif")
    collected = collect([folder, folder / "A1.tif", folder / ".." / "scans" / "A2.tif", tmp_path / "link.tif"])
    assert len(collected.files) == 2


def test_pictures_of_other_kinds_are_mentioned(tmp_path: Path) -> None:
    (note,) = collect([folder_of(tmp_path, "A1.tif", "A2.tif", "A3.psd", "A4.HEIC", "notes.txt")]).findings
    assert note.severity is Severity.NOTE
    assert note.message == "A3.psd and A4.HEIC were not looked at: only TIFF, PNG and JPEG are read."


COPIES = [
    ("A1.tif", "A1_clean.tif"),
    ("A1.tif", "A1-cropped.tif"),
    ("A1.tif", "A1_edited.tif"),
    ("A1.tif", "A1 copy.tif"),
    ("A1.tif", "A1 - Copy.tif"),
    ("A1.tif", "A1 copy 2.tif"),
    ("A1.tif", "A1 - Copy (2).tif"),
    ("A1.tif", "A1 (1).tif"),
    ("A1.tif", "A1(1).tif"),
    ("A1.tif", "A1clean.tif"),
    ("A1.tif", "A1_CROPPED_v2.tif"),
    ("A1.tif", "A1_colour corrected by Ida.tif"),
    ("A1.tif", "Copy of A1.tif"),
    ("A1.tif", "cropped-A1.tif"),
    ("A1.tif", "A1.jpg"),
    ("A1.tif", "a1.png"),
    ("A1.tif", "A1_small.jpg"),
    ("A1.tif", "edited/A1.tif"),
    ("sea Ü.tif", "sea U\u0308 – retouched.tif"),
]


@pytest.mark.parametrize(("raw", "copy"), COPIES)
def test_an_edited_copy_stops_the_run(raw: str, copy: str, tmp_path: Path) -> None:
    collected = collect([folder_of(tmp_path, raw, copy, "B1.tif")], recurse=True)
    (finding,) = collected.findings
    assert (finding.code, finding.severity) == ("edited-copy", Severity.STOP)
    assert raw in finding.message
    assert len(finding.scan_ids) == 1
    assert f'--skip "{finding.scan_ids[0]}"' in finding.advice
    assert finding.scan_ids[0] == Path(copy).name.replace("U\u0308", "Ü")


@pytest.mark.parametrize(
    "names",
    [
        ("A1.tif", "A2.tif", "A10.tif", "A11.tif"),
        ("A1_clean.tif", "A2_clean.tif"),  # all cleaned: no raw scans beside them
        ("scan.tif", "scan 2.tif", "scan 3.tif"),
        ("scan.tif", "scan (1).tif", "scan (2).tif"),
        ("scan.tif", "scan (2).tif"),
        ("img.tif", "img001.tif", "img_002.tif"),
        ("A.tif", "A left.tif", "A right.tif"),
        ("copper.tif", "cop.tif"),
        ("left/A1.tif", "right/A1.tif"),
    ],
)
def test_numbered_and_named_scans_are_not_copies(names: tuple[str, ...], tmp_path: Path) -> None:
    assert collect([folder_of(tmp_path, *names)], recurse=True).findings == ()


def test_skipping_the_copies_lets_the_run_go_on(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "A1.tif", "A1_clean.tif", "A2.tif", "A2_clean.tif")
    (finding,) = collect([folder]).findings
    assert "A1_clean.tif of A1.tif and A2_clean.tif of A2.tif" in finding.message
    collected = collect([folder], skip=["*_clean*"])
    assert found(collected) == ["A1.tif", "A2.tif"] and collected.findings == ()


def stop(inputs: list[Path], **options: object) -> ScanError:
    with pytest.raises(ScanError) as caught:
        collect(inputs, **options)  # type: ignore[arg-type]
    assert caught.value.exit_code == 3
    return caught.value


def test_empty_folder(tmp_path: Path) -> None:
    error = stop([folder_of(tmp_path)])
    assert error.message == "There are no scans in scans."
    assert error.advice == "Give the folder that holds the scans (TIFF, PNG or JPEG)."


def test_scans_only_in_sub_folders(tmp_path: Path) -> None:
    assert "add --recurse" in stop([folder_of(tmp_path, "lower/A1.tif", "lower/A2.tif")]).advice


def test_everything_left_out(tmp_path: Path) -> None:
    assert "2 files were left out" in stop([folder_of(tmp_path, "A1.tif", "A2.tif")], only=["B*"]).advice


def test_one_scan(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    write_tiff(folder / "A1.tif", painting())
    error = stop([folder])
    assert error.message == "A1.tif is the only scan in scans: there is nothing to join it with."
    assert error.scan_ids == ("A1.tif",)
    assert stop([folder / "A1.tif"]).message == "A1.tif is the only scan: there is nothing to join it with."
    write_tiff(folder / "A2.tif", painting())
    assert stop([folder], skip=["A2*"]).message.endswith(" 1 other was left out by --only or --skip.")


def test_one_file_of_several_pages_is_enough(tmp_path: Path) -> None:
    import tifffile

    folder = folder_of(tmp_path)
    with tifffile.TiffWriter(folder / "all.tif") as writer:
        for seed in (1, 2):
            writer.write(painting(seed=seed), photometric="rgb", metadata=None)
    assert found(collect([folder])) == ["all.tif"]


def test_what_is_not_there(tmp_path: Path) -> None:
    assert stop([tmp_path / "nowhere"]).message == "nowhere is not there."
    assert "cannot be read" in stop([tmp_path / ("x" * 300)]).message
