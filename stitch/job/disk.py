"""Is there room on the disk, before any long work."""

from __future__ import annotations

import shutil
from pathlib import Path

from stitch.errors import WriteError

RESERVE_BYTES = 50_000_000  # for the seam map, the report and the job's records


def free_bytes(folder: Path) -> int:
    """Free space on the disk that holds `folder` (or its nearest parent that exists). Raises OSError."""
    place = folder.absolute()
    while not place.exists():
        place = place.parent
    return shutil.disk_usage(place).free


def require_free(folder: Path, needed_bytes: int) -> None:
    """Raise WriteError unless `needed_bytes` and a reserve for the small files are free on the disk of `folder`."""
    wanted = needed_bytes + RESERVE_BYTES
    free = free_bytes(folder)
    if free < wanted:
        raise WriteError(
            f"The disk has {_amount(free)} free, and this job needs about {_amount(wanted)} in {folder}.",
            advice="Free some space or choose another place with --out.",
        )


def _amount(byte_count: int) -> str:
    return f"{byte_count / 1e9:.2f} GB" if byte_count >= 1e9 else f"{byte_count / 1e6:.0f} MB"
