"""The list of dust: written, edited by other hands, and honoured by a later run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stitch.dust.book import honoured, read_spots, write_spots
from stitch.errors import UsageError
from stitch.model.dust import DustSpot, Proof, Verdict

SPECK = DustSpot(1, 10.5, 20.25, 0.4, 0.0, 0.0, Proof.GLASS, Verdict.MEND, "on the glass in 4 scans")
HAIR = DustSpot(2, 30.0, 40.0, 0.2, 2.5, -31.5, Proof.LOOKS, Verdict.ASK)


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "m_dust.csv"
    assert read_spots(path) == ()
    write_spots(path, (SPECK, HAIR), path)
    assert read_spots(path) == (SPECK, HAIR)
    assert path.read_text("utf-8").startswith("# One line a speck")


def test_a_spreadsheets_hand_and_a_speck_of_her_own(tmp_path: Path) -> None:
    path = tmp_path / "m_dust.csv"
    path.write_text("x_mm;y_mm;size_mm;verdict;mine\n1,5;2,5;0,4;KEEP;sky\n7;8;0,3;mend;\n", "cp1252")
    first, second = read_spots(path)
    assert (first.x_mm, first.verdict, first.proof) == (1.5, Verdict.KEEP, Proof.HAND)
    kept = honoured([replace(SPECK, number=0, x_mm=1.6, y_mm=2.5), HAIR], (first, second))
    assert [one.verdict for one in kept] == [Verdict.KEEP, Verdict.MEND, Verdict.ASK]
    assert sorted(one.number for one in kept) == [1, 2, 3]


@pytest.mark.parametrize("line", ["1,2,0.4,perhaps", "1,2,-1,mend", "1,here,0.4,mend", "1,2,0.4,"])
def test_a_line_that_cannot_be_is_named(tmp_path: Path, line: str) -> None:
    path = tmp_path / "m_dust.csv"
    path.write_text(f"x_mm,y_mm,size_mm,verdict\n{line}\n", "utf-8")
    with pytest.raises(UsageError, match=r"m_dust\.csv, line 2"):
        read_spots(path)


def test_a_proposal_that_is_proven_now_is_mended_unless_refused() -> None:
    proven = replace(HAIR, number=0, proof=Proof.GLASS, verdict=Verdict.MEND)
    assert honoured([proven], [HAIR])[0].verdict is Verdict.MEND
    assert honoured([proven], [replace(HAIR, verdict=Verdict.KEEP)])[0].verdict is Verdict.KEEP
