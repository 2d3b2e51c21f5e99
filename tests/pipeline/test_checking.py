"""A check of simulated scans: a good set, a missing piece told by the plan, and faults each named for its scan."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from fixtures.scoring.check_faults import Laid, base_case, faults, lay
from stitch.cli.commands import app
from stitch.model.check import Verdict
from stitch.model.findings import Severity
from stitch.pipeline.checking import check
from stitch.plan.file import text_of
from tests.pipeline.jobs import hashes


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Laid:
    return lay(base_case(21, dpi=100.0, columns=2, rows=2), tmp_path_factory.mktemp("set"))


def copied(good: Laid, folder: Path) -> Laid:
    shutil.copytree(good.scans, folder)
    return replace(good, scans=folder, files=tuple(folder / path.name for path in good.files))


def test_a_good_set_may_be_put_away(good: Laid) -> None:
    before = hashes(good.scans)
    record = check([good.scans], good.plan).record
    assert record.verdict is Verdict.GOOD
    assert [one.code for one in record.findings if one.severity is not Severity.NOTE] == []
    assert hashes(good.scans) == before
    places = {path.stem: place for path, place in zip(good.files, [(1, 1), (1, 2), (2, 1), (2, 2)], strict=True)}
    words = {1: "first", 2: "second"}
    for scan in record.scans:
        row, column = places[scan.scan_id]
        assert scan.place == f"row {row}, the {words[column]} from the left"


def test_a_missing_piece_is_told_by_its_place_in_the_plan(good: Laid, tmp_path: Path) -> None:
    laid = copied(good, tmp_path / "scans")
    laid.files[1].unlink()
    (tmp_path / "plan.json").write_text(text_of(good.plan), encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(laid.scans), "--plan", str(tmp_path / "plan.json")])
    assert done.exit_code == 1, done.stderr
    assert "Missing: row 1, the second from the left" in done.stderr
    assert "Do not put the painting away yet" in done.stderr
    assert sorted(path.name for path in laid.scans.iterdir()) == sorted(p.name for p in laid.files if p.exists())
    picture, page, record = (Path(line) for line in done.stdout.splitlines())
    assert json.loads(record.read_text())["missing"] == ["row 1, the second from the left"]
    assert json.loads(record.read_text())["schema"] == 1
    html = page.read_text(encoding="utf-8")
    assert "Do not put the painting away yet." in html and "row 1, the second from the left" in html
    assert "<script" not in html and "http" not in html
    with Image.open(picture) as shown:
        assert max(shown.size) == pytest.approx(1100, abs=2)


def test_faults_are_named_for_their_scans(good: Laid, tmp_path: Path) -> None:
    laid = copied(good, tmp_path / "scans")
    by_name = {fault.name: fault for fault in faults()}
    wanted = {}
    for piece, name in enumerate(("8 bits among 16", "mirrored", "auto-exposure", "streaks")):
        by_name[name].put(laid, piece, np.random.default_rng(piece))
        wanted[by_name[name].code] = laid.files[piece].stem
    record = check([laid.scans], good.plan).record
    found = {one.code: one.scan_ids for one in record.findings if one.severity is Severity.FAILED}
    assert found == {code: (name,) for code, name in wanted.items()}
    assert set(record.scan_again) == set(wanted.values())


def test_a_mirrored_scan_is_known_for_its_piece_beside_one_that_is_missing(good: Laid, tmp_path: Path) -> None:
    laid = copied(good, tmp_path / "scans")
    {fault.name: fault for fault in faults()}["mirrored"].put(laid, 1, np.random.default_rng(1))
    laid.files[0].unlink()
    checked = check([laid.scans], good.plan)
    found = {one.code: one for one in checked.record.findings if one.severity is Severity.FAILED}
    assert set(found) == {"mirrored", "missing"}
    assert found["mirrored"].scan_ids == (laid.files[1].stem,)
    assert checked.record.missing == ("row 1, the first from the left",)
    assert [piece.number for piece in checked.to_scan] == [1, 2]  # the mirrored one is to be made again


def test_a_strangers_file_is_left_alone(good: Laid, tmp_path: Path) -> None:
    (tmp_path / "check.json").write_text("{}")
    done = CliRunner().invoke(app, ["check", str(good.scans), "--out", str(tmp_path)])
    assert done.exit_code == 5 and "did not write" in done.stderr
    assert (tmp_path / "check.json").read_text() == "{}"


def test_a_damaged_scan_is_told(good: Laid, tmp_path: Path) -> None:
    laid = copied(good, tmp_path / "scans")
    data = laid.files[0].read_bytes()
    laid.files[0].write_bytes(data[: len(data) // 2])
    done = CliRunner().invoke(app, ["check", str(laid.scans)])
    assert done.exit_code == 3 and laid.files[0].name in done.stderr
