"""Every command in the README runs and does what the text says."""

import os
import re
import shutil
import subprocess
import sys
import venv
from pathlib import Path

import pytest
import tifffile
from PIL import Image

from fixtures.scoring.clean_cutout import cutout_truth
from stitch.cli.studio import load_studio

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"```sh\n(.*?)\n```", README, re.DOTALL)
INSTALLS = [command for command in COMMANDS if command in ("pipx install .", "pip install .")]
SCRIPTS = [command for command in COMMANDS if command.startswith("python3 scripts/")]
ON_PAPER = re.findall(r"^stitch (?:paper|cutout) .*$", README, re.MULTILINE)
PAINTERS = [command for command in COMMANDS if command.startswith("stitch ")]
ENVIRONMENT = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}


def run(command: str, place: Path, timeout: int = 300) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, shell=True, cwd=place, env=ENVIRONMENT, capture_output=True, text=True, timeout=timeout
    )


def test_no_command_is_left_out() -> None:
    assert len(COMMANDS) == len(INSTALLS) + len(SCRIPTS) + len(PAINTERS)
    assert SCRIPTS == [
        "python3 scripts/demo.py",
        "python3 scripts/test.py",
        "python3 scripts/score_table.py --quick",
    ]
    assert len(PAINTERS) >= 5


def test_the_demo_and_then_the_painters_commands(tmp_path: Path) -> None:
    demo = run(f"{SCRIPTS[0]} {tmp_path / 'demo'}", ROOT)
    assert demo.returncode == 0, demo.stderr
    master, seam_map, report = (Path(line) for line in demo.stdout.strip().splitlines()[-3:])
    assert [path.name for path in (master, seam_map, report)] == ["master.tif", "seam-map.png", "report.html"]
    assert all(path.stat().st_size > 10_000 for path in (master, seam_map, report))
    shutil.copytree(tmp_path / "demo" / "studio" / "scans", tmp_path / "scans")
    (tmp_path / "another-painting").mkdir()
    for command in PAINTERS:
        is_plan = command.startswith("stitch plan ")  # of a painting that is not the demo's
        done = run(command, tmp_path / "another-painting" if is_plan else tmp_path)
        assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    assert (tmp_path / "scans-joined" / "master.tif").exists()
    with tifffile.TiffFile(tmp_path / "scans-joined" / "master.tif") as tiff:
        assert "Lindgarn" in str(tiff.pages[0].tags["Copyright"].value)
        whole = tiff.pages[0].shape
    with tifffile.TiffFile(tmp_path / "small" / "master.tif") as tiff:
        small = tiff.pages[0].shape
    assert small[0] == pytest.approx(whole[1] / 2, abs=2)  # half the dpi, and turned


def test_the_commands_for_a_work_on_paper(tmp_path: Path) -> None:
    """They are refused for the demo, which is an oil without blank paper."""
    (tmp_path / "scans-joined").mkdir()
    path = tmp_path / "scans-joined" / "master_dust.tif"
    truth = cutout_truth(7, ppi=290)
    tifffile.imwrite(path, truth.codes, photometric="rgb", resolution=(290, 290), resolutionunit="INCH")
    assert len(ON_PAPER) == 2
    for command in ON_PAPER:
        done = run(command, tmp_path)
        assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    with Image.open(path.with_name("master_dust_paper_cutout.png")) as image:
        assert image.size[0] == round(50 / 25.4 * 300)


def test_the_test_command_runs_tests() -> None:
    done = run(f"{SCRIPTS[1]} tests/house/test_imports.py -p no:cacheprovider", ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "passed" in done.stdout


@pytest.mark.slow
def test_the_quick_table_passes(tmp_path: Path) -> None:
    done = run(f"{SCRIPTS[2]} --results {tmp_path / 'rows.jsonl'}", ROOT, timeout=900)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "passed 6 of 6" in done.stdout
    assert "silently wrong 0" in done.stdout


@pytest.mark.slow
def test_it_installs_and_starts(tmp_path: Path) -> None:
    """`pip install .` in a new environment; pipx does the same in one of its own."""
    venv.create(tmp_path / "env", with_pip=True)
    folder = tmp_path / "env" / ("Scripts" if os.name == "nt" else "bin")
    done = run(f"{folder / 'python'} -m pip install -q {ROOT}", tmp_path, timeout=600)
    assert done.returncode == 0, done.stderr
    assert "join" in run(f"{folder / 'stitch'} --help", tmp_path).stdout


@pytest.mark.parametrize("code", [0, 1, 2, 3, 4, 5, 70, 130])
def test_every_exit_code_is_in_the_table(code: int) -> None:
    assert re.search(rf"^\| {code} \|", README, re.MULTILINE)


def test_the_studio_file_of_the_readme_is_understood(tmp_path: Path) -> None:
    (tmp_path / "studio.toml").write_text(re.findall(r"```toml\n(.*?)```", README, re.DOTALL)[0], encoding="utf-8")
    (tmp_path / "scanner.icc").write_bytes(b"")
    found = load_studio(tmp_path / "studio.toml")
    assert found.settings["creator"] == "Studio Lindgarn"
    assert found.settings["scan_dpi"] == 600
    assert found.settings["memory_mb"] == 2000
