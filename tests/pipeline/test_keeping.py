"""What a later run of a job keeps, and what it must not."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from stitch.errors import UsageError
from stitch.model.report import RunSummary
from stitch.pipeline import join
from stitch.pipeline.keep import ONLY_ASKED, VERSIONS
from stitch.progress import SILENT, Task
from tests.pipeline.jobs import picture, request, tiles, write_scans


@pytest.fixture(scope="module")
def image() -> NDArray[np.generic]:
    return picture(51)


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory, image: NDArray[np.generic]) -> Path:
    """A finished job beside its scans, not to be touched."""
    place = tmp_path_factory.mktemp("once")
    assert join(request(write_scans(place / "scans", tiles(image)))).exit_code == 0
    return place


@pytest.fixture
def finished(once: Path, tmp_path: Path) -> Path:
    """A copy of it. Returns the scans' folder."""
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    return tmp_path / "scans"


class Meddler:
    """Progress that does something when a step begins."""

    def __init__(self, label: str, meddle: Callable[[], None]) -> None:
        self._label, self._meddle = label, meddle

    @contextmanager
    def task(self, label: str, total: float) -> Iterator[Task]:
        if label == self._label:
            self._meddle()
        with SILENT.task(label, total) as task:
            yield task

    def say(self, text: str) -> None:
        SILENT.say(text)


def kept_rooms(summary: RunSummary) -> set[str]:
    return {timing.room for timing in summary.timings if timing.is_kept}


def brighten(scan: Path) -> None:
    """Other pixels, with the same size and the same time of change as before."""
    facts, data = scan.stat(), bytearray(scan.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 100_000] = b"\xf0" * 100_000
    with scan.open("r+b") as file:
        file.write(data)
    os.utime(scan, ns=(facts.st_atime_ns, facts.st_mtime_ns))


@pytest.mark.skipif(os.name == "nt", reason="there the system does not tell when a file was last written to")
def test_a_scan_edited_behind_an_unchanged_date_is_noticed(finished: Path) -> None:
    brighten(finished / "B2.tif")
    again = join(request(finished))
    assert not kept_rooms(again)
    assert not any(finding.code == "scan-changed" for finding in again.findings)


@pytest.mark.parametrize("step", ["Comparing tones", "Composing"])
def test_nothing_made_from_a_scan_that_changed_on_the_way_is_kept(
    tmp_path: Path, image: NDArray[np.generic], step: str
) -> None:
    scans = write_scans(tmp_path / "scans", tiles(image))
    before = (scans / "B2.tif").read_bytes()
    first = join(request(scans), Meddler(step, lambda: brighten(scans / "B2.tif")))
    assert first.exit_code == 1
    assert any(finding.code == "scan-changed" for finding in first.findings)
    (scans / "B2.tif").write_bytes(before)  # the copy from the backup
    assert join(request(scans)).exit_code == 0
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "scans-joined" / "master.tif"), image)


def test_scans_that_were_moved_are_looked_at_again_and_the_rest_is_kept(finished: Path) -> None:
    archive, job = finished.with_name("archive"), finished.with_name("scans-joined")
    finished.rename(archive)
    again = join(replace(request(job), scans_moved_to=archive))
    assert again.exit_code == 0
    assert kept_rooms(again) == {"register", "tone", "seams", "master", "size"}


def forge(job: Path, name: str, data: bytes) -> None:
    """Change a kept file, and its record so that it passes for untouched."""
    path, state_file = job / name, job / "work" / "state.json"
    path.write_bytes(data)
    facts, state = path.stat(), json.loads(state_file.read_text())
    for room in state["rooms"].values():
        for stamp in room["outputs"]:
            if stamp["name"] == name:
                stamp["sha256"] = hashlib.sha256(data).hexdigest()
                stamp |= {"byte_count": facts.st_size, "modified_ns": facts.st_mtime_ns}
                stamp["changed_ns"] = facts.st_ctime_ns
    state_file.write_text(json.dumps(state))


@pytest.mark.parametrize(
    ("names", "made"),
    [
        (("layout.json", "tone.json", "labels.json"), {"register", "tone", "seams"}),
        (("labels.npy", "size.json"), {"seams", "size"}),
    ],
)
def test_kept_results_that_do_not_fit_the_scans_are_made_again(
    finished: Path, image: NDArray[np.generic], names: tuple[str, ...], made: set[str]
) -> None:
    """As when work/ of another job, or of a version that was stopped half-way, got there."""
    job = finished.with_name("scans-joined")
    for name in names:
        data = (job / "work" / name).read_bytes()
        forge(job, f"work/{name}", data.replace(b"B2", b"X9") if b"B2" in data else b"")
    again = join(request(finished))
    assert again.exit_code == 0
    assert {"scans", *kept_rooms(again)} == set(VERSIONS) - set(ONLY_ASKED) - made | {"scans"}
    np.testing.assert_array_equal(tifffile.imread(job / "master.tif"), image)


@pytest.mark.parametrize("settings", [{"tone_reference": "nobody"}, {"profile_path": __file__}])
def test_wrong_words_leave_no_job_folder(tmp_path: Path, settings: dict[str, str]) -> None:
    scans = write_scans(tmp_path / "scans", tiles(picture(54)))
    with pytest.raises(UsageError):
        join(request(scans, **settings))
    assert not (tmp_path / "scans-joined").exists()
