"""A line that jumps across a seam fails the check and is named with its place; what was not measured is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stitch.model.findings import Severity
from stitch.model.geometry import Size
from stitch.model.layout import CorrectionFit, Layout, Placement
from stitch.model.seams import SeamLine
from stitch.pipeline.seam_checks import seam_findings

PPI = 254.0  # ten px to the mm
UPRIGHT = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
TURNED = ((-1.0, 0.0, 900.0), (0.0, -1.0, 900.0))


def layout(*, is_turned: bool = False, is_straightened: bool = False) -> Layout:
    placements = (
        Placement("a", UPRIGHT, 0.01),
        Placement("b", TURNED if is_turned else UPRIGHT, 0.01),
        Placement("c", UPRIGHT, 0.01),
    )
    correction = CorrectionFit("stiff", 2.0, 0.1) if is_straightened else None
    return Layout(Size(2000, 2000), PPI, placements, (), False, 0, correction=correction)


def line(*shifts: float | None, step_px: float = 40.0) -> SeamLine:
    points = tuple((300.0, step_px * k) for k in range(len(shifts)))
    return SeamLine("a", "b", points, (0.1,) * len(shifts), shifts, 0.1 * step_px * (len(shifts) - 1))


def test_everything_below_half_a_pixel_passes() -> None:
    assert seam_findings((line(0.0, 0.49, 0.2, 0.499),), layout()) == ()


def test_one_place_at_half_a_pixel_fails_with_its_place_and_scans() -> None:
    (failed,) = seam_findings((line(*[0.1] * 20, 0.5, *[0.1] * 20),), layout())
    assert (failed.code, failed.severity) == ("seam-broken", Severity.FAILED)
    assert "At one place" in failed.message and "0.5 px between a and b" in failed.message
    assert "30 mm from the left and 80 mm from the top" in failed.message
    assert failed.scan_ids == ("a", "b")


def test_the_worst_places_are_named_first_and_not_twice() -> None:
    shifts = [0.1] * 60
    for k, shift in ((5, 0.7), (6, 0.9), (30, 1.4), (55, 0.6)):
        shifts[k] = shift
    (failed,) = seam_findings((line(*shifts),), layout())
    assert "At 4 places" in failed.message
    named = [part.split(" px")[0].split()[-1] for part in failed.message.split(";")]
    assert named == ["1.4", "0.9", "0.6"]


@pytest.mark.parametrize(
    ("is_turned", "is_straightened", "shift", "fails"),
    [(True, True, 0.9, False), (True, True, 1.0, True), (True, False, 0.6, True), (False, True, 0.6, True)],
)
def test_the_wider_limit_holds_only_between_turned_scans_that_were_straightened(
    is_turned: bool, is_straightened: bool, shift: float, fails: bool
) -> None:
    found = seam_findings((line(shift, 0.1, 0.1),), layout(is_turned=is_turned, is_straightened=is_straightened))
    assert bool(found) is fails


@pytest.mark.parametrize(("is_turned", "place", "fails"), [(True, 1, False), (False, 1, True), (True, 10, True)])
def test_at_the_sheets_edge_a_jump_between_turned_scans_is_that_of_its_shadow(
    is_turned: bool, place: int, fails: bool
) -> None:
    shifts = [0.1] * 20
    shifts[place] = 0.9  # 4 or 40 mm below the top
    painting = ((20.0, 20.0), (1900.0, 20.0), (1900.0, 1900.0), (20.0, 1900.0))
    assert bool(seam_findings((line(*shifts),), layout(is_turned=is_turned), painting)) is fails
    assert seam_findings((line(*shifts),), layout(is_turned=is_turned))  # where no edge is certain all places count


def test_little_measured_is_said_with_the_share() -> None:
    other = replace(line(*[0.1] * 20), scan_b="c")
    (note,) = seam_findings((line(*[None] * 9, 0.1, *[None] * 10), other), layout())
    assert (note.code, note.severity) == ("seam-unmeasured", Severity.NOTE)
    assert "a with b" in note.message and "53 % of the length" in note.message


@pytest.mark.parametrize(
    ("step", "severity", "words"),
    [
        (2.0, Severity.FAILED, "25 % of the seams the colour of the two scans differs by 2 ΔE2000"),
        (1.9, Severity.WARNING, "25 % of the seams the colour of the two scans differs by 1 ΔE2000"),
        (1.0, Severity.WARNING, "(the worst: 1.0)"),
    ],
)
def test_a_step_of_colour_along_more_than_a_fiftieth_is_told(step: float, severity: Severity, words: str) -> None:
    shown = SeamLine("a", "b", ((0.0, 0.0), (0.0, 50.0), (0.0, 100.0)), (step, 0.1, 0.1), (0.0, 0.0, 0.0), 10.0)
    (told,) = seam_findings((shown,), layout())
    assert (told.code, told.severity) == ("seam-visible", severity) and words in told.message


def test_a_step_on_the_lid_does_not_count() -> None:
    points = ((300.0, 10.0), (300.0, 200.0), (300.0, 400.0))
    line = SeamLine("a", "b", points, (6.0, 0.1, 0.1), (0.0, 0.0, 0.0), 39.0)
    inside = ((100.0, 100.0), (600.0, 110.0), (590.0, 700.0), (90.0, 690.0))
    assert [finding.code for finding in seam_findings((line,), layout())] == ["seam-visible"]
    assert seam_findings((line,), layout(), inside) == ()
    beside = ((100.0, 0.0), (600.0, 0.0), (590.0, 700.0), (90.0, 690.0))  # 10 px inside: the sheet's shadow
    assert seam_findings((line,), layout(), beside) == ()
    around = ((100.0, -60.0), (600.0, -60.0), (590.0, 700.0), (90.0, 690.0))
    assert len(seam_findings((line,), layout(), around)) == 1


def test_a_step_along_less_than_a_fiftieth_is_left_to_the_worst_spots() -> None:
    points = tuple((0.0, 10.0 * k) for k in range(101))
    steps = (5.0, *[0.1] * 100)
    assert seam_findings((SeamLine("a", "b", points, steps, (0.0,) * 101, 100.0),), layout()) == ()


def test_two_scans_with_islands_between_them_are_judged_and_named_once() -> None:
    told = line(*[0.0] * 40)
    islands = [line(*[None] * 4) for _ in range(5)]
    assert seam_findings((told, *islands), layout()) == ()
    (note,) = seam_findings((line(*[None] * 40), *islands), layout())
    assert note.message.count("a with b") == 1
