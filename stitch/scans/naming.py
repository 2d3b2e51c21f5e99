"""Names of files and scans as a painter sees them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from pathlib import Path

from stitch.errors import ScanError


def shown(name: str) -> str:
    """A file name as it looks: composed letters (NFC), and nothing that cannot be written as text."""
    return unicodedata.normalize("NFC", name).encode("utf-8", "replace").decode("utf-8")


def natural_key(path: Path) -> tuple[list[tuple[int, int, str]], str]:
    """Sorts "scan 2" before "scan 10", whatever the case of letters; equal names by folder."""
    parts = re.split(r"(\d+)", shown(path.name).casefold())
    digits_first = [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts if part]
    return digits_first, str(path)


def scan_names(path: Path, page_count: int, taken: Collection[str]) -> tuple[str, ...]:
    """Names of the pages, unlike any in `taken`: the stem; where that is taken, folder and full name; then a number."""
    for name in _choices(path):
        names = (name, *(f"{name} page {number}" for number in range(2, page_count + 1)))
        if not set(names) & set(taken):
            return names
    raise ScanError(f"No name is left for {shown(path.name)}.", scan_ids=(shown(path.name),))


def _choices(path: Path) -> list[str]:
    longer = shown(f"{path.parent.name}/{path.name}")
    return [shown(path.stem), longer, *(f"{longer} ({number})" for number in range(2, 10_000))]
