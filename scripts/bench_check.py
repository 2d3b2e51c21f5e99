"""How long `stitch check` takes for a dozen A4 scans at 600 dpi: uncompressed, 16 bits, in the file cache.

python scripts/bench_check.py --out some/folder
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here()

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

A4_MM = (210.0, 297.0)
COLUMNS, ROWS = 3, 4
SHARE = 0.2  # of a scan that neighbours have in common
COARSER = 4  # than the scans: the texture they are enlarged from
NOISE = 150.0


def main() -> int:
    """Run the command line; 0 when the check took no longer than asked."""
    parser = argparse.ArgumentParser(description="Time a check of twelve A4 scans.")
    parser.add_argument("--out", type=Path, required=True, help="folder for the scans; those there are used again")
    parser.add_argument("--dpi", type=int, default=600)
    parser.add_argument("--limit", type=float, default=20.0, help="seconds")
    args = parser.parse_args()
    scans = args.out / "scans"
    if not scans.exists():
        write_scans(scans, args.dpi)
    for path in scans.iterdir():
        path.read_bytes()
    started = time.monotonic()
    done = subprocess.run([sys.executable, "-m", "stitch", "check", str(scans)], check=False)
    seconds = time.monotonic() - started
    print(f"{COLUMNS * ROWS} scans at {args.dpi} dpi: {seconds:.1f} s, exit code {done.returncode}")
    return 0 if seconds <= args.limit and done.returncode == 0 else 1


def write_scans(folder: Path, dpi: int) -> None:
    """Tiles of one texture with a lid around it."""
    folder.mkdir(parents=True)
    tile = [round(side / 25.4 * dpi / COARSER) for side in A4_MM]
    step = [round(side * (1 - SHARE)) for side in tile]
    size = step[0] * (COLUMNS - 1) + tile[0], step[1] * (ROWS - 1) + tile[1]
    painting = texture(size)
    rng = np.random.default_rng(1)
    for number in range(COLUMNS * ROWS):
        x, y = number % COLUMNS * step[0], number // COLUMNS * step[1]
        part = painting[y : y + tile[1], x : x + tile[0]]
        large = cv2.resize(part, None, fx=COARSER, fy=COARSER, interpolation=cv2.INTER_CUBIC)
        large += rng.normal(0, NOISE, large.shape[:2]).astype(np.float32)[..., None]
        codes = np.clip(large, 0, 65535).astype(np.uint16)
        path = folder / f"scan_{number + 1:02d}.tif"
        tifffile.imwrite(path, codes, resolution=(dpi, dpi), resolutionunit="INCH", photometric="rgb", metadata=None)


def texture(size: tuple[int, int]) -> NDArray[np.float32]:
    """Noise of many sizes on a pale lid, (h, w, 3), 16-bit codes."""
    rng = np.random.default_rng(0)
    width, height = size
    made = np.full((height, width, 3), 0.5, np.float32)
    for octave in range(2, 9):
        coarse = rng.normal(0, 0.05, (height // 2**octave + 2, width // 2**octave + 2, 3)).astype(np.float32)
        made += cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC)
    rim = max(4, width // 90)
    lid = np.full_like(made, 0.9)
    lid[rim:-rim, rim:-rim] = np.clip(made[rim:-rim, rim:-rim], 0.05, 0.85)
    return np.asarray(cv2.GaussianBlur(lid, (0, 0), 0.8) * 65535, np.float32)


if __name__ == "__main__":
    raise SystemExit(main())
