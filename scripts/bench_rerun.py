"""How long a second run takes against the first, by what changed in between.

    python3 scripts/bench_rerun.py SCANS --out FOLDER

SCANS is a folder of scans that join (see scripts/simulate.py). Each run is a process of its own, as a painter's is.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path


def run(*words: object) -> float:
    """Seconds of one command. Raises RuntimeError when it made no master."""
    started = time.perf_counter()
    done = subprocess.run([sys.executable, "-m", "stitch", *map(str, words)], capture_output=True, text=True)
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    return time.perf_counter() - started


def tie_of(job: Path) -> str:
    """A tie that agrees with where the scans lie: the middle of the first link's overlap."""
    layout = json.loads((job / "work" / "layout.json").read_text())["layout"]
    link = layout["links"][0]
    maps = {one["scan_id"]: one["canvas_from_scan"] for one in layout["placements"]}
    scans = json.loads((job / "work" / "scans.json").read_text())["scans"]
    sizes = {one["scan_id"]: one["size"] for one in scans}
    middles = []
    for name in (link["scan_a"], link["scan_b"]):
        (a, b, c), (d, e, f) = maps[name]
        x, y = sizes[name]["width_px"] / 2, sizes[name]["height_px"] / 2
        middles.append((a * x + b * y + c, d * x + e * y + f))
    middle = [sum(pair) / 2 for pair in zip(*middles, strict=True)]
    said = []
    for name in (link["scan_a"], link["scan_b"]):
        (a, b, c), (d, e, f) = maps[name]
        x, y, det = middle[0] - c, middle[1] - f, a * e - b * d
        said.append(f"{name} {(e * x - b * y) / det:.1f},{(a * y - d * x) / det:.1f}")
    return " ".join(said)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scans", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    full = run("join", asked.scans, "--out", asked.out)
    print(f"full run            {full:7.1f} s")
    again = run("join", asked.out)
    print(f"nothing changed     {again:7.1f} s  {100 * again / full:5.1f} %", flush=True)
    run("ties", asked.out, "--add", tie_of(asked.out))
    tied = run("join", asked.out)
    print(f"a new tie           {tied:7.1f} s  {100 * tied / full:5.1f} %", flush=True)
    turned = run("join", asked.out, "--up", "90")
    print(f"another way up      {turned:7.1f} s  {100 * turned / full:5.1f} %")


if __name__ == "__main__":
    main()
