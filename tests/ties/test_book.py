"""The book of ties as a file: written by us, by hand, and by spreadsheets."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.errors import UsageError, WriteError
from stitch.model.ties import Apart, Distance, Tie, TieBook
from stitch.ties.book import BOOK_NAME, read_book, write_book

SCANS = ("A1", "A2", "B1", "C3")
BOOK = TieBook(
    (Tie("A1", (1200.0, 3400.0), "B1", (310.25, 3390.0)), Tie("A2", (1.0, 2.0), "B1", (3.0, 4.0), 2.0, "the, pier")),
    (Apart("A1", "C3", "another sheet"),),
    (Distance("A1", (0.0, 0.0), "A2", (10.0, 7.5), 250.0),),
)


def put(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / BOOK_NAME
    path.write_bytes(text.encode(encoding))
    return path


def test_no_file_is_an_empty_book(tmp_path: Path) -> None:
    assert read_book(tmp_path / BOOK_NAME, SCANS) == TieBook()


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / BOOK_NAME
    write_book(path, BOOK)
    assert read_book(path, SCANS) == BOOK
    assert path.read_text("utf-8").startswith("# One line says")
    assert [one.name for one in tmp_path.iterdir()] == [BOOK_NAME]


def test_lines_know_their_number(tmp_path: Path) -> None:
    path = put(tmp_path, "# mine\n\nA1,1,2,B1,3,4\n\nA1,5,6,B1,7,8\n")
    assert [tie.line for tie in read_book(path, SCANS).ties] == [3, 5]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("A1,1200,3400,B1,310.25,3390\n", "utf-8"),
        ("A1;1200;3400;B1;310,25;3390;;;\n", "utf-8-sig"),
        ("scan_a\tx_a\ty_a\tscan_b\tx_b\ty_b\nA1\t1200\t3400\tB1\t310,25\t3390\n", "utf-8-sig"),
        ("scan_a;x_a;y_a;scan_b;x_b;y_b\r\n;;;;;\r\nA1;1200;3400;B1;310.25;3390\r\n", "utf-8"),
        ('"# note, with a comma"\n"A1","1200","3400","B1","310.25","3390"\n', "utf-8"),
        ("Mine,Scan_B,X_B,Y_B,Scan_A,X_A,Y_A\nx,B1,310.25,3390,A1,1200,3400\n", "utf-8"),
        ("a1.tif,1200,3400,b1.TIF,310.25,3390\n", "utf-16"),
    ],
)
def test_files_of_other_hands(tmp_path: Path, text: str, encoding: str) -> None:
    names = ("a1", "b1") if "tif" in text else SCANS
    assert read_book(put(tmp_path, text, encoding), names).ties == (
        Tie(names[0], (1200.0, 3400.0), "b1" if "tif" in text else "B1", (310.25, 3390.0)),
    )


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("A9,1,2,B1,3,4", "A9 is none of the scans"),
        ("A1,1,2,A1,3,4", "names A1 twice"),
        ("A1,one,2,B1,3,4", "x_a is 'one'"),
        ("A1,1,2,B1,3", "y_b is missing"),
        ("A1,nan,2,B1,3,4", "not a number"),
        ("A1,1,2,B1,3,4,0", "the weight is 0"),
        ("A1,1,2,B1,3,4,1,,near", "the kind is 'near'"),
        ("A1,1,2,A2,3,4,,,distance,-5", "the length in mm is -5"),
        ("A1,1,2,A2,3,4,,,distance", "length_mm is missing"),
        (",1,2,B1,3,4", "name is missing"),
    ],
)
def test_a_bad_line_is_named_with_its_number(tmp_path: Path, line: str, reason: str) -> None:
    path = put(tmp_path, f"# first\nA1,1,2,B1,3,4\n\n{line}\n")
    with pytest.raises(UsageError, match=rf"ties\.csv, line 4: .*{reason}"):
        read_book(path, SCANS)


def test_comments_and_columns_of_her_own_stay(tmp_path: Path) -> None:
    path = put(
        tmp_path,
        "# my own words\nscan_a;x_a;y_a;scan_b;x_b;y_b;seen by\n# the mast\n"
        "A1;1,5;2;B1;3;4;lamp\nA2;5;6;B1;7;8;window\n",
    )
    book = read_book(path, SCANS)
    added = Tie("A1", (9.5, 9.0), "C3", (8.0, 8.0), 2.0, "new")
    write_book(path, TieBook((book.ties[0], added), book.apart, book.distances))
    assert path.read_text("utf-8") == (
        "# my own words\nscan_a;x_a;y_a;scan_b;x_b;y_b;seen by;weight;note\n"
        "# the mast\nA1;1,5;2;B1;3;4;lamp\nA1;9.5;9;C3;8;8;;2;new\n"
    )
    assert read_book(path, SCANS).ties == (book.ties[0], added)


def test_the_old_file_stays_when_writing_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / BOOK_NAME
    write_book(path, BOOK)

    def refuse(self: Path, target: Path) -> None:
        raise PermissionError(13, "no")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(WriteError, match=BOOK_NAME):
        write_book(path, TieBook())
    assert read_book(path, SCANS) == BOOK
    assert [one.name for one in tmp_path.iterdir()] == [BOOK_NAME]


def test_a_scan_may_be_named_like_a_comment(tmp_path: Path) -> None:
    path, book = tmp_path / BOOK_NAME, TieBook((Tie("#1", (1.0, 2.0), "B1", (3.0, 4.0)),))
    write_book(path, book)
    write_book(path, book)
    assert read_book(path, ("#1", "B1")) == book


places = st.tuples(*[st.floats(-1e5, 1e5, allow_nan=False)] * 2)
notes = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=12)
ties = st.builds(Tie, st.just("A1"), places, st.just("B1"), places, st.floats(0.1, 9), notes)


@given(st.lists(ties, max_size=5).map(tuple))
def test_any_book_comes_back(tmp_path_factory: pytest.TempPathFactory, made: tuple[Tie, ...]) -> None:
    path = tmp_path_factory.mktemp("book") / BOOK_NAME
    write_book(path, TieBook(made))
    assert read_book(path, SCANS).ties == made
