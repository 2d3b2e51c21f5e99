"""OpenCV's own threads keep to the cores a run was given."""

from pathlib import Path

import cv2
import pytest

from stitch.pipeline import cores, run
from tests.pipeline.jobs import picture, request, tiles, write_scans


def test_opencv_keeps_to_the_cores_given_and_gets_its_own_back() -> None:
    before = cv2.getNumThreads()
    with cores.at_most(1):
        assert cv2.getNumThreads() == 1
    assert cv2.getNumThreads() == before
    with pytest.raises(RuntimeError), cores.at_most(1):
        raise RuntimeError
    assert cv2.getNumThreads() == before
    with cores.at_most(0):
        assert cv2.getNumThreads() == before


def test_a_join_keeps_to_its_cores(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []

    def finished(_: object) -> None:
        seen.append(cv2.getNumThreads())

    monkeypatch.setattr(run._Run, "finished", finished)
    scans = write_scans(tmp_path / "scans", tiles(picture(1)))
    run.join(request(scans, jobs=1))
    assert seen == [1]
