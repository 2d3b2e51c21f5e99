"""The calibration file of a bed: what goes in comes out, what is not one is refused, nothing is written over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.errors import UsageError, WriteError
from stitch.job.scanner_file import load, record_of, save, text_of
from stitch.model.bed import Bed, BedSource

BED = Bed(BedSource.TURNED_PIECES, 0.0015, -0.06, 1.0004, 2e-5, 0.001)


def written(path: Path, bed: Bed = BED) -> dict[str, object]:
    save(path, record_of(bed, dpi=600.0, observed_at="2026-11-25", job_name="Ebbe-joined"))
    return dict(json.loads(path.read_text(encoding="utf-8")))


def test_what_was_saved_is_read_again_as_known_from_a_file(tmp_path: Path) -> None:
    plain = written(tmp_path / "bed.json")
    assert (plain["kind"], plain["schema"], plain["observed_by"]) == ("stitch scanner", 1, "turned-pieces")
    found = load(tmp_path / "bed.json")
    assert found is not None
    assert (found.dpi, found.observed_at, found.job_name) == (600.0, "2026-11-25", "Ebbe-joined")
    assert found.bed == Bed(BedSource.FILE, 0.0015, -0.06, 1.0004, 2e-5, 0.001)
    assert not (tmp_path / "bed.part.json").exists()


@given(
    anisotropy=st.floats(-0.02, 0.02),
    skew=st.floats(-1, 1),
    scale=st.floats(0.981, 1.019),
    sigma=st.floats(1e-9, 0.02),
)
def test_every_figure_survives_exactly(
    tmp_path_factory: pytest.TempPathFactory, anisotropy: float, skew: float, scale: float, sigma: float
) -> None:
    path = tmp_path_factory.mktemp("bed") / "b.json"
    bed = Bed(BedSource.TAPE, anisotropy, skew, scale, sigma, 0.0)
    path.write_text(text_of(record_of(bed, dpi=300.0, observed_at="2026-11-25", job_name="ø")), encoding="utf-8")
    found = load(path)
    assert found is not None and (found.bed.anisotropy, found.bed.skew_deg) == (anisotropy, skew)
    assert (found.bed.scale, found.bed.sigma_anisotropy) == (scale, sigma)


def test_no_file_is_no_calibration_but_its_folder_must_be_there(tmp_path: Path) -> None:
    assert load(tmp_path / "bed.json") is None
    with pytest.raises(UsageError, match="no such folder"):
        load(tmp_path / "gone" / "bed.json")


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"[1]", b'{"kind": "stitch job", "schema": 1}', b"{"])
def test_a_file_of_another_kind_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bed.json"
    path.write_bytes(content)
    with pytest.raises(UsageError, match="not a scanner file"):
        load(path)
    with pytest.raises(WriteError, match="not written over"):
        written(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    "change",
    [
        {"anisotropy": 0.3},
        {"anisotropy": "wide"},
        {"anisotropy": None},
        {"skew_deg": float("nan")},
        {"scale": 0.5},
        {"sigma_anisotropy": 0.0},
        {"sigma_anisotropy": -1e-5},
        {"dpi": 0.0},
        {"observed_by": "file"},
        {"observed_by": "a friend"},
    ],
)
def test_a_damaged_figure_is_refused(tmp_path: Path, change: dict[str, object]) -> None:
    path = tmp_path / "bed.json"
    path.write_text(json.dumps({**written(tmp_path / "good.json"), **change}))
    with pytest.raises(UsageError, match="damaged"):
        load(path)


def test_a_missing_figure_and_another_version_are_refused(tmp_path: Path) -> None:
    plain = written(tmp_path / "good.json")
    path = tmp_path / "bed.json"
    path.write_text(json.dumps({name: value for name, value in plain.items() if name != "scale"}))
    with pytest.raises(UsageError, match="damaged"):
        load(path)
    path.write_text(json.dumps({**plain, "schema": 2}))
    with pytest.raises(UsageError, match="another version"):
        load(path)


def test_a_folder_in_its_place(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="could not be read"):
        load(tmp_path)
