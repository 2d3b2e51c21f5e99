"""A proof of a print: its riskiest parts at its own scale on one sheet, to be printed before the order."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.errors import UsageError, WriteError
from stitch.imaging import icc
from stitch.imaging.colour import Encoding, xyz_y_from_lightness
from stitch.imaging.projective import project
from stitch.job.whole import write_whole
from stitch.master.xmp import SOFTWARE, xmp_packet
from stitch.model.geometry import Size, Window
from stitch.model.prints import Intent
from stitch.pipeline.derived import Original, opened, spec_of
from stitch.pipeline.print_plan import PrintRequest, planned
from stitch.pipeline.print_writing import own_profile
from stitch.pipeline.printing import glance_at, planes_of, target_profile, title_of
from stitch.prints.colours import converted, srgb_profile
from stitch.prints.detail import fullest_middle
from stitch.prints.fit import Part
from stitch.prints.jpeg import JpegWriter, head_segments
from stitch.prints.names import clashes, fitting, safe
from stitch.prints.proof_sheet import GREYS, Strip, draw_proof, strip_mm
from stitch.prints.resize import REACH_PX, Resizer
from stitch.prints.risks import Risk, riskiest
from stitch.prints.sizes import PrintSize, pixels
from stitch.progress import SILENT, Progress
from stitch.report.lettering import drawable, font

STRIP_COUNT = 4
PROOF_QUALITY = 95
MOST_SHEET_MM = 900.0


def make_proof(
    request: PrintRequest,
    sheet: PrintSize,
    progress: Progress = SILENT,
    *,
    may_replace: Callable[[Path], bool] | None = None,
) -> Path:
    """Write `TITLE_proof_SHEET.jpg` and return its path.

    The scale is that of the one size named, or the work's own size where none is. Raises UsageError, ScanError,
    WriteError.
    """
    if len(request.wanted) > 1:
        raise UsageError("--proof: a proof is of one size.", advice="Name the one that you will order with --sizes.")
    if max(sheet.width_mm, sheet.height_mm) > MOST_SHEET_MM:
        raise UsageError(f"--proof: {sheet.name} is too large for a proof.", advice="Take A4, A3 or letter.")
    home = request.out or request.path.absolute().parent
    with opened(request.path, home, why_dpi="at which scale to proof it") as original:
        title = safe(title_of(request, original), instead=safe(request.path.stem))
        path = fitting(home / title, title, f"_proof_{sheet.name}.jpg")
        ours = may_replace or (lambda one: request.force)
        if not all(ours(path.parent / name) for name in clashes([path.name], path.parent)):
            raise WriteError(f"{path} exists already.", advice="Add --force to replace it.")
        target = target_profile(original, request)
        with progress.task("Making the proof", 1.0):
            picture = _drawn(original, request, sheet, target, title)
        path.parent.mkdir(parents=True, exist_ok=True)
        _write(path, picture, original, request, sheet, target)
    return path


def _drawn(original: Original, request: PrintRequest, sheet: PrintSize, target: bytes, title: str) -> NDArray[np.uint8]:
    scale, said = _scale(original, request)
    room = strip_mm((sheet.width_mm, sheet.height_mm), STRIP_COUNT)
    size = original.size
    out = Size(
        min(pixels(room[0], request.dpi), max(int(size.width_px / scale), 1)),
        min(pixels(room[1], request.dpi), max(int(size.height_px / scale), 1)),
    )
    share = out.width_px * scale / size.width_px, out.height_px * scale / size.height_px
    risks = riskiest(_small_lab(original), (share[0], share[1]))
    seam = _seam_place(original)
    risks += () if seam is None else (seam,)
    strips = [
        Strip(f"{one.words}{_where(original, one)}", _strip(original, request, one, out, scale, target))
        for one in risks
    ]
    heading = (
        drawable(f"{title}: proof of {said}"),
        f"{icc.describe(icc.read_tags(target))}, {request.intent.value} intent, {request.dpi:g} dpi. "
        "Print it at 100 %, on the paper that you will order.",
    )
    paper = Size(pixels(sheet.width_mm, request.dpi), pixels(sheet.height_mm, request.dpi))
    return draw_proof(paper, request.dpi, heading, strips, _greys(target), font)


def _scale(original: Original, request: PrintRequest) -> tuple[float, str]:
    """Px of the work to one of the print, and of what it is a proof."""
    if not request.wanted:
        scale, said = original.ppi / request.dpi, "the work's own size"
        available = original.ppi
    else:
        small = np.asarray((glance_at(original) >> 8).astype(np.uint8))
        any_size = replace(request, most_enlarge=math.inf)
        frames, _ = planned(any_size, original.size, original.ppi, lambda x, y: fullest_middle(small, x, y))
        scale, available = 1 / frames[0].enlargement, frames[0].effective_dpi
        said = frames[0].size.name
    if scale * request.most_enlarge < 1 - 1e-9:
        raise UsageError(
            f"{said} cannot be proofed at {request.dpi:g} dpi: the work has {available:.0f} there.",
            advice=f"Take --dpi {int(available)}, or name a limit with --allow-enlarge.",
        )
    return scale, said


def _small_lab(original: Original) -> NDArray[np.float64]:
    codes = cv2.GaussianBlur(glance_at(original), (0, 0), 1.5)
    return original.encoding.lab(np.asarray(codes) / 65535.0)


def _strip(
    original: Original, request: PrintRequest, risk: Risk, out: Size, scale: float, target: bytes
) -> NDArray[np.uint8]:
    """The work around a place at print scale, in the print's profile."""
    size, width, height = original.size, out.width_px * scale, out.height_px * scale
    x0 = min(max(risk.middle[0] * size.width_px - width / 2, 0.0), size.width_px - width)
    y0 = min(max(risk.middle[1] * size.height_px - height / 2, 0.0), size.height_px - height)
    margin = math.ceil(REACH_PX * max(scale, 1.0)) + 2
    inner = Window(int(x0), int(y0), math.ceil(width) + 1, math.ceil(height) + 1)
    near = inner.grown(margin).clipped(size)
    resizer = Resizer(Size(near.width_px, near.height_px), Part(x0 - near.x0_px, y0 - near.y0_px, width, height), out)
    rows = resizer.take(planes_of(original.source.read(near)), 0)
    codes = np.rint(np.clip(rows, 0, 65535)).astype(np.uint16).transpose(0, 2, 1)
    own = own_profile(original)
    return np.asarray(converted(codes, own, target, request.intent, 8), dtype=np.uint8)


