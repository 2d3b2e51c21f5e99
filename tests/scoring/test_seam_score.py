"""The scorers of seams: nothing on a faultless master, and just what was done to it where something was."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from fixtures.flatbed.case import Case
from fixtures.flatbed.ideal import load_ideal
from fixtures.flatbed.seam_cases import DUST, STILL
from fixtures.flatbed.simulate import SCANS, WHOLE_NAME, simulate
from fixtures.flatbed.truth import Truth, painting_mm, scan_px
from fixtures.scoring.colour import SRGB_PRIMARIES, delta_e, lab_from_linear, xyz_d50_from_rgb
from fixtures.scoring.facts import PaintingFacts
from fixtures.scoring.job_files import FinishedJob, read_job
from fixtures.scoring.perfect_job import write_perfect_job
from fixtures.scoring.seam_codes import changed_px, clipped_px
from fixtures.scoring.seam_colour import seam_colour
from fixtures.scoring.seam_detail import BAND_PX, seam_detail
from fixtures.scoring.seam_dust import seam_dust
from fixtures.scoring.shown import Shown, shown

Light = NDArray[np.float32]
SMALL = Case("small", width_mm=70.0, height_mm=84.0, dpi=100.0, seed=4, margin_mm=6.0)
NOISE = 0.003


def painted(seed: int, *, noise: float = NOISE, detail: float = 0.012) -> Shown:
    """A textured picture and a noisy master of it, made by two scans side by side."""
    rng = np.random.default_rng(seed)
    coarse, fine = (
        cv2.GaussianBlur(rng.standard_normal((640, 512)).astype(np.float32), (0, 0), sigma) for sigma in (12.0, 0.7)
    )
    grey = 0.4 + 0.05 * coarse / coarse.std() + detail * fine / fine.std()
    expected = np.clip(grey[..., None] * (0.9, 1.0, 0.8), 0.05, 0.95).astype(np.float32)
    master = expected + rng.normal(0.0, noise, expected.shape).astype(np.float32)
    labels = np.ones(expected.shape[:2], np.uint8)
    labels[:, 256:] = 2
    facts = PaintingFacts(100.0, 100.0, 150.0, np.asarray, np.asarray, np.asarray, xyz_d50_from_rgb(SRGB_PRIMARIES))
    phase = np.zeros((*labels.shape, 2), np.float32)
    return Shown(master, expected, labels, labels > 0, phase, {}, facts, 150.0)


def borderless(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    inner = np.zeros_like(mask)
    inner[8:-8, 8:-8] = mask[8:-8, 8:-8]
    return inner


def in_band(look: Shown, change: Light) -> Shown:
    """The master replaced by `change` near the seam."""
    near = (look.seam_px() <= BAND_PX)[..., None]
    return replace(look, master=np.where(near, change, look.master).astype(np.float32))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_faultless_master_is_as_sharp_and_as_noisy_at_its_seams_as_beside_them(seed: int) -> None:
    found = seam_detail(painted(seed))
    assert found.sharpness == pytest.approx(1.0, abs=0.01)
    assert found.noise == pytest.approx(1.0, abs=0.05)


def test_a_softer_and_a_sharper_band_are_told_apart() -> None:
    look = painted(4)
    soft = cv2.GaussianBlur(look.master, (0, 0), 0.6)
    blurred, sharpened = (
        seam_detail(in_band(look, soft)),
        seam_detail(in_band(look, look.master + (look.master - soft))),
    )
    assert blurred.sharpness is not None and sharpened.sharpness is not None
    assert blurred.sharpness < 0.95
    assert blurred.octaves[0] < blurred.octaves[2]
    assert sharpened.sharpness > 1.05


def test_a_doubled_band_is_softer() -> None:
    look = painted(5)
    found = seam_detail(in_band(look, (look.master + np.roll(look.master, 1, axis=0)) / 2))
    assert found.sharpness is not None
    assert found.sharpness < 0.95


@pytest.mark.parametrize(("factor", "low", "high"), [(0.7, 0.6, 0.8), (1.0, 0.95, 1.05), (1.4, 1.3, 1.5)])
def test_noise_of_the_band_is_held_against_the_noise_beside_it(factor: float, low: float, high: float) -> None:
    look = painted(6)
    found = seam_detail(in_band(look, look.expected + factor * (look.master - look.expected)))
    assert found.noise is not None
    assert low < found.noise < high
    assert found.sharpness == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("factor", "seed"), [(0.8, 11), (1.25, 14)])
def test_noise_is_told_in_texture_as_in_flat_places_though_the_scans_lie_a_little_off(factor: float, seed: int) -> None:
    shift = np.array([[1.0, 0.0, 1 / 32], [0.0, 1.0, 1 / 32]])
    found = []
    for detail in (0.012, 0.04):
        look = painted(seed, detail=detail)
        expected = cv2.warpAffine(look.expected, shift, (512, 640), flags=cv2.INTER_LANCZOS4)
        look = replace(look, expected=np.asarray(expected, np.float32), is_painting=borderless(look.is_painting))
        noise = seam_detail(in_band(look, look.expected + factor * (look.master - look.expected))).noise
        assert noise is not None
        found.append(noise)
    assert found[0] == pytest.approx(factor, abs=0.08)
    assert found[1] == pytest.approx(found[0], abs=0.02)


def test_noise_is_not_told_where_the_detail_drowns_it() -> None:
    assert seam_detail(painted(15, detail=0.1)).noise is None


def test_without_a_seam_there_is_nothing_to_tell() -> None:
    look = painted(7)
    found = seam_detail(replace(look, labels=np.ones_like(look.labels)))
    assert found.sharpness is None
    assert found.noise is None


def test_steps_are_those_that_were_put_in_and_not_the_paintings_own() -> None:
    look = painted(8)
    expected = look.expected.copy()
    expected[:, 256:] *= (0.7, 0.9, 0.8)  # the painting itself changes there
    noise = look.master - look.expected
    even = seam_colour(replace(look, expected=expected, master=expected + noise))
    assert even.step_de00.count > 150
    assert even.step_de00.max < 0.1
    assert even.tone_mean_de00 < 0.1
    off = expected + noise
    off[:, 256:] *= 1.03
    found = seam_colour(replace(look, expected=expected, master=off))
    grey = lab_from_linear(np.array([[0.36, 0.4, 0.32]]) * [[1.0], [1.03]], look.facts.xyz_from_rgb)
    assert found.step_de00.median == pytest.approx(float(delta_e(grey[0], grey[1])), rel=0.2)
    assert found.elsewhere_de00.max < 0.1
    assert found.worst_at_px is not None
    assert found.worst_at_px[0] == pytest.approx(256, abs=3)


def test_a_brighter_master_is_off_in_tone_until_one_gain_is_allowed() -> None:
    look = painted(9)
    found = seam_colour(replace(look, master=look.master * np.float32(1.05)))
    assert found.tone_mean_de00 > 0.5
    assert found.after_gain_mean_de00 < 0.1


def finished(case: Case, folder: Path) -> tuple[Truth, FinishedJob]:
    truth = simulate(case, folder)
    write_perfect_job(folder / SCANS, truth, folder / "job")
    return truth, read_job(folder / "job")


def test_dust_of_one_scan_is_found_where_that_scan_makes_the_master_and_nowhere_else(tmp_path: Path) -> None:
    truth, job = finished(replace(SMALL, **{**DUST, "loose_dust_count": 60}), tmp_path)
    ideal = load_ideal(
        tmp_path, truth.ideal_name, truth.relief_name, truth.ideal_ppi, (truth.width_mm, truth.height_mm)
    )
    look = shown(job, truth, tmp_path)
    found = seam_dust(look, ideal)
    assert found.count >= 20
    assert 0.2 < (found.absent_fraction or 0.0) < 0.9
    clean = seam_dust(replace(look, master=look.expected), ideal)
    assert (clean.count, clean.absent, clean.left_at_px) == (found.count, found.count, ())
    for x, y in found.left_at_px:
        side = next(side for side in look.sides.values() if side.number == look.labels[round(y), round(x)])
        bed = (side.placed.scan_from_canvas(np.array([[x, y]]))[0] + 0.5) * 25.4 / side.scan.dpi
        assert min(np.hypot(*(bed - (one.x_mm, one.y_mm))) for one in side.scan.loose_dust) < 6.0


def test_white_pushed_to_the_top_is_counted_and_white_that_was_there_is_not(tmp_path: Path) -> None:
    truth, job = finished(replace(SMALL, **STILL), tmp_path)
    look = shown(job, truth, tmp_path)
    assert job.master is not None
    codes = tifffile.imread(job.master)
    assert clipped_px(look, job, tmp_path / SCANS) == 0
    pushed = np.minimum(codes * 1.5, 65535).astype(np.uint16)
    at_top = int(((pushed == 65535).any(axis=-1) & look.is_painting).sum())
    assert at_top > 1000
    tifffile.imwrite(job.master, pushed, photometric="rgb", resolution=(100, 100), resolutionunit="INCH")
    assert 0.9 * at_top < clipped_px(look, job, tmp_path / SCANS) <= at_top
    glint = codes.copy()
    glint[104, 66] = 65535
    tifffile.imwrite(job.master, glint, photometric="rgb", resolution=(100, 100), resolutionunit="INCH")
    assert clipped_px(look, job, tmp_path / SCANS) == 0
    for scan in truth.scans:
        white = np.full((scan.height_px, scan.width_px, 3), 65535, np.uint16)
        tifffile.imwrite(tmp_path / SCANS / scan.file_name, white, photometric="rgb")
    tifffile.imwrite(job.master, pushed, photometric="rgb", resolution=(100, 100), resolutionunit="INCH")
    assert clipped_px(look, job, tmp_path / SCANS) == 0


def test_copies_that_stay_copies(tmp_path: Path) -> None:
    case = replace(
        SMALL,
        dpi=101.6,
        ideal_scale=1.0,
        is_snapped=True,
        rotation_deg=0.0,
        noise_scale=0.0,
        has_shadow=False,
        has_whole=True,
        **STILL,
    )
    truth, job = finished(case, tmp_path)
    look, whole = shown(job, truth, tmp_path), tmp_path / WHOLE_NAME
    assert truth.whole is not None and job.master is not None
    picture, side = tifffile.imread(whole), next(iter(look.sides.values()))
    corner = scan_px(truth.whole, painting_mm(side.scan, np.zeros((1, 2)))) - side.placed.canvas_from_scan(
        np.zeros((1, 2))
    )
    x, y = np.rint(corner[0]).astype(int)
    master = picture[y : y + look.labels.shape[0], x : x + look.labels.shape[1]].copy()
    assert master.shape[:2] == look.labels.shape
    tifffile.imwrite(job.master, master, photometric="rgb", resolution=(100, 100), resolutionunit="INCH")
    assert changed_px(look, job, truth, whole) == 0
    master[80, 60:65, 1] ^= 1
    tifffile.imwrite(job.master, master, photometric="rgb", resolution=(100, 100), resolutionunit="INCH")
    assert changed_px(look, job, truth, whole) == 5
