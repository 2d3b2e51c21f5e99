"""What the page learns from the report of the last run."""

from __future__ import annotations

import json
from pathlib import Path

from stitch.page.last_run import LastRun, read_last_run

LINK = {"scan_a": "A1", "scan_b": "A2", "turn_deg": 90, "is_weak": True, "reason": "few patches fit"}
QUARTER = [[0.0, -1.0, 40.0], [1.0, 0.0, 3.0]]


def report(folder: Path, **changes: object) -> Path:
    plain = {"layout": None, "links": [LINK, {**LINK, "scan_b": "gone"}], "findings": [], **changes}
    path = folder / "report.json"
    path.write_text(json.dumps(plain), encoding="utf-8")
    return path


def test_places_links_and_turns(tmp_path: Path) -> None:
    places = [{"scan_id": name, "canvas_from_scan": QUARTER} for name in ("A1", "gone")]
    known = read_last_run(report(tmp_path, layout={"placements": places}), ["A1", "A2"])
    assert known.places == {"A1": ((0.0, -1.0, 40.0), (1.0, 0.0, 3.0))}
    assert [(link.scan_a, link.scan_b, link.turn_deg, link.is_weak) for link in known.links] == [("A1", "A2", 90, True)]
    assert known.stopped is None


def test_why_the_last_run_stopped(tmp_path: Path) -> None:
    stop = {"severity": "stop", "message": "A2 could not be linked.", "advice": "Look."}
    known = read_last_run(report(tmp_path, findings=[{**stop, "severity": "note"}, stop]), ["A1", "A2"])
    assert known.stopped == ("A2 could not be linked.", "Look.")


def test_where_scans_lie_as_far_as_a_stopped_run_found_out(tmp_path: Path) -> None:
    known = read_last_run(report(tmp_path, places_found={"A1": QUARTER, "gone": QUARTER}), ["A1", "A2"])
    assert list(known.places) == ["A1"]


def test_a_report_that_is_not_there_or_not_readable_tells_nothing(tmp_path: Path) -> None:
    assert read_last_run(tmp_path / "report.json", ["A1"]) == LastRun()
    for text in ("", "{", "[]", '{"layout": 3}', '{"layout": null, "links": [7], "findings": []}'):
        (tmp_path / "report.json").write_text(text, encoding="utf-8")
        assert read_last_run(tmp_path / "report.json", ["A1"]) == LastRun()
