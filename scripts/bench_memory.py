"""Peak memory and time of joining paintings of 100 and 300 megapixels.

python scripts/bench_memory.py
python scripts/bench_memory.py --megapixels 100 --memory 1000

Prints, for every size, the peak resident memory of the whole process tree against `--memory`, the wall time, and its
ratio to plain work measured in the same run: reading every scan once, warping every pixel of it once with a cubic
kernel, and writing as many bytes as the master has. Exit code 0 when every join ended with 0 or 1 below `--memory`.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

from procmem import WatchedRun, end_tidily_when_told, run_watched  # noqa: E402

from fixtures.flatbed.cases import big_case  # noqa: E402
from fixtures.flatbed.simulate import SCANS, simulate  # noqa: E402
from fixtures.flatbed.truth import MM_PER_INCH, Truth  # noqa: E402
from fixtures.scoring.job_files import MASTER, read_job  # noqa: E402
from fixtures.scoring.pictures import Picture  # noqa: E402
from fixtures.scoring.table import score_job  # noqa: E402

BAND_PX = 512
TURN_DEG = 0.4
LIMIT_S = 7200.0
BYTES_PER_PX = 6


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    if not sys.platform.startswith("linux"):
        print("Not Linux: resident sizes are what psutil reports and may leave out pages moved to swap or compressed.")
    right = True
    for megapixels in (float(text) for text in options.megapixels.split(",")):
        with tempfile.TemporaryDirectory(prefix="bench-", dir=options.scratch) as scratch:
            right &= bench(megapixels, Path(scratch), options.memory, options.seed, with_score=options.score)
    return 0 if right else 1


def bench(megapixels: float, folder: Path, memory_mb: int, seed: int, *, with_score: bool) -> bool:
    """Simulate, measure plain work, join; prints the figures and returns whether the join kept to its memory."""
    started = time.monotonic()
    truth = simulate(big_case(megapixels, seed=seed), folder)
    print(f"{megapixels:g} MP: {len(truth.scans)} scans, simulated in {time.monotonic() - started:.0f} s", flush=True)
    plain_s = plain_work_s(folder / SCANS, truth, folder / "plain.raw")
    run = _join(folder, truth, memory_mb)
    plain_s = min(plain_s, plain_work_s(folder / SCANS, truth, folder / "plain.raw"))
    is_within = run.exit_code in (0, 1) and run.peak_mb <= memory_mb
    print(
        f"  exit {run.exit_code}, peak {run.peak_mb:.0f} MB of {memory_mb} MB allowed "
        f"({'within' if run.peak_mb <= memory_mb else 'OVER'}), "
        f"{run.sample_count} samples, longest gap {1000 * run.longest_gap_s:.0f} ms, "
        f"at most {run.process_count} processes"
    )
    print(f"  {run.wall_s:.1f} s, plain work {plain_s:.1f} s, ratio {run.wall_s / plain_s:.1f}", flush=True)
    if run.exit_code != 0:
        print("  " + (run.stdout + run.stderr).strip()[-800:].replace("\n", "\n  "))
    if with_score:
        _print_score(folder, truth)
    return is_within


def _join(folder: Path, truth: Truth, memory_mb: int) -> WatchedRun:
    size = ["--width", f"{truth.width_mm:.2f}mm", "--height", f"{truth.height_mm:.2f}mm"]
    command = [sys.executable, "-m", "stitch", "join", str(folder / SCANS), "--out", str(folder / "job"), *size]
    run = run_watched([*command, "--memory", str(memory_mb)], cwd=ROOT, timeout_s=LIMIT_S)
    master = folder / "job" / MASTER
    if master.is_file():
        with Picture(master) as picture:
            million = picture.width_px * picture.height_px / 1e6
            print(f"  master {picture.width_px} × {picture.height_px} px, {million:.0f} MP")
    return run


def plain_work_s(scans: Path, truth: Truth, scratch: Path) -> float:
    """Seconds to read all scans, warp all their pixels once, and write as many bytes as the master holds."""
    px_per_mm = truth.scans[0].dpi / MM_PER_INCH
    left = round(truth.width_mm * px_per_mm) * round(truth.height_mm * px_per_mm) * BYTES_PER_PX
    started = time.monotonic()
    with scratch.open("wb") as out:
        for scan in truth.scans:
            with Picture(scans / scan.file_name) as picture:
                for y in range(0, picture.height_px, BAND_PX):
                    height = min(BAND_PX, picture.height_px - y)
                    warped = _warped(picture.read_raw(0, y, picture.width_px, height))
                    left -= out.write(memoryview(warped).cast("B")[: max(0, left)])
        out.flush()
        os.fsync(out.fileno())
    elapsed_s = time.monotonic() - started
    scratch.unlink()
    return elapsed_s


def _warped(band: np.ndarray) -> np.ndarray:
    matrix = cv2.getRotationMatrix2D((band.shape[1] / 2, band.shape[0] / 2), TURN_DEG, 1.0)
    return cv2.warpAffine(band, matrix, band.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def _print_score(folder: Path, truth: Truth) -> None:
    started = time.monotonic()
    scores = score_job(read_job(folder / "job"), truth, folder)
    show: Callable[[str], None] = lambda text: print("  " + text)  # noqa: E731
    for trouble in scores.trouble:
        show(trouble)
    if scores.layout:
        local = scores.layout.local_misregistration_px
        show(f"misregistration median {local.median:.3f}, p99 {local.p99:.3f}, max {local.max:.3f} px")
    if scores.master:
        score = scores.master
        show(
            f"seen in the master: residual p99 {score.residual_px.p99:.3f} px, jump max {score.jump_px.max:.3f} px, "
            f"scale {score.scale_error_percent:+.4f} %, mean ΔE {score.tone_mean_de00:.2f}, "
            f"coverage {score.coverage_fraction:.4f}"
        )
    show(f"scored in {time.monotonic() - started:.0f} s")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Peak memory and time of joining large paintings.")
    parser.add_argument("--megapixels", default="100,300", help="sizes with commas between")
    parser.add_argument("--memory", type=int, default=1000, help="budget handed to the join, MB")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scratch", type=Path, help="folder for scans and jobs, about 20 bytes a pixel")
    parser.add_argument("--score", action="store_true", help="score the results as well")
    return parser


if __name__ == "__main__":
    end_tidily_when_told()
    raise SystemExit(main())
