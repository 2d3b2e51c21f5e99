"""Time eight prints of a large picture against one plain copy of its pixels, through the same reader and writer.

python3 scripts/bench_prints.py --out FOLDER [--megapixels 300]

The picture is made once and kept in FOLDER (1.8 GB at 300 megapixels; the copy takes as much again). Goal: at most six
plain copies.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import cv2
import numpy as np

from fixtures.flatbed.profiles import wide_gamut_profile
from stitch.imaging.windows import bands
from stitch.master.writer import MasterWriter
from stitch.model.geometry import Size
from stitch.model.master import MasterSpec
from stitch.pipeline.derived import opened, spec_of

SIZES = "5x7in,8x10in,11x14in,16x20in,18x24in,20x24in,A4,A3"
PPI, GOAL, ROWS = 600.0, 6.0, 128


def make(path: Path, megapixels: float) -> None:
    """A soft picture with fine noise, 4 : 5."""
    width = round((megapixels * 1e6 * 0.8) ** 0.5)
    size = Size(width, round(width / 0.8))
    rng = np.random.default_rng(8)
    knots = rng.uniform(9000, 56000, (40, 32, 3)).astype(np.float32)
    grain = rng.normal(0, 300, (ROWS, width, 3)).astype(np.float32)
    spec = MasterSpec(size, 16, PPI, wide_gamut_profile(), "bench", "", "", (), ())
    with MasterWriter(path, spec) as writer:
        for band in bands(size, ROWS):
            y = np.arange(band.y0_px, band.y1_px, dtype=np.float32) / size.height_px * 39
            x = np.arange(width, dtype=np.float32) / width * 31
            at = np.meshgrid(x, y)
            soft = cv2.remap(knots, at[0], at[1], cv2.INTER_LINEAR) + grain[: band.height_px]
            writer.write_rows(np.clip(soft, 0, 65535).astype(np.uint16))
        writer.finish()


def copy(path: Path, to: Path) -> float:
    """One plain copy, in seconds."""
    began = time.perf_counter()
    with opened(path, to.parent, why_dpi="it") as original:
        spec = spec_of(original, "copied", settings=("copy", {}))
        with MasterWriter(to, spec) as writer:
            for band in bands(original.size, ROWS):
                writer.write_rows(original.source.read(band))
            writer.finish()
    taken = time.perf_counter() - began
    to.unlink()
    return taken


def main() -> int:
    """Print both times and their ratio; exit code 1 beyond the goal."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--megapixels", type=float, default=300.0)
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    path = given.out / f"bench-{given.megapixels:g}.tif"
    if not path.exists():
        make(path, given.megapixels)
    copied = copy(path, given.out / "copy.tif")
    command = [sys.executable, "-m", "stitch", "prints", str(path), "--sizes", SIZES, "--fit", "crop", "--force"]
    began = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=os.environ)
    taken = time.perf_counter() - began
    if done.returncode not in (0, 1):
        print(done.stderr)
        return 1
    print(done.stderr)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3
    print(f"copy {copied:.1f} s, prints {taken:.1f} s, ratio {taken / copied:.1f} (goal {GOAL:g}), peak {peak:.0f} MB")
    return 0 if taken <= GOAL * copied else 1


if __name__ == "__main__":
    raise SystemExit(main())
