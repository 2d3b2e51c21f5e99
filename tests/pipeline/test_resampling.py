"""The way of sampling from the command to the master, and what is told of it and of local corrections."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.imaging.placed_map import PlacedMap
from stitch.model.codec import from_plain, to_plain
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from stitch.model.report import RunSummary
from stitch.model.settings import Resample
from stitch.model.tone import ScanTone, ToneFit
from stitch.pipeline import join
from stitch.pipeline.telling import history
from tests.bent import correction
from tests.pipeline.jobs import jittered_scans, picture, request, tiles, write_scans
from tests.pipeline.test_telling import scan

SIZE = Size(400, 300)
UNTOUCHED = ToneFit(
    "a", (ScanTone("a", (1.0,) * 3, (0.0,) * 3), ScanTone("b", (1.0,) * 3, (0.0,) * 3)), (), 1.0, "sRGB"
)


def placements(*, turned: bool = False, bent: tuple[str, ...] = ()) -> Layout:
    fields = {name: correction(k, SIZE) if name in bent else None for k, name in enumerate("ab")}
    shift = 0.25 if turned else 0.0
    found = tuple(
        Placement(name, ((1.0, 0.0, 300.0 * k + shift), (0.0, 1.0, 0.0)), 0.1, fields[name])
        for k, name in enumerate("ab")
    )
    return Layout(Size(700, 300), 600.0, found, (), not turned, 0)


def told(layout: Layout, how: Resample = Resample.USUAL) -> str:
    scans = [replace(scan(name, Path(f"{name}.tif")), size=SIZE) for name in "ab"]
    return " ".join(history(layout, UNTOUCHED, (), scans, {"a": 600.0, "b": 600.0}, how=how))


def test_the_history_names_the_kernel() -> None:
    assert "nothing was resampled" in told(placements(), Resample.FINE)
    assert "INTER_CUBIC" in told(placements(turned=True)) and "sinc" not in told(placements(turned=True))
    assert "windowed sinc of 12 taps" in told(placements(turned=True), Resample.FINE)


def test_the_history_says_which_scans_were_straightened_and_by_how_much() -> None:
    assert "traightened" not in told(placements(turned=True))
    layout = placements(bent=("b",))
    said = told(layout)
    assert "nothing was resampled" not in said
    shifts = PlacedMap.of(layout.placements[1], SIZE).shifts
    assert shifts is not None and f"moved: b, by up to {shifts.largest_px:.1f} px of the scan" in said


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RunSummary, np.ndarray, RunSummary]:
    """A job, its first master, and the same job gone on with in the fine way."""
    scans = jittered_scans(12, tmp_path_factory.mktemp("fine") / "scans")
    root = scans.with_name("scans-joined")
    first = join(request(scans))
    usual = tifffile.imread(root / "master.tif")
    return root, first, usual, join(request(scans, resample=Resample.FINE))


def test_the_fine_way_makes_the_master_anew_and_nothing_else(twice) -> None:
    root, first, usual, second = twice
    kept = {timing.room for timing in second.timings if timing.is_kept}
    assert {"scans", "register", "tone", "seams"} <= kept and "master" not in kept
    fine = tifffile.imread(root / "master.tif")
    assert fine.shape == usual.shape
    difference = np.abs(fine.astype(int) - usual)
    assert difference.mean() > 0.5 and np.percentile(difference, 99) < 3000
    assert any("windowed sinc" in line for line in second.master_spec.history)
    assert any("INTER_CUBIC" in line for line in first.master_spec.history)
    assert json.loads((root / "report.json").read_text())["settings"]["resample"] == "fine"


def test_whole_pixel_tiles_come_back_bit_for_bit_in_the_fine_way_too(tmp_path: Path) -> None:
    image = picture(71)
    join(request(write_scans(tmp_path / "scans", tiles(image)), resample=Resample.FINE))
    assert np.array_equal(tifffile.imread(tmp_path / "scans-joined" / "master.tif"), image)


def test_a_layout_kept_before_there_were_corrections_is_not_taken() -> None:
    plain = to_plain(placements(bent=("a",)))
    assert from_plain(Layout, plain) == placements(bent=("a",))
    for missing in ("correction", "probability"):
        older = json.loads(json.dumps(plain))
        for one in older["placements"]:
            del one[missing]
        with pytest.raises(KeyError):  # the keeper makes such a room again
            from_plain(Layout, older)
