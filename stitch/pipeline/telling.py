"""What is told of a run: the findings of its checks, the history in the master, the files a person looks at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.errors import ScanError
from stitch.imaging.affine import angle_deg
from stitch.imaging.labels import labels_at
from stitch.imaging.overview import Overview
from stitch.imaging.placed_map import PlacedMap, placed_maps
from stitch.imaging.resample import is_whole_pixel
from stitch.job.files import sha256_of
from stitch.job.folder import JobFolder
from stitch.model.bed import BedSource
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size, Window
from stitch.model.layout import Layout
from stitch.model.report import RunSummary
from stitch.model.scans import PixelSource, Scan
from stitch.model.seams import LabelMap
from stitch.model.settings import Resample
from stitch.model.tone import ToneFit
from stitch.report.files import html_bytes, json_bytes, png_bytes
from stitch.report.json_report import report_plain
from stitch.report.page import page
from stitch.report.preview import preview
from stitch.report.seam_map import draw
from stitch.report.seams_json import seams_plain
from stitch.report.spots import anywhere, crop_spots
from stitch.scans.readers import open_scan

SUSPECT_PX = 700  # long side of scans shown side by side
SUSPECT_CACHE_BYTES = 8 << 20

BLENDED = "Blended near the seams only, in bands of detail, in linear light; elsewhere a pixel is of one scan."

KERNELS = {
    Resample.USUAL: "cubic convolution (OpenCV INTER_CUBIC)",
    Resample.FINE: "a windowed sinc of 12 taps to twice the pixels and a cubic kernel between those",
}


BED_WORDS = {
    BedSource.UNKNOWN: "felt from the small turns of the scans; not sure enough to be told as the scanner's own",
    BedSource.TURNED_PIECES: "known from turned pieces",
    BedSource.TAPE: "known from the tape measure",
    BedSource.FILE: "known from the scanner file",
}


def history(
    layout: Layout,
    tone: ToneFit,
    eased: Sequence[str],
    scans: Sequence[Scan],
    ppi: Mapping[str, float],
    *,
    how: Resample = Resample.USUAL,
) -> tuple[str, ...]:
    """Everything done to the pixels, one plain sentence each. `eased` : scans whose glints bend under the top."""
    said = _placing(placed_maps(layout, {scan.scan_id: scan.size for scan in scans}), how)
    said += _shape(layout)
    for text, names in _scalings(layout, ppi).items():
        said.append(f"{text}: {', '.join(names)}.")
    said += _tone(tone)
    if tone.evenness is not None:
        said.append(
            f"Light evened out within the scans, by up to {tone.evenness.largest_percent:.0f} % between two places of "
            "one (fall-off over the bed, warming up along the pass, darkening where the sheet lifts)."
        )
    if tone.common_scale != 1.0:
        said.append(f"Everything multiplied by {tone.common_scale:.4f} in linear light, so that no white is clipped.")
    if eased:
        said.append(f"The brightest glints of {', '.join(eased)} eased under the top, so that none is clipped.")
    said.append(BLENDED)
    if len({scan.bits for scan in scans}) > 1:
        said.append("8-bit scans among 16-bit ones were widened by 257.")
    return tuple(said)


def _tone(tone: ToneFit) -> list[str]:
    """What was done to the tone of whole scans, and the fall-off that a white sheet showed."""
    said = []
    if tone.flat is not None:
        said.append(
            f"Fall-off of the glass undone by the white sheet {tone.flat.file_name} (SHA-256 {tone.flat.sha256}), "
            f"up to {tone.flat.largest_percent:.0f} % between two places."
        )
    if tone.held_slope_percent:
        said.append(
            f"A slope of light of {tone.held_slope_percent:.1f} % over the glass undone, because the scans' gains are "
            "alike but for one; it cannot be observed."
        )
    changed = [one.scan_id for one in tone.scans if one.has_match]
    if not changed:
        return [*said, "Tone left as scanned."]
    terms = ["gain"]
    terms += ["gamma"] if any(one.gamma_rgb != (1.0, 1.0, 1.0) for one in tone.scans) else []
    terms += ["offset"] if any(one.offset_rgb != (0.0, 0.0, 0.0) for one in tone.scans) else []
    by = " and ".join(filter(None, (", ".join(terms[:-1]), terms[-1])))
    said.append(
        f"Tone of {', '.join(changed)} matched to {tone.reference_id} by {by} for each channel, "
        f"in linear light ({tone.encoding_name})."
    )
    return said


def _placing(maps: Mapping[str, PlacedMap], how: Resample) -> list[str]:
    if all(is_whole_pixel(placed) for placed in maps.values()):
        return ["Placed by whole pixels: nothing was resampled."]
    turns = [abs((angle_deg(placed.canvas_from_straight) + 45) % 90 - 45) for placed in maps.values()]
    said = [f"Placed with turns of up to {max(turns):.3f}°, resampled once by {KERNELS[how]}."]
    shifts = {name: placed.shifts.largest_px for name, placed in maps.items() if placed.shifts is not None}
    if shifts:
        said.append(
            f"Straightened in the same step where the scanner or the sheet had moved: {', '.join(shifts)}, "
            f"by up to {max(shifts.values()):.1f} px of the scan."
        )
    return said


def _shape(layout: Layout) -> list[str]:
    """What was undone of the scanner's own shape, and what the tape changed."""
    said, bed = [], layout.bed
    if bed.anisotropy or bed.skew_deg:
        said.append(
            f"The scanner's own shape undone in the same step: px {100 * bed.anisotropy:+.3f} % wider than high, axes "
            f"{bed.skew_deg:+.3f}° off a right angle ({BED_WORDS[bed.source]})."
        )
    if layout.tape_scale is not None:
        across, down = layout.tape_scale
        said.append(f"Brought to the tape's size in the same step: × {across:.5f} across, × {down:.5f} down.")
    return said


