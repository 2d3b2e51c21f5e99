"""The numbers scans carry on the page and on the seam map.

They follow the names as a person would sort them ("scan 2" before "scan 10"), so that both agree whatever order the
scans come in.
"""

from __future__ import annotations

import re
from collections.abc import Iterable


def numbers_of(scan_ids: Iterable[str]) -> dict[str, int]:
    """Number of each scan, from 1."""
    return {name: number for number, name in enumerate(sorted(set(scan_ids), key=sort_key), start=1)}


def sort_key(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """Key that compares runs of digits as numbers and letters without regard to case."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name)
    return [(0, int(part), "") if part[0] in "0123456789" else (1, 0, part.casefold()) for part in parts], name
