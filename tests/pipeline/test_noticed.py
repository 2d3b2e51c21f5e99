"""What is said of turned pieces, holes that were let through, and scans that were left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.errors import UsageError
from stitch.model.bed import Bed, BedSource, GlassSpeck
from stitch.model.findings import Severity
from stitch.model.geometry import Size
from stitch.model.layout import Layout, LeftOut, Placement
from stitch.pipeline.noticed import (
    bed_findings,
    gap_findings,
    glass_findings,
    left_out_findings,
    require_reference,
    turned_findings,
)
from stitch.register.gaps import Gap
from stitch.report.turns import turns_on_glass

TURN = {
    0: ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
    90: ((0.0, -1.0, 9.0), (1.0, 0.0, 0.0)),
    180: ((-1.0, 0.0, 9.0), (0.0, -1.0, 9.0)),
    270: ((0.0, 1.0, 0.0), (-1.0, 0.0, 9.0)),
}


def layout(*turns: int, up_deg: int = 0) -> Layout:
    """Scans a, b, c … turned on the canvas by so much to come upright."""
    placements = tuple(Placement("abcdef"[k], TURN[(turn + up_deg) % 360], 0.01) for k, turn in enumerate(turns))
    return Layout(Size(10, 10), 300.0, placements, (), True, up_deg)


@pytest.mark.parametrize("up_deg", [0, 90, 180])
def test_each_turned_piece_is_named_with_how_it_lay(up_deg: int) -> None:
    found = layout(0, 0, 0, 90, 180, 270, up_deg=up_deg)
    assert turns_on_glass(found) == {"a": 0, "b": 0, "c": 0, "d": 270, "e": 180, "f": 90}
    (warning,) = turned_findings(found, "b")
    assert (warning.code, warning.severity, warning.scan_ids) == ("turned", Severity.WARNING, ("d", "e", "f"))
    assert "f by a quarter (clockwise in the scan)" in warning.message
    assert "e half around" in warning.message
    assert "d by a quarter (counter-clockwise in the scan)" in warning.message
    assert "The light in the master is that of b" in warning.message
    assert "relief" in warning.advice and "unreliable (FADGI, 2016)" in warning.advice


def test_a_reference_that_lay_turned_is_said() -> None:
    (warning,) = turned_findings(layout(0, 0, 180), "c")
    assert "follows c, as asked" in warning.message


def test_a_shape_that_only_small_turns_showed_is_told_with_how_sure_it_is() -> None:
    bed = Bed(skew_deg=0.061, sigma_skew_deg=0.004)
    (note,) = bed_findings(replace(layout(0, 0), bed=bed))
    assert (note.code, note.severity) == ("bed-felt", Severity.NOTE)
    assert "+0.061° (± 0.004°)" in note.message and "%" not in note.message and "quarter" in note.advice
    (note,) = bed_findings(replace(layout(0, 0), bed=Bed(anisotropy=-0.0015, sigma_anisotropy=0.0002)))
    assert "-0.15 % (± 0.02 %)" in note.message and "right angle" not in note.message
    for other in (Bed(), Bed(BedSource.FILE, 0.001, 0.02)):
        assert bed_findings(replace(layout(0, 0), bed=other)) == ()


def test_nothing_is_said_where_all_lay_alike() -> None:
    assert turned_findings(layout(0, 0, 0), "a") == ()
    assert turned_findings(layout(0, 0, up_deg=270), "a") == ()


def test_holes_are_failed_checks_with_their_place_in_the_master() -> None:
    canvas_from_picture = np.array([[2.5, 0.0, -100.0], [0.0, 2.5, -50.0]])  # 4 px/mm to 10 px/mm
    gaps = (
        Gap(50.0, 60.0, 10.0, 40.0, 20.0, "middle", ("a", "b")),
        Gap(90.0, 20.0, 3.0, 6.0, 6.0, "top right", ("b",)),
    )
    (failed,) = gap_findings(gaps, canvas_from_picture, 254.0, 4.0)
    assert (failed.code, failed.severity) == ("gaps", Severity.FAILED)
    assert "2 holes" in failed.message and failed.scan_ids == ("a", "b")
    assert "40 × 20 mm around 40 mm from the left, 55 mm from the top" in failed.message
    assert "6 × 6 mm around 80 mm from the left, 15 mm from the top" in failed.message
    many = gap_findings(gaps * 3, canvas_from_picture, 254.0, 4.0)
    assert "and 2 smaller" in many[0].message
    assert gap_findings((), canvas_from_picture, 254.0, 4.0) == []


def test_a_scan_left_out_is_named_with_the_one_used_and_cannot_be_the_reference() -> None:
    left = LeftOut("b2", "b1", 0.62)
    (warning,) = left_out_findings((left,))
    assert (warning.severity, warning.scan_ids) == (Severity.WARNING, ("b2", "b1"))
    assert "b1 is the sharper one and was used" in warning.message and "62 %" in warning.message
    found = Layout(Size(10, 10), 300.0, (), (), True, 0, left_out=(left,))
    with pytest.raises(UsageError, match="left out because b1"):
        require_reference("b2", found)
    require_reference("b1", found)
    require_reference(None, found)


def test_where_to_clean_the_glass() -> None:
    specks = [GlassSpeck(10.0 * k, 200.0 - k, 0.2 * k, 4) for k in range(1, 8)]
    (warning,) = glass_findings(specks)
    assert warning.severity is Severity.WARNING
    assert (
        "clean the glass at 70, 193; 60, 194; 50, 195; 40, 196; 30, 197; 20, 198 and in one more place"
        in warning.message
    )
    assert "mm from the left and the top, as the scans show it" in warning.message
    assert glass_findings(()) == []