def _scalings(layout: Layout, ppi: Mapping[str, float]) -> dict[str, list[str]]:
    """Changes of resolution; what the scanner's shape or the tape added is told by itself."""
    found: dict[str, list[str]] = {}
    for placement in layout.placements:
        scale = layout.canvas_ppi / ppi[placement.scan_id]
        if abs(scale - 1) < 1e-6:
            continue
        verb = "Reduced with an anti-alias filter" if scale < 1 else "Enlarged"
        text = f"{verb} from {ppi[placement.scan_id]:g} to {layout.canvas_ppi:g} dpi (× {scale:.4f})"
        found.setdefault(text, []).append(placement.scan_id)
    return found


class Hashing:
    """The SHA-256 of every scan's file after the last reading of it, worked out while other things are done."""

    def __init__(self, scans: Sequence[Scan], jobs: int = 1) -> None:
        self._scans, self._jobs = scans, max(1, jobs)
        self._found: dict[Path, Future[str]] = {}

    def begin(self) -> None:
        """Begin; nothing when that was done before."""
        if self._found:
            return
        pool = ThreadPoolExecutor(self._jobs, thread_name_prefix="hash")
        self._found = {path: pool.submit(_hash_now, path) for path in dict.fromkeys(scan.path for scan in self._scans)}
        pool.shutdown(wait=False)

    def hashes(self) -> dict[str, str]:
        """By the scans' names; "" for a file that is gone."""
        self.begin()
        return {scan.scan_id: self._found[scan.path].result() for scan in self._scans}


