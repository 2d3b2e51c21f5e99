"""Peak memory and time of `stitch paper`, `cutout` and `dust` on a large 16-bit picture, within the memory asked for.

python3 scripts/bench_clean.py --out FOLDER                      300 megapixels, --memory 1000
python3 scripts/bench_clean.py --out FOLDER --only paper cutout

Paper and cutout work on a generated sheet: rough paper, a painted motif with a soft rim, fine lines. Dust works on the
master of a simulated job, which is joined first (its scans and the job take some 4 GB at 300 megapixels). What was made
is kept in FOLDER for the next run. Exit code 0 when every step ended with 0 and its process tree stayed in --memory.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from procmem import end_tidily_when_told, run_watched  # noqa: E402

from fixtures.flatbed.cases import big_case  # noqa: E402
from fixtures.flatbed.profiles import wide_gamut_profile  # noqa: E402
from fixtures.flatbed.simulate import SCANS, simulate  # noqa: E402
from stitch.imaging.windows import bands  # noqa: E402
from stitch.master.writer import MasterWriter  # noqa: E402
from stitch.model.geometry import Size  # noqa: E402
from stitch.model.master import MasterSpec  # noqa: E402

STEPS = ("paper", "cutout", "dust")
PPI, ROWS, KNOTS = 600.0, 128, 40
PAPER, DARK, LIGHT = 60000, 9000, 42000
DUST_COUNT = 400


def make_sheet(path: Path, megapixels: float) -> None:
    """A motif that stands free on rough paper, 4 : 5."""
    width = round((megapixels * 1e6 * 0.8) ** 0.5)
    size = Size(width, round(width / 0.8))
    rng = np.random.default_rng(9)
    knots = rng.uniform(DARK, LIGHT, (KNOTS, KNOTS, 3)).astype(np.float32)
    bumps = rng.uniform(-0.06, 0.06, (KNOTS, KNOTS)).astype(np.float32)
    grain = rng.normal(0, 250, (ROWS, width, 3)).astype(np.float32)
    across = np.arange(width, dtype=np.float32) / width
    with MasterWriter(path, MasterSpec(size, 16, PPI, wide_gamut_profile(), "sheet", "", "", (), ())) as writer:
        for band in bands(size, ROWS):
            down = np.arange(band.y0_px, band.y1_px, dtype=np.float32) / size.height_px
            at = np.meshgrid(across * (KNOTS - 1), down * (KNOTS - 1))
            far = np.hypot(*np.meshgrid(across - 0.5, down - 0.5)) + cv2.remap(bumps, at[0], at[1], cv2.INTER_CUBIC)
            paint = np.clip((0.36 - far) * 400, 0, 1)
            lines = (np.abs(np.sin(90 * (at[0] - at[1]) / KNOTS)) < 0.02) & (far < 0.42)
            share = np.maximum(paint, 0.9 * lines)[..., None]
            codes = PAPER + share * (cv2.remap(knots, at[0], at[1], cv2.INTER_LINEAR) - PAPER)
            writer.write_rows(np.clip(codes + grain[: band.height_px], 0, 65535).astype(np.uint16))
        writer.finish()


def make_job(folder: Path, megapixels: float) -> Path:
    """Scans with dust on the glass, joined."""
    job = folder / "job"
    if not (job / "master.tif").exists():
        simulate(replace(big_case(megapixels), glass_dust_count=DUST_COUNT), folder)
        joined = run_watched([sys.executable, "-m", "stitch", "join", str(folder / SCANS), "--out", str(job)])
        print(f"joined in {joined.wall_s:.0f} s, {joined.peak_mb:.0f} MB, exit code {joined.exit_code}", flush=True)
    return job


def command_of(step: str, out: Path, megapixels: float) -> list[str]:
    """What is typed for a step, after `stitch`; makes what it works on."""
    if step == "dust":
        job = make_job(out / f"dusty-{megapixels:g}", megapixels)
        return ["dust", str(job / "master.tif"), "--job", str(job), "--limit", "5"]
    sheet = out / f"sheet-{megapixels:g}.tif"
    if not sheet.exists():
        make_sheet(sheet, megapixels)
    return [step, str(sheet)]


def main() -> int:
    """Run the steps and print a line for each."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", nargs="*", choices=STEPS, default=STEPS)
    parser.add_argument("--megapixels", type=float, default=300.0)
    parser.add_argument("--memory", type=int, default=1000, metavar="MB")
    given = parser.parse_args()
    end_tidily_when_told()
    given.out.mkdir(parents=True, exist_ok=True)
    is_right = True
    for step in given.only:
        command = command_of(step, given.out, given.megapixels)
        done = run_watched(
            [sys.executable, "-m", "stitch", *command, "--memory", f"{given.memory}MB", "--out", str(given.out / step)]
        )
        print(
            f"{step}, {given.megapixels:g} MP: {done.wall_s:.0f} s, {done.peak_mb:.0f} of {given.memory} MB", flush=True
        )
        if done.exit_code != 0:
            print(done.stderr)
        is_right &= done.exit_code == 0 and done.peak_mb <= given.memory
    return 0 if is_right else 1


if __name__ == "__main__":
    raise SystemExit(main())
