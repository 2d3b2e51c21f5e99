"""A job that is refused for want of a link is joined with ties, and says what it was joined by."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from stitch.errors import UsageError
from stitch.imaging.affine import apply, compose, invert, rigid
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import join
from stitch.pipeline.ties_file import book_of
from stitch.ties.book import BOOK_NAME
from tests.pipeline.jobs import stitch, write_scans
from tests.register.cutting import texture

SIZE = (430, 480)
PLACES = {"A1": rigid(0.004, 20, 25), "A2": rigid(-0.003, 330, 30)}


def blank_between(folder: Path, seed: int) -> Path:
    """Two scans that share plain paper only."""
    image = texture(800, 560, seed) * 0.8 + 0.05
    image[:, 340:455] = 0.75
    image = cv2.GaussianBlur(image, (0, 0), 0.7)
    rng = np.random.default_rng(seed)
    scans = {}
    for name, place in PLACES.items():
        seen = cv2.warpAffine(image, place, SIZE, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
        seen = seen + 0.003 * rng.standard_normal(seen.shape)
        scans[name] = (np.clip(seen, 0, 1) * 65535).astype(np.uint16)
    return write_scans(folder, scans)


def tie(at: tuple[float, float], off: tuple[float, float] = (0, 0)) -> str:
    """A tie as typed, its click in A2 `off` px wrong."""
    words = []
    for name, wrong in (("A1", (0, 0)), ("A2", off)):
        x, y = apply(invert(PLACES[name]), np.array(at, float)) + wrong
        words.append(f"{name} {x:.1f},{y:.1f}")
    return " ".join(words)


def run(place: Path, **settings: object) -> object:
    return join(JoinRequest((place,), JoinSettings(**settings), given=tuple(settings)))


def off_px(layout: object) -> float:
    """How far apart the layout puts the same places of the overlap, master px, at most."""
    spots = np.array([(x, y) for x in (345.0, 440.0) for y in (40.0, 280.0, 500.0)])
    there = [apply(compose(layout.placement(n).matrix, invert(PLACES[n])), spots) for n in PLACES]
    return float(np.hypot(*(there[0] - there[1]).T).max())


def test_a_refused_job_ends_with_the_command_and_ties_join_it(tmp_path: Path) -> None:
    scans = blank_between(tmp_path / "scans", 1)
    refused = stitch("join", scans)
    assert refused.returncode == 4
    assert refused.stderr.rstrip().endswith(": stitch ties scans-joined")
    job = tmp_path / "scans-joined"
    page = (job / "report.html").read_text("utf-8")
    assert page.index("The two in question") < page.index('alt="the scan A1"') < page.index('alt="the scan A2"')
    words = [word for at in ((400, 215), (395, 300)) for word in ("--add", tie(at, (1, -1)))]
    assert stitch("ties", job, *words).returncode == 0
    found = run(job)
    (link,) = found.layout.links
    assert link.tie_count == 2
    assert found.master is not None
    assert off_px(found.layout) < link.bound_px


def test_plain_paper_is_joined_with_a_warning_of_its_error(tmp_path: Path) -> None:
    scans = blank_between(tmp_path / "scans", 2)
    assert run(scans).exit_code == 4
    job = tmp_path / "scans-joined"
    words = [word for at in ((360, 60), (430, 280), (370, 500)) for word in ("--add", tie(at))]
    stitch("ties", job, *words)
    found = run(job)
    assert found.exit_code == 1
    codes = [finding.code for finding in found.findings]
    assert "weak-link" in codes and "ties" in codes and "tie-contradicts" not in codes
    assert 0.5 < found.layout.links[0].expected_px < 10


def test_a_wrong_tie_is_named_by_its_line_and_not_used(tmp_path: Path) -> None:
    scans = blank_between(tmp_path / "scans", 3)
    run(scans)
    job = tmp_path / "scans-joined"
    spots = ((360, 60), (430, 180), (400, 280), (370, 500))
    lines = [tie(at).replace(" ", ",") for at in spots]
    lines.insert(2, tie((380, 400), (60, 0)).replace(" ", ","))
    (job / BOOK_NAME).write_text("\n".join(["# by hand", *lines]) + "\n")
    found = run(job)
    (wrong,) = [finding for finding in found.findings if finding.code == "tie-contradicts"]
    assert "line 4 of ties.csv" in wrong.message and "line 2, line 3, line 5, line 6" in wrong.message
    assert found.exit_code == 1
    assert off_px(found.layout) < 1.0


def test_a_bad_line_stops_the_run_before_any_work(tmp_path: Path) -> None:
    scans = blank_between(tmp_path / "scans", 4)
    run(scans)
    job = tmp_path / "scans-joined"
    (job / BOOK_NAME).write_text("A1,1,2,A2,x,4\n")
    before = sorted(path.name for path in (job / "work").iterdir())
    with pytest.raises(UsageError, match=r"ties\.csv, line 1: x_b is 'x'"):
        run(job)
    assert sorted(path.name for path in (job / "work").iterdir()) == before
    (job / BOOK_NAME).write_text("A1,1,2,A2,9999,4\n")
    with pytest.raises(UsageError, match=r"line 1: 9999,4 lies outside A2"):
        run(job)


def test_the_command_line_lists_and_refuses(tmp_path: Path) -> None:
    scans = blank_between(tmp_path / "scans", 5)
    run(scans)
    job = tmp_path / "scans-joined"
    done = stitch("ties", job, "--add", tie((400, 200)), "--distance", "A1 10,10 A2 300,12 82.5mm", "--list")
    assert done.returncode == 0
    assert [line.split()[0] for line in done.stdout.splitlines()] == ["tie", "distance"]
    assert "82.5 mm" in done.stdout
    assert stitch("ties", job, "--apart", "A1 A2").returncode == 0
    with pytest.raises(UsageError, match="do not touch"):
        book_of(job)
    for words in (
        ("--add", "A1 1,2"),
        ("--add", "A9 1,2 A2 3,4"),
        ("--apart", "A1"),
        ("--distance", "A1 1,2 A2 3,4 5"),
    ):
        refused = stitch("ties", job, *words)
        assert refused.returncode == 2 and len(refused.stderr.splitlines()) == 1
