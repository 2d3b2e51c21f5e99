"""Peak memory and time of joining paintings of 100 and 300 megapixels.

python scripts/bench_memory.py
python scripts/bench_memory.py --megapixels 100 --memory 1000

Prints, for every size, the peak resident memory of the whole process tree against `--memory`, the wall time, what each
room took, and the ratio to the floor of such a job, measured in the same run on the same scans: every scan read and
hashed (SHA-256) twice, every pixel of it warped once with a cubic kernel on all cores, as many bytes as the master has
written with fsync, and read back with SHA-256. Exit code 0 when every join ended with 0 or 1 below `--memory`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
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
CHUNK_BYTES = 1 << 22
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
            right &= bench(
                megapixels,
                Path(scratch),
                options.memory,
                options.seed,
                compression=options.compression,
                with_score=options.score,
            )
    return 0 if right else 1


def bench(
    megapixels: float, folder: Path, memory_mb: int, seed: int, *, compression: str = "none", with_score: bool
) -> bool:
    """Simulate, measure the floor, join; prints the figures and returns whether the join kept to its memory."""
    started = time.monotonic()
    truth = simulate(big_case(megapixels, seed=seed), folder)
    print(f"{megapixels:g} MP: {len(truth.scans)} scans, simulated in {time.monotonic() - started:.0f} s", flush=True)
    floor = floor_s(folder / SCANS, truth, folder / "plain.raw")
    run = _join(folder, truth, memory_mb, compression)
    again = floor_s(folder / SCANS, truth, folder / "plain.raw")
    floor = min(floor, again, key=lambda parts: sum(parts.values()))
    is_within = run.exit_code in (0, 1) and run.peak_mb <= memory_mb
    print(
        f"  exit {run.exit_code}, peak {run.peak_mb:.0f} MB of {memory_mb} MB allowed "
        f"({'within' if run.peak_mb <= memory_mb else 'OVER'}), "
        f"{run.sample_count} samples, longest gap {1000 * run.longest_gap_s:.0f} ms, "
        f"at most {run.process_count} processes"
    )
    floor_sum_s = sum(floor.values())
    parts = ", ".join(f"{name} {seconds:.1f}" for name, seconds in floor.items())
    print(
        f"  {run.wall_s:.1f} s; floor {floor_sum_s:.1f} s ({parts}); ratio {run.wall_s / floor_sum_s:.2f}", flush=True
    )
    _print_rooms(folder / "job" / "report.json")
    if run.exit_code != 0:
        print("  " + (run.stdout + run.stderr).strip()[-800:].replace("\n", "\n  "))
    if with_score:
        _print_score(folder, truth)
    return is_within


def _join(folder: Path, truth: Truth, memory_mb: int, compression: str) -> WatchedRun:
    size = ["--width", f"{truth.width_mm:.2f}mm", "--height", f"{truth.height_mm:.2f}mm"]
    command = [sys.executable, "-m", "stitch", "join", str(folder / SCANS), "--out", str(folder / "job"), *size]
    more = ["--memory", str(memory_mb), "--compression", compression]
    run = run_watched([*command, *more], cwd=ROOT, timeout_s=LIMIT_S)
    master = folder / "job" / MASTER
    if master.is_file():
        with Picture(master) as picture:
            million = picture.width_px * picture.height_px / 1e6
            print(f"  master {picture.width_px} × {picture.height_px} px, {million:.0f} MP")
    return run


def floor_s(scans: Path, truth: Truth, scratch: Path) -> dict[str, float]:
    """Seconds of each part of what no join can do without."""
    paths = [scans / scan.file_name for scan in truth.scans]
    px_per_mm = truth.scans[0].dpi / MM_PER_INCH
    master_bytes = round(truth.width_mm * px_per_mm) * round(truth.height_mm * px_per_mm) * BYTES_PER_PX
    parts = {
        "read twice": lambda: [_each(paths, _read) for _ in range(2)],
        "hash twice": lambda: [_each(paths, _hash) for _ in range(2)],
        "warp": lambda: [_warp(path) for path in paths],
        "write": lambda: _write(scratch, master_bytes),
        "read back": lambda: _hash(scratch),
    }
    found = {}
    for name, work in parts.items():
        started = time.monotonic()
        work()
        found[name] = time.monotonic() - started
    scratch.unlink()
    return found


def _each(paths: list[Path], work: Callable[[Path], object]) -> None:
    with ThreadPoolExecutor() as pool:
        list(pool.map(work, paths))


def _read(path: Path) -> None:
    buffer = bytearray(CHUNK_BYTES)
    with path.open("rb", buffering=0) as file:
        while file.readinto(buffer):
            pass


def _hash(path: Path) -> str:
    with path.open("rb", buffering=0) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _warp(path: Path) -> None:
    """Band by band; the time is of the warping and of the reading that feeds it, of which the cache leaves little."""
    with Picture(path) as picture:
        for y in range(0, picture.height_px, BAND_PX):
            _warped(picture.read_raw(0, y, picture.width_px, min(BAND_PX, picture.height_px - y)))


def _write(path: Path, count: int) -> None:
    block = memoryview(bytes(CHUNK_BYTES))
    with path.open("wb", buffering=0) as out:
        while count > 0:
            count -= out.write(block[: min(count, len(block))])
        os.fsync(out.fileno())


def _print_rooms(report: Path) -> None:
    """Wall time, time of all cores, bytes read and written, room by room."""
    if not report.is_file():
        return
    for one in json.loads(report.read_text(encoding="utf-8"))["timings"]:
        moved = [one[name] for name in ("read_bytes", "written_bytes")]
        told = " ".join("?" if count is None else f"{count / 1e9:.2f} GB" for count in moved)
        print(f"    {one['room']:<10} {one['elapsed_s']:7.1f} s  {one['cpu_s']:7.1f} s of cores  {told} read, written")


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
    parser.add_argument("--compression", default="none", help="of the master, as for join")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scratch", type=Path, help="folder for scans and jobs, about 20 bytes a pixel")
    parser.add_argument("--score", action="store_true", help="score the results as well")
    return parser


if __name__ == "__main__":
    end_tidily_when_told()
    raise SystemExit(main())
