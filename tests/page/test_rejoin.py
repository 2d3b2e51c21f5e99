"""From a refused job to a master: the command, the page in a real browser, and the run again."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from stitch.imaging.affine import apply, invert
from stitch.ties.book import BOOK_NAME, read_book
from tests.page.browser import Browser
from tests.page.driving import show_pair, show_whole, window_of
from tests.pipeline.jobs import stitch
from tests.pipeline.test_ties import PLACES, SIZE, blank_between

SPOTS = [(360, 60), (430, 280), (370, 500)]  # of the painting, in the part that both scans show


@pytest.mark.parametrize("seed", [2, 3])
def test_a_refused_job_is_tied_on_the_page_and_joined(browser: Browser, tmp_path: Path, seed: int) -> None:
    assert stitch("join", blank_between(tmp_path / "scans", seed)).returncode == 4
    job = tmp_path / "scans-joined"
    words = [sys.executable, "-m", "stitch", "ties", str(job), "--no-browser"]
    page = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert page.stdout is not None
    browser.open(page.stdout.readline().strip())
    browser.wait(lambda: "A1" in browser.text("#stopped"), "why it stopped")
    show_pair(browser, 0, 1)
    for count, spot in enumerate(SPOTS, start=1):
        for side, name in (("a", "A1"), ("b", "A2")):
            show_whole(browser)
            x, y = apply(invert(PLACES[name]), np.array(spot, float))
            browser.point(*window_of(browser, side, (float(x), float(y)), SIZE))
        browser.wait(lambda n=count: len(read_book(job / BOOK_NAME, PLACES).ties) == n, "saved")  # type: ignore[misc]
    browser.wait(lambda: "px (" in browser.text("#ties .figure"), "how far off each is")
    browser.open("about:blank")
    _, said = page.communicate(timeout=60)
    assert page.returncode == 0, said
    assert "Ctrl-C" in said
    assert stitch("join", job).returncode in (0, 1)
    assert (job / "master.tif").exists()
