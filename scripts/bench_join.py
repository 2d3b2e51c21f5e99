"""Time and peak memory of joining large paintings, as ratios to the floor of such a job, row by row.

python scripts/bench_join.py
python scripts/bench_join.py --rows small,plain --megapixels 100
python scripts/bench_join.py --rows yardstick --megapixels 50

Rows: `plain` (placements, seams and blend, no tone match), `full` (everything a join does), `bent` (scans that wobble
and are corrected locally), `again` (the same once more, nothing changed), `deflate` (packed scans, packed master),
`many` (48 scans in place of 12), `small` (50 MP), `large` (four times as many pixels), `yardstick` (the stitching
module of OpenCV in SCANS mode, 8 bits, on the same scans, its working sizes at their defaults), `one-core` (bound to
one core, 600 MB), and `help` (`stitch --help` beside importing OpenCV).

The floor is measured in the same run on the same scans: every scan read and hashed (SHA-256) twice, every pixel of it
warped once with a cubic kernel on all cores, as many bytes as the master has written with fsync, and read back with
SHA-256; for packed scans, decoding every scan once and packing the master's bytes once on all cores, too. Peak memory
is that of the whole process tree. Exit code 0 when every join ended with 0 or 1 within `--memory`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

import cv2
import imagecodecs
import numpy as np
import tifffile

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

from procmem import WatchedRun, end_tidily_when_told, run_watched  # noqa: E402

from fixtures.flatbed.cases import big_case  # noqa: E402
from fixtures.flatbed.simulate import SCANS, simulate  # noqa: E402
from fixtures.flatbed.truth import MM_PER_INCH, Truth  # noqa: E402
from fixtures.scoring.job_files import read_job  # noqa: E402
from fixtures.scoring.pictures import Picture  # noqa: E402
from fixtures.scoring.table import score_job  # noqa: E402

BAND_PX = 512
CHUNK_BYTES = 1 << 22
TURN_DEG = 0.4
LIMIT_S = 7200.0
BYTES_PER_PX = 6
SMALL_MP = 50.0
LARGER = 4.0
MANY = 48
FEW = 12
WOBBLE_PX = 1.5
ONE_CORE_MB = 600
TIMES = 9
DEFLATE_LEVEL = 1
STRIP_ROWS = 64

ASKED = {"plain": 3.0, "full": 4.5, "bent": 4.5, "deflate": 2.5}
"""Times the floor."""

STITCHER = """
import sys, cv2
pictures = [cv2.imread(name, cv2.IMREAD_COLOR) for name in sys.argv[2:]]
status, whole = cv2.Stitcher.create(cv2.Stitcher_SCANS).stitch(pictures)
if status != 0:
    sys.exit(f"status {status}")
