"""The page in a real browser: ties are made, seen, saved and taken back by mouse, pen, finger and keyboard."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from stitch.page.serve import ServedPage, serve, served
from stitch.pipeline import join
from tests.page.browser import KEYS, Browser
from tests.page.conftest import DOWN_PX, RIGHT_PX
from tests.page.driving import SPOTS, book_of, count, entered, show_pair, show_whole, tie, window_of
from tests.pipeline.jobs import TILE, picture, request, tiles, write_scans
from tests.register.cutting import texture


def test_ties_are_made_seen_and_saved_without_any_outside_help(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 1)
    for spot, off in zip(SPOTS, [(6, -4), (-5, 3), (2, 5)], strict=True):
        made = tie(browser, job, spot, off)
        assert made.b_px[0] - made.a_px[0] == pytest.approx(-RIGHT_PX, abs=0.2)
        assert made.b_px[1] - made.a_px[1] == pytest.approx(0, abs=0.2)
    assert "px (" in browser.text("#ties li:last-child .figure")
    assert "mm)" in browser.text("#ties li:last-child .figure")
    assert browser.text("#pinned")
    asked = [url for url in browser.requests() if not url.startswith("data:")]
    own = page.address.split("?")[0]
    assert len(asked) > 20
    assert [url for url in asked if not url.startswith(own) and not url.startswith("chrome")] == []
    assert browser.log("browser") == []


def test_a_tie_that_contradicts_is_marked(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 1)
    for spot in [*SPOTS, (390.0, 120.0)]:
        tie(browser, job, spot, (0, 0))
    tie(browser, job, (345.0, 330.0), (25, 70))
    assert count(browser, "#ties li.doubted") == 1
    assert browser.text("#ties li.doubted strong")
    assert count(browser, ".marks .doubted") == 2
    browser.click("#ties li.doubted button:last-child")
    browser.wait(lambda: len(book_of(job).ties) == 4, "removed")


def test_a_second_tie_is_led_to_its_place(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 1)
    tie(browser, job, SPOTS[0], (0, 0))
    browser.point(*window_of(browser, "a", SPOTS[2]))
    browser.wait(lambda: count(browser, "#pane-b .ghost"), "led")
    show_whole(browser)
    ring = "const b = document.querySelector('#pane-b .ghost').getBoundingClientRect();"
    x, y = browser.run(f"{ring} return [b.left + b.width / 2, b.top + b.height / 2]")
    wanted = window_of(browser, "b", (SPOTS[2][0] - RIGHT_PX, SPOTS[2][1]))
    assert (x, y) == pytest.approx(wanted, abs=3)


def test_everything_by_keyboard(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 1)
    browser.run("document.querySelector('#pane-a .table').focus()")
    browser.type(KEYS["Right"] * 4 + KEYS["Down"] * 2)
    assert not browser.run("return document.querySelector('#pane-a .lens.moving').hidden")
    browser.type(KEYS["Enter"])
    browser.wait(lambda: "A2" in browser.text("#todo"), "asked for A2")
    assert browser.run("return document.activeElement.closest('section').id") == "pane-b"
    browser.type(KEYS["Right"] + KEYS["Enter"])
    browser.wait(lambda: len(book_of(job).ties) == 1, "saved")
    browser.wait(lambda: browser.run("return !document.getElementById('undo').disabled"), "can be undone")
    browser.chord(KEYS["Ctrl"], "z")
    browser.wait(lambda: len(book_of(job).ties) == 0, "undone")
    browser.wait(lambda: browser.run("return !document.getElementById('redo').disabled"), "can be done again")
    browser.chord(KEYS["Ctrl"], "y")
    browser.wait(lambda: len(book_of(job).ties) == 1, "redone")
    browser.run("document.querySelector('#pane-b .table').focus()")
    browser.type("t")
    browser.type(KEYS["Escape"])
    browser.wait(lambda: browser.run("return document.getElementById('pair').hidden"), "all scans")


def test_pen_and_finger(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 1)
    tie(browser, job, SPOTS[0], (0, 0), kind="pen")
    tie(browser, job, SPOTS[1], (0, 0), kind="touch")
    start, end = window_of(browser, "a", (330.0, 300.0)), window_of(browser, "a", SPOTS[2])
    browser.point(*start, kind="touch", hold_ms=600, to=end)
    browser.wait(lambda: "same" in browser.text("#todo"), "set by the finger that was lifted")
    show_whole(browser)
    browser.point(*window_of(browser, "b", (SPOTS[2][0] - RIGHT_PX, SPOTS[2][1])), kind="touch")
    browser.wait(lambda: len(book_of(job).ties) == 3, "saved")
    assert book_of(job).ties[2].a_px == pytest.approx(SPOTS[2], abs=2)


def test_turned_scans_are_tied_as_they_lie(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 2)
    for side in ("a", "b"):
        for _ in range(2):
            browser.click(f"#pane-{side} [data-do=turn]")
    spot = (100.0, 400.0)
    turned = {"a": spot, "b": (spot[0], spot[1] - DOWN_PX)}
    for side, (x, y) in turned.items():
        browser.point(*window_of(browser, side, (419 - x, 459 - y)))
        time.sleep(0.6)
    browser.wait(lambda: len(book_of(job).ties) == 1, "saved")
    assert book_of(job).ties[0].a_px == pytest.approx(spot, abs=2)
    assert book_of(job).ties[0].b_px[1] - book_of(job).ties[0].a_px[1] == pytest.approx(-DOWN_PX, abs=0.3)


def test_a_ruler_and_two_that_do_not_touch(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 4, 3)
    browser.click("#measure")
    browser.point(*window_of(browser, "a", (50, 60)))
    browser.wait(lambda: "second place" in browser.text("#todo"), "the second place")
    browser.point(*window_of(browser, "a", (350, 60)))
    browser.wait(lambda: browser.run("return document.getElementById('ruler').open"), "the question")
    browser.type("x" + KEYS["Enter"])
    browser.wait(lambda: "number" in browser.text("#ruler-fault"), "told")
    browser.run("document.getElementById('length').value = ''")
    browser.type("38,1" + KEYS["Enter"])
    browser.wait(lambda: book_of(job).distances, "saved")
    assert book_of(job).distances[0].length_mm == pytest.approx(38.1)
    browser.click("#apart")
    browser.wait(lambda: book_of(job).apart, "saved")
    browser.wait(lambda: "not touching" in browser.text("#todo"), "told")


def test_a_second_page_is_told_and_follows(browser: Browser, page: ServedPage, job: Path) -> None:
    entered(browser, page)
    show_pair(browser, 0, 1)
    first, address = browser.handle, browser.run("return location.href")
    second = browser.new_page()
    browser.resize(1280, 800)
    browser.open(address)
    browser.wait(lambda: "2 pages" in browser.text("#said"), "told")
    show_pair(browser, 0, 1)
    tie(browser, job, SPOTS[0], (0, 0))
    browser.switch(first)
    browser.wait(lambda: count(browser, "#ties li") == 1, "followed")
    tie(browser, job, SPOTS[1], (0, 0))
    browser.switch(second)
    browser.wait(lambda: count(browser, "#ties li") == 2, "followed")
    browser.close_page()
    browser.switch(first)


def test_a_script_in_the_name_of_a_scan_is_only_a_name(browser: Browser, tmp_path: Path) -> None:
    name = "B3 <img src=x onerror=document.title='caught'><script>document.title='caught'<"
    foreign = (texture(*TILE, 5) * 60000).astype(np.uint16)
    scans = write_scans(tmp_path / "scans", {**tiles(picture(6)), name: foreign})
    assert join(request(scans)).exit_code == 4
    with served(tmp_path / "scans-joined") as page:
        entered(browser, page)
        assert name[:12] in browser.run("return document.getElementById('sketch').textContent")
        assert name in browser.text("#wanted")
        assert name in browser.text("#stopped")
        show_pair(browser, 4, 0)
        assert name in browser.text("#pair-title")
        time.sleep(0.3)
        assert browser.run("return document.title") == "Ties: scans-joined"
        assert count(browser, "img, script:not([src])") == 0
        assert browser.log("browser") == []


def test_a_scan_that_cannot_be_read_any_more_is_named(browser: Browser, job: Path) -> None:
    scan = job.parent / "scans" / "A1.tif"
    with served(job) as page:
        scan.write_bytes(scan.read_bytes()[:20_000])
        entered(browser, page)
        show_pair(browser, 1, 0)
        browser.wait(lambda: "A1.tif" in browser.text("#alarm"), "told")


def test_closing_the_page_ends_it(browser: Browser, job: Path) -> None:
    told: list[str] = []
    thread = threading.Thread(target=lambda: serve(job, open_browser=False, say=told.append), daemon=True)
    thread.start()
    browser.wait(lambda: told, "an address")
    browser.open(told[0])
    browser.wait(lambda: browser.text("#job"), "the page")
    browser.open("about:blank")
    thread.join(30)
    assert not thread.is_alive()
    assert not list((job / "work").glob("page*"))
