"""Sheets of known size, measured again; edges that are not there, tapes that lie."""

from __future__ import annotations

import time

import numpy as np
import pytest

from stitch.model.settings import Measured
from stitch.size.measure import measure
from tests.held import HeldSource
from tests.size.sheets import sheet

WIDTH, HEIGHT = 90.0, 70.0


def readings(check) -> dict[str, float]:
    return {reading.name: reading.measured_mm for reading in check.readings}


def worst_error_mm(check, width: float = WIDTH, height: float = HEIGHT) -> float:
    true = {"width": width, "height": height, "diagonal": float(np.hypot(width, height))}
    return max(abs(length - true[name.split()[0]]) for name, length in readings(check).items())


CASES = {
    "white lid": {},
    "black lid": {"lid": "black"},
    "open lid": {"lid": "open"},
    "cloth": {"lid": "cloth"},
    "white margin on white lid": {"margin_mm": 12.0},
    "soft washes inside a margin": {"margin_mm": 12.0, "soft_mm": 2.0, "angle_deg": 0.4},
    "turned, white margin": {"margin_mm": 10.0, "angle_deg": 1.5},
    "turned, black lid": {"angle_deg": -1.5, "lid": "black"},
    "turned, open lid, 8 bit": {"angle_deg": 1.0, "lid": "open", "bits": 8},
    "dark paint at an edge on a black lid": {"lid": "black", "dark_edge": True},
    "much lid": {"border_mm": (30.0, 12.0, 25.0, 4.0)},
    "a border of 3 mm": {"border_mm": (3.0, 3.0, 3.0, 3.0)},
    "strong noise": {"noise": 0.02, "angle_deg": 0.3},
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", CASES)
def test_size_is_recovered_at_200_ppi(name: str, seed: int) -> None:
    made = sheet(seed, **CASES[name])
    check = measure(made.source, made.ppi, width_mm=WIDTH, height_mm=HEIGHT)
    assert len(check.readings) == 6
    assert worst_error_mm(check) < 0.15
    assert all(reading.is_ok for reading in check.readings[:4])
    assert check.squareness_deg is not None and check.squareness_deg < 0.12
    assert not check.is_swapped and abs(check.scale_error_percent) < 0.1


@pytest.mark.parametrize("ppi", [300.0, 400.0, 600.0])
@pytest.mark.parametrize("lid", ["white", "black"])
def test_size_is_recovered_at_higher_resolutions(ppi: float, lid: str) -> None:
    made = sheet(4, width_mm=50, height_mm=40, ppi=ppi, lid=lid, angle_deg=0.6, margin_mm=8.0)
    assert worst_error_mm(measure(made.source, ppi), 50, 40) < 0.05


def test_stated_uncertainty_is_honest() -> None:
    ratios = []
    for seed in range(8):
        made = sheet(seed, lid=("white", "black", "cloth")[seed % 3], angle_deg=0.5 * (seed % 4) - 0.5)
        for reading in measure(made.source, made.ppi).readings:
            true = {"width": WIDTH, "height": HEIGHT, "diagonal": float(np.hypot(WIDTH, HEIGHT))}
            ratios.append((reading.measured_mm - true[reading.name.split()[0]]) / reading.uncertainty_mm)
    assert np.abs(ratios).max() < 3.0
    assert 0.05 < np.sqrt(np.mean(np.square(ratios))) < 1.2


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("lid", ["white", "black"])
def test_a_deckled_edge_is_measured_along_its_middle_and_says_how_unsure(lid: str, seed: int) -> None:
    made = sheet(seed, deckle_mm=0.5, margin_mm=10.0, lid=lid)
    check = measure(made.source, made.ppi)
    assert worst_error_mm(check) < 0.4
    assert all(reading.uncertainty_mm > 0.05 for reading in check.readings)


def test_edges_are_where_they_were_drawn() -> None:
    made = sheet(5, angle_deg=1.2, lid="black")
    edges = {edge.side: edge for edge in measure(made.source, made.ppi).edges}
    top_left, top_right, bottom_right, bottom_left = made.corners_px
    for side, ends in {
        "left": (top_left, bottom_left),
        "right": (top_right, bottom_right),
        "top": (top_left, top_right),
        "bottom": (bottom_left, bottom_right),
    }.items():
        np.testing.assert_allclose([edges[side].start_px, edges[side].end_px], ends, atol=0.6)
        assert edges[side].sigma_px < 0.5


def test_what_an_edge_was_found_by_is_said() -> None:
    by_shadow = measure(sheet(1, margin_mm=12.0).source, 200)
    assert all("only by its shadow" in edge.evidence for edge in by_shadow.edges)
    dark = measure(sheet(1, lid="open").source, 200)
    assert all("lid" in edge.evidence and "dark" in edge.evidence for edge in dark.edges)
    blank = measure(sheet(1, margin_mm=12.0, has_shadow=False).source, 200)
    assert all("blank margin would look the same" in edge.evidence for edge in blank.edges)


def test_a_tape_measure_off_by_five_millimetres_fails_by_name() -> None:
    made = sheet(2)
    check = measure(made.source, made.ppi, width_mm=WIDTH + 5, height_mm=HEIGHT)
    verdicts = {reading.name: reading.is_ok for reading in check.readings}
    assert verdicts == {
        "width top": False,
        "width bottom": False,
        "height left": True,
        "height right": True,
        "diagonal \\": None,
        "diagonal /": None,
    }
    assert not check.is_swapped


def test_a_wrong_resolution_fails() -> None:
    made = sheet(2)
    check = measure(made.source, made.ppi * 1.05, width_mm=WIDTH, height_mm=HEIGHT)
    assert [reading.is_ok for reading in check.readings[:4]] == [False] * 4
    assert check.scale_error_percent == pytest.approx(-100 * (1 - 1 / 1.05), abs=0.1)


@pytest.mark.parametrize(
    ("hidden", "left_over"),
    [
        ((0.0, 6.0, 6.0, 6.0), {"height left", "height right"}),
        ((6.0, -3.0, 6.0, 6.0), {"height left", "height right"}),
        ((6.0, 6.0, -2.0, 6.0), {"width top", "width bottom"}),
        ((-2.0, -2.0, -2.0, -2.0), set()),
    ],
)
def test_an_edge_out_of_view_is_named_and_the_other_axis_still_measured(hidden, left_over) -> None:
    made = sheet(3, border_mm=hidden)
    check = measure(made.source, made.ppi, width_mm=WIDTH, height_mm=HEIGHT)
    missing = {edge.side for edge in check.edges if not edge.is_in_view}
    assert missing == {s for s, b in zip(("left", "right", "top", "bottom"), hidden, strict=True) if b <= 0}
    assert set(readings(check)) == left_over
    assert all("not in view" in e.evidence and e.start_px is None for e in check.edges if not e.is_in_view)
    assert check.squareness_deg is None
    assert all(reading.is_ok for reading in check.readings)


def test_width_and_height_declared_the_other_way_round_are_named_not_failed() -> None:
    made = sheet(3)
    check = measure(made.source, made.ppi, width_mm=HEIGHT, height_mm=WIDTH)
    assert check.is_swapped
    assert all(reading.is_ok for reading in check.readings[:4])
    assert check.readings[0].expected_mm == WIDTH


@pytest.mark.parametrize("seed", range(3))
def test_the_painted_area_inside_a_margin_is_measured_when_asked(seed: int) -> None:
    made = sheet(seed, margin_mm=12.0, lid="black")
    check = measure(made.source, made.ppi, width_mm=WIDTH - 24, height_mm=HEIGHT - 24, measured=Measured.PAINT)
    assert worst_error_mm(check, WIDTH - 24, HEIGHT - 24) < 0.4
    assert all(edge.evidence.startswith("paint:") for edge in check.edges)
    assert all(reading.is_ok for reading in check.readings[:4])


def test_paint_that_reaches_the_sheets_edge_is_measured_there() -> None:
    made = sheet(1, lid="black")
    check = measure(made.source, made.ppi, measured=Measured.PAINT)
    assert worst_error_mm(check) < 0.15
    assert all("reaches the sheet's edge" in edge.evidence for edge in check.edges)


def test_parts_that_hold_nothing_are_not_taken_for_background() -> None:
    made = sheet(6, border_mm=(10.0, 10.0, 10.0, 10.0))
    made.source.pixels[:, :30] = 0  # 3.8 mm on the left that no scan covers
    made.source.pixels[:40] = 0

    def covered(window):
        ys, xs = np.mgrid[window.y0_px : window.y1_px, window.x0_px : window.x1_px]
        return (xs >= 30) & (ys >= 40)

    check = measure(made.source, made.ppi, covered=covered)
    assert worst_error_mm(check) < 0.15


def test_a_picture_is_read_by_bands_and_narrow_strips() -> None:
    made = sheet(1, ppi=300)
    whole = made.source.size.width_px * made.source.size.height_px
    measure(made.source, made.ppi)
    assert made.source.read_px < 1.6 * whole


def test_a_plain_picture_has_no_edges_and_no_figures() -> None:
    check = measure(HeldSource(np.full((500, 400, 3), 40000, np.uint16)), 200.0, width_mm=50, height_mm=60)
    assert not any(edge.is_in_view for edge in check.edges)
    assert check.readings == () and check.scale_error_percent is None and check.published_figures == ()


@pytest.mark.parametrize("seed", range(4))
def test_any_picture_gives_a_check_and_no_fault(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pixels = rng.integers(0, 255, (int(rng.integers(3, 300)), int(rng.integers(3, 300)), 3)).astype(np.uint8)
    assert measure(HeldSource(pixels), float(rng.uniform(20, 600))).scale_error_percent is None


def test_measuring_is_quick() -> None:
    made = sheet(1, width_mm=150, height_mm=120, ppi=200)
    start = time.process_time()
    measure(made.source, made.ppi)
    assert time.process_time() - start < 3.0  # about 0.3 s


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("lid", ["white", "black", "open", "cloth"])
def test_a_flat_filling_beyond_the_scans_is_no_edge(lid: str, seed: int) -> None:
    made = sheet(seed, lid=lid, border_mm=(10.0, 10.0, 10.0, 10.0))
    pixels = made.source.pixels
    height, width = pixels.shape[:2]
    end = round(4 * made.ppi / 25.4)
    filled = np.ones((height, width), dtype=bool)
    filled[end:-end, end:-end] = False
    filled[height // 2 :, : end + 8] = True
    beside = np.zeros_like(filled)
    beside[: end + 8] = beside[:, : end + 16] = True
    pixels[filled] = np.median(pixels[beside & ~filled], axis=0)
    assert worst_error_mm(measure(made.source, made.ppi)) < 0.15


@pytest.mark.parametrize("margin_mm", [0.0, 12.0])
@pytest.mark.parametrize("flat", [0, 65535])
def test_a_lid_that_is_black_or_white_throughout_is_still_a_lid(flat: int, margin_mm: float) -> None:
    made = sheet(3, margin_mm=margin_mm, paper=0.8)
    (x0, y0), (x1, y1) = np.rint(made.corners_px[[0, 2]]).astype(int)
    x0, y0, x1, y1 = x0 + 3, y0 + 3, x1 - 3, y1 - 3  # whole pixels of the sheet alone
    pixels = made.source.pixels
    inside = pixels[y0:y1, x0:x1].copy()
    pixels[:] = flat
    pixels[y0:y1, x0:x1] = inside
    assert worst_error_mm(measure(made.source, made.ppi), (x1 - x0) * 25.4 / 200, (y1 - y0) * 25.4 / 200) < 0.15
