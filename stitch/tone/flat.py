"""The fall-off of the bed from a scan of a clean white sheet.

A plain sheet shows the light over the bed directly. Its own texture and dust are smaller than the cells it is read
in, of which the medians are taken; a smooth surface (a uniform cubic B-spline lattice with wide knots, on logarithms
of light) is laid through them by least squares with redescending weights (Geman and McClure's). A sheet that is not
plain, or not white, or clipped, leaves cells that no smooth surface explains, and is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.errors import ScanError
from stitch.imaging.affine import FloatArray, px_from_mm
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import coefficient_count
from stitch.imaging.windows import bands
from stitch.model.geometry import Size
from stitch.model.scans import PixelSource
from stitch.model.tone import FlatUse
from stitch.tone.even import SAME_BED, SEEN_L, Logs, Scans, differences
from stitch.tone.evened import field_at_grid, spline_matrix
from stitch.tone.matched import Matches
from stitch.tone.samples import PairSamples
from stitch.tone.solve import lightness
from stitch.tone.unevenness import knots_of

CELL_MM = 3.0
READ_OF_CELL = 12  # px along each side of a cell that are looked at
KNOT_MM = 30.0
ROUNDS = 8
SCATTER_FLOOR = 0.002  # of log light
ROBUST_WIDTH = 4.0
WHITE_L = 75.0  # L*; a sheet darker than this is not white
MOST_CLIPPED = 0.002  # share of its px at the top code
PLAIN_LOG, MOST_ODD = 0.03, 0.02  # cells further from the smooth surface than the one, and the share there may be
MOST_UNEVEN = 0.5  # log light between two places; no lamp is that uneven
WORSE = 1.25  # times the differences without it, beyond which it contradicts the overlaps
AGAIN = "Scan a clean white sheet that covers the whole glass, with the settings and the frame of the scans."


@dataclass(frozen=True, slots=True, eq=False)
class Flat:
    """The light over the bed: log light as a spline lattice in px of the white sheet's scan."""

    log: FloatArray  # (rows, columns, 3)
    step_px: tuple[float, float]
    size: Size
    ppi: float
    use: FlatUse


def read_flat(source: PixelSource, encoding: Encoding, *, bits: int, ppi: float, file_name: str, sha256: str) -> Flat:
    """Read the fall-off of the bed off a scan of a white sheet, once, by bands.

    `bits` : of the source's codes. Raises ScanError when it is not plain, white and unclipped.
    """
    cell_px = max(4, round(px_from_mm(CELL_MM, ppi)))
    if min(source.size.width_px, source.size.height_px) < 4 * cell_px:
        raise _refused(file_name, "is too small to show the glass")
    codes, clipped = _cells(source, cell_px, bits)
    if clipped > MOST_CLIPPED:
        raise _refused(
            file_name,
            f"is clipped: {100 * clipped:.1f} % of it is at the top of the scale, and what is cut off there shows no "
            "fall-off",
            "Scan it a little darker, automatic exposure off.",
        )
    light = encoding.decode(codes / (2**bits - 1)).astype(np.float64)
    white = float(np.median(lightness(light)))
    if white < WHITE_L:
        raise _refused(file_name, f"is not a white sheet: its lightness is {white:.0f} of 100")
    log = np.log(np.maximum(light, 1e-4))
    step = (px_from_mm(KNOT_MM, ppi),) * 2
    surface, smooth = _surface(log, cell_px, step, source.size)
    odd = float((np.abs(log - smooth) > PLAIN_LOG).any(axis=-1).mean())
    if odd > MOST_ODD:
        raise _refused(
            file_name, f"does not show a plain sheet alone: {100 * odd:.0f} % of it differ from any even fall-off"
        )
    span = float(np.ptp(smooth, axis=(0, 1)).max())
    if span > MOST_UNEVEN:
        raise _refused(file_name, f"is {100 * np.expm1(span):.0f} % brighter in one place than in another")
    return Flat(surface, step, source.size, ppi, FlatUse(file_name, sha256, 100 * float(np.expm1(span))))


def flat_logs(flat: Flat, scans: Scans) -> Logs:
    """The factor that undoes the bed's fall-off in every scan. Raises ScanError when the sheet shows another bed."""
    require_same_bed(flat, scans.sizes, scans.ppi)
    knots = knots_of(scans.sizes, scans.ppi)
    return {name: (step, _on_lattice(flat, scans.sizes[name], step)) for name, (step, _) in knots.items()}


def require_agreement(
    pairs: list[PairSamples], bare: Matches, seen: list[PairSamples], matches: Matches, scans: Scans
) -> None:
    """Raise ScanError when the overlaps agree clearly worse with the flat (`seen`) than without (`pairs`)."""
    if not pairs:
        return
    without, with_it = differences(pairs, bare, scans), differences(seen, matches, scans)
    if np.any((with_it > WORSE * without) & (with_it - without > SEEN_L)):
        raise ScanError(
            f"The white sheet given with --flat contradicts the scans: with its fall-off undone, overlaps differ by "
            f"{with_it[-1]:.2f} L* in one place of ten, without it by {without[-1]:.2f}.",
            advice="Was it scanned on the same scanner, with the same frame and the same way round? "
            "Scan it again, or leave it away with --flat none.",
        )