cv2.imwrite(sys.argv[1], whole)
print(whole.shape)
"""


@dataclass(frozen=True, slots=True)
class Measured:
    """One run beside its floor."""

    run: WatchedRun
    floor: dict[str, float]
    memory_mb: int

    @property
    def floor_s(self) -> float:
        """All parts together."""
        return sum(self.floor.values())

    @property
    def ratio(self) -> float:
        """Wall time ÷ floor."""
        return self.run.wall_s / self.floor_s

    @property
    def is_right(self) -> bool:
        """Whether it ended well within its memory."""
        return self.run.exit_code in (0, 1) and self.run.peak_mb <= self.memory_mb


@dataclass(slots=True)
class Bench:
    """The rows of one run of this script, and the simulated scans they share."""

    options: argparse.Namespace
    scratch: Path
    found: dict[str, Measured] = field(default_factory=dict)
    _sets: dict[tuple[float, int, bool], tuple[Path, Truth]] = field(default_factory=dict)

    def row(self, name: str) -> bool:
        """Measure one row and print it; whether it was right."""
        megapixels = self.options.megapixels
        work: dict[str, Callable[[], bool]] = {
            "plain": lambda: self._join("plain", megapixels, FEW, ["--tone", "none"]),
            "full": lambda: self._join("full", megapixels, FEW, []),
            "bent": lambda: self._join("bent", megapixels, FEW, [], is_bent=True),
            "again": self._again,
            "deflate": lambda: self._join("deflate", megapixels, FEW, ["--compression", "deflate"], is_packed=True),
            "many": lambda: self._join("many", megapixels, MANY, []),
            "small": lambda: self._join("small", SMALL_MP, FEW, []),
            "large": lambda: self._join("large", LARGER * megapixels, FEW, []),
            "yardstick": self._yardstick,
            "one-core": self._one_core,
            "help": self._help,
        }
        return work[name]()

    def _scans(self, megapixels: float, count: int, *, is_bent: bool = False) -> tuple[Path, Truth]:
        key = (megapixels, count, is_bent)
        if key not in self._sets:
            for path, _ in self._sets.values():  # one large set on the disk at a time
                shutil.rmtree(path)
            self._sets.clear()
            folder = self.scratch / f"{megapixels:g}-{count}{'-bent' if is_bent else ''}"
            folder.mkdir()
            started = time.monotonic()
            case = big_case(megapixels, seed=self.options.seed, count=count)
            truth = simulate(replace(case, wobble_px=WOBBLE_PX) if is_bent else case, folder)
            for left in ("ideal.tif", "maps"):
                if not self.options.score:
                    _remove(folder / left)
            print(f"{megapixels:g} MP: {len(truth.scans)} scans, simulated in {time.monotonic() - started:.0f} s")
            self._sets[key] = folder, truth
        return self._sets[key]

    def _join(
        self,
        name: str,
        megapixels: float,
        count: int,
        more: list[str],
        *,
        is_bent: bool = False,
        is_packed: bool = False,
        memory_mb: int | None = None,
        before: tuple[str, ...] = (),
    ) -> bool:
        folder, truth = self._scans(megapixels, count, is_bent=is_bent)
        scans = packed(folder / SCANS) if is_packed else folder / SCANS
        memory_mb = memory_mb or self.options.memory
        parts = floor_s(scans, truth, folder / "plain.raw", is_packed=is_packed)
        job = folder / "job"
        _remove(job)
        run = join(scans, job, truth, memory_mb, more, before)
        again = floor_s(scans, truth, folder / "plain.raw", is_packed=is_packed)
        measured = Measured(run, min(parts, again, key=lambda one: sum(one.values())), memory_mb)
        self.found[name] = measured
        self._print(name, measured, job)
        if self.options.score:
            _print_score(folder, truth)
        return measured.is_right

    def _again(self) -> bool:
        """The last join once more, nothing changed."""
        ((folder, truth),) = self._sets.values()
        first = list(self.found.values())[-1]
        more = ["--tone", "none"] if list(self.found)[-1] == "plain" else []
        run = join(folder / SCANS, folder / "job", truth, self.options.memory, more, ())
        limit = max(2.0, 0.02 * first.run.wall_s)
        print(f"again: {run.wall_s:.2f} s, exit {run.exit_code} (asked: at most {limit:.1f} s)", flush=True)
        return run.exit_code in (0, 1) and run.wall_s <= limit

    def _help(self) -> bool:
        """The least of several times of each."""
        commands = {"help": ["-m", "stitch", "--help"], "opencv": ["-c", "import cv2"]}
        taken: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(TIMES):
            for name, words in commands.items():
                taken[name].append(run_watched([sys.executable, *words], cwd=ROOT, timeout_s=LIMIT_S).wall_s)
        help_s, opencv_s = (min(taken[name]) for name in commands)
        print(f"help: {help_s:.2f} s, {help_s / opencv_s:.2f} of importing OpenCV (asked: at most 1.0)", flush=True)
        return help_s <= opencv_s

    def _one_core(self) -> bool:
        pinned = ("taskset", "-c", "0")
        return self._join("one-core", self.options.megapixels, FEW, [], memory_mb=ONE_CORE_MB, before=pinned)

    def _yardstick(self) -> bool:
        """OpenCV's own module on the same scans, beside a join of them."""
        right = self._join("full", self.options.megapixels, FEW, [])
        folder, truth = self._scans(self.options.megapixels, FEW)
        paths = [str(folder / SCANS / scan.file_name) for scan in truth.scans]
        command = [sys.executable, "-c", STITCHER, str(folder / "yardstick.tif"), *paths]
        run = run_watched(command, cwd=ROOT, timeout_s=LIMIT_S)
        ours = self.found["full"].run
        end = (run.stdout + run.stderr).strip()[-200:]
        print(
            f"yardstick: exit {run.exit_code} ({end}), {run.wall_s:.1f} s, peak {run.peak_mb:.0f} MB; "
            f"ours takes {ours.wall_s / run.wall_s:.2f} of its time and {ours.peak_mb / run.peak_mb:.3f} of its memory",
            flush=True,
        )
        return right

    def _print(self, name: str, measured: Measured, job: Path) -> None:
        run, asked = measured.run, ASKED.get(name)
        within = "within" if run.peak_mb <= measured.memory_mb else "OVER"
        parts = ", ".join(f"{part} {seconds:.1f}" for part, seconds in measured.floor.items())
        print(f"{name}: exit {run.exit_code}, {run.wall_s:.1f} s; floor {measured.floor_s:.1f} s ({parts})")
        print(f"  ratio {measured.ratio:.2f}" + (f" (asked: at most {asked})" if asked else ""))
        print(
            f"  peak {run.peak_mb:.0f} MB of {measured.memory_mb} MB allowed ({within}), {run.sample_count} samples, "
            f"longest gap {1000 * run.longest_gap_s:.0f} ms, at most {run.process_count} processes"
        )
        _print_rooms(job / "report.json")
        if run.exit_code != 0:
            print("  " + (run.stdout + run.stderr).strip()[-800:].replace("\n", "\n  "))
        sys.stdout.flush()

    def compare(self) -> None:
        """Rows against each other, where both were measured."""
        full = self.found.get("full")
        if full is None:
            return
        if (many := self.found.get("many")) is not None:
            print(f"{MANY} scans ÷ {FEW}: {many.run.wall_s / full.run.wall_s:.2f} (asked: at most 1.6)")
        if (large := self.found.get("large")) is not None:
            print(f"ratio at {LARGER:g} times the pixels ÷ ratio: {large.ratio / full.ratio:.2f} (asked: at most 1.2)")
            print(f"peak at {LARGER:g} times the pixels ÷ peak: {large.run.peak_mb / full.run.peak_mb:.2f} (1.1)")


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    if not sys.platform.startswith("linux"):
        print("Not Linux: resident sizes are what psutil reports and may leave out pages moved to swap or compressed.")
    with tempfile.TemporaryDirectory(prefix="bench-", dir=options.scratch) as scratch:
        bench = Bench(options, Path(scratch))
        right = [bench.row(name) for name in options.rows.split(",")]
        bench.compare()
    return 0 if all(right) else 1


