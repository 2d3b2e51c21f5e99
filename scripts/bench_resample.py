"""What the two ways of sampling cost, and a local correction on top: megapixels a second, side by side in one run.

python scripts/bench_resample.py
python scripts/bench_resample.py --megapixels 8 --rounds 5

A 16-bit picture is sampled through a small turn in blocks, as the master is made: by cubic convolution (usual), by the
fine way, and each through a local correction as well. The ways take turns, and the best of all rounds counts, so that a
busy machine slows them alike. Prints megapixels a second and how many times longer than the usual way each takes.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

import cv2
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parent.parent)]

from stitch.imaging.affine import rigid  # noqa: E402
from stitch.imaging.placed_map import PlacedMap, Shifts, coefficient_count  # noqa: E402
from stitch.imaging.resample import sample, source_window  # noqa: E402
from stitch.imaging.windows import blocks  # noqa: E402
from stitch.model.geometry import Size  # noqa: E402
from stitch.model.settings import Resample  # noqa: E402

BLOCK_PX = 1024
TURN_DEG = 0.4
STEP_PX = 190.0  # between knots of the correction: 8 mm at 600 dpi


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    cv2.setNumThreads(options.threads)
    side = round(np.sqrt(options.megapixels * 1e6))
    pixels = np.random.default_rng(1).integers(0, 65536, (side, side, 3)).astype(np.uint16)
    straight = PlacedMap(rigid(np.radians(TURN_DEG), 3.3, -2.7), Size(side, side))
    ways = {
        "usual": (straight, Resample.USUAL),
        "fine": (straight, Resample.FINE),
        "usual, with a local correction": (bent(straight), Resample.USUAL),
        "fine, with a local correction": (bent(straight), Resample.FINE),
    }
    best = dict.fromkeys(ways, float("inf"))
    for _ in range(options.rounds):
        for name, (placed, how) in ways.items():
            best[name] = min(best[name], seconds(pixels, placed, how))
    print(f"{side * side / 1e6:.1f} MP of 16-bit RGB, {options.threads or 'all'} threads, best of {options.rounds}")
    for name, taken_s in best.items():
        print(f"  {name:32} {side * side / 1e6 / taken_s:6.1f} MP/s, {taken_s / best['usual']:5.1f} × the usual time")
    return 0


def bent(straight: PlacedMap) -> PlacedMap:
    """The same map with a correction of up to 3 px."""
    size = straight.size
    shape = coefficient_count(STEP_PX, size.height_px), coefficient_count(STEP_PX, size.width_px), 2
    coefficients = np.random.default_rng(2).uniform(-3.0, 3.0, shape)
    return PlacedMap(straight.canvas_from_straight, size, Shifts(np.array([STEP_PX, STEP_PX]), coefficients, size))


def seconds(pixels: np.ndarray, placed: PlacedMap, how: Resample) -> float:
    """Time to sample the whole picture once."""
    size = placed.size
    started = time.perf_counter()
    for block in blocks(size.window(), BLOCK_PX, BLOCK_PX):
        part = source_window(placed, block, size, how=how)
        sample(pixels[part.slices_in(size.window())], part, placed, block, how=how)
    return time.perf_counter() - started


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Cost of the fine way of sampling against the usual one.")
    parser.add_argument("--megapixels", type=float, default=16.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--threads", type=int, default=1, help="OpenCV's threads; 0: all cores")
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
