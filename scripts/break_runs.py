"""Runs of join that are killed, or whose disk is full, at many moments: nothing is lost and the next run ends right.

    python3 scripts/break_runs.py [--kills 100] [--sizes 20] [--seed 1]

Each run is stopped by kill -9 at a random moment, or by a limit on the size of the files it may write, which the system
refuses as it would on a full disk (RLIMIT_FSIZE; no disk is filled). After each: the scans' checksums, no file under a
final name that is not whole, and after the next run a master that equals, byte for byte but for its date, that of a
run that was left alone, with no scratch beside it. Exit code 0 when all of that held. Not on Windows.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

import tifffile

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

from tests.pipeline.jobs import jittered_scans  # noqa: E402

LIMIT_S = 600.0


def main() -> int:
    """Run the command line; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--sizes", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = random.Random(asked.seed)
    with tempfile.TemporaryDirectory(prefix="break-") as place:
        folder = Path(place)
        scans = jittered_scans(asked.seed, folder / "scans")
        before = checksums(scans)
        started = time.monotonic()
        if join(scans, folder / "alone") not in (0, 1):
            raise SystemExit("the run that is left alone does not end")
        usual_s = time.monotonic() - started
        wanted = pixels_of(folder / "alone" / "master.tif")
        largest = max(path.stat().st_size for path in (folder / "alone").rglob("*") if path.is_file())
        stops: list[tuple[str, Callable[[Path], object]]] = []
        for _ in range(asked.kills):
            stops.append(("killed", partial(killed, scans, after_s=rng.uniform(0.0, 1.05 * usual_s))))
        for k in range(asked.sizes):
            size = int(largest * (k + 0.5) / asked.sizes)
            stops.append(("disk full", partial(join, scans, limit_bytes=size)))
        faults: list[str] = []
        counts = {"killed": 0, "disk full": 0}
        for number, (kind, stop) in enumerate(stops, start=1):
            job = folder / f"job{number}"
            stop(job)
            counts[kind] += 1
            faults += [f"{kind} {number}: {fault}" for fault in after(scans, job, before, wanted)]
            shutil.rmtree(job, ignore_errors=True)
            print(f"{number}/{len(stops)} {kind}; faults so far: {len(faults)}", flush=True)
    print(f"killed {counts['killed']}, disk full {counts['disk full']} (a limit on file sizes); faults: {len(faults)}")
    print("\n".join(faults))
    return 1 if faults else 0


def after(scans: Path, job: Path, before: dict[str, str], wanted: str) -> list[str]:
    """What is wrong after a stopped run and the next one."""
    faults = []
    master = job / "master.tif"
    if master.exists() and pixels_of(master) != wanted:
        faults.append("a master that is not whole stood under its name")
    if join(scans, job) not in (0, 1):
        faults.append("the next run did not end")
    elif pixels_of(master) != wanted:
        faults.append("the next run's master is another")
    if (job / "work" / "scratch").exists() or list(job.rglob("*.part")):
        faults.append("scratch was left")
    if checksums(scans) != before:
        faults.append("A SCAN CHANGED")
    return faults


def join(scans: Path, job: Path, *, limit_bytes: int | None = None) -> int:
    """Exit code of a run."""
    return start(scans, job, limit_bytes).wait(LIMIT_S)


def killed(scans: Path, job: Path, *, after_s: float) -> None:
    """A run that is killed after a time, with all it started."""
    process = start(scans, job, None)
    try:
        process.wait(after_s)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def start(scans: Path, job: Path, limit_bytes: int | None) -> subprocess.Popen[bytes]:
    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        if limit_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

    words = [sys.executable, "-m", "stitch", "join", str(scans), "--out", str(job)]
    return subprocess.Popen(
        words, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True, preexec_fn=limit
    )


def checksums(folder: Path) -> dict[str, str]:
    """SHA-256 of every file."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def pixels_of(master: Path) -> str:
    """SHA-256 of a master's pixels; "" when it cannot be read."""
    try:
        return hashlib.sha256(tifffile.imread(master).tobytes()).hexdigest()
    except Exception:
        return ""


if __name__ == "__main__":
    raise SystemExit(main())
