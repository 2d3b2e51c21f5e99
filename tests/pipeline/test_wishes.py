"""Her say: a wish redoes the seams and what follows, a draft changes nothing, and a region stays on its paint."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.errors import UsageError, WriteError
from stitch.pipeline.drafting import draft
from stitch.pipeline.wishes_file import wishes_of
from stitch.wishes.book import BOOK_NAME
from tests.pipeline.jobs import hashes
from tests.pipeline.wishing import IN_BOTH, MM, Box, codes, kept, region, results, run, stitch


def made_by(job: Path, box: Box, name: str = "seam-labels.tif") -> set[int]:
    x0, y0, x1, y1 = box
    return set(np.unique(tifffile.imread(job / name)[y0:y1, x0:x1]).tolist())


def test_a_wish_is_drafted_then_joined_and_only_the_seams_and_what_follows_are_done_again(tiled_job: Path) -> None:
    before = made_by(tiled_job, IN_BOTH)
    other = "A2" if 1 in before else "A1"
    (tiled_job / BOOK_NAME).write_text(f'prefer,{other},"{region(IN_BOTH)}"\n')
    old = hashes(tiled_job)
    made = draft(tiled_job)
    label = {"A1": 1, "A2": 2}[other]
    assert made_by(tiled_job, IN_BOTH, made.labels.name) == {label}
    assert 0 < made.changed_fraction < 0.2 and made.changed_mm2 == pytest.approx(60 * 100 * MM**2, rel=0.9)
    assert made.after.length_mm != made.before.length_mm
    assert [finding.code for finding in made.findings] == ["wishes-met"]
    with tifffile.TiffFile(made.labels) as tiff:
        assert tiff.pages[0].tags["ImageDescription"].value.startswith("Draft: not yet in the master. 0 no scan; 1 A1")
    now = hashes(tiled_job)
    changed = {name for name in now if now[name] != old.get(name) and not name.startswith("work/")}
    assert changed == {"seam-draft.png", "seam-draft-labels.tif", "job.json"}
    found = run(tiled_job)
    assert kept(found) == {"register", "tone"} and found.exit_code == 0
    assert made_by(tiled_job, IN_BOTH) == {label}
    (note,) = [finding.message for finding in found.findings if finding.code == "wishes-met"]
    assert f"line 1 prefer {other} in" in note and "seams.csv changed" in str(found.findings)
    assert note in [finding["message"] for finding in json.loads((tiled_job / "report.json").read_text())["findings"]]
    assert not made.picture.exists() and not made.labels.exists()
    assert "nothing-changed" in codes(run(tiled_job))


def test_a_region_in_mm_stays_on_its_paint_when_the_master_changes(tiled_job: Path) -> None:
    """Written for the master that is there, used first together with a turn and another resolution."""
    (tiled_job / BOOK_NAME).write_text(f'prefer,A2,"{region(IN_BOTH)}"\navoid,A1,300,100 400,200,px\n')
    found = run(tiled_job, up_deg=90, dpi=100.0)
    assert codes(found).count("wish-moved") == 1 and "wishes-met" in codes(found)
    height = 810
    x0, y0, x1, y1 = IN_BOTH
    turned = ((height - y1) // 2 + 1, x0 // 2 + 1, (height - y0) // 2 - 1, x1 // 2 - 1)
    assert made_by(tiled_job, turned) == {found.layout.placements.index(found.layout.placement("A2")) + 1}
    (first, now), (second, still) = wishes_of(tiled_job)
    assert now and not still and (first.line, second.line) == (1, 2)


def test_a_bad_line_stops_before_any_work(tiled_job: Path) -> None:
    old = results(tiled_job)
    for line, reason in (('prefer,A1,"1,2 3"', "line 2: .*mixes|holds"), ('avoid,C3,"1,2 3,4"', "line 2: C3 is none")):
        (tiled_job / BOOK_NAME).write_text(f"# mine\n{line}\n")
        for work in (run, draft):
            with pytest.raises(UsageError, match=rf"seams\.csv, (?:{reason})"):
                work(tiled_job)
    (tiled_job / BOOK_NAME).write_text('avoid,A1,"900,2 950,9",px\n')
    with pytest.raises(UsageError, match="line 1: the region lies outside A1, which is 420 × 460 px"):
        run(tiled_job)
    (tiled_job / BOOK_NAME).unlink()
    assert results(tiled_job) == old


def test_what_cannot_be_met_fails_the_check_and_names_its_line(tiled_job: Path) -> None:
    lines = [
        f"prefer,A1,{region(IN_BOTH)}",
        f"prefer,A2,{region(IN_BOTH)}",
        f"prefer,B2,{region((10, 10, 60, 60))}",
        f"avoid,A1,{region((10, 100, 60, 160))}",
        "prefer,A1,500,500 600,600",
    ]
    (tiled_job / BOOK_NAME).write_text("\n".join(lines) + "\n")
    done = stitch("seams", tiled_job)
    assert done.exit_code == 1
    said = [line for line in done.stderr.splitlines() if "Line" in line]
    assert "Line 1 of seams.csv" in said[0] and "contradicts line 2" in said[0]
    assert "Line 3" in said[1] and "B2 does not reach there" in said[1]
    assert "Line 4" in said[2] and "no other scan shows the region" in said[2]
    assert "Line 5" in said[3] and "outside the master" in said[3]
    assert "line 2 prefer A2" in done.stderr and "This is a draft, not yet in the master." in done.stderr
    assert [Path(line).name for line in done.stdout.splitlines()] == ["seam-draft.png", "seam-draft-labels.tif"]


def test_a_draft_is_refused_where_it_could_not_be_compared(tiled_job: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not the folder of a job"):
        draft(tmp_path / "scans")
    (tiled_job / "ties.csv").write_text("A1,330,200,A2,10,200\n")
    with pytest.raises(UsageError, match=r"where they lie has to be done again \(ties.csv changed\).*stitch join"):
        draft(tiled_job)
    (tiled_job / "ties.csv").unlink()
    (tiled_job / "seam-draft.png").write_bytes(b"mine")
    with pytest.raises(WriteError, match=r"seam-draft\.png was not written by this job"):
        draft(tiled_job)
    assert (tiled_job / "seam-draft.png").read_bytes() == b"mine"


def test_the_command_line_notes_lists_removes_and_refuses(tiled_job: Path) -> None:
    done = stitch(
        "seams", tiled_job, "--prefer", "A2 43,12.5 50,25", "--avoid", "A1.tif 320,0 400,90 330,80 px", "--list"
    )
    assert done.exit_code == 0 and "stitch seams" in done.stderr
    assert done.stdout.splitlines() == [
        "7    prefer  A2  43,12.5 50,25 mm",
        "8    avoid  A1  320,0 400,90 330,80 px",
    ]
    assert stitch(
        "seams", tiled_job, "--remove", "7", "--prefer", "B1 1,1 90,90 px of B2", "--list"
    ).stdout.splitlines() == [
        "7    avoid  A1  320,0 400,90 330,80 px",
        "8    prefer  B1  1,1 90,90 px of B2",
    ]
    before = (tiled_job / BOOK_NAME).read_bytes()
    for words in (
        ("--prefer", "A2 1,2"),
        ("--prefer", "A9 1,2 3,4"),
        ("--avoid", "A1 1,2 3,4 inch"),
        ("--avoid", "A1 900,900 950,950"),
        ("--avoid", "A1 900,900 950,950 px"),
        ("--remove", "3"),
    ):
        refused = stitch("seams", tiled_job, *words)
        assert refused.exit_code == 2 and len(refused.stderr.splitlines()) == 1, refused.stderr
    assert (tiled_job / BOOK_NAME).read_bytes() == before
