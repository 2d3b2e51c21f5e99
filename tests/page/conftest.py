"""A small job whose last run stopped: four scans that link, and one that does not."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from stitch.page.serve import ServedPage, served
from stitch.pipeline import join
from tests.page.browser import Browser, driven, is_installed
from tests.page.visitor import Visitor
from tests.pipeline.jobs import TILE, picture, request, tiles, write_scans
from tests.register.cutting import texture

SEED = 11
RIGHT_PX, DOWN_PX = 320.0, 350.0  # from A1 to A2, and to B1: whole pixels


@pytest.fixture(scope="session")
def stopped_job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once; tests work on copies."""
    folder = tmp_path_factory.mktemp("studio")
    foreign = (texture(*TILE, SEED + 100) * 60000).astype(np.uint16)
    scans = write_scans(folder / "scans", {**tiles(picture(SEED)), "B3": foreign})
    assert join(request(scans)).exit_code == 4
    return folder / "scans-joined"


@pytest.fixture
def job(stopped_job: Path, tmp_path: Path) -> Path:
    """A copy of the job with its scans."""
    shutil.copytree(stopped_job.parent, tmp_path / "studio")
    return tmp_path / "studio" / stopped_job.name


@pytest.fixture
def page(job: Path) -> Iterator[ServedPage]:
    """The page of the job."""
    with served(job) as open_page:
        yield open_page


@pytest.fixture
def visitor(page: ServedPage) -> Visitor:
    """Somebody who has come in by the address."""
    return Visitor(page.address).enter()


@pytest.fixture(scope="module")
def any_browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for the tests of a file."""
    if not is_installed():
        pytest.skip("no browser to drive: install Debian's chromium and chromium-driver")
    with driven(tmp_path_factory.mktemp("browser")) as browser:
        yield browser


@pytest.fixture
def browser(any_browser: Browser) -> Iterator[Browser]:
    """The browser with a fresh page, 1280 × 800 px."""
    first = any_browser.handle
    any_browser.new_page()
    any_browser.resize(1280, 800)
    any_browser.open("about:blank")
    for kind in ("performance", "browser"):
        any_browser.log(kind)
    yield any_browser
    any_browser.close_page()
    any_browser.switch(first)