def join(scans: Path, job: Path, truth: Truth, memory_mb: int, more: list[str], before: tuple[str, ...]) -> WatchedRun:
    """One join in a process of its own."""
    size = ["--width", f"{truth.width_mm:.2f}mm", "--height", f"{truth.height_mm:.2f}mm"]
    command = [*before, sys.executable, "-m", "stitch", "join", str(scans), "--out", str(job), *size]
    return run_watched([*command, "--memory", str(memory_mb), *more], cwd=ROOT, timeout_s=LIMIT_S)


def packed(scans: Path) -> Path:
    """The scans once more, Deflate with horizontal differencing, in a folder of their own."""
    folder = scans.parent / "packed"
    if not folder.exists():
        folder.mkdir()
        for path in sorted(scans.iterdir()):
            with tifffile.TiffFile(path) as file:
                dpi = file.pages.first.tags["XResolution"].value
                resolution = dpi[0] / dpi[1]
                tifffile.imwrite(
                    folder / path.name,
                    file.asarray(),
                    photometric="rgb",
                    compression="adobe_deflate",
                    compressionargs={"level": DEFLATE_LEVEL},
                    predictor=True,
                    rowsperstrip=STRIP_ROWS,
                    resolution=(resolution, resolution),
                    resolutionunit="INCH",
                )
    return folder


def floor_s(scans: Path, truth: Truth, scratch: Path, *, is_packed: bool = False) -> dict[str, float]:
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
    if is_packed:
        plain = [scans.parent / SCANS / path.name for path in paths]
        parts["warp"] = lambda: [_warp(path) for path in plain]
        parts["decode"] = lambda: [_decode(path) for path in paths]
        parts["pack"] = lambda: _pack(plain[0], master_bytes)
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


def _decode(path: Path) -> None:
    """Every strip once, on all cores."""
    with tifffile.TiffFile(path) as file:
        tifffile_page = file.pages.first
        tifffile_page.asarray(maxworkers=os.cpu_count())


def _pack(path: Path, count: int) -> None:
    """As many bytes as the master has, strips of a scan's pixels packed on all cores."""
    with Picture(path) as picture:
        rows = picture.read_raw(0, 0, picture.width_px, min(picture.height_px, 16 * STRIP_ROWS))
    strips = [rows[top : top + STRIP_ROWS] for top in range(0, len(rows), STRIP_ROWS)]
    work = [strips[k % len(strips)] for k in range(max(1, count // strips[0].nbytes))]

    def one(strip: np.ndarray) -> int:
        return len(imagecodecs.deflate_encode(imagecodecs.delta_encode(strip, axis=1), level=DEFLATE_LEVEL))

    with ThreadPoolExecutor() as pool:
        sum(pool.map(one, work))


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


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
    parser = argparse.ArgumentParser(description="Time and peak memory of joining large paintings.")
    parser.add_argument("--rows", default="small,plain,full,again,deflate,many,large", help="with commas between")
    parser.add_argument("--megapixels", type=float, default=311.0, help="of the painting in most rows")
    parser.add_argument("--memory", type=int, default=1000, help="budget handed to the join, MB")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scratch", type=Path, help="folder for scans and jobs, about 20 bytes a pixel")
    parser.add_argument("--score", action="store_true", help="score the results as well")
    return parser


if __name__ == "__main__":
    end_tidily_when_told()
    raise SystemExit(main())
