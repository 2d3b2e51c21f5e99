"""A disk that cannot hold the master is told before any scan is placed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import tifffile

from stitch.errors import WriteError
from stitch.job import disk
from stitch.model.geometry import Size
from stitch.model.settings import Compression, JoinSettings
from stitch.pipeline import join, placing, room
from stitch.progress import SILENT, Task
from tests.pipeline.jobs import jittered_scans, picture, request, tiles, write_scans
from tests.pipeline.test_telling import scan

PX = 4000 * 5000


def refused(free: float, monkeypatch: pytest.MonkeyPatch, count: int = 4, **settings: object) -> bool:
    scans = [replace(scan(f"S{k}", Path("x")), size=Size(4000, 5000)) for k in range(count)]
    monkeypatch.setattr(disk, "free_bytes", lambda folder: disk.RESERVE_BYTES + int(free))
    try:
        room.require_least(Path(), scans, JoinSettings(**settings))  # type: ignore[arg-type]
    except WriteError:
        return True
    return False


def test_the_least_is_the_largest_scan_or_a_share_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    assert refused(PX * 6 - 1, monkeypatch) and not refused(PX * 6, monkeypatch)
    assert refused(5 * PX * 6 - 1, monkeypatch, 20) and not refused(5 * PX * 6, monkeypatch, 20)
    assert not refused(PX * 6 / 4, monkeypatch, dpi=300.0)  # the scans have 600
    assert not refused(PX * 6 * 0.3, monkeypatch, compression=Compression.ZSTD)


def test_a_tape_measure_says_more(monkeypatch: pytest.MonkeyPatch) -> None:
    tape = {"width_mm": 254.0, "height_mm": 508.0}  # 6,000 × 12,000 px at 600 dpi
    assert refused(6000 * 12000 * 6 - 1, monkeypatch, **tape) and not refused(6000 * 12000 * 6, monkeypatch, **tape)
    assert not refused(PX * 6, monkeypatch, dpi=300.0, **tape)


def test_it_is_told_before_any_scan_is_placed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scans = jittered_scans(5, tmp_path / "scans")
    monkeypatch.setattr(disk, "free_bytes", lambda folder: disk.RESERVE_BYTES + 1000)
    monkeypatch.setattr(placing, "place", lambda *all_of_it: pytest.fail("scans were placed"))
    with pytest.raises(WriteError, match="The disk has"):
        join(request(scans))
    assert not (tmp_path / "scans-joined" / "master.tif").exists()


class Listener:
    """Progress that keeps what is begun and said, in order."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    @contextmanager
    def task(self, label: str, total: float) -> Iterator[Task]:
        self.heard.append(label)
        with SILENT.task(label, total) as task:
            yield task

    def say(self, text: str) -> None:
        self.heard.append(text)


@pytest.mark.parametrize(("compression", "at_most"), [(Compression.NONE, ""), (Compression.DEFLATE, "at most ")])
def test_size_and_kind_of_the_master_are_said_before_it_is_composed(
    compression: Compression, at_most: str, tmp_path: Path
) -> None:
    scans = write_scans(tmp_path / "scans", tiles(picture(57)))
    listener = Listener()
    join(request(scans, compression=compression), progress=listener)
    (said,) = (text for text in listener.heard if text.startswith("The master"))
    master = tmp_path / "scans-joined" / "master.tif"
    height, width, _ = tifffile.imread(master).shape
    assert f"{width} × {height} pixels, {at_most}" in said and said.endswith(" GB, TIFF.")
    gigabytes = float(re.search(r"([\d.]+) GB", said)[1])
    assert gigabytes + 0.005 >= master.stat().st_size / 1e9
    assert listener.heard.index(said) < listener.heard.index("Composing")
