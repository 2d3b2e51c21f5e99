"""From scans to a layout: placed, the painting's outline found, holes refused, a canvas laid around it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.errors import UsageError
from stitch.imaging.affine import FloatArray, apply, compose, invert
from stitch.model.findings import Finding, Severity
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.pipeline.job import Job
from stitch.pipeline.keep import load_record, require_same, save_record
from stitch.pipeline.memory import give_back
from stitch.register.arrange import Keep, arrange, keep_around, upright_from_nominal
from stitch.register.composite import Composite, composite
from stitch.register.features import peak_mb
from stitch.register.gaps import find_gaps, refuse_gaps
from stitch.register.graph import nearest_turn_deg
from stitch.register.place import Registration, reduce_all, register
from stitch.register.reduced import Reduced
from stitch.scans.wording import listed, plural
from stitch.size.outline import Outline, Side, find_outline

WHITE = (1.0, 1.0, 1.0)
KEEP_ORDER = (Side.LEFT, Side.TOP, Side.RIGHT, Side.BOTTOM)
SAFE_SHARE = 0.9  # of the budget is planned with: pages come and go in lumps
BASE_MB = 150  # the interpreter with its libraries, and the bands of scans being read
NEAR_PX = 9  # picture px beside an uncovered place that lend it their colour


@dataclass(frozen=True, slots=True)
class Placed:
    """Where every scan lies, what was noticed, and the colour for canvas that no scan covers."""

    layout: Layout
    findings: tuple[Finding, ...]
    uncovered_rgb: tuple[float, float, float]  # encoded 0..1
    painting_px: tuple[tuple[float, float], ...] | None  # its corners on the canvas, where all its edges are certain


def place(job: Job, sources: Mapping[str, PixelSource], ppi: Mapping[str, float], scanned: str) -> tuple[Placed, str]:
    """Place all scans on one canvas. Raises RegisterError when they cannot be, or leave a hole."""
    saved = job.folder.work / "layout.json"
    settings = job.settings
    wanted = {"dpi": settings.dpi, "up_deg": settings.up_deg, "ppi": dict(ppi)}

    def make() -> Placed:
        reduced = reduce_all(sources, jobs=job.threads, progress=job.progress)
        give_back()
        few = _feature_threads(reduced, settings.memory_mb, job.threads)
        registration = register(sources, reduced, ppi, jobs=job.threads, feature_jobs=few, progress=job.progress)
        upright = upright_from_nominal(registration)
        picture = composite(registration, reduced, upright)
        outline = find_outline(picture.rgb, picture.covered, picture.px_per_mm)
        refuse_gaps(find_gaps(picture, _whole_outline(outline)), registration.links)
        layout = arrange(
            registration,
            upright,
            _keep(outline, picture, registration.nominal_ppi),
            canvas_ppi=settings.dpi or registration.nominal_ppi,
            up_deg=settings.up_deg,
        )
        found = Placed(
            layout,
            registration.findings + _turned(registration),
            _uncovered_rgb(picture, outline),
            _painting_px(outline, picture, registration, upright, layout),
        )
        save_record(saved, found)
        return found

    def load() -> Placed:
        found = load_record(Placed, saved)
        require_same((placement.scan_id for placement in found.layout.placements), sources)
        return found

    return job.keeper.room("register", [scanned], wanted, [saved], make=make, load=load)


def _feature_threads(reduced: Mapping[str, Reduced], memory_mb: int, threads: int) -> int:
    """As many threads as the memory has room for. Raises UsageError when there is not room for one."""
    each_mb = max(peak_mb(one) for one in reduced.values())
    held_mb = BASE_MB + sum(one.codes.nbytes for one in reduced.values()) / 1e6
    count = int((SAFE_SHARE * memory_mb - held_mb) / each_mb)
    if count < 1:
        least = math.ceil((held_mb + each_mb) / SAFE_SHARE)
        raise UsageError(
            f"{memory_mb} MB of memory is too little to find out how these scans lie.",
            advice=f"The smallest that works is {least} MB: give --memory {least} or more.",
        )
    return min(threads, count)


def uncovered_code(placed: Placed, bits: int) -> tuple[int, int, int]:
    """The colour for canvas that no scan covers, as codes of the master."""
    top = 2**bits - 1
    red, green, blue = (round(min(max(value, 0.0), 1.0) * top) for value in placed.uncovered_rgb)
    return red, green, blue


def _turned(registration: Registration) -> tuple[Finding, ...]:
    """A warning when some scans lie another way up: relief is lit from another side there."""
    turns = {name: nearest_turn_deg(pose.matrix()) for name, pose in registration.poses.items()}
    usual = Counter(turns.values()).most_common(1)[0][0]
    turned = tuple(name for name, turn in turns.items() if turn != usual)
    if not turned:
        return ()
    return (
        Finding(
            "turned",
            Severity.WARNING,
            f"{listed(turned)} lay turned on the glass and {plural(turned, 'was', 'were')} turned back.",
            "The lamp lit them from another side: where paint or paper has relief its shading changes at the seam.",
            turned,
        ),
    )


def _keep(outline: Outline, picture: Composite, ppi: float) -> Keep:
    """Crop to the painting and a small border, only on sides where it is certain that nothing of it is lost."""
    safe = tuple(outline.side(side).is_safe_to_crop for side in KEEP_ORDER)
    return keep_around(apply(picture.upright_from_picture, outline.corners_px), safe, ppi)


def _uncovered_rgb(picture: Composite, outline: Outline) -> tuple[float, float, float]:
    """The colour of the lid beside the places that no scan covers; white when there is no such place."""
    beside = cv2.dilate((~picture.covered).astype(np.uint8), np.ones((NEAR_PX, NEAR_PX), np.uint8)) > 0
    beside &= picture.covered & ~_inside(outline, picture.covered.shape)
    if not beside.any():
        return WHITE
    red, green, blue = (float(v) for v in np.median(picture.rgb[beside], axis=0))
    return red, green, blue


def _painting_px(
    outline: Outline, picture: Composite, registration: Registration, upright: FloatArray, layout: Layout
) -> tuple[tuple[float, float], ...] | None:
    if not all(side.is_safe_to_crop for side in outline.sides):
        return None
    anchor = registration.anchor
    upright_from_scan = compose(upright, registration.poses[anchor].matrix())
    canvas_from_upright = compose(layout.placement(anchor).matrix, invert(upright_from_scan))
    corners = apply(canvas_from_upright, apply(picture.upright_from_picture, outline.corners_px))
    return tuple((float(x), float(y)) for x, y in corners)


def _inside(outline: Outline, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(outline.corners_px).astype(np.int32), 1)
    return mask > 0


def _whole_outline(outline: Outline) -> FloatArray | None:
    """The painting's corners when all four edges were seen, else None."""
    return outline.corners_px if all(side.is_in_view for side in outline.sides) else None
