"""Scans that lay turned on the glass are shown the same way up, and a tie between them snaps all the same."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stitch.page.serve import served
from stitch.pipeline import join
from stitch.ties.book import BOOK_NAME, read_book
from tests.page.conftest import RIGHT_PX
from tests.page.visitor import Visitor
from tests.pipeline.jobs import TILE, picture, request, tiles, write_scans
from tests.register.cutting import texture

WIDTH, HEIGHT = TILE
CLICK_PX = (9.0, -7.0)


def turned_px(px: tuple[float, float], quarters: int) -> tuple[float, float]:
    """Where a place of a tile is in the tile turned clockwise by so many quarters."""
    x, y = px
    turned = {0: (x, y), 1: (HEIGHT - 1 - y, x), 2: (WIDTH - 1 - x, HEIGHT - 1 - y), 3: (y, WIDTH - 1 - x)}
    return turned[quarters]


@pytest.mark.parametrize(("quarters", "seed"), [(0, 1), (1, 2), (2, 3), (3, 4)])
def test_a_turned_scan_is_turned_back_and_snaps(tmp_path: Path, quarters: int, seed: int) -> None:
    found = tiles(picture(seed))
    found["A2"] = np.rot90(found["A2"], -quarters)
    foreign = (texture(*TILE, seed + 100) * 60000).astype(np.uint16)
    scans = write_scans(tmp_path / "scans", {**found, "B3": foreign})
    assert join(request(scans)).exit_code == 4
    with served(tmp_path / "scans-joined") as page:
        visitor = Visitor(page.address).enter()
        turns = visitor.see("pair/0/1")["turns"]
        assert turns == [0, -90 * quarters % 360]
        assert visitor.see("pair/1/0")["turns"] == turns[::-1]
        spot = (365.0, 205.0)
        right = turned_px((spot[0] - RIGHT_PX, spot[1]), quarters)
        click = [right[0] + CLICK_PX[0], right[1] + CLICK_PX[1]]
        turn_deg = (turns[0] - turns[1]) % 360
        visitor.change(do="tie", a=0, b=1, a_px=list(spot), b_px=click, turn_deg=turn_deg)
        (tie,) = read_book(tmp_path / "scans-joined" / BOOK_NAME, [*found, "B3"]).ties
        assert tie.a_px == spot
        assert tie.b_px == pytest.approx(right, abs=0.2)
        (shown,) = visitor.see("pair/1/0")["ties"]
        assert shown["agrees"]
        assert shown["moved_px"] == pytest.approx(np.hypot(*CLICK_PX), abs=0.3)


def test_ties_from_the_file_are_looked_at_again_from_either_side(tmp_path: Path) -> None:
    found = tiles(picture(5))
    found["A2"] = np.rot90(found["A2"], -1)
    scans = write_scans(tmp_path / "scans", found)
    job = tmp_path / "scans-joined"
    assert join(request(scans)).exit_code in (0, 1)
    x, y = turned_px((365.0 - RIGHT_PX, 205.0), 1)
    (job / BOOK_NAME).write_text(f"scan_a,x_a,y_a,scan_b,x_b,y_b\nA2,{x},{y},A1,365,205\n", encoding="utf-8")
    for path in ("pair/0/1", "pair/1/0"):
        with served(job) as page:
            (shown,) = Visitor(page.address).enter().see(path)["ties"]
            assert shown["agrees"]
            assert shown["moved_px"] < 0.2
