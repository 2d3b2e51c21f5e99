"""A file is replaced whole or not at all."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from stitch.errors import UsageError, WriteError
from stitch.job import disk, whole
from stitch.job.whole import part_path, write_text_whole, write_whole


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_the_old_file_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "master.tif"
    target.write_text("old")
    with write_whole(target) as part:
        assert part == tmp_path / "master.part.tif"
        part.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert names(tmp_path) == ["master.tif"]


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, ValueError, UsageError("no")])
def test_trouble_in_the_middle_leaves_the_old_file_alone(tmp_path: Path, trouble: BaseException) -> None:
    target = tmp_path / "report.html"
    target.write_text("old")
    with pytest.raises((KeyboardInterrupt, ValueError, UsageError)), write_whole(target) as part:
        part.write_text("half")
        raise trouble
    assert target.read_text() == "old"
    assert names(tmp_path) == ["report.html"]


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EFBIG, "no file as large"),
        (errno.EACCES, "no permission"),
        (errno.EROFS, "no permission"),
        (errno.EIO, "Input/output error"),
    ],
)
def test_every_disk_trouble_is_told_plainly(tmp_path: Path, number: int, told: str) -> None:
    with pytest.raises(WriteError, match=told) as caught, write_whole(tmp_path / "master.tif") as part:
        part.write_text("half")
        raise OSError(number, os.strerror(number))
    assert caught.value.exit_code == 5
    assert "master.tif" in caught.value.message
    assert names(tmp_path) == []


def test_a_refused_rename_keeps_the_finished_file_under_a_printed_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Injected: Windows refuses to replace a file that another program holds open."""

    def refuse(part: Path, path: Path) -> None:
        tries.append(part)
        raise PermissionError(errno.EACCES, "The process cannot access the file")

    monkeypatch.setattr(whole, "RENAME_PAUSE_S", 0.0)
    tries: list[Path] = []
    target = tmp_path / "master.tif"
    target.write_text("old")
    for kept in ("master.new.tif", "master.new-2.tif"):
        with pytest.raises(WriteError) as caught, write_whole(target, rename=refuse) as part:
            part.write_text("new")
        assert str(tmp_path / kept) in caught.value.message
        assert "open in another program" in caught.value.message
        assert (tmp_path / kept).read_text() == "new"
    assert target.read_text() == "old"
    assert names(tmp_path) == ["master.new-2.tif", "master.new.tif", "master.tif"]
    assert len(tries) == 2 * whole.RENAME_TRIES


def test_a_rename_refused_for_a_moment_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse_once(part: Path, path: Path) -> None:
        tries.append(part)
        if len(tries) == 1:
            raise PermissionError(errno.EACCES, "busy")
        part.replace(path)

    monkeypatch.setattr(whole, "RENAME_PAUSE_S", 0.0)
    tries: list[Path] = []
    with write_whole(tmp_path / "a.txt", rename=refuse_once) as part:
        part.write_text("new")
    assert (tmp_path / "a.txt").read_text() == "new"


def test_before_rename_sees_the_whole_file_and_may_stop(tmp_path: Path) -> None:
    def stop(part: Path) -> None:
        assert part.read_text() == "new"
        raise WriteError("no")

    with pytest.raises(WriteError, match="no"), write_whole(tmp_path / "a.txt", before_rename=stop) as part:
        part.write_text("new")
    assert names(tmp_path) == []


def test_a_symbolic_link_is_replaced_and_what_it_points_to_is_left(tmp_path: Path) -> None:
    scan = tmp_path / "scan.tif"
    scan.write_text("scan")
    link = tmp_path / "master.tif"
    link.symlink_to(scan)
    write_text_whole(link, "new")
    assert scan.read_text() == "scan"
    assert link.read_text() == "new"
    assert not link.is_symlink()


@pytest.mark.parametrize("name", ["plain.txt", "mit Leerzeichen.txt", "ümläut.txt", "🌊.txt", "x" * 200 + ".txt"])
def test_names_of_all_kinds(tmp_path: Path, name: str) -> None:
    write_text_whole(tmp_path / name, "ä\n")
    assert (tmp_path / name).read_bytes() == b"\xc3\xa4\n"


def test_a_name_too_long_for_the_disk(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="too long"):
        write_text_whole(tmp_path / ("x" * 300), "")


def test_part_names_keep_the_ending() -> None:
    assert part_path(Path("a/seam-map.png")) == Path("a/seam-map.part.png")
    assert part_path(Path("a/checksums.sha256")) == Path("a/checksums.part.sha256")


@pytest.mark.skipif(sys.platform == "win32", reason="file-size limits are a POSIX matter")
def test_a_real_file_size_limit_leaves_nothing(tmp_path: Path) -> None:
    """Not injected: the child may write files of 100 000 bytes at most (setrlimit, RLIMIT_FSIZE)."""
    script = (
        "import signal, sys\n"
        "from pathlib import Path\n"
        "from stitch.errors import WriteError\n"
        "from stitch.job.whole import write_whole\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "try:\n"
        "    with write_whole(Path(sys.argv[1])) as part:\n"
        "        part.write_bytes(bytes(200_000))\n"
        "except WriteError as error:\n"
        "    print(error)\n"
        "    sys.exit(error.exit_code)\n"
    )
    limit = (100_000, 100_000)
    child = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "master.tif")],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit),
        capture_output=True,
        text=True,
        check=False,
    )
    assert child.returncode == 5, child.stderr
    assert "no file as large as master.tif" in child.stdout
    assert names(tmp_path) == []


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="needs the right to mount a small disk")
def test_a_real_full_disk_leaves_the_old_file(tmp_path: Path) -> None:
    """Not injected: a tmpfs of 256 KiB fills up."""
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", tmp_path], check=False).returncode:
        pytest.skip("a small disk cannot be mounted here")
    try:
        write_text_whole(tmp_path / "master.tif", "old")
        with pytest.raises(WriteError, match="disk is full"), write_whole(tmp_path / "master.tif") as part:
            part.write_bytes(bytes(1_000_000))
        assert (tmp_path / "master.tif").read_text() == "old"
        assert names(tmp_path) == ["master.tif"]
    finally:
        subprocess.run(["umount", tmp_path], check=True)


def test_free_space_is_asked_of_the_nearest_folder_there_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def usage(place: Path) -> object:
        asked.append(place)
        return type("Usage", (), {"free": 1_000_000_000})()

    monkeypatch.setattr(disk.shutil, "disk_usage", usage)
    disk.require_free(tmp_path / "not" / "yet", 900_000_000)
    assert asked == [tmp_path]
    with pytest.raises(WriteError, match=r"1\.00 GB free, and this job needs about 1\.01 GB"):
        disk.require_free(tmp_path, 960_000_000)
    monkeypatch.setattr(disk.shutil, "disk_usage", lambda place: type("Usage", (), {"free": 4_000_000})())
    with pytest.raises(WriteError, match=r"has 4 MB free, and this job needs about 60 MB"):
        disk.require_free(tmp_path, 10_000_000)
