"""The placement scorer is fed known errors and must give them back."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from fixtures.scoring.job_files import read_job
from fixtures.scoring.layout_score import LayoutScore, layout_score
from fixtures.scoring.maps import ScanMap, pixels_of
from stitch.imaging.placed_map import PlacedMap
from stitch.model.bed import Bed, BedSource, GlassSpeck
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from stitch.report.json_report import report_plain
from tests.bent import correction
from tests.report.summaries import Run

PPI = 200.0
MM = 25.4 / PPI
PAINTING_MM = (120.0, 90.0)


def wavy_map(seed: int, shift_mm: tuple[float, float], angle: float, amplitude_px: float):
    """A rigid map with stepper wobble along y, exact by construction."""
    rng = np.random.default_rng(seed)
    phases, periods = rng.uniform(0, 6, 3), rng.uniform(30, 120, 3) / MM
    c, s = np.cos(angle) * MM, np.sin(angle) * MM

    def mm_from_px(points, /):
        x, y = points[..., 0], points[..., 1]
        y = y + amplitude_px * sum(np.sin(2 * np.pi * y / t + p) for t, p in zip(periods, phases, strict=True))
        return np.stack([c * x - s * y + shift_mm[0], s * x + c * y + shift_mm[1]], axis=-1)

    return mm_from_px


def quarters(amplitude_px: float = 0.0) -> tuple[ScanMap, ...]:
    """Four scans of 70 × 55 mm over a painting of 120 × 90 mm."""
    width, height = round(70 / MM), round(55 / MM)
    spots = {"A": (-2.0, -2.0, 0.01), "B": (51.0, -3.0, -0.012), "C": (-1.0, 38.0, 0.004), "D": (52.0, 37.0, 0.0)}
    return tuple(
        ScanMap(name, width, height, wavy_map(i, (x, y), angle, amplitude_px))
        for i, (name, (x, y, angle)) in enumerate(spots.items())
    )


def rigid_part(scan: ScanMap) -> np.ndarray:
    """The true map of a scan without wobble as a matrix."""
    zero, right, down = scan.mm_from_px(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    return np.column_stack([right - zero, down - zero, zero])


def layout_of(matrices: dict[str, np.ndarray], ppi: float = PPI) -> Layout:
    """A layout record from canvas maps."""
    placements = tuple(
        Placement(name, tuple(tuple(float(v) for v in row) for row in matrix), 0.01)
        for name, matrix in matrices.items()
    )
    return Layout(Size(980, 740), ppi, placements, (), is_whole_pixel=False, up_deg=0)


def true_layout(scans: tuple[ScanMap, ...]) -> dict[str, np.ndarray]:
    """Perfect placements: the painting at PPI with a 12 px border."""
    matrices = {}
    for scan in scans:
        matrix = rigid_part(scan) / MM
        matrix[:, 2] += 12.0
        matrices[scan.scan_id] = matrix
    return matrices


def score(matrices: dict[str, np.ndarray], scans: tuple[ScanMap, ...], ppi: float = PPI) -> LayoutScore:
    """Score with this file's painting."""
    return layout_score(layout_of(matrices, ppi), scans, *PAINTING_MM, scan_ppi=PPI)


def test_inverse_returns_the_pixels_it_came_from():
    for scan in quarters(amplitude_px=1.5):
        rng = np.random.default_rng(5)
        points = rng.uniform([0, 0], [scan.width_px - 1, scan.height_px - 1], (400, 2))
        assert np.abs(pixels_of(scan, scan.mm_from_px(points)) - points).max() < 1e-6


def test_points_far_outside_are_not_solved():
    scan = quarters()[0]
    assert np.isnan(pixels_of(scan, np.array([[500.0, 500.0]]))).all()


def test_truth_against_itself_is_zero():
    scans = quarters()
    result = score(true_layout(scans), scans)
    assert result.local_misregistration_px.max < 1e-6
    assert result.local_misregistration_px.count > 300
    assert len(result.pairs) == 6
    assert result.distortion_similarity_mm.max < 1e-6
    assert abs(result.scale_error_percent) < 1e-6
    assert (result.misplaced, result.unplaced, result.unknown) == ((), (), ())


@pytest.mark.parametrize("shift_px", [0.05, 0.99, 2.5])
def test_one_shifted_scan_is_measured_and_named(shift_px: float):
    scans = quarters()
    matrices = true_layout(scans)
    matrices["D"] = matrices["D"] + np.array([[0, 0, shift_px * 0.6], [0, 0, shift_px * 0.8]])
    result = score(matrices, scans)
    with_d = [p for p in result.pairs if "D" in (p.scan_a, p.scan_b)]
    without_d = [p for p in result.pairs if "D" not in (p.scan_a, p.scan_b)]
    assert [p.distance_px.median for p in with_d] == pytest.approx([shift_px] * 3, abs=1e-6)
    assert max(p.distance_px.max for p in without_d) < 1e-6
    assert result.misplaced == (("D",) if shift_px > 1.0 else ())
    assert result.worst_pair_px == pytest.approx(shift_px, abs=1e-6)


