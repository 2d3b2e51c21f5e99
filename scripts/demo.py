"""Scan an invented painting with the simulator and join the scans: `python3 scripts/demo.py`.

Makes its own environment first; then everything lies in the folder `demo` of this checkout.
"""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

from environment import ROOT, ensure

SEED = 7


def main() -> int:
    """Simulate, join, and end with the paths of the master, the seam map and the report."""
    python = ensure()
    place = Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else ROOT / "demo"
    studio = place / "studio"
    if (studio / "truth.json").exists():
        shutil.rmtree(studio)
    print(f"Painting and scanning into {studio} …", flush=True)
    simulate = [str(python), str(ROOT / "scripts" / "simulate.py"), "--case", "demo", "--seed", str(SEED)]
    subprocess.run([*simulate, "--out", str(studio)], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    truth = json.loads((studio / "truth.json").read_text(encoding="utf-8"))
    join = [
        "join",
        str(studio / "scans"),
        *("--out", str(place / "joined")),
        *("--width", f"{truth['width_mm']:g}mm", "--height", f"{truth['height_mm']:g}mm"),
        *("--title", "Harbour at dusk", "--creator", "Studio Lindgarn (invented)"),
    ]
    print(f"\n$ stitch {shlex.join(join)}", flush=True)
    return subprocess.run([str(python), "-m", "stitch", *join], cwd=ROOT).returncode


if __name__ == "__main__":
    raise SystemExit(main())
