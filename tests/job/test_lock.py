"""One run at a time, and no lock that outlives its run."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from stitch.errors import WriteError
from stitch.job import process
from stitch.job.lock import Holder, JobLock, SystemLock
from stitch.job.process import is_running, started_mark
from stitch.model.codec import to_plain

HOLD = (
    "import sys, time\n"
    "from pathlib import Path\n"
    "from stitch.job.lock import JobLock\n"
    "with JobLock(Path(sys.argv[1])):\n"
    "    print('held', flush=True)\n"
    "    time.sleep(60)\n"
)


def unsupported(handle: int) -> SystemLock:
    return SystemLock.UNSUPPORTED


def write_holder(path: Path, **changes: object) -> None:
    mine = Holder(os.getpid(), socket.gethostname(), "2026-11-25T08:00:00+00:00", started_mark(os.getpid()))
    path.write_text(json.dumps({**to_plain(mine), **changes}))


def gone_pid() -> int:
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    return child.pid


def test_a_second_run_is_refused_and_the_first_keeps_its_lock(tmp_path: Path) -> None:
    path = tmp_path / "job.lock"
    with JobLock(path):
        with pytest.raises(WriteError) as caught, JobLock(path):
            pass
        assert caught.value.exit_code == 5
        assert f"process {os.getpid()} on {socket.gethostname()}" in caught.value.message
        assert json.loads(path.read_text())["pid"] == os.getpid()
    assert not path.exists()
    with JobLock(path):
        pass


def test_a_run_in_another_process_is_refused_and_a_killed_one_blocks_nothing(tmp_path: Path) -> None:
    path = tmp_path / "job.lock"
    child = subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with pytest.raises(WriteError, match=f"process {child.pid}"), JobLock(path):
            pass
        child.send_signal(signal.SIGKILL)
        child.wait()
        assert path.exists()  # left by the crash
        with JobLock(path):
            assert json.loads(path.read_text())["pid"] == os.getpid()
    finally:
        child.kill()
        child.wait()
        assert child.stdout is not None
        child.stdout.close()


@pytest.mark.parametrize("system_lock", [None, unsupported])
def test_what_a_crash_leaves_behind_does_not_block(tmp_path: Path, system_lock: object) -> None:
    path = tmp_path / "job.lock"
    more = {} if system_lock is None else {"system_lock": system_lock}
    for leftover in ("", "{", '{"pid": 1}', "null"):
        path.write_text(leftover)
        with JobLock(path, **more):  # type: ignore[arg-type]
            pass
        assert not path.exists()
    write_holder(path, pid=gone_pid())
    with JobLock(path, **more):  # type: ignore[arg-type]
        pass


def test_without_a_system_lock_a_running_process_counts(tmp_path: Path) -> None:
    path = tmp_path / "job.lock"
    write_holder(path)
    before = path.read_text()
    with pytest.raises(WriteError), JobLock(path, system_lock=unsupported):
        pass
    assert path.read_text() == before


@pytest.mark.skipif(not started_mark(os.getpid()), reason="the system does not tell when a process began")
def test_without_a_system_lock_a_number_given_to_another_process_does_not_count(tmp_path: Path) -> None:
    path = tmp_path / "job.lock"
    write_holder(path, process_mark="long ago")
    with JobLock(path, system_lock=unsupported):
        pass


def test_another_computers_lock_is_respected_and_told_how_to_end(tmp_path: Path) -> None:
    path = tmp_path / "job.lock"
    write_holder(path, host="the-other-room", pid=gone_pid())
    with pytest.raises(WriteError) as caught, JobLock(path):
        pass
    assert "the-other-room" in caught.value.message
    assert f"delete {path}" in caught.value.advice
    assert path.exists()


def test_a_lock_taken_over_meanwhile_is_not_deleted(tmp_path: Path) -> None:
    path = tmp_path / "job.lock"
    with JobLock(path, system_lock=unsupported):
        write_holder(path, pid=os.getppid(), process_mark="")
    assert json.loads(path.read_text())["pid"] == os.getppid()


def test_a_rival_that_writes_at_the_same_moment_wins_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from stitch.job import lock

    path = tmp_path / "job.lock"
    monkeypatch.setattr(lock.time, "sleep", lambda _: write_holder(path, pid=os.getppid(), process_mark=""))
    with pytest.raises(WriteError), JobLock(path, system_lock=unsupported):
        pass
    assert json.loads(path.read_text())["pid"] == os.getppid()


def test_no_folder_to_lock_is_a_write_error(tmp_path: Path) -> None:
    with pytest.raises(WriteError), JobLock(tmp_path / "gone" / "job.lock"):
        pass


def test_process_marks() -> None:
    assert is_running(os.getpid(), started_mark(os.getpid()))
    assert is_running(os.getpid(), "")
    assert not is_running(gone_pid(), "")
    assert is_running(1, "")  # belongs to another user, and is there all the same


def test_the_portable_mark_comes_from_ps(monkeypatch: pytest.MonkeyPatch) -> None:
    class Answer:
        stdout = "Wed Nov 25  08:00:00 2026\n"

    def no_proc(self: Path, **more: object) -> str:
        raise FileNotFoundError

    monkeypatch.setattr(process.Path, "read_text", no_proc)
    monkeypatch.setattr(process.subprocess, "run", lambda *args, **more: Answer())
    assert started_mark(1) == "Wed Nov 25 08:00:00 2026"
    monkeypatch.setattr(process.subprocess, "run", lambda *args, **more: (_ for _ in ()).throw(FileNotFoundError()))
    assert started_mark(1) == ""
