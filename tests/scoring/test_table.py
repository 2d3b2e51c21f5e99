"""The evidence table: rows are judged rightly, results are kept row by row, and memory is measured."""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from fixtures.flatbed.case import Case
from fixtures.flatbed.truth import Truth
from fixtures.scoring import table
from fixtures.scoring.job_files import FinishedJob
from fixtures.scoring.perfect_job import write_perfect_job

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
SMALL = Case("small", width_mm=76.0, height_mm=92.0, dpi=150.0, seed=4)


def script(name: str) -> ModuleType:
    """A script of the project as a module."""
    spec = importlib.util.spec_from_file_location(name, SCRIPTS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def faultless(scans: Path, truth: Truth, job: Path) -> table.Joined:
    """A joiner that knows the truth."""
    write_perfect_job(scans, truth, job)
    return table.Joined(0, "done", 0.1, 50.0)


def one_scan_off(scans: Path, truth: Truth, job: Path) -> table.Joined:
    """A joiner that reports one scan 1.6 px beside its place, and says all is well."""
    write_perfect_job(scans, truth, job)
    report = json.loads((job / "report.json").read_text(encoding="utf-8"))
    report["layout"]["placements"][2]["canvas_from_scan"][0][2] += 1.6
    (job / "report.json").write_text(json.dumps(report), encoding="utf-8")
    return table.Joined(0, "done", 0.1, 50.0)


def refusing(scans: Path, truth: Truth, job: Path) -> table.Joined:
    """A joiner that refuses and names a scan."""
    job.mkdir(parents=True)
    return table.Joined(4, f"{truth.scans[-1].file_name} fits nowhere", 0.1, 50.0)


def test_a_faultless_job_passes_every_target(tmp_path: Path):
    row = table.run_row(SMALL, tmp_path, faultless)
    assert row["faults"] == []
    assert row["passed"]
    assert not row["wrong"]
    assert row["layout"]["local_misregistration_px"]["max"] < 1e-6
    assert row["master"]["residual_px"]["p99"] < 0.05
    assert row["master"]["tone_mean_de00"] < 0.3
    assert row["master"]["coverage_fraction"] > 0.998
    json.dumps(row, allow_nan=False)


def test_a_misplaced_scan_that_nobody_mentions_is_silently_wrong(tmp_path: Path):
    row = table.run_row(SMALL, tmp_path, one_scan_off)
    assert not row["passed"]
    assert row["silently_wrong"]
    assert row["layout"]["worst_pair_px"] == pytest.approx(1.6, abs=1e-3)
    assert any("misregistration" in fault for fault in row["faults"])


def test_a_refusal_is_right_only_where_it_is_expected(tmp_path: Path):
    right = table.run_row(replace(SMALL, left_out=(1,), expected="refused"), tmp_path / "a", refusing)
    wrong = table.run_row(SMALL, tmp_path / "b", refusing)
    assert right["faults"] == []
    assert wrong["faults"] == ["exit 4"]
    assert not wrong["wrong"]


def test_a_refusal_names_the_foreign_scan_and_leaves_no_master(tmp_path: Path):
    case = replace(SMALL, foreign_count=1, expected="refused")
    good = table.run_row(case, tmp_path / "a", refusing)
    assert good["faults"] == []

    def leaves_a_master(scans: Path, truth: Truth, job: Path) -> table.Joined:
        write_perfect_job(scans, truth, job)
        return table.Joined(4, "something fits nowhere", 0.1, None)

    bad = table.run_row(case, tmp_path / "b", leaves_a_master)
    assert bad["faults"] == ["a master was left behind", "does not name the scan"]


def test_a_finished_job_that_cannot_be_scored_is_wrong(tmp_path: Path):
    job = FinishedJob(tmp_path, None, None, ())
    scores = table.score_job(job, None, tmp_path)
    assert scores.trouble == (
        "placements cannot be scored: the report holds no layout",
        "master cannot be scored: there is no master, or no reference scan is named",
    )
    assert table.is_wrong(scores)


def test_the_table_goes_on_where_it_stopped(tmp_path: Path, monkeypatch, capsys):
    score_table = script("score_table")
    calls = []

    def counting(scans: Path, truth: Truth, job: Path, more: tuple[str, ...]) -> table.Joined:
        calls.append(truth.seed)
        return refusing(scans, truth, job)

    monkeypatch.setitem(score_table.JOINERS, "stitch", counting)
    monkeypatch.setattr(table, "named", lambda name, seed: replace(SMALL, name=name, seed=seed, dpi=60.0))
    results = tmp_path / "results.jsonl"
    order = ["--cases", "quarters-oil", "--results", str(results)]
    assert score_table.main([*order, "--seeds", "1-2"]) == 1
    with results.open("a") as file:
        file.write('{"case": "cut sho')
    assert score_table.main([*order, "--seeds", "1-3"]) == 1
    assert calls == [1, 2, 3]
    assert "2 of 3 rows are kept" in capsys.readouterr().out
    assert score_table.main([*order, "--seeds", "1-3"]) == 1
    assert calls == [1, 2, 3]
    assert score_table.main([*order, "--seeds", "1", "--fresh"]) == 1
    assert calls == [1, 2, 3, 1]
    assert len(results.read_text(encoding="utf-8").splitlines()) == 1


def test_the_desk_table_takes_rows_at_once_and_sums_them_up(tmp_path: Path, monkeypatch, capsys):
    score_table = script("score_table")
    given = []

    def noting(scans: Path, truth: Truth, job: Path, more: tuple[str, ...] = ()) -> table.Joined:
        given.append((truth.case_name, truth.seed, more))
        return refusing(scans, truth, job)

    monkeypatch.setitem(score_table.JOINERS, "stitch", noting)
    small = replace(SMALL, dpi=60.0, expected="refused")
    monkeypatch.setattr(table, "named", lambda name, seed: replace(small, name=name, seed=seed))
    order = ["--table", "desk", "--at-once", "2", "--results", str(tmp_path / "desk.jsonl"), "--seeds", "5-7"]
    assert score_table.main([*order, "--cases", "desk-foreign"]) == 0
    assert sorted(given) == [("desk-foreign", seed, ()) for seed in (5, 6, 7)]
    assert score_table.main([*order, "--cases", "desk-foreign,desk-half-dpi"]) == 1  # one that must be solved
    assert ("desk-half-dpi", 5, ("--dpi", "100")) in given
    assert len(given) == 6
    told = capsys.readouterr().out
    assert "3 of 6 rows are kept" in told
    line = next(text for text in told.splitlines() if text.startswith("foreign "))
    assert line.split()[:7] == ["foreign", "3", "refused", "0", "0", "3", "3"]
    with pytest.raises(SystemExit, match="no case of the desk table"):
        score_table.main([*order, "--cases", "missing"])


def test_the_desk_table_takes_ten_seeds_a_case_unless_told():
    score_table = script("score_table")
    plan = list(score_table.planned(score_table._parser().parse_args(["--table", "desk"])))
    assert len(plan) == 10 * len(score_table.desk.DESK)
    fresh = list(score_table.planned(score_table._parser().parse_args(["--table", "desk", "--seeds", "101-102"])))
    assert {seed for _, seed, *_ in fresh} == {101, 102}


def test_the_whole_table_covers_twenty_seeds_and_three_kinds():
    score_table = script("score_table")
    plan = list(score_table.planned(score_table._parser().parse_args([])))
    targets = [key for key in plan if key[0] in score_table.TARGET_CASES]
    assert len({seed for _, seed, *_ in targets}) >= 20
    assert len({table.table_case(name, 1).kind for name, *_ in targets}) >= 3
    assert {"missing", "foreign", "no-overlap", "blank-overlap"} <= {name for name, *_ in plan}


@pytest.mark.parametrize(("text", "seeds"), [("3", [3]), ("1-4", [1, 2, 3, 4]), ("1-2,9", [1, 2, 9])])
def test_seeds(text: str, seeds: list[int]):
    assert script("score_table").parse_seeds(text) == seeds


CHILD = "import time; block = bytearray(120_000_000); block[::4096] = b'x' * len(block[::4096]); time.sleep(0.5)"
PARENT = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {CHILD!r}], check=True)"


def test_memory_of_a_grandchild_is_counted():
    run = script("procmem").run_watched([sys.executable, "-c", PARENT])
    assert run.exit_code == 0
    assert 125 < run.peak_mb < 190
    assert run.process_count >= 2
    assert run.sample_count > 5


def test_a_run_out_of_time_is_ended_with_its_children():
    run = script("procmem").run_watched([sys.executable, "-c", PARENT.replace("0.5", "60")], timeout_s=1.0)
    assert run.exit_code is None
    assert run.wall_s < 10


def test_plain_work_writes_as_many_bytes_as_the_master_has(tmp_path: Path, monkeypatch):
    bench_join = script("bench_join")
    truth = table.simulate(replace(SMALL, dpi=80.0), tmp_path)
    sizes = []
    monkeypatch.setattr(bench_join.os, "fsync", lambda number: sizes.append(bench_join.os.fstat(number).st_size))
    assert min(bench_join.floor_s(tmp_path / "scans", truth, tmp_path / "plain.raw").values()) > 0
    px_per_mm = 80 / 25.4
    assert sizes == [round(76 * px_per_mm) * round(92 * px_per_mm) * 6]
    assert not (tmp_path / "plain.raw").exists()
