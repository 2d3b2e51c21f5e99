"""Every change is checked, saved at once, and never made on what a page does not know."""

from __future__ import annotations

import http.client
import json
import threading
from pathlib import Path
from typing import Any

import pytest

from stitch.errors import UsageError
from stitch.model.ties import Apart, Tie, TieBook
from stitch.page.serve import ServedPage, served
from stitch.ties.book import BOOK_NAME, read_book, write_book
from tests.page.visitor import Visitor

NAMES = ["A1", "A2", "B1", "B2", "B3"]
TIE: dict[str, Any] = {"do": "tie", "a": 4, "b": 3, "a_px": [200.0, 30.0], "b_px": [210.5, 400.25], "turn_deg": 0}


def book_of(job: Path) -> TieBook:
    return read_book(job / BOOK_NAME, NAMES)


def test_a_tie_is_in_the_file_at_once(visitor: Visitor, job: Path) -> None:
    state = visitor.change(**TIE)
    (tie,) = book_of(job).ties
    assert (tie.scan_a, tie.a_px, tie.scan_b) == ("B3", (200.0, 30.0), "B2")
    assert state["ties"] == [[3, 4, 1]]
    assert state["scans"][4]["group"] == 0
    (shown,) = visitor.see("pair/4/3")["ties"]
    assert (shown["a_px"], shown["residual_px"]) == ([200.0, 30.0], None)
    (turned_round,) = visitor.see("pair/3/4")["ties"]
    assert turned_round["b_px"] == [200.0, 30.0]


def test_undo_and_redo_and_remove(visitor: Visitor, job: Path) -> None:
    visitor.change(**TIE)
    visitor.change(**{**TIE, "a_px": [60.0, 50.0], "b_px": [70.0, 410.0]})
    first, second = book_of(job).ties
    assert visitor.change(do="untie", at=0)["can_undo"]
    assert book_of(job).ties == (second,)
    assert visitor.change(do="undo")["can_redo"]
    assert book_of(job).ties == (first, second)
    visitor.change(do="undo")
    assert book_of(job).ties == (first,)
    visitor.change(do="redo")
    assert book_of(job).ties == (first, second)
    visitor.change(do="undo")
    visitor.change(do="undo")
    state = visitor.change(do="undo")
    assert (book_of(job).ties, state["can_undo"], state["can_redo"]) == ((), False, True)


def test_two_that_do_not_touch(visitor: Visitor, job: Path) -> None:
    state = visitor.change(do="apart", a=1, b=0)
    assert book_of(job).apart == (Apart("A1", "A2"),)
    assert state["apart"] == [[0, 1]]
    tie = {**TIE, "a": 0, "b": 1}
    status, answer = visitor.post({"revision": state["revision"], **tie})
    assert (status, "not touching" in answer["error"]) == (400, True)
    visitor.change(do="touching", a=0, b=1)
    assert book_of(job).apart == ()
    revision = visitor.change(**TIE)["revision"]
    assert visitor.post({"revision": revision, "do": "apart", "a": 3, "b": 4})[0] == 400


def test_a_ruler_distance(visitor: Visitor, job: Path) -> None:
    visitor.change(do="distance", a=0, b=0, a_px=[10, 20], b_px=[300.5, 21], length_mm=36.9)
    (distance,) = book_of(job).distances
    assert (distance.a_px, distance.b_px, distance.length_mm) == ((10.0, 20.0), (300.5, 21.0), 36.9)
    visitor.change(do="undistance", at=0)
    assert book_of(job).distances == ()


WRONG = [
    {"do": "format"},
    {"do": None},
    {**TIE, "a": 3},
    {**TIE, "a": 5},
    {**TIE, "a": True},
    {**TIE, "a": "../A1"},
    {**TIE, "a_px": [200.0]},
    {**TIE, "a_px": [True, 3]},
    {**TIE, "a_px": [float("nan"), 3]},
    {**TIE, "a_px": [1e308, 3]},
    {**TIE, "a_px": [10**400, 3]},
    {**TIE, "a_px": [-0.6, 3]},
    {**TIE, "a_px": "200,30"},
    {**TIE, "b_px": [3, 459.6]},
    {**TIE, "turn_deg": 45},
    {**TIE, "turn_deg": 90.0},
    {"do": "untie", "at": 0},
    {"do": "untie", "at": -1},
    {"do": "touching", "a": 0, "b": 1},
    {"do": "distance", "a": 0, "b": 0, "a_px": [1, 2], "b_px": [3, 4], "length_mm": 0},
    {"do": "distance", "a": 0, "b": 0, "a_px": [1, 2], "b_px": [3, 4], "length_mm": float("inf")},
    {"do": "distance", "a": 0, "b": 0, "a_px": [1, 2], "b_px": [3, 4], "length_mm": 1e9},
]


