"""A child process: cut and compose a large canvas from pixels made on the fly, and print the peak resident size in MB.

Usage: python large_canvas.py MEMORY_MB COLUMNS ROWS [usual|fine]; the fine way goes through local corrections as well.
"""

from __future__ import annotations

import math
import resource
import sys
from dataclasses import dataclass

import numpy as np

from stitch.compose.run import compose
from stitch.imaging import affine
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import coefficient_count
from stitch.model.geometry import Size
from stitch.model.layout import Layout, LocalCorrection, Placement
from stitch.model.settings import Resample
from stitch.seams.cut import cut

WIDTH, HEIGHT, OVERLAP, PERIOD = 4000, 5200, 500, 512
TILE = np.random.default_rng(1).integers(20_000, 40_000, (PERIOD, PERIOD, 3)).astype(np.uint16)


@dataclass
class EndlessSource:
    """A repeated tile, made when it is read."""

    size: Size
    x_px: int
    y_px: int

    def read(self, window):
        rows = (np.arange(window.y0_px, window.y1_px) + self.y_px) % PERIOD
        columns = (np.arange(window.x0_px, window.x1_px) + self.x_px) % PERIOD
        return TILE[rows].take(columns, axis=1)

    def close(self) -> None:
        pass


def correction(rng: np.random.Generator) -> LocalCorrection:
    """Small random shifts, knots 8 mm apart."""
    step, shape = 189.0, (coefficient_count(189.0, HEIGHT), coefficient_count(189.0, WIDTH))
    dx, dy = (tuple(map(tuple, rng.uniform(-3, 3, shape).tolist())) for _ in range(2))
    return LocalCorrection((step, step), dx, dy)


def main(memory_mb: int, columns: int, rows: int, how: Resample) -> None:
    rng = np.random.default_rng(2)
    sources, placements = {}, []
    for row in range(rows):
        for column in range(columns):
            x, y = column * (WIDTH - OVERLAP), row * (HEIGHT - OVERLAP)
            matrix = affine.rigid(math.radians(rng.uniform(-0.7, 0.7)), x + rng.uniform(-9, 9), y + rng.uniform(-9, 9))
            scan_id = f"{row}-{column}"
            sources[scan_id] = EndlessSource(Size(WIDTH, HEIGHT), x, y)
            field = correction(rng) if how is Resample.FINE else None
            placements.append(Placement(scan_id, tuple(map(tuple, matrix.tolist())), 0.01, field))
    canvas = Size(columns * (WIDTH - OVERLAP) + OVERLAP, rows * (HEIGHT - OVERLAP) + OVERLAP)
    layout = Layout(canvas, 600.0, tuple(placements), (), False, 0)
    encoding = Encoding.of_profile(None)
    darker = encoding.encode(encoding.decode_table(16) * np.float32(0.98))
    tables = {scan_id: darker if index % 2 else None for index, scan_id in enumerate(sources)}
    label_map = cut(sources, layout, tables, encoding, bits=16, memory_mb=memory_mb, jobs=2)
    rows_written = []
    compose(
        sources,
        layout,
        tables,
        encoding,
        label_map,
        bits=16,
        memory_mb=memory_mb,
        jobs=2,
        uncovered_code=(0, 0, 0),
        how=how,
        write_rows=lambda pixels, labels: rows_written.append(len(pixels)),
    )
    assert sum(rows_written) == canvas.height_px
    sys.stdout.write(f"{canvas.megapixels:.0f} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f}")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:4]), Resample(sys.argv[4] if len(sys.argv) > 4 else "usual"))
