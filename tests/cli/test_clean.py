"""`stitch dust`, `paper`, `cutout` in the terminal: what is typed, what is said, how it ends."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import tifffile
from typer.testing import Result

from fixtures.scoring.clean_cutout import cutout_truth

Call = Callable[..., Result]


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "sheet.tif"
    tifffile.imwrite(
        path, cutout_truth(51, ppi=120).codes, photometric="rgb", resolution=(120, 120), resolutionunit="INCH"
    )
    return path


def test_each_step_tells_its_files(stitch: Call, sheet: Path) -> None:
    for command, names in (
        ("dust", ["sheet_dust.tif", "sheet_dust.csv", "sheet_dust_mask.png", "sheet_dust_sheet.png"]),
        ("paper", ["sheet_paper.tif", "sheet_paper_mask.png", "sheet_paper.png"]),
        ("cutout", ["sheet_cutout.png", "sheet_cutout_mask.png", "sheet_cutout_look.png"]),
    ):
        done = stitch(command, sheet)
        assert done.exit_code == 0, done.stderr
        assert [Path(line).name for line in done.stdout.splitlines()] == names
        assert all(Path(line).exists() for line in done.stdout.splitlines())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("dust", "--mend", "3,x"), "--mend: 'x' is no number"),
        (("paper", "--at", "20"), "--at: '20' is no place"),
        (("paper", "--white", "40"), "--white: 40 is no white"),
        (("cutout", "--ground", "5,5"), "has no unit"),
        (("cutout", "--bits", "12"), "--bits: 12"),
        (("cutout", "--width", "900mm"), "too few for that size"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(stitch: Call, sheet: Path, words: tuple[str, ...], said: str) -> None:
    done = stitch(words[0], sheet, *words[1:])
    assert done.exit_code == 2
    assert said in done.stderr
    assert sorted(one.name for one in sheet.parent.iterdir() if one.is_file()) == ["sheet.tif"]