@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: json.dumps(wrong)[:60])
def test_what_makes_no_sense_changes_nothing(visitor: Visitor, job: Path, wrong: dict[str, Any]) -> None:
    revision = visitor.see("state")["revision"]
    status, answer = visitor.post({"revision": revision, **wrong})
    assert status == 400
    assert set(answer) == {"error"}
    assert visitor.see("state")["revision"] == revision
    assert book_of(job) == TieBook()


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"{", {}, 400),
        (b"[]", {}, 400),
        (b"\xff\xfe", {}, 400),
        (b"[" * 60_000, {}, 400),
        (b"{}", {"Content_Type": "text/plain"}, 415),
        (b"{}", {"Content_Length": "x"}, 411),
        (b"{}", {"Content_Length": "-2"}, 411),
        (b"2\r\n{}\r\n0\r\n\r\n", {"Transfer_Encoding": "chunked", "Content_Length": "2"}, 411),
        (b"{}", {"Content_Length": "65537"}, 413),
        (b"{}", {"Content_Length": "9" * 5000}, 413),
        (b'{"do": "' + b"x" * 70_000 + b'"}', {}, 413),
    ],
    ids=lambda value: str(value)[:40],
)
def test_bodies_that_are_too_much_or_not_json(
    visitor: Visitor, job: Path, body: bytes, headers: dict[str, str], status: int
) -> None:
    said = {"Content_Type": "application/json", **headers}
    found, _, _ = visitor.ask("POST", f"{visitor.prefix}change", body, **said)
    assert found == status
    assert visitor.see("state")["ties"] == []


def test_a_second_page_is_told_and_nothing_is_lost(visitor: Visitor, job: Path) -> None:
    old = visitor.see("state")["revision"]
    visitor.change(**TIE)
    late = {**TIE, "a_px": [60.0, 50.0], "b_px": [70.0, 410.0]}
    status, answer = visitor.post({"revision": old, **late})
    assert status == 409
    assert answer["state"]["ties"] == [[3, 4, 1]]
    assert len(book_of(job).ties) == 1
    assert visitor.post({"revision": answer["state"]["revision"], **late})[0] == 200
    assert len(book_of(job).ties) == 2
    assert visitor.post({"revision": old, "do": "untie", "at": 0})[0] == 409
    assert len(book_of(job).ties) == 2


def test_of_many_changes_at_once_none_is_lost(visitor: Visitor, job: Path) -> None:
    def add(number: int) -> None:
        body = {**TIE, "a_px": [40.0 + 30 * number, 30.0], "b_px": [50.0 + 30 * number, 400.0]}
        while visitor.post({"revision": visitor.see("state")["revision"], **body})[0] == 409:
            pass

    threads = [threading.Thread(target=add, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(tie.a_px[0] for tie in book_of(job).ties) == [40.0 + 30 * number for number in range(6)]


def test_a_file_changed_by_another_program_is_read_again(visitor: Visitor, job: Path) -> None:
    old = visitor.change(**TIE)["revision"]
    mine = Tie("A1", (5.0, 6.0), "B1", (7.0, 8.0))
    write_book(job / BOOK_NAME, TieBook(ties=(mine,)))
    assert visitor.post({"revision": old, "do": "undo"})[0] == 409
    state = visitor.see("state")
    assert (state["ties"], state["can_undo"]) == ([[0, 2, 1]], False)
    assert book_of(job).ties == (mine,)


def test_the_page_follows_a_run_made_meanwhile(page: ServedPage, visitor: Visitor, job: Path) -> None:
    revision = visitor.see("state")["revision"]
    assert visitor.see("state")["stopped"] is not None
    report = json.loads((job / "report.json").read_text(encoding="utf-8"))
    (job / "report.json").write_text(json.dumps({**report, "findings": [], "places_found": {}}), encoding="utf-8")
    stream = http.client.HTTPConnection(*visitor.host.split(":"), timeout=30)
    stream.putrequest("GET", f"{visitor.prefix}events", skip_host=True)
    stream.putheader("Host", visitor.host)
    stream.putheader("Cookie", visitor.cookie)
    stream.endheaders()
    lines = stream.getresponse()
    while f'"revision": {revision + 1}'.encode() not in lines.readline():
        pass
    stream.close()
    state = visitor.see("state")
    assert (state["stopped"], state["scans"][0]["place"]) == (None, None)


@pytest.mark.parametrize("line", ["A1,twelve,3,A2,4,5\n", "A1,12,3,A2,4,5000\n", "A1,12,3,nowhere,4,5\n"])
def test_a_bad_line_is_told_and_the_file_left_alone(visitor: Visitor, job: Path, line: str) -> None:
    revision = visitor.change(**TIE)["revision"]
    path = job / BOOK_NAME
    path.write_text(path.read_text(encoding="utf-8") + line, encoding="utf-8")
    spoiled = path.read_bytes()
    status, answer = visitor.post({"revision": revision, **TIE})
    assert status == 422
    assert f"line {len(spoiled.splitlines())}" in answer["error"]
    assert path.read_bytes() == spoiled


def test_a_bad_line_stops_the_page_before_it_opens(job: Path) -> None:
    (job / BOOK_NAME).write_text("no such thing\n", encoding="utf-8")
    with pytest.raises(UsageError), served(job):
        pass
