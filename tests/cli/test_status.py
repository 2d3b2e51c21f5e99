"""`stitch status` lists every job below a folder and how it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.pipeline.jobs import jittered_scans, picture, stitch, tiles, write_scans


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two jobs filed by subject, one of scans that do not link."""
    folder = tmp_path_factory.mktemp("paintings")
    assert stitch("join", jittered_scans(5, folder / "harbour" / "quay")).returncode in (0, 1)
    lone = {"A1": tiles(picture(1))["A1"], "B2": tiles(picture(2))["B2"]}
    assert stitch("join", write_scans(folder / "hills" / "evening", lone)).returncode == 4
    return folder


def listed(root: Path) -> dict[str, str]:
    found = stitch("status", root)
    return {Path(line[11:].partition(": ")[0]).name: line for line in found.stdout.splitlines()}


def test_jobs_are_listed_with_what_is_missing_and_what_is_stale(root: Path) -> None:
    lines = listed(root)
    assert list(lines) == ["quay-joined", "evening-joined"]
    assert lines["quay-joined"].startswith("joined ")
    assert lines["evening-joined"].startswith("not joined ") and "could be linked" in lines["evening-joined"]
    job = root / "harbour" / "quay-joined"
    (job / "ties.csv").write_text("A1,400,200,A2,76,200\n")
    assert listed(root)["quay-joined"].startswith("stale ")
    (job / "ties.csv").unlink()
    (job / "seam-map.png").rename(root / "kept.png")
    assert "missing" in listed(root)["quay-joined"] and "seam-map.png" in listed(root)["quay-joined"]
    (root / "kept.png").rename(job / "seam-map.png")
    scan = root / "harbour" / "quay" / "A1.tif"
    scan.rename(root / "A1.tif")
    assert listed(root)["quay-joined"].startswith("missing ")
    (root / "A1.tif").rename(scan)
    (job / "work" / "summary.json").rename(root / "kept.json")
    assert listed(root)["quay-joined"].startswith("stale ")
    (root / "kept.json").rename(job / "work" / "summary.json")


def test_a_folder_without_jobs_is_told(tmp_path: Path) -> None:
    found = stitch("status", tmp_path)
    assert found.returncode == 2
    assert "no job" in found.stderr
