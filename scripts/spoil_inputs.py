"""Reads many spoiled scans: each must be read or refused with a sentence, in time and in memory.

python scripts/spoil_inputs.py --count 1000 --seed 1

Bytes of heads and of data of small TIFF (plain, packed, tiled), PNG and JPEG files are changed or cut off; one file in
fifty is a few hundred bytes that claim 60,000 × 60,000 pixels. Each is looked at and read in a child process that may
not take more than `--memory` for addresses beyond what it begins with. Prints how many were read, refused, slow, too
large or ended with a fault, and the worst time. Exit code 0 when none was slow, too large or faulty.
"""

from __future__ import annotations

import argparse
import io
import multiprocessing
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import imagecodecs  # noqa: E402
import numpy as np  # noqa: E402
import tifffile  # noqa: E402
from PIL import Image  # noqa: E402

from stitch.errors import ScanError  # noqa: E402
from stitch.scans.inspect import inspect  # noqa: E402
from stitch.scans.readers import open_scan  # noqa: E402

LIMIT_S = 10
SHAPE = (83, 61, 3)
HUGE_PX = 60_000
HUGE_EVERY = 50
CHUNK = 50


class TooSlow(Exception):
    """A file took longer than LIMIT_S."""


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Read many spoiled scans.")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--memory", type=int, default=1000, help="MB")
    args = parser.parse_args()
    counts: Counter[str] = Counter()
    worst_s = 0.0
    chunks = [(args.seed, first, min(CHUNK, args.count - first), args.memory) for first in range(0, args.count, CHUNK)]
    with multiprocessing.get_context("spawn").Pool(maxtasksperchild=4) as pool:
        for found, longest_s, faults in pool.imap(read_chunk, chunks):
            counts += Counter(found)
            worst_s = max(worst_s, longest_s)
            for fault in faults:
                print(fault)
    told = ", ".join(f"{name} {count}" for name, count in sorted(counts.items()))
    print(f"{sum(counts.values())} files: {told}; the slowest took {worst_s:.2f} s")
    return 0 if set(counts) <= {"read", "refused"} else 1


def read_chunk(job: tuple[int, int, int, int]) -> tuple[dict[str, int], float, list[str]]:
    """Read some of the files; what became of them, the longest time, and the faults."""
    seed, first, count, memory_mb = job
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) if sys.platform == "linux" else 0
    most = pages * resource.getpagesize() + memory_mb * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (most, resource.getrlimit(resource.RLIMIT_AS)[1]))
    signal.signal(signal.SIGALRM, _too_slow)
    counts: Counter[str] = Counter()
    longest_s, faults = 0.0, []
    with tempfile.TemporaryDirectory(prefix="spoiled-") as name:
        folder = Path(name)
        sources = whole_files(folder)
        for number in range(first, first + count):
            rng = np.random.default_rng((seed, number))
            path = folder / "scan"
            path.write_bytes(claim(rng) if number % HUGE_EVERY == 0 else spoiled(sources[number % len(sources)], rng))
            started = time.monotonic()
            signal.alarm(LIMIT_S)
            outcome = read(path, folder / "scratch")
            signal.alarm(0)
            longest_s = max(longest_s, time.monotonic() - started)
            if ":" in outcome:
                faults.append(f"file {number} of seed {seed}: {outcome}")
            counts[outcome.split(":")[0]] += 1
    return dict(counts), longest_s, faults


def read(path: Path, scratch: Path) -> str:
    """What became of one file: read, refused, or what went wrong."""
    scratch.mkdir(exist_ok=True)
    try:
        for scan in inspect(path, (), scratch=scratch).scans:
            pixels = open_scan(scan, scratch=scratch)
            pixels.read(pixels.size.window())
            pixels.close()
    except ScanError as error:
        return "refused" if error.message.endswith(".") else f"without a sentence: {error.message}"
    except TooSlow:
        return "slow: longer than it may take"
    except MemoryError:
        return "too large: more memory than it may take"
    except Exception as error:
        return f"fault: {type(error).__name__}: {error}"
    return "read"


def whole_files(folder: Path) -> list[bytes]:
    """Sound files of every kind that is read."""
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 65536, SHAPE, dtype=np.uint16)
    eight = (pixels >> 8).astype(np.uint8)
    none: dict[str, Any] = {}
    ways = (none, {"compression": "lzw"}, {"compression": "adobe_deflate", "predictor": True}, {"tile": (32, 32)})
    found = []
    for way in ways:
        path = folder / "whole.tif"
        tifffile.imwrite(path, pixels, photometric="rgb", resolution=(600, 600), rowsperstrip=19, **way)
        found.append(path.read_bytes())
    found.append(imagecodecs.png_encode(pixels))
    stream = io.BytesIO()
    Image.fromarray(eight).save(stream, "JPEG", quality=90)
    return [*found, stream.getvalue()]


def spoiled(data: bytes, rng: np.random.Generator) -> bytes:
    """A few bytes changed, mostly near the head; sometimes cut short."""
    changed = bytearray(data)
    reach = min(len(data), int(rng.choice([64, 400, len(data)])))
    for place in rng.integers(0, reach, rng.integers(1, 6)):
        changed[place] = rng.choice([0, 1, 2, 128, 255, rng.integers(0, 256)])
    return bytes(changed[: rng.integers(1, len(data))] if rng.random() < 0.1 else changed)


def claim(rng: np.random.Generator) -> bytes:
    """A small file whose head claims a huge picture: a TIFF, packed or not, or a PNG."""
    if rng.random() < 0.3:
        head = bytearray(imagecodecs.png_encode(np.zeros((4, 4, 3), np.uint16)))
        head[16:24] = HUGE_PX.to_bytes(4, "big") * 2
        return bytes(head)
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as tiff:
        packed = {"compression": "adobe_deflate"} if rng.random() < 0.5 else {}
        tiff.write(np.zeros((4, 4, 3), np.uint16), photometric="rgb", resolution=(600, 600), metadata=None, **packed)
    data = bytearray(stream.getvalue())
    with tifffile.TiffFile(io.BytesIO(bytes(data))) as tiff:
        for name in ("ImageWidth", "ImageLength", "RowsPerStrip"):
            tag = tiff.pages.first.tags[name]
            place = slice(tag.valueoffset, tag.valueoffset + tag.valuebytecount)
            data[place] = HUGE_PX.to_bytes(tag.valuebytecount, "little")
    return bytes(data)


def _too_slow(number: int, frame: object) -> None:
    raise TooSlow


if __name__ == "__main__":
    raise SystemExit(main())
