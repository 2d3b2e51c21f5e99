"""The sheet as a second reader shows it: text is text, and marks are as long as they say (poppler's tools)."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from stitch.model.plan import Bed, Hinge
from stitch.plan.grid import Wanted
from stitch.plan.make import make_plan
from stitch.plan.sheet.cautions import COPYRIGHT
from stitch.plan.sheet.pages import BORDER_MM, draw_sheet
from stitch.plan.sheet.paper import Paper

MM_PER_INCH = 25.4
DPI = 600
NEEDS_POPPLER = pytest.mark.skipif(
    not all(shutil.which(tool) for tool in ("pdftoppm", "pdftotext")), reason="poppler-utils is not installed"
)
CASES = {
    "quarters": Wanted(500, 700, Bed(310, 437, hinge=Hinge.TOP)),
    "4 x 4": Wanted(610, 914, Bed(216, 297)),
    "strip": Wanted(150, 2000, Bed(216, 297, 3.0, Hinge.LEFT)),
}


@NEEDS_POPPLER
@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("paper", Paper)
def test_every_scan_stands_on_it_as_text(tmp_path: Path, name: str, paper: Paper) -> None:
    plan = make_plan(CASES[name], dpi=600, title="Hafen – früh")
    path = tmp_path / "sheet.pdf"
    path.write_bytes(draw_sheet(plan, paper))
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True)
    assert not done.stderr
    text = done.stdout
    assert "Hafen – früh" in text and "Face down, top away from you" in text
    assert "Never slide" in text and COPYRIGHT[:40] in text
    assert all(scan.file_name in text for scan in plan.scans)
    pages = text.split("\f")
    assert len(pages) - 1 == {"quarters": 2, "4 x 4": 3, "strip": 3}[name]


@NEEDS_POPPLER
@pytest.mark.parametrize("paper", Paper)
def test_the_rule_is_true_to_a_fifth_of_a_millimetre(tmp_path: Path, paper: Paper) -> None:
    picture = first_page(tmp_path, CASES["4 x 4"], paper)
    assert picture.shape[1] / DPI * MM_PER_INCH == pytest.approx(paper.size_mm[0], abs=0.2)
    dark = picture < 128
    line = next(y for y in range(dark.shape[0] - 1, 0, -1) if longest_run(dark[y]) > 90 / MM_PER_INCH * DPI)
    above, below = (ticks_mm(dark[line + round(offset / MM_PER_INCH * DPI)]) for offset in (-3.5, 3.0))
    assert above == pytest.approx([BORDER_MM + at for at in (0, 50, 100)], abs=0.2)
    assert below == pytest.approx([BORDER_MM + at * MM_PER_INCH for at in range(5)], abs=0.2)


def test_the_same_plan_gives_the_same_bytes() -> None:
    plan = make_plan(CASES["quarters"], dpi=600)
    assert draw_sheet(plan, Paper.A4) == draw_sheet(plan, Paper.A4)


def test_letters_that_no_reader_has_do_not_stop_it() -> None:
    assert draw_sheet(make_plan(CASES["quarters"], dpi=600, title="港の夕暮れ"), Paper.A4).startswith(b"%PDF")


def first_page(folder: Path, wanted: Wanted, paper: Paper) -> NDArray[np.uint8]:
    path = folder / "sheet.pdf"
    path.write_bytes(draw_sheet(make_plan(wanted, dpi=600), paper))
    made = ["pdftoppm", "-r", str(DPI), "-f", "1", "-l", "1", "-gray", "-singlefile", path, folder / "page"]
    subprocess.run(made, check=True)
    return np.asarray(Image.open(folder / "page.pgm"))


def longest_run(row: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def ticks_mm(row: NDArray[np.bool_]) -> list[float]:
    """Middles of the dark stretches of a row, left of the words beside the rule."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
    middles = (edges[::2] + edges[1::2]) / 2 / DPI * MM_PER_INCH
    return [float(at) for at in middles if at < BORDER_MM + 105]
