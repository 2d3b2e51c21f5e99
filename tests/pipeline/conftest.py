"""A finished job of four tiles, made once and copied for whoever works on it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from stitch.pipeline import join
from tests.pipeline.jobs import picture, request, tiles, write_scans


@pytest.fixture(scope="session")
def _joined_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("joined")
    assert join(request(write_scans(place / "scans", tiles(picture(61))))).exit_code == 0
    return place


@pytest.fixture
def tiled_job(_joined_once: Path, tmp_path: Path) -> Path:
    """The job's folder: tiles of 420 × 460 px at 200 ppi on a canvas of 740 × 810 px, A1 A2 above and B1 B2 below."""
    shutil.copytree(_joined_once, tmp_path, dirs_exist_ok=True)
    return tmp_path / "scans-joined"
