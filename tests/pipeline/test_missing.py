"""A master that ends before the tape does lacks a part of the painting, and says so."""

from pathlib import Path

import pytest

from stitch.model.geometry import Size
from stitch.model.settings import JoinSettings
from stitch.model.size import Edge, SizeCheck, SizeReading
from stitch.pipeline.missing import missing_findings
from stitch.pipeline.run import join
from tests.pipeline.jobs import PPI, picture, request, tiles, write_scans

PPI_ROUND = 254.0  # 10 px a mm
CANVAS = Size(3000, 2000)  # 300 x 200 mm


def edge(side: str, at_px: float | None) -> Edge:
    if at_px is None:
        return Edge(side, False, None, None, None, "not in view")
    ends = ((at_px, 0.0), (at_px, 1999.0)) if side in ("left", "right") else ((0.0, at_px), (2999.0, at_px))
    return Edge(side, True, *ends, 0.5, "lid")


def check(*, left: float | None = 50.0, right: float | None, is_ok: bool | None = True) -> SizeCheck:
    edges = (edge("left", left), edge("right", right), edge("top", 50.0), edge("bottom", 1950.0))
    height = SizeReading("height left", 190.0, 0.1, 190.0, 2.0, is_ok)
    return SizeCheck(PPI_ROUND, edges, (height,), None, False, None, ())


def codes(found: SizeCheck, **settings: float) -> list[str]:
    return [finding.code for finding in missing_findings(found, CANVAS, JoinSettings(**settings))]


def test_a_column_that_was_not_scanned_is_named() -> None:
    found = missing_findings(check(right=None), CANVAS, JoinSettings(width_mm=400.0, height_mm=190.0))
    assert [finding.severity.value for finding in found] == ["failed"]
    assert "only 295 mm" in found[0].message
    assert "right edge" in found[0].message


def test_a_master_that_reaches_as_far_as_the_tape_is_not_blamed() -> None:
    assert codes(check(right=None), width_mm=295.0, height_mm=190.0) == []
    assert codes(check(right=None), width_mm=296.9, height_mm=190.0) == []
    assert codes(check(right=None), width_mm=297.5, height_mm=190.0) == ["part-missing"]
    assert codes(check(right=None, left=None), width_mm=297.5, height_mm=190.0) == []
    assert codes(check(right=None), height_mm=190.0) == []


def test_lengths_with_both_edges_in_view_are_left_to_the_size_check() -> None:
    assert codes(check(right=2950.0), width_mm=400.0, height_mm=190.0) == []


def test_sides_given_the_other_way_round_are_no_missing_part() -> None:
    unsure = check(right=None, is_ok=None)
    assert codes(unsure, width_mm=190.0, height_mm=290.0) == []
    assert codes(unsure, width_mm=320.0, height_mm=290.0) == []
    assert codes(unsure, width_mm=320.0, height_mm=310.0) == ["part-missing"]


@pytest.mark.parametrize("seed", [1, 2])
def test_a_join_whose_scans_end_inside_the_painting_fails_its_check(seed: int, tmp_path: Path) -> None:
    image = picture(seed)
    scans = write_scans(tmp_path / "scans", tiles(image))
    width_mm, height_mm = (25.4 * n / PPI for n in (image.shape[1], image.shape[0]))
    whole = join(request(scans, width_mm=width_mm, height_mm=height_mm))
    assert "part-missing" not in [finding.code for finding in whole.findings]
    longer = join(request(scans, width_mm=width_mm + 40, height_mm=height_mm))
    assert longer.exit_code == 1
    assert "part-missing" in [finding.code for finding in longer.findings]