def _where(original: Original, risk: Risk) -> str:
    x, y = (
        original.mm(share * side)
        for share, side in zip(risk.middle, (original.size.width_px, original.size.height_px), strict=True)
    )
    return f", {x:.0f} mm from the left and {y:.0f} mm from the top"


def _seam_place(original: Original) -> Risk | None:
    """The seam with the largest step, where the master's job lies beside it; followed through a trim on record."""
    beside = [folder / "seams.json" for folder in original.path.absolute().parents[:2]]  # a chain's lie one deeper
    found = next((path for path in beside if path.is_file()), None)
    if found is None:
        return None
    try:
        plain = json.loads(found.read_text(encoding="utf-8"))
        lines = [(max(s for s in line["step_de00"] if s is not None), line["points_px"]) for line in plain["seams"]]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not lines:
        return None
    points = np.array(max(lines, key=lambda line: line[0])[1], np.float64)
    for name, settings in original.carried.steps:
        if name == "trim":
            back = np.array(json.loads(settings)["picture_from_cut"]).reshape(3, 3)
            points = project(np.linalg.inv(back), points)
    size = np.array([original.size.width_px, original.size.height_px])
    shares = ((points + 0.5) / size)[len(points) // 2]
    if not ((shares > 0) & (shares < 1)).all():
        return None
    return Risk("the most visible seam", (float(shares[0]), float(shares[1])))


def _greys(target: bytes) -> NDArray[np.uint8]:
    """Codes (21, 3) of the grey step in the print's profile."""
    light = np.repeat(xyz_y_from_lightness(np.array(GREYS, float))[None, :, None], 3, axis=2)
    codes = Encoding.of_profile(None).encode_to_codes(light.astype(np.float32), 16)
    return np.asarray(converted(codes, srgb_profile(), target, Intent.RELATIVE, 8)[0], dtype=np.uint8)


def _write(
    path: Path, picture: NDArray[np.uint8], original: Original, request: PrintRequest, sheet: PrintSize, target: bytes
) -> None:
    size = Size(picture.shape[1], picture.shape[0])
    told = f"proof on {sheet.name}: strips at the print's scale"
    spec = spec_of(original, told, settings=("proof", {"sheet": sheet.name}), size=size, ppi=request.dpi)
    packet = xmp_packet(spec, datetime.now().astimezone(), "image/jpeg")
    head = head_segments(
        request.dpi,
        target,
        packet,
        title=spec.title,
        creator=spec.creator,
        rights=spec.rights,
        software=SOFTWARE,
    )
    with write_whole(path) as part, JpegWriter(part, size, PROOF_QUALITY, head) as writer:
        writer.write_rows(picture)
        writer.finish()
