"""The outside yardstick is set up fairly: where all scans agree it shows no step, and every pixel has one owner."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fixtures.flatbed import layout
from fixtures.flatbed.case import Case
from fixtures.flatbed.paintings import Kind
from fixtures.flatbed.seam_cases import STILL
from fixtures.flatbed.simulate import SCANS, simulate
from fixtures.scoring.job_files import read_job
from fixtures.scoring.perfect_job import write_perfect_job
from fixtures.scoring.seam_colour import seam_colour
from fixtures.scoring.shown import shown
from fixtures.scoring.yardstick import YARDSTICKS
from fixtures.scoring.yardstick_seams import OFF_BORDERS_PX, Finder, Laid, dp_seams, graph_cut_seams, parted

AGREEING = Case(
    "agreeing",
    width_mm=100.0,
    height_mm=100.0,
    dpi=150.0,
    seed=3,
    kind=Kind.ORNAMENT,
    arrangement=layout.quarters(100.0, 100.0, overlap_fraction=0.35),
    margin_mm=6.0,
    **STILL,
)


def test_scans_that_agree_show_no_step_by_any_of_the_yardsticks(tmp_path: Path) -> None:
    truth = simulate(AGREEING, tmp_path)
    write_perfect_job(tmp_path / SCANS, truth, tmp_path / "job")
    job = read_job(tmp_path / "job")
    for number, made in enumerate(YARDSTICKS.values()):
        other = made(tmp_path / SCANS, truth, job, tmp_path / str(number))
        found = seam_colour(shown(other, truth, tmp_path))
        assert found.step_de00.count > 100
        assert found.step_de00.p95 < 1.15 * found.elsewhere_de00.p95
        assert found.tone_mean_de00 < 0.15


def overlapping(seed: int) -> list[Laid]:
    """Three noisy pictures of one height, each overlapping the next by 150 px."""
    rng = np.random.default_rng(seed)
    whole = rng.integers(60, 200, (200, 900, 3), dtype=np.uint8)
    mask = np.full((200, 400), 255, np.uint8)
    return [Laid((x, 0), whole[:, x : x + 400].copy(), mask) for x in (0, 250, 500)]


@pytest.mark.parametrize("finder", [dp_seams, graph_cut_seams])
def test_every_pixel_has_one_owner_and_seams_keep_off_the_borders(finder: Finder) -> None:
    laid = overlapping(2)
    shares = np.zeros((200, 900), int)
    for one, mask in zip(laid, parted(laid, finder), strict=True):
        x, _ = one.corner
        shares[:, x : x + 400] += mask > 0
        inside = (mask[OFF_BORDERS_PX:-OFF_BORDERS_PX] > 0).any(axis=0)
        assert not inside[:OFF_BORDERS_PX].any() or x == 0
        assert not inside[-OFF_BORDERS_PX:].any() or x == 500
    assert (shares == 1).all()


def test_scans_that_overlap_little_still_cover_everything() -> None:
    laid = overlapping(4)
    near = [replace(one, corner=(360 * number, 0)) for number, one in enumerate(laid)]
    shares = np.zeros((200, 1120), int)
    for one, mask in zip(near, parted(near, dp_seams), strict=True):
        shares[:, one.corner[0] : one.corner[0] + 400] += mask > 0
    assert (shares == 1).all()
