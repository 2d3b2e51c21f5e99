"""What is kept from an earlier run, and what is not."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.job.state import JobState, fingerprint
from stitch.model.findings import Severity
from stitch.model.geometry import Size


def state_with(tmp_path: Path) -> tuple[JobState, Path]:
    output = tmp_path / "layout.json"
    output.write_text("{}")
    state = JobState(tmp_path / "state.json", tmp_path)
    state.record("register", "f1", [output], seconds=2.5)
    return state, output


def reloaded(tmp_path: Path) -> JobState:
    state, finding = JobState.load(tmp_path / "state.json", tmp_path)
    assert finding is None
    return state


def test_a_finished_room_is_kept_by_a_later_run(tmp_path: Path) -> None:
    _, output = state_with(tmp_path)
    state = reloaded(tmp_path)
    assert state.kept("register", "f1")
    assert state.outputs("register") == (output,)
    assert not state.kept("register", "f2")
    assert not state.kept("tone", "f1")
    assert state.outputs("tone") == ()


def test_a_changed_or_missing_output_is_not_kept(tmp_path: Path) -> None:
    _, output = state_with(tmp_path)
    output.write_text("[]")  # same length, other bytes
    assert not reloaded(tmp_path).kept("register", "f1")
    output.unlink()
    assert not reloaded(tmp_path).kept("register", "f1")


def test_a_copied_or_touched_output_is_still_the_same(tmp_path: Path) -> None:
    _, output = state_with(tmp_path)
    os.utime(output, ns=(1, 1))
    assert reloaded(tmp_path).kept("register", "f1")


def test_a_forgotten_room_is_done_again(tmp_path: Path) -> None:
    state, _ = state_with(tmp_path)
    state.forget("register")
    assert not reloaded(tmp_path).kept("register", "f1")


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"schema": 99, "rooms": {}}', '{"schema": 1}', "\xff"])
def test_an_unreadable_state_starts_afresh_and_says_so(tmp_path: Path, text: str) -> None:
    (tmp_path / "state.json").write_text(text, encoding="latin-1")
    state, finding = JobState.load(tmp_path / "state.json", tmp_path)
    assert finding is not None
    assert finding.severity is Severity.NOTE
    assert not state.kept("register", "f1")
    output = tmp_path / "a"
    output.write_text("")
    state.record("register", "f1", [output])
    assert reloaded(tmp_path).kept("register", "f1")


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda t: (
            st.lists(t, max_size=3)
            | st.dictionaries(st.sampled_from(["schema", "rooms", "register", "outputs"]), t, max_size=3)
        ),
        max_leaves=8,
    )
)
def test_no_json_whatever_can_crash_it(tmp_path_factory: pytest.TempPathFactory, plain: object) -> None:
    path = tmp_path_factory.getbasetemp() / "state.json"
    path.write_text(json.dumps(plain))
    state, _ = JobState.load(path, path.parent)
    assert not state.kept("register", "f1")


def test_what_decides_a_fingerprint() -> None:
    base = fingerprint("tone", 1, ["abc", Size(3, 4)], {"reference": None})
    assert base == fingerprint("tone", 1, ("abc", Size(3, 4)), {"reference": None})
    others = [
        fingerprint("seams", 1, ["abc", Size(3, 4)], {"reference": None}),
        fingerprint("tone", 2, ["abc", Size(3, 4)], {"reference": None}),
        fingerprint("tone", 1, ["abd", Size(3, 4)], {"reference": None}),
        fingerprint("tone", 1, [Size(3, 4), "abc"], {"reference": None}),
        fingerprint("tone", 1, ["abc", Size(4, 3)], {"reference": None}),
        fingerprint("tone", 1, ["abc", Size(3, 4)], {"reference": "a"}),
    ]
    assert len({base, *others}) == 7
    assert len(base) == 64
    assert fingerprint("a", 1, [], {"x": 1, "y": 2}) == fingerprint("a", 1, [], {"y": 2, "x": 1})