def test_half_plane_shift_of_one_px():
    scans = quarters()
    matrices = true_layout(scans)
    for name in ("B", "D"):
        matrices[name] = matrices[name] + np.array([[0, 0, 1.0], [0, 0, 0.0]])
    result = score(matrices, scans)
    across = [p.distance_px for p in result.pairs if (p.scan_a in "AC") != (p.scan_b in "AC")]
    along = [p.distance_px for p in result.pairs if (p.scan_a in "AC") == (p.scan_b in "AC")]
    assert [d.median for d in across] == pytest.approx([1.0] * 4, abs=1e-6)
    assert max(d.max for d in along) < 1e-6
    assert 0.1 * MM < result.distortion_similarity_mm.p95 < 0.6 * MM


@pytest.mark.parametrize("percent", [0.3, -0.05])
def test_a_scale_comes_back(percent: float):
    scans = quarters()
    matrices = {name: matrix * (1 + percent / 100) for name, matrix in true_layout(scans).items()}
    result = score(matrices, scans)
    assert result.scale_error_percent == pytest.approx(percent, abs=1e-6)
    assert result.scale_drift_percent == pytest.approx(percent, abs=1e-6)
    assert result.local_misregistration_px.max < 1e-6


def test_scan_px_are_counted_on_a_reduced_canvas():
    scans = quarters()
    matrices = true_layout(scans)
    matrices["A"] = matrices["A"] + np.array([[0, 0, 1.0], [0, 0, 0.0]])
    halved = {name: matrix / 2 for name, matrix in matrices.items()}
    result = score(halved, scans, ppi=PPI / 2)
    assert result.worst_pair_px == pytest.approx(1.0, abs=1e-6)
    assert result.scale_error_percent == pytest.approx(score(matrices, scans).scale_error_percent, abs=1e-6)


def test_stretch_shows_after_a_similarity_but_not_after_an_affine():
    scans = quarters()
    stretch = np.array([[1.002, 0], [0, 1.0]])
    matrices = {name: stretch @ matrix for name, matrix in true_layout(scans).items()}
    result = score(matrices, scans)
    assert 0.02 < result.distortion_similarity_mm.max < 0.2
    assert result.distortion_affine_mm.max < 1e-6
    assert result.local_misregistration_px.max < 1e-6


def test_wobble_that_no_rigid_placement_removes_is_seen():
    scans = quarters(amplitude_px=1.0)
    still = quarters()
    result = score(true_layout(still), scans)
    assert 0.3 < result.local_misregistration_px.median < 3.0


def bent_quarters() -> tuple[tuple[ScanMap, ...], Layout]:
    """Four scans that a known field bent by up to 3 px, and the layout that says so."""
    scans, placements = [], []
    for k, still in enumerate(quarters()):
        size = Size(still.width_px, still.height_px)
        field = correction(k, size, largest_px=3.0, step_px=90.0)
        matrix = true_layout((still,))[still.scan_id]
        placement = Placement(still.scan_id, tuple(tuple(float(v) for v in row) for row in matrix), 0.01, field)
        whole, linear = PlacedMap.of(placement, size), rigid_part(still)

        def mm_from_px(points, /, whole=whole, linear=linear):
            return whole.straightened(points) @ linear[:, :2].T + linear[:, 2]

        scans.append(ScanMap(still.scan_id, still.width_px, still.height_px, mm_from_px))
        placements.append(placement)
    return tuple(scans), replace(layout_of({}), placements=tuple(placements))


def test_a_local_correction_is_part_of_the_placement():
    scans, layout = bent_quarters()
    told = layout_score(layout, scans, *PAINTING_MM, scan_ppi=PPI)
    assert told.local_misregistration_px.count > 300
    assert told.local_misregistration_px.max < 1e-4 and told.distortion_similarity_mm.max < 1e-5
    without = tuple(replace(placement, correction=None) for placement in layout.placements)
    as_if = layout_score(replace(layout, placements=without), scans, *PAINTING_MM, scan_ppi=PPI)
    assert as_if.local_misregistration_px.median > 0.5 and as_if.distortion_similarity_mm.max > 0.05


def test_the_report_gives_the_layout_back_whole(tmp_path):
    _, layout = bent_quarters()
    glass, link = GlassSpeck(10.0, 20.0, 0.3, 4), Run(1).link((0, 1))
    bed = Bed(BedSource.TURNED_PIECES, 0.0015, 0.06, 1.0, 1e-5, 1e-3)
    layout = replace(layout, bed=bed, glass=(glass,), links=(link,))
    summary = replace(Run(1).summary(), layout=layout)
    (tmp_path / "report.json").write_text(json.dumps(report_plain(summary, job_folder=tmp_path)))
    assert read_job(tmp_path).layout == replace(layout, links=())
    plain = json.loads((tmp_path / "report.json").read_text())["links"][0]
    assert {"pinned", "probability", "expected_px", "bound_px"} <= plain.keys()


def test_missing_and_foreign_scans_are_listed():
    scans = quarters()
    matrices = true_layout(scans)
    matrices["X"] = matrices.pop("C")
    result = score(matrices, scans)
    assert result.unplaced == ("C",)
    assert result.unknown == ("X",)


def test_nothing_placed_is_an_error():
    scans = quarters()
    layout = replace(layout_of(true_layout(scans)), placements=())
    with pytest.raises(ValueError, match="no placed scan"):
        layout_score(layout, scans, *PAINTING_MM, scan_ppi=PPI)