def _hash_now(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError:
        return ""


def hash_findings(scans: Sequence[Scan], hashes: Mapping[str, str]) -> tuple[Finding, ...]:
    """A failed check for every scan whose file is not what it was when the run began."""
    changed = tuple(scan.scan_id for scan in scans if hashes[scan.scan_id] != scan.sha256)
    if not changed:
        return ()
    return (
        Finding(
            "scan-changed",
            Severity.FAILED,
            f"The file of {', '.join(changed)} changed or went away during the run (stitch only reads them).",
            "Compare it with your backup and run the same command again.",
            changed,
        ),
    )


def write_report(
    folder: JobFolder,
    summary: RunSummary,
    master: PixelSource | None,
    label_map: LabelMap | None,
    sizes: Mapping[str, Size],
    *,
    overview: Overview | None = None,
    suspects: Sequence[tuple[str, bytes]] = (),
    counts: Callable[[tuple[float, float]], bool] = anywhere,
) -> None:
    """Write the seam map, the seams as data, the page and the figures. Without a master only page and figures.

    `overview` : the master's, which goes with it; `suspects` : names and pictures of the two scans whose link stopped
    the run; `counts` : whether a canvas px is on the painting.
    """
    pictures: dict[str, Any] = {"suspects": suspects}
    if master is not None and overview is not None and label_map is not None and summary.layout is not None:
        pictures = _pictures(folder, summary, master, overview, label_map, sizes, counts)
    _write(folder, folder.report_html, html_bytes(page(summary, **pictures)))
    _write(folder, folder.report_json, json_bytes(report_plain(summary, job_folder=folder.root)))


def pictures_of(scans: Sequence[Scan], names: Sequence[str], scratch: Path) -> tuple[tuple[str, bytes], ...]:
    """Names and small pictures of some scans, for the report; none when one went away."""
    found = []
    for scan in (scan for name in names for scan in scans if scan.scan_id == name):
        try:
            source = open_scan(scan, scratch=scratch, bits=scan.bits, cache_bytes=SUSPECT_CACHE_BYTES)
        except ScanError:
            return ()
        try:
            small = preview(source, long_side_px=SUSPECT_PX)
        finally:
            source.close()
        found.append((scan.scan_id, png_bytes(small, profile=scan.profile)))
    return tuple(found)


def _pictures(
    folder: JobFolder,
    summary: RunSummary,
    master: PixelSource,
    overview: Overview,
    label_map: LabelMap,
    sizes: Mapping[str, Size],
    counts: Callable[[tuple[float, float]], bool],
) -> dict[str, Any]:
    layout, lines = summary.layout, summary.seams or ()
    assert layout is not None
    profile = summary.master_spec.profile if summary.master_spec else None

    maps = placed_maps(layout, sizes)

    def labels(window: Window) -> NDArray[np.uint8]:
        return labels_at(label_map, maps, window)

    small = preview(overview)
    px_per_preview = layout.canvas.width_px / small.shape[1]
    seam_map = draw(
        small,
        _picked_labels(overview.labels, small.shape[:2]),
        label_map.scan_ids,
        lines,
        canvas_ppi=layout.canvas_ppi,
        px_per_preview=px_per_preview,
    )
    with ThreadPoolExecutor(2, thread_name_prefix="pictures") as pool:
        map_png = pool.submit(png_bytes, seam_map, text="Which scan made each part, and how visible each seam is")
        preview_png = pool.submit(png_bytes, small, profile=profile)
        fixed = layout.canvas, layout.canvas_ppi
        spots = crop_spots(master.read, lines, labels, *fixed, profile=profile, counts=counts, pool=pool)
    _write(folder, folder.seam_map, map_png.result())
    _write(folder, folder.seams_json, json_bytes(seams_plain(lines, layout.canvas_ppi)))
    return {"preview_png": preview_png.result(), "seam_map_png": map_png.result(), "spots": spots}


def _picked_labels(labels: NDArray[np.uint8], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Labels (h, w) at the pixel centres of a smaller picture of `shape`."""
    rows, columns = (((np.arange(n) + 0.5) * held / n).astype(int) for n, held in zip(shape, labels.shape, strict=True))
    return labels[rows[:, None], columns]


def small_labels(labels: Any, canvas: Size, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Labels at the pixel centres of a reduced picture of `shape` (h, w), read row by row."""
    height, width = shape
    columns = np.minimum(((np.arange(width) + 0.5) * canvas.width_px / width).astype(int), canvas.width_px - 1)
    rows = np.minimum(((np.arange(height) + 0.5) * canvas.height_px / height).astype(int), canvas.height_px - 1)
    out = np.empty((height, width), np.uint8)
    for index, row in enumerate(rows):
        out[index] = labels(Window(0, int(row), canvas.width_px, 1))[0, columns]
    return out


def _write(folder: JobFolder, path: Any, data: bytes) -> None:
    with folder.writing(path) as part:
        part.write_bytes(data)
