"""The book of wishes as a file: written by us, by hand, and by spreadsheets."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitch.errors import UsageError
from stitch.model.wishes import Want, Wish
from stitch.wishes.book import BOOK_NAME, read_wishes, require_readable, write_wishes

SCANS = ("A1", "B1", "001", "left half")
BOX = ((120.0, 80.0), (160.0, 110.0))
WISHES = (
    Wish(Want.PREFER, "A1", BOX),
    Wish(Want.AVOID, "left half", ((0.0, 0.5), (10.0, 0.5), (10.0, 7.25)), note="the, pier"),
    Wish(Want.AVOID, "001", BOX, px_of="001"),
    Wish(Want.PREFER, "B1", BOX, px_of="left half"),
)


def put(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / BOOK_NAME
    path.write_bytes(text.encode(encoding))
    return path


def test_no_file_is_no_wish(tmp_path: Path) -> None:
    require_readable(tmp_path / BOOK_NAME)
    assert read_wishes(tmp_path / BOOK_NAME, SCANS) == ()


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / BOOK_NAME
    write_wishes(path, WISHES)
    assert read_wishes(path, SCANS) == WISHES
    assert path.read_text("utf-8").startswith("# One line says which scan")
    assert [wish.line for wish in read_wishes(path, SCANS)] == [7, 8, 9, 10]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ('prefer,A1,"120,80 160,110"\n', "utf-8"),
        ("prefer,A1,120,80 160,110\n", "utf-8"),
        ("PREFER, a1.tif, 120, 80, 160, 110\n", "utf-8"),
        ("prefer,A1,120 80 160 110,mm,here\n", "utf-8"),
        ("wish;scan;region;unit\r\n;;;\r\nprefer;A1;120,80 160,110;\r\n", "utf-8-sig"),
        ("Wish\tScan\tRegion\nprefer\tA1\t120.0,80.0 160.0,110.0\n", "utf-16"),
        ('# mine\n\nmine,region,wish,scan\nx,"120, 80 160, 110",prefer,A1\n', "utf-8"),
    ],
)
def test_files_of_other_hands(tmp_path: Path, text: str, encoding: str) -> None:
    (found,) = read_wishes(put(tmp_path, text, encoding), SCANS)
    assert (found.want, found.scan_id, found.points, found.px_of) == (Want.PREFER, "A1", BOX, "")


def test_a_region_without_quotes_ends_where_its_unit_begins(tmp_path: Path) -> None:
    path = put(tmp_path, "avoid,B1,1,2 30,40 5,60,px of 001,9\navoid,B1,1,2 30,40,,9\n")
    first, second = read_wishes(path, SCANS)
    assert first.points == ((1.0, 2.0), (30.0, 40.0), (5.0, 60.0)) and (first.px_of, first.note) == ("001", "9")
    assert second.points == ((1.0, 2.0), (30.0, 40.0)) and (second.px_of, second.note) == ("", "9")


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ('use,A1,"1,2 3,4"', "the wish is 'use'"),
        ('prefer,A9,"1,2 3,4"', "A9 is none of the scans"),
        ('prefer,,"1,2 3,4"', "a scan's name is missing"),
        ("prefer,A1,", "the region is missing"),
        ('prefer,A1,"1,2"', "holds 2 numbers"),
        ('prefer,A1,"1,2 3,4 5"', "mixes places"),
        ('prefer,A1,"1,2,5 3,4"', "places of more than two numbers"),
        ('prefer,A1,"1,two 3,4"', "'two' is not a number"),
        ('prefer,A1,"1,2 3,inf"', "'inf' is not a number"),
        ('prefer,A1,"1,2 1,9"', "has no area"),
        ('prefer,A1,"1,1 2,2 3,3"', "has no area"),
        ('prefer,A1,"0,0 9,0 0,9 9,9"', "cross"),
        ('prefer,A1,"1,2 3,4",inch', "the unit is 'inch'"),
        ('prefer,A1,"1,2 3,4",px of C7', "C7 is none of the scans"),
    ],
)
def test_a_bad_line_is_named_with_its_number(tmp_path: Path, line: str, reason: str) -> None:
    path = put(tmp_path, f'# first\nprefer,A1,"1,2 3,4"\n\n{line}\n')
    with pytest.raises(UsageError, match=rf"seams\.csv, line 4: .*{reason}"):
        read_wishes(path, SCANS)


def test_comments_and_columns_of_her_own_stay(tmp_path: Path) -> None:
    path = put(
        tmp_path, "# my words\nwish;scan;region;seen by\n# the mast\nprefer;A1;1,2 3,4;lamp\navoid;B1;1,2 3,4;sun\n"
    )
    first, _ = read_wishes(path, SCANS)
    write_wishes(path, (first, Wish(Want.AVOID, "B1", BOX, "B1")))
    assert path.read_text("utf-8") == (
        "# my words\nwish;scan;region;seen by;unit\n# the mast\nprefer;A1;1,2 3,4;lamp\navoid;B1;120,80 160,110;;px\n"
    )
