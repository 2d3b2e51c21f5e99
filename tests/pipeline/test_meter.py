"""What a room is said to take is what it took."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from stitch.pipeline import meter
from stitch.pipeline.meter import Meter


def test_time_and_bytes_are_those_of_the_work(tmp_path: Path) -> None:
    measured = Meter()
    (tmp_path / "a").write_bytes(bytes(3_000_000))
    assert len((tmp_path / "a").read_bytes()) == 3_000_000
    busy = time.process_time()
    while time.process_time() < busy + 0.1:
        pass
    time.sleep(0.2)
    found = measured.timing("some", is_kept=False)
    assert found.seconds >= 0.3
    assert found.cpu_s is not None and 0.1 <= found.cpu_s < found.seconds - 0.1
    if found.read_bytes is not None and found.written_bytes is not None:
        assert 3_000_000 <= found.read_bytes < 3_200_000
        assert 3_000_000 <= found.written_bytes < 3_200_000


def test_a_system_that_does_not_tell_is_not_guessed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meter, "IO_FILE", tmp_path / "none")
    found = Meter().timing("some", is_kept=True)
    assert found.read_bytes is None and found.written_bytes is None and found.is_kept
