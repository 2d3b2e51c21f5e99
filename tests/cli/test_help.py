"""The help, the version, and that asking for them loads nothing heavy."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest
from typer.testing import Result

from stitch import __version__
from stitch.cli.commands import SUMMARIES
from stitch.cli.loaded import loaded

Stitch = Callable[..., Result]


@pytest.mark.parametrize("words", [[], ["join"], ["size"], ["verify"], ["ties"], ["seams"], ["status"]])
def test_every_help_has_an_example_and_fits_eighty_columns(stitch: Stitch, words: list[str]) -> None:
    result = stitch(*words, "--help")
    assert result.exit_code == 0
    assert f"stitch {(words or ['join'])[0]} scans" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert result.stderr == ""
    assert "<bool>" not in result.stdout and "{" not in result.stdout


def test_the_bare_command_shows_the_help(stitch: Stitch) -> None:
    result = stitch()
    assert "stitch join scans/ --width 610mm --height 914mm" in result.output


def test_version(stitch: Stitch) -> None:
    result = stitch("--version")
    assert (result.exit_code, result.stdout) == (0, f"stitch {__version__}\n")


@pytest.mark.parametrize("words", [["--help"], ["join", "--help"], ["--version"]])
def test_help_loads_neither_opencv_nor_numpy(words: list[str]) -> None:
    script = (
        "import sys\n"
        "from stitch.cli.app import run\n"
        f"sys.argv = ['stitch', *{words!r}]\n"
        "try:\n"
        "    run()\n"
        "finally:\n"
        "    heavy = {'cv2', 'numpy', 'tifffile', 'PIL', 'imagecodecs'} & set(sys.modules)\n"
        "    assert not heavy, heavy\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)


def test_it_runs_as_a_module() -> None:
    done = subprocess.run([sys.executable, "-m", "stitch", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"stitch {__version__}\n"


@pytest.mark.parametrize("name", SUMMARIES)
def test_a_command_explains_itself_in_the_words_of_the_list(name: str) -> None:
    command = loaded(name)
    assert command.name == name
    assert command.help.split("\n\n")[0] == SUMMARIES[name]
