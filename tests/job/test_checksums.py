"""The list of checksums, checked against GNU coreutils' own reader."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.errors import UsageError
from stitch.job.checksums import Status, checksum_lines, parse_checksums, verify
from stitch.job.files import sha256_of

NAMES = st.text(st.characters(codec="utf-8", exclude_characters="\r\0"), min_size=1, max_size=30)


def test_sha256_of_a_published_example(tmp_path: Path) -> None:
    """FIPS 180-2, appendix B.1: the SHA-256 of "abc"."""
    (tmp_path / "a").write_bytes(b"abc")
    assert sha256_of(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_plain_lines() -> None:
    assert checksum_lines([("../scans/moon one.tif", "a" * 64), ("master.tif", "b" * 64)]) == (
        f"{'a' * 64}  ../scans/moon one.tif\n{'b' * 64}  master.tif\n"
    )


@given(st.dictionaries(NAMES, st.text("0123456789abcdef", min_size=64, max_size=64), max_size=5))
def test_any_name_comes_back(entries: dict[str, str]) -> None:
    assert parse_checksums(checksum_lines(entries.items())) == list(entries.items())


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="coreutils not installed")
def test_coreutils_agree(tmp_path: Path) -> None:
    names = ["plain.tif", "two words.tif", "umläut 🌊.tif", "back\\slash.tif", "line\nbreak.tif"]
    for name in names:
        (tmp_path / name).write_text(name)
    text = checksum_lines((name, sha256_of(tmp_path / name)) for name in names)
    (tmp_path / "checksums.sha256").write_text(text)
    theirs = subprocess.run(["sha256sum", "--", *names], cwd=tmp_path, capture_output=True, check=True)
    assert theirs.stdout.decode() == text
    subprocess.run(["sha256sum", "--check", "--strict", "checksums.sha256"], cwd=tmp_path, check=True)


def test_verify_tells_each_file_apart(tmp_path: Path) -> None:
    for name in ("same", "other", "gone"):
        (tmp_path / name).write_text(name)
    (tmp_path / "folder").mkdir()
    entries = [(name, sha256_of(tmp_path / name)) for name in ("same", "other", "gone")]
    (tmp_path / "list").write_text(
        checksum_lines([*entries, ("folder", "0" * 64)])
        .upper()
        .replace("  SAME", "  same")
        .replace("  OTHER", "  other")
        .replace("  GONE", "  gone")
        .replace("  FOLDER", "  folder")
    )
    (tmp_path / "other").write_text("Other")
    (tmp_path / "gone").unlink()
    assert verify(tmp_path / "list") == [
        ("same", Status.OK),
        ("other", Status.CHANGED),
        ("gone", Status.MISSING),
        ("folder", Status.UNREADABLE),
    ]


def test_a_list_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds no list"):
        verify(tmp_path / "list")
    (tmp_path / "list").write_text(f"{'a' * 64}  ok\nnonsense\n")
    with pytest.raises(UsageError, match="line 2"):
        verify(tmp_path / "list")
