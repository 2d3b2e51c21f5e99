"""What a painter does on the page, for tests in a real browser. Scans are those of the small job, 420 × 460 px."""

from __future__ import annotations

import time
from pathlib import Path

from stitch.model.ties import Tie, TieBook
from stitch.page.serve import ServedPage
from stitch.ties.book import BOOK_NAME, read_book
from tests.page.browser import KEYS, Browser
from tests.page.conftest import RIGHT_PX
from tests.pipeline.jobs import TILE

NAMES = ["A1", "A2", "B1", "B2", "B3"]
REST_S = 0.5  # until a scan that moves has come to rest
SPOTS = [(350.0, 60.0), (400.0, 230.0), (360.0, 400.0)]  # in A1, where A2 shows the same


def entered(browser: Browser, page: ServedPage) -> Browser:
    """Open the address of a page."""
    browser.open(page.address)
    browser.wait(lambda: browser.text("#job"), "the page")
    return browser


def show_pair(browser: Browser, a: int, b: int) -> None:
    """Choose two scans in the picture of all."""
    for number in (a, b):
        browser.run("document.querySelector(arguments[0]).focus()", f'[data-scan="{number}"]')
        browser.type(KEYS["Enter"])
    drawn = "return document.querySelectorAll('.table canvas:not(.lens)').length"
    browser.wait(lambda: browser.run(drawn) >= 2, "two scans")
    time.sleep(REST_S)


def tables(browser: Browser) -> list[list[float]]:
    """Left, top, width and height of the places where the two scans are shown."""
    return browser.run(
        "return [...document.querySelectorAll('.table')].map((t) => {"
        " const b = t.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; })"
    )


def window_of(
    browser: Browser, side: str, px: tuple[float, float], size: tuple[int, int] = TILE
) -> tuple[float, float]:
    """Where a place of a scan of `size` is in the window, while the whole scan is shown and not turned."""
    left, top, width, height = tables(browser)["ab".index(side)]
    scale = min(width / size[0], height / size[1])
    across, down = px[0] + 0.5 - size[0] / 2, px[1] + 0.5 - size[1] / 2
    return left + width / 2 + across * scale, top + height / 2 + down * scale


def show_whole(browser: Browser) -> None:
    """Show both scans whole."""
    browser.run("document.querySelectorAll('[data-do=whole]').forEach((button) => button.click())")
    time.sleep(REST_S)


def book_of(job: Path) -> TieBook:
    """What is saved."""
    return read_book(job / BOOK_NAME, NAMES)


def count(browser: Browser, selector: str) -> int:
    """How many elements there are."""
    return browser.run("return document.querySelectorAll(arguments[0]).length", selector)


def tie(browser: Browser, job: Path, spot: tuple[float, float], off: tuple[float, float], kind: str = "mouse") -> Tie:
    """Point at a spot in A1, then at the same in A2, `off` scan px beside it; the tie that is saved."""
    before = len(book_of(job).ties)
    browser.point(*window_of(browser, "a", spot), kind=kind)
    browser.wait(lambda: "same spot in A2" in browser.text("#todo"), "asked for A2")
    show_whole(browser)
    browser.point(*window_of(browser, "b", (spot[0] - RIGHT_PX + off[0], spot[1] + off[1])), kind=kind)
    browser.wait(lambda: len(book_of(job).ties) == before + 1, "saved")
    browser.wait(lambda: count(browser, "#ties li") == before + 1, "shown")
    return book_of(job).ties[-1]
