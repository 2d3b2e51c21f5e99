"""A pipeline that only notes what it was asked, and a terminal that is none."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stitch.cli.commands import app
from stitch.model.report import RunSummary
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings


def summary_of(request: JoinRequest | None = None, **changes: Any) -> RunSummary:
    empty: dict[str, Any] = {
        "tool_version": "0",
        "started_at": "2026-11-25T08:00:00+00:00",
        "job_name": "scans-joined",
        "settings": request.settings if request else JoinSettings(),
        "scans": (),
        "sha256_after": (),
        "findings": (),
        "layout": None,
        "tone": None,
        "seams": None,
        "size_check": None,
        "master_spec": None,
        "master": None,
        "next_command": "",
        "timings": (),
        "exit_code": 0,
    }
    return RunSummary(**{**empty, **changes})


@dataclass
class FakePipeline:
    """Stands in for `stitch.pipeline`."""

    requests: list[JoinRequest] = field(default_factory=list)
    size_calls: list[dict[str, Any]] = field(default_factory=list)
    on_join: Callable[[JoinRequest], RunSummary] = summary_of
    on_size: Callable[[], Any] = lambda: None

    @staticmethod
    def summary(**changes: Any) -> RunSummary:
        """A run in which nothing happened, but for `changes`."""
        return summary_of(**changes)

    def join(self, request: JoinRequest, progress: Any) -> RunSummary:
        self.requests.append(request)
        return self.on_join(request)

    def check_size(self, path: Path, **settings: Any) -> Any:
        self.size_calls.append({"path": path, **settings})
        return self.on_size()


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> FakePipeline:
    fake = FakePipeline()
    module = ModuleType("stitch.pipeline")
    module.join = fake.join  # type: ignore[attr-defined]
    module.check_size = fake.check_size  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "stitch.pipeline", module)
    return fake


@pytest.fixture(autouse=True)
def _no_studio_of_the_tester(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name in ("XDG_CONFIG_HOME", "APPDATA", "HOME"):
        monkeypatch.setenv(name, str(tmp_path / "settings"))
    monkeypatch.setenv("COLUMNS", "80")
    yield


@pytest.fixture
def scans(tmp_path: Path) -> Path:
    folder = tmp_path / "scans"
    folder.mkdir()
    return folder


@pytest.fixture
def stitch() -> Callable[..., Result]:
    runner = CliRunner()

    def call(*words: object) -> Result:
        return runner.invoke(app, [str(word) for word in words])

    return call
