"""The chain: steps as written, only what changed made again, versions told."""

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stitch.cli.commands import app
from stitch.errors import UsageError
from stitch.finish.ledger import fingerprint, read_ledger
from stitch.finish.steps import DEFAULT, load_wishes
from tests.pipeline.pictures import write_picture
from tests.size.sheets import sheet

NAMES = ("dust", "trim", "paper", "cutout", "prints", "proof")
STEPS = """
version = 1
chain = ["trim", "prints"]
[trim]
to = "sheet"
[prints]
sizes = "2x3in,A7"
fit = "crop"
dpi = 100
"""


def run(*words: str) -> tuple[int, list[str], str]:
    done = CliRunner().invoke(app, ["finish", *words])
    return done.exit_code, done.stdout.splitlines(), done.stderr


@pytest.fixture
def job(tmp_path: Path) -> Path:
    drawn = sheet(3, ppi=150, lid="black", angle_deg=0.7)
    write_picture(tmp_path / "master.tif", drawn.rgb, 150.0, title="Boats")
    (tmp_path / "steps.toml").write_text(STEPS.replace("A7", "60x80mm"))
    return tmp_path


def test_only_what_changed_is_made_again(job: Path) -> None:
    code, made, said = run(str(job))
    assert code == 0, said
    assert {Path(line).name for line in made} >= {
        "master_trim.tif",
        "Boats_2x3in_100dpi.jpg",
        "Boats_60x80mm_100dpi.jpg",
        "finished.html",
        "checksums.sha256",
    }
    code, made, said = run(str(job))
    assert code == 0 and len(made) == 2 and said.count("kept") == 3
    steps = job / "steps.toml"
    steps.write_text(steps.read_text().replace("60x80mm", "60x80mm,50x50mm"))
    code, made, said = run(str(job))
    assert code == 0 and [Path(line).name for line in made[:-2]] == ["Boats_50x50mm_100dpi.jpg"]
    steps.write_text(steps.read_text().replace("dpi = 100", "dpi = 100\nquality = 80"))
    code, made, said = run(str(job), "--only", "2x3in")
    assert code == 0 and [Path(line).name for line in made[:-2]] == ["Boats_2x3in_100dpi.jpg"]


def test_what_was_changed_by_hand_stays_and_other_versions_are_told(job: Path) -> None:
    assert run(str(job))[0] == 0
    ledger = job / "finished" / "finished.json"
    ledger.write_text(ledger.read_text().replace("stitch 0.1.0", "stitch 0.0.9"))
    assert "kept, by stitch 0.0.9" in run(str(job))[2]
    assert "stitch 0.0.9" in (job / "finished" / "finished.html").read_text()
    own = job / "finished" / "Boats" / "Boats_2x3in_100dpi.jpg"
    own.write_bytes(own.read_bytes() + b"mine")
    code, _, said = run(str(job))
    assert code == 5 and "was changed since it was made" in said and own.read_bytes().endswith(b"mine")
    code, _, said = run(str(job), "--force")
    assert code == 0 and "made; it was made with stitch 0.0.9 before" in said


def test_a_size_that_cannot_be_filled_is_told(job: Path) -> None:
    steps = job / "steps.toml"
    steps.write_text(steps.read_text().replace("60x80mm", "8x10in"))
    code, _, said = run(str(job))
    assert code == 1 and "Not made: prints 8x10in: the picture has" in said


def test_the_first_file_of_steps_is_understood_and_not_written_over(tmp_path: Path) -> None:
    drawn = sheet(3, ppi=50)
    write_picture(tmp_path / "master.tif", drawn.rgb, 50.0)
    assert run(str(tmp_path), "--init")[0] == 0
    assert (tmp_path / "steps.toml").read_text(encoding="utf-8") == DEFAULT
    assert [wish.name for wish in load_wishes(tmp_path / "steps.toml", NAMES)] == ["trim", "prints"]
    assert run(str(tmp_path), "--init")[0] == 5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("chain = []", "chain is missing"),
        ('chain = ["trim", "polish"]', "polish is no step"),
        ('chain = ["trim", "trim"]', "stands twice"),
        ('version = 9\nchain = ["trim"]', "another version"),
        ('chain = ["trim"', "not understood"),
    ],
)
def test_steps_that_make_no_sense(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "steps.toml").write_text(text)
    with pytest.raises(UsageError, match=words):
        load_wishes(tmp_path / "steps.toml", NAMES)


def test_every_commented_choice_is_known(tmp_path: Path) -> None:
    from stitch.cli.finish_steps import Around, ready_steps

    plain = re.sub(r"^# (?=[a-z-]+ = )", "", DEFAULT, flags=re.MULTILINE)
    plain = plain.replace('["trim", "prints"]', str(list(NAMES)).replace("'", '"'))
    assert plain.count("\n# ") == 1  # only the heading is left a comment
    (tmp_path / "steps.toml").write_text(plain)
    around = Around(1000, False, None, tmp_path)
    assert [step.name for step in ready_steps(load_wishes(tmp_path / "steps.toml", NAMES), around)] == list(NAMES)


def test_a_ledger_that_is_none_is_empty_and_prints_of_settings_differ() -> None:
    assert read_ledger("{").entries == {} and read_ledger('{"version": 1}').entries == {}
    assert fingerprint("trim", 1, {"a": 1}, "s") != fingerprint("trim", 1, {"a": 2}, "s")
