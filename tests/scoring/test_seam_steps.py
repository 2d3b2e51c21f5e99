"""Steps across seams: none on a faultless master, and just those that were put in."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from fixtures.flatbed import layout
from fixtures.flatbed.case import Case
from fixtures.flatbed.paintings import Kind
from fixtures.flatbed.simulate import SCANS, simulate
from fixtures.flatbed.truth import Truth
from fixtures.scoring.coverage import covered_fraction
from fixtures.scoring.job_files import FinishedJob, read_job
from fixtures.scoring.perfect_job import write_perfect_job
from fixtures.scoring.seam_steps import SeamSteps, seam_steps

HALF = layout.turned_half(76.0, 92.0, 2, 2, overlap_fraction=0.22)
SMALL = Case("small", width_mm=76.0, height_mm=92.0, dpi=150.0, seed=4, arrangement=HALF, relief=1.6)


def finished(case: Case, folder: Path) -> tuple[Truth, FinishedJob]:
    truth = simulate(case, folder)
    write_perfect_job(folder / SCANS, truth, folder / "job")
    return truth, read_job(folder / "job")


def measured(truth: Truth, job: FinishedJob, folder: Path) -> SeamSteps:
    steps = seam_steps(job, truth, folder)
    assert steps is not None
    return steps


@pytest.mark.parametrize(("kind", "seed"), [(Kind.OIL, 11), (Kind.WATERCOLOUR, 5), (Kind.PENCIL, 6)])
def test_a_faultless_master_has_no_steps_even_where_a_piece_is_turned(tmp_path: Path, kind: Kind, seed: int) -> None:
    truth, job = finished(replace(SMALL, seed=seed, kind=kind, margin_mm=6.0), tmp_path)
    steps = measured(truth, job, tmp_path)
    assert steps.mapped_px.count >= 15
    assert steps.mapped_px.max < 1e-6
    assert steps.step_px.max < 0.15
    assert steps.measured_fraction > 0.5


def test_pixels_that_do_not_lie_where_the_maps_say_are_found(tmp_path: Path) -> None:
    truth, job = finished(SMALL, tmp_path)
    master, labels = tifffile.imread(job.folder / "master.tif"), tifffile.imread(job.folder / "seam-labels.tif")
    moved = ndimage.shift(master.astype(np.float32), (0.0, 0.8, 0.0), order=3, mode="nearest")
    mine = labels == 2
    master[mine] = np.clip(moved[mine], 0, 65535).astype(np.uint16)
    tifffile.imwrite(job.folder / "master.tif", master, photometric="rgb", resolution=(150, 150), resolutionunit="INCH")
    steps = measured(truth, job, tmp_path)
    assert steps.mapped_px.max < 1e-6
    assert steps.step_px.max == pytest.approx(0.8, abs=0.08)
    assert steps.worst_scans is not None
    assert Path(truth.scans[1].file_name).stem in steps.worst_scans


def test_maps_that_disagree_count_as_the_pixels_lie(tmp_path: Path) -> None:
    """A layout moved after the master was made: its maps are off, the pixels are not."""
    truth, job = finished(SMALL, tmp_path)
    path = job.folder / "report.json"
    report = json.loads(path.read_text(encoding="utf-8"))
    report["layout"]["placements"][2]["canvas_from_scan"][0][2] += 1.6
    path.write_text(json.dumps(report), encoding="utf-8")
    steps = measured(truth, read_job(job.folder), tmp_path)
    assert steps.mapped_px.max == pytest.approx(1.6, abs=0.01)
    assert steps.step_px.max < 0.15


def test_blank_paper_is_not_measured(tmp_path: Path) -> None:
    smooth = replace(SMALL, kind=Kind.BLANK, relief=0.0)
    truth, job = finished(smooth, tmp_path)
    steps = measured(truth, job, tmp_path)
    assert steps.measured_fraction < 0.6
    assert not steps.step_px.max > 0.5


def test_what_no_scan_made_is_not_covered(tmp_path: Path) -> None:
    truth, job = finished(replace(SMALL, dpi=80.0), tmp_path)
    assert covered_fraction(job, truth) > 0.999
    path = job.folder / "seam-labels.tif"
    labels = tifffile.imread(path)
    share = float((labels == 3).mean())
    labels[labels == 3] = 0
    tifffile.imwrite(path, labels, photometric="minisblack")
    assert covered_fraction(job, truth) == pytest.approx(1 - share, abs=0.04)
    assert covered_fraction(FinishedJob(tmp_path, None, None, ()), truth) == 0.0


def test_nothing_finished_gives_nothing(tmp_path: Path) -> None:
    truth = simulate(replace(SMALL, dpi=60.0), tmp_path)
    assert seam_steps(FinishedJob(tmp_path, None, None, ()), truth, tmp_path) is None
