"""The job folder: where it lies, what it may replace, how it is continued and left."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from stitch.errors import ScanError, UsageError, WriteError
from stitch.job import whole
from stitch.job.checksums import Status
from stitch.job.files import sha256_of
from stitch.job.folder import JobFolder
from stitch.job.place import job_root
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings


@pytest.fixture(autouse=True)
def _no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(whole.os, "fsync", lambda handle: None)


@pytest.fixture
def scans(tmp_path: Path) -> Path:
    folder = tmp_path / "scans"
    folder.mkdir()
    for name in ("moon one.tif", "möön.tif", "c.tif"):
        (folder / name).write_text(f"pixels of {name}")
    return folder


def request(*inputs: Path, **more: object) -> JoinRequest:
    return JoinRequest(inputs, more.pop("settings", JoinSettings()), **more)  # type: ignore[arg-type]


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def files_of(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.tif"))


def run(asked: JoinRequest, scans: Path, *, master: str = "master") -> JobFolder:
    """One whole run, with texts for results."""
    job = JobFolder.open_or_create(asked)
    with job.at_work():
        job.record_scans((path, sha256_of(path), path.stat().st_size) for path in files_of(scans))
        with job.writing(job.master) as part:
            part.write_text(master)
        with job.writing(job.report_html) as part:
            part.write_text("<html>")
        job.write_checksums()
    return job


def left(root: Path) -> list[str]:
    return sorted(path.relative_to(root).as_posix() for path in root.rglob("*"))


def test_the_job_lies_beside_the_scans(scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert job_root(request(scans)) == tmp_path / "scans-joined"
    assert job_root(request(*files_of(scans))) == tmp_path / "scans-joined"
    assert job_root(request(scans, out=tmp_path / "elsewhere")) == tmp_path / "elsewhere"
    monkeypatch.chdir(scans)
    assert job_root(request(Path())) == tmp_path / "scans-joined"
    assert job_root(request(Path("c.tif"))) == tmp_path / "scans-joined"
    assert not (tmp_path / "scans-joined").exists()


def test_inputs_that_make_no_job(scans: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for asked, told in [
        (request(), "No scans"),
        (request(tmp_path / "gone"), "Not found"),
        (request(scans, scans / "c.tif"), "one folder, or several files"),
        (request(scans, out=scans), "among the scans"),
        (request(scans / "c.tif", out=scans), "among the scans"),
        (request(scans, out=scans / "in" / "it", recurse=True), "among the scans"),
        (request(scans, scans_moved_to=tmp_path), "--scans goes with a job"),
        (request(Path("/")), "top of a disk"),
    ]:
        with pytest.raises(UsageError, match=told):
            JobFolder.open_or_create(asked)
    with pytest.raises(WriteError, match="is a file"):
        JobFolder.open_or_create(request(scans, out=tmp_path / "file"))


def test_a_whole_run_leaves_results_and_no_scratch(scans: Path, tmp_path: Path) -> None:
    job = run(request(scans), scans)
    assert left(job.root) == ["checksums.sha256", "job.json", "master.tif", "report.html"]
    assert job.verify() == [(f"../scans/{p.name}", Status.OK) for p in files_of(scans)] + [
        ("master.tif", Status.OK),
        ("report.html", Status.OK),
    ]
    assert str(tmp_path) not in job.job_file.read_text()  # relative paths only
    assert json.loads(job.job_file.read_text())["schema"] == 1


def test_a_job_may_replace_its_own_files_without_asking(scans: Path) -> None:
    run(request(scans), scans)
    job = run(request(scans), scans, master="second")
    assert job.master.read_text() == "second"


def test_ownership_survives_a_lost_work_folder_and_a_copy(scans: Path, tmp_path: Path) -> None:
    job = run(request(scans), scans)
    assert not job.work.exists()
    shutil.copytree(tmp_path, tmp_path.with_name(tmp_path.name + "-copy"))
    run(request(scans), scans, master="second")
    copied = tmp_path.with_name(tmp_path.name + "-copy") / "scans"
    run(request(copied), copied, master="third")


@pytest.mark.parametrize("name", ["master.tif", "report.json", "checksums.sha256"])
def test_a_foreign_or_changed_file_needs_force_and_survives_until_then(scans: Path, name: str) -> None:
    job = run(request(scans), scans)
    (job.root / name).write_text("edited")
    with pytest.raises(WriteError, match=f"{name} was not written by this job") as caught:
        JobFolder.open_or_create(request(scans))
    assert "--force" in caught.value.advice
    forced = JobFolder.open_or_create(request(scans, force=True))
    with pytest.raises(ZeroDivisionError), forced.at_work(), forced.writing(job.root / name) as part:
        part.write_text("half")
        assert (job.root / name).read_text() == "edited"
        raise ZeroDivisionError
    assert (job.root / name).read_text() == "edited"
    with forced.at_work(), forced.writing(job.root / name) as part:
        part.write_text("new")
    assert (job.root / name).read_text() == "new"
    JobFolder.open_or_create(request(scans))


def test_files_in_a_folder_that_is_no_job(scans: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine")
    run(request(scans, out=out), scans)
    assert (out / "letter.txt").read_text() == "mine"
    other = tmp_path / "other"
    other.mkdir()
    (other / "job.json").write_text("{}")
    with pytest.raises(WriteError, match=r"job\.json was not written"):
        JobFolder.open_or_create(request(scans, out=other))


def test_a_foreign_work_folder_is_never_emptied(scans: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "work" / "scratch").mkdir(parents=True)
    (out / "work" / "scratch" / "mine.txt").write_text("mine")
    with pytest.raises(WriteError, match="does not belong"):
        JobFolder.open_or_create(request(scans, out=out))
    job = JobFolder.open_or_create(request(scans, out=out, force=True))
    with pytest.raises(WriteError, match="did not put there"), job.at_work():
        pass
    assert (out / "work" / "scratch" / "mine.txt").read_text() == "mine"


def test_a_folder_in_the_way_stops_even_with_force(scans: Path, tmp_path: Path) -> None:
    (tmp_path / "out" / "master.tif").mkdir(parents=True)
    with pytest.raises(WriteError, match="is a folder"):
        JobFolder.open_or_create(request(scans, out=tmp_path / "out", force=True))


def test_a_file_changed_during_the_run_is_left_as_it_is(scans: Path) -> None:
    run(request(scans), scans)
    job = JobFolder.open_or_create(request(scans))
    with pytest.raises(WriteError, match="changed by another program"), job.at_work(), job.writing(job.master) as part:
        part.write_text("new")
        job.master.write_text("retouched meanwhile")
    assert job.master.read_text() == "retouched meanwhile"


def test_a_checksum_that_is_known_is_not_worked_out_again(scans: Path) -> None:
    job = JobFolder.open_or_create(request(scans))
    with job.at_work():
        with job.writing(job.master) as part:
            part.write_text("master")
            job.know_sha256(job.master, "a" * 64)
        with job.writing(job.report_html) as part:
            part.write_text("<html>")
        job.write_checksums()
    assert job.checksums.read_text().startswith(f"{'a' * 64}  master.tif\n")
    assert job.verify()[1] == ("report.html", Status.OK)


def test_a_run_killed_between_claim_and_rename_does_not_disown_the_old_file(scans: Path) -> None:
    job = run(request(scans), scans)
    again = JobFolder.open_or_create(request(scans))
    (job.root / "master.part.tif").write_text("second")
    again._claim(job.root / "master.part.tif", job.master)
    JobFolder.open_or_create(request(scans))  # the old master is still in place
    (job.root / "master.part.tif").replace(job.master)
    JobFolder.open_or_create(request(scans))  # or the new one already is


def test_leftovers_of_a_killed_run_are_cleared(scans: Path) -> None:
    job = run(request(scans), scans)
    job.scratch.mkdir(parents=True)
    (job.scratch / ".made-by-stitch").touch()
    (job.scratch / "canvas.raw").write_text("x")
    (job.root / "master.part.tif").write_text("half")
    again = JobFolder.open_or_create(request(scans))
    with again.at_work():
        assert [path.name for path in again.scratch.iterdir()] == [".made-by-stitch"]
        assert not (job.root / "master.part.tif").exists()
    assert "work/scratch" not in left(job.root)


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, ScanError("no scans")])
def test_a_run_that_stops_early_leaves_nothing(scans: Path, tmp_path: Path, trouble: BaseException) -> None:
    job = JobFolder.open_or_create(request(scans))
    with pytest.raises((KeyboardInterrupt, ScanError)), job.at_work():
        (job.scratch / "canvas.raw").write_text("x")
        raise trouble
    assert [path.name for path in tmp_path.iterdir()] == ["scans"]


def test_a_run_killed_at_its_very_start_blocks_nothing(scans: Path) -> None:
    job = JobFolder.open_or_create(request(scans))
    with job.at_work():
        shutil.copytree(job.work, scans.parent / "as it was")
    (scans.parent / "as it was").rename(_made(job.root) / "work")
    (job.work / "scans.json").write_text("{}")
    assert left(job.root) == [
        "work",
        "work/.made-by-stitch",
        "work/job.lock",
        "work/scans.json",
        "work/scratch",
        "work/scratch/.made-by-stitch",
    ]
    run(request(scans), scans)


def test_a_run_that_ended_just_before_is_seen(scans: Path) -> None:
    waiting = JobFolder.open_or_create(request(scans))
    run(request(scans), scans)
    with waiting.at_work(), waiting.writing(waiting.master) as part:
        part.write_text("second")
    assert JobFolder.open_or_create(request(scans)).master.read_text() == "second"


def test_an_error_of_the_body_is_not_taken_for_trouble_with_the_disk(scans: Path) -> None:
    job = JobFolder.open_or_create(request(scans))
    with pytest.raises(FileNotFoundError, match="a scan"), job.at_work():
        raise FileNotFoundError("a scan")


def test_two_runs_at_once(scans: Path) -> None:
    job = JobFolder.open_or_create(request(scans))
    with job.at_work():
        with pytest.raises(WriteError, match="Another run"), JobFolder.open_or_create(request(scans)).at_work():
            pass
        assert job.scratch.exists()


def test_a_job_is_continued_with_its_scans_and_settings(scans: Path) -> None:
    profile = scans.parent / "scanner.icc"
    profile.write_text("icc")
    bed = scans.parent / "bed.json"
    first = JoinSettings(width_mm=610, height_mm=914, title="Ebbe", profile_path=str(profile), scanner_path=str(bed))
    job = run(request(scans, settings=first), scans)
    (scans / "later.tif").write_text("not of this job")
    asked = request(job.root, settings=JoinSettings(dpi=300.0, title="x", rights="y"), given=("dpi", "rights"))
    again = JobFolder.open_or_create(asked)
    assert again.request.settings == replace(first, dpi=300.0, rights="y")
    assert again.request.inputs == tuple(path for path in files_of(scans) if path.name != "later.tif")
    assert again.request.out == job.root == again.root
    with pytest.raises(UsageError, match="--out cannot move"):
        JobFolder.open_or_create(replace(asked, out=scans.parent / "other"))


def test_scans_are_found_again_after_a_move(scans: Path, tmp_path: Path) -> None:
    job = run(request(scans), scans)
    moved = tmp_path / "archive" / "2026"
    moved.parent.mkdir()
    scans.rename(moved)
    (moved / "c.tif").rename(moved / "renamed.tif")
    (moved / "decoy.tif").write_text("pixels of X.tif")
    with pytest.raises(ScanError, match=r"3 of the job's 3 scans.*moon one\.tif") as caught:
        JobFolder.open_or_create(request(job.root))
    assert caught.value.exit_code == 3
    assert "--scans" in caught.value.advice
    again = JobFolder.open_or_create(request(job.root, scans_moved_to=tmp_path / "archive"))
    assert [path.name for path in again.request.inputs] == ["renamed.tif", "moon one.tif", "möön.tif"]
    with again.at_work():
        again.record_scans((path, sha256_of(path), path.stat().st_size) for path in again.request.inputs)
        again.write_checksums()
    assert {status for _, status in again.verify()} == {Status.OK}
    (moved / "renamed.tif").unlink()
    with pytest.raises(ScanError, match=r"1 of the job's 3.*renamed\.tif"):
        JobFolder.open_or_create(request(job.root, scans_moved_to=tmp_path / "archive"))
    with pytest.raises(UsageError, match="is not a folder"):
        JobFolder.open_or_create(request(job.root, scans_moved_to=tmp_path / "nowhere"))


def test_the_whole_job_may_move_with_its_scans(scans: Path, tmp_path: Path) -> None:
    run(request(scans), scans)
    other = tmp_path.with_name(tmp_path.name + "-moved")
    tmp_path.rename(other)
    again = JobFolder.open_or_create(request(other / "scans-joined"))
    assert {path.parent for path in again.request.inputs} == {other / "scans"}
    assert {status for _, status in again.verify()} == {Status.OK}
    other.rename(tmp_path)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"kind": "stitch job", "schema": 9}', '{"kind": "other"}'])
def test_an_unreadable_job_file_is_no_crash(scans: Path, text: str) -> None:
    job = run(request(scans), scans)
    job.job_file.write_text(text)
    with pytest.raises(UsageError, match="not the record of a job"):
        JobFolder.open_or_create(request(job.root))
    with pytest.raises(WriteError):
        JobFolder.open_or_create(request(scans))
    run(request(scans, force=True), scans, master="second")
    run(request(scans), scans, master="third")


def test_settings_of_another_version_are_read_as_far_as_known(scans: Path) -> None:
    job = run(request(scans, settings=JoinSettings(title="Ebbe")), scans)
    plain = json.loads(job.job_file.read_text())
    del plain["settings"]["up_deg"]
    plain["settings"]["of_later"] = 1
    job.job_file.write_text(json.dumps(plain))
    again = JobFolder.open_or_create(request(job.root))
    assert again.request.settings == JoinSettings(title="Ebbe")


def test_the_job_reached_through_a_symbolic_link(scans: Path, tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    link = tmp_path / "near"
    link.symlink_to(tmp_path / "far")
    job = run(request(scans, out=link), scans)
    assert job.root == tmp_path / "far"
    assert {status for _, status in JobFolder(link).verify()} == {Status.OK}


def layered(scans: Path, text: str = "one") -> JobFolder:
    job = JobFolder.open_or_create(request(scans))
    with job.at_work():
        job.take([job.layers / "c.tif", job.seam_draft])
        job.layers.mkdir(exist_ok=True)
        with job.writing(job.layers / "c.tif") as part:
            part.write_text(text)
        with job.writing(job.seam_draft) as part:
            part.write_text(text)
        job.write_checksums()
    return job


def test_files_besides_the_results_are_the_jobs_own_and_layers_are_results(scans: Path) -> None:
    layered(scans)
    job = layered(scans, "two")
    assert (job.layers / "c.tif").read_text() == "two" and job.layers / "c.tif" in job.results
    assert [name for name, _ in job.verify()] == ["layers/c.tif"]
    (job.layers / "c.tif").write_text("worked on by hand")
    with pytest.raises(WriteError, match=r"c\.tif was not written by this job"):
        layered(scans)


def test_only_what_is_as_it_was_left_is_removed(scans: Path) -> None:
    job = layered(scans)
    job.seam_draft.write_text("worked on by hand")
    with job.at_work():
        job.remove_own([job.layers / "c.tif", job.seam_draft, job.seam_draft_labels])
    assert not (job.layers / "c.tif").exists() and job.seam_draft.exists()
    assert job.layers / "c.tif" not in JobFolder(job.root).results


def test_a_file_where_a_folder_is_needed_is_told(scans: Path) -> None:
    job = layered(scans)
    job.remove_own([job.layers / "c.tif"])
    job.layers.rmdir()
    job.layers.write_text("a file")
    with pytest.raises(WriteError, match="layers is a file"):
        layered(scans)
