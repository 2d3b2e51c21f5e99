"""A check that goes on while scans are made: a file still being written is waited for, and the next piece is named."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from fixtures.scoring.check_faults import Laid, base_case, lay
from stitch.pipeline.watching import PATIENT_LOOKS, Landed, Unreadable, watch


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Laid:
    return lay(base_case(33, dpi=75.0, columns=2, rows=2), tmp_path_factory.mktemp("set"))


class Desk:
    """A folder into which scans are put between two looks, as a generator says."""

    def __init__(self, folder: Path, steps: Iterator[None]) -> None:
        folder.mkdir()
        self._steps = steps
        self.looks = 0

    def wait(self) -> None:
        self.looks += 1
        next(self._steps, None)
        assert self.looks < 100, "nothing happens any more"


def test_scans_are_told_as_they_land_until_the_plan_is_complete(good: Laid, tmp_path: Path) -> None:
    folder = tmp_path / "scans"

    def scanning() -> Iterator[None]:
        for path in good.files:
            data = path.read_bytes()
            for share in (0.3, 0.7, 1.0):  # still being written, with pauses longer than a look
                (folder / path.name).write_bytes(data[: int(share * len(data))])
                for _ in range(3):
                    yield

    desk = Desk(folder, scanning())
    found = list(watch([folder], good.plan, wait=desk.wait))
    assert all(isinstance(one, Landed) for one in found)
    landed = [one for one in found if isinstance(one, Landed)]
    assert [one.names for one in landed] == [(path.stem,) for path in good.files]
    assert [one.next.number if one.next else None for one in landed] == [2, 3, 4, None]
    assert [one.is_complete for one in landed] == [False, False, False, True]
    assert all(one.findings() == [] for one in landed)


def test_a_bad_scan_is_told_and_its_second_try_is_looked_at(good: Laid, tmp_path: Path) -> None:
    folder = tmp_path / "scans"
    first, second, third, fourth = good.files

    def scanning() -> Iterator[None]:
        for path in (first, second, third):
            shutil.copy(path, folder / path.name)
        whole = fourth.read_bytes()
        (folder / fourth.name).write_bytes(whole[: len(whole) // 2])
        for _ in range(PATIENT_LOOKS + 3):
            yield
        (folder / fourth.name).write_bytes(whole)
        for _ in range(5):
            yield

    found = list(watch([folder], good.plan, wait=Desk(folder, scanning()).wait))
    together, torn, done = found
    assert isinstance(together, Landed) and set(together.names) == {path.stem for path in (first, second, third)}
    assert isinstance(torn, Unreadable) and torn.path.name == fourth.name and fourth.name in torn.message
    assert isinstance(done, Landed) and done.is_complete


def test_a_scan_that_is_taken_away_or_written_anew_is_asked_for_again(good: Laid, tmp_path: Path) -> None:
    folder = tmp_path / "scans"
    first, second, third, fourth = good.files

    def scanning() -> Iterator[None]:
        for path in (first, second, third):
            shutil.copy(path, folder / path.name)
        for _ in range(4):
            yield
        (folder / second.name).unlink()
        for _ in range(4):
            yield
        (folder / first.name).write_bytes(first.read_bytes()[:5000])  # being made again
        shutil.copy(fourth, folder / fourth.name)
        for _ in range(4):
            yield
        for path in (first, second):
            shutil.copy(path, folder / path.name)
        for _ in range(4):
            yield

    found = list(watch([folder], good.plan, wait=Desk(folder, scanning()).wait))
    assert all(isinstance(one, Landed) for one in found)
    told = [(one.gone, one.next.number if one.next else None) for one in found if isinstance(one, Landed)]
    assert told == [((), 4), ((second.name,), 2), ((), 1), ((), None)]
