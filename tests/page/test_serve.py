"""The page begins with an address, and ends when it is closed or by Ctrl-C, leaving nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import webbrowser
from pathlib import Path

import pytest

from stitch.errors import ScanError, UsageError
from stitch.page.serve import serve
from stitch.page.watch import Watch
from tests.page.visitor import Visitor

PROGRAM = """
import sys
from pathlib import Path
from stitch.page import serve
serve(Path(sys.argv[1]), open_browser=False, say=lambda address: print(address, flush=True))
"""


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is sent another way there")
def test_ctrl_c_ends_it_quietly(job: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(job)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    visitor = Visitor(process.stdout.readline().strip()).enter()
    visitor.change(do="apart", a=0, b=3)
    process.send_signal(signal.SIGINT)
    out, errors = process.communicate(timeout=30)
    assert (process.returncode, out, errors) == (0, "", "")
    assert "A1" in (job / "ties.csv").read_text(encoding="utf-8")
    assert not list((job / "work").glob("page*"))


@pytest.mark.parametrize("is_wanted", [True, False])
def test_the_browser_is_opened_when_asked(job: Path, monkeypatch: pytest.MonkeyPatch, is_wanted: bool) -> None:
    opened: list[str] = []
    told: list[str] = []
    monkeypatch.setattr(webbrowser, "open", opened.append)
    monkeypatch.setattr(Watch, "wait_until_closed", lambda self: None)
    serve(job, open_browser=is_wanted, say=told.append)
    assert told[0].startswith("http://127.0.0.1:")
    assert opened == (told if is_wanted else [])


def test_a_folder_that_is_no_job_is_told_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="stitch join"):
        serve(tmp_path, open_browser=False, say=lambda _: None)


def test_a_scan_that_is_gone_is_named(job: Path) -> None:
    (job.parent / "scans" / "B1.tif").unlink()
    with pytest.raises(ScanError, match="B1"):
        serve(job, open_browser=False, say=lambda _: None)
