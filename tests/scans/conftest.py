"""A scratch folder of its own for every test."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def scratch(tmp_path: Path) -> Path:
    folder = tmp_path / "scratch"
    folder.mkdir()
    return folder