def _cells(source: PixelSource, cell_px: int, bits: int) -> tuple[FloatArray, float]:
    """Median codes of all whole cells, (rows, columns, 3), and the share of px at the top code."""
    rows, columns = source.size.height_px // cell_px, source.size.width_px // cell_px
    stride = max(1, cell_px // READ_OF_CELL)
    found, at_top, count = [], 0, 0
    for band in bands(source.size, cell_px):
        if band.height_px < cell_px:
            break
        seen: NDArray[Any] = source.read(band)[::stride, : columns * cell_px]
        at_top += int((seen >= 2**bits - 1).any(axis=-1).sum())
        count += seen.shape[0] * seen.shape[1]
        cells = seen.reshape(seen.shape[0], columns, cell_px, 3)[:, :, ::stride]
        found.append(np.median(cells, axis=(0, 2)))
    return np.asarray(np.stack(found[:rows]), dtype=np.float64), at_top / count


def _surface(log: FloatArray, cell_px: int, step: tuple[float, float], size: Size) -> tuple[FloatArray, FloatArray]:
    """A smooth lattice through the cells, and its values there."""
    rows, columns = log.shape[:2]
    middles = (np.arange(n, dtype=np.float64) * cell_px + (cell_px - 1) / 2 for n in (columns, rows))
    across, down = (
        spline_matrix(at, s, length, coefficient_count(s, length))
        for at, s, length in zip(middles, step, (size.width_px, size.height_px), strict=True)
    )
    terms = np.einsum("ya,xb->yxab", down, across).reshape(rows * columns, -1)
    found = []
    for values in np.moveaxis(log, -1, 0).reshape(3, -1):
        weight = np.ones(values.size)
        for _ in range(ROUNDS):
            weighted = terms * weight[:, None]
            normal = weighted.T @ terms + 1e-6 * len(values) / terms.shape[1] * np.eye(terms.shape[1])
            middle = np.median(values)
            solution = np.linalg.solve(normal, weighted.T @ (values - middle))
            off = values - middle - terms @ solution
            scatter = max(1.4826 * float(np.median(np.abs(off))), SCATTER_FLOOR)
            weight = 1 / (1 + (off / (ROBUST_WIDTH * scatter)) ** 2) ** 2
        found.append(solution.reshape(down.shape[1], across.shape[1]) + middle)
    surface = np.stack(found, axis=-1)
    return surface, np.einsum("ya,abc,xb->yxc", down, surface, across, optimize=True)


def require_same_bed(flat: Flat, sizes: Mapping[str, Size], ppi: Mapping[str, float]) -> None:
    """Raise ScanError unless the sheet shows the part of the bed that every scan shows, the same way round."""
    own = np.array([flat.size.width_px, flat.size.height_px]) / flat.ppi * 25.4
    for name, size in sizes.items():
        sides = np.array([size.width_px, size.height_px]) / ppi[name] * 25.4
        if (np.abs(own / sides - 1) <= SAME_BED).all():
            continue
        shown = f"{own[0]:.0f} × {own[1]:.0f} mm, {name} {sides[0]:.0f} × {sides[1]:.0f} mm"
        if (np.abs(own[::-1] / sides - 1) <= SAME_BED).all():
            raise _refused(flat.use.file_name, f"lies turned by a quarter against the scans: it shows {shown}")
        covers = "does not cover" if (own < (1 - SAME_BED) * sides).any() else "shows more than"
        raise _refused(
            flat.use.file_name,
            f"{covers} what the scans show of the glass, so where they lay on it is not known: {shown}",
        )


def _on_lattice(flat: Flat, size: Size, step: float) -> FloatArray:
    """The log factor that undoes the flat, on the lattice of a scan, (rows, columns, 3)."""
    axes, terms = [], []
    for length, own in ((size.width_px, flat.size.width_px), (size.height_px, flat.size.height_px)):
        count = coefficient_count(step, length)
        at = np.linspace(0.0, length - 1.0, 3 * count)
        axes.append((at + 0.5) * (own / length) - 0.5)
        terms.append(np.linalg.pinv(spline_matrix(at, step, length, count)))
    light = field_at_grid(flat.log, flat.step_px, flat.size, *axes)
    return -np.einsum("ay,yxc,bx->abc", terms[1], light, terms[0], optimize=True)


def _refused(file_name: str, why: str, advice: str = AGAIN) -> ScanError:
    return ScanError(f"{file_name}, given with --flat, {why}.", advice=f"{advice} Or leave it away with --flat none.")
