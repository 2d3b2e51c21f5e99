"""Prints of a finished picture: all sizes from one reading of it, each file whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.compose.windows import BASE_MB
from stitch.errors import UsageError, WriteError, write_error
from stitch.imaging import icc
from stitch.imaging.windows import blocks
from stitch.job.checksums import sha256_of
from stitch.job.disk import require_free
from stitch.job.whole import write_whole
from stitch.model.geometry import Window
from stitch.pipeline.derived import Original, opened
from stitch.pipeline.print_plan import PrintRequest, Skipped, planned
from stitch.pipeline.print_writing import PrintWriter, own_profile
from stitch.prints.colours import out_of_gamut, srgb_profile
from stitch.prints.detail import fullest_middle
from stitch.prints.fit import Frame
from stitch.prints.names import clashes, fitting, safe
from stitch.prints.resize import Resizer
from stitch.progress import SILENT, Progress

GLANCE_PX = 1000
GAMUT_STEP = 3  # every third pixel of the glance is asked whether it can be printed
ROWS_A_BAND = (128, 64, 32, 16)


@dataclass(frozen=True, slots=True)
class Print:
    """One print that was written."""

    path: Path
    frame: Frame
    byte_count: int
    sha256: str
    quality: int | None  # of a JPEG
    thumb: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class PrintsSummary:
    """What was made."""

    folder: Path
    title: str
    prints: tuple[Print, ...]
    skipped: tuple[Skipped, ...]
    profile: bytes  # of the prints
    profile_name: str
    is_profile_assumed: bool  # the picture carried none, and sRGB was taken for it
    out_of_gamut: float  # share of the work's colours that the print's profile cannot hold


def make_prints(
    request: PrintRequest, progress: Progress = SILENT, *, may_replace: Callable[[Path], bool] | None = None
) -> PrintsSummary:
    """Make every size asked for that the picture can fill.

    may_replace : says of a file in the way whether it may be replaced; None: all with `force`, else none.
    Raises UsageError, ScanError, WriteError; then no file of this run is left.
    """
    _require(request)
    home = request.out or request.path.absolute().parent
    with opened(request.path, home, why_dpi="what a print would lose") as original:
        target = target_profile(original, request)
        own = own_profile(original)
        glance = glance_at(original)
        small = np.asarray((glance >> 8).astype(np.uint8))
        frames, skipped = planned(
            request, original.size, original.ppi, lambda across, down: fullest_middle(small, across, down)
        )
        title = safe(title_of(request, original), instead=safe(request.path.stem))
        folder = home / title
        files = [_file(folder, title, frame, request) for frame in frames]
        _require_free_names(files, folder, request, may_replace or (lambda path: request.force))
        made, over = _made(original, request, frames, files, target, progress) if frames else ((), ())
    return PrintsSummary(
        folder,
        title,
        made,
        skipped + over,
        target,
        icc.describe(icc.read_tags(target)),
        original.scan.profile is None,
        out_of_gamut(glance[1::GAMUT_STEP, 1::GAMUT_STEP], own, target),
    )


def title_of(request: PrintRequest, original: Original) -> str:
    """The title given, else the picture's own."""
    return request.title if request.title is not None else original.carried.title


def _require(request: PrintRequest) -> None:
    if not request.wanted:
        raise UsageError("No size was named.", advice="Name some, e.g. --sizes 8x10in,A4.")
    names = [one.size.name for one in request.wanted]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(f"--sizes: {twice[0]} is named twice.", advice="Name each size once.")
    if not 1 <= request.quality <= 100:
        raise UsageError(f"--quality: {request.quality} cannot be.", advice="Take 75 to 100; 92 is usual.")


def target_profile(original: Original, request: PrintRequest) -> bytes:
    """The profile of the prints. Raises UsageError."""
    if request.keeps_profile:
        return own_profile(original)
    if request.profile_path is None:
        return srgb_profile()
    try:
        profile = request.profile_path.read_bytes()
        icc.read_tags(profile)
    except OSError as error:
        raise UsageError(f"--profile: {request.profile_path} could not be read: {error.strerror}.") from error
    except icc.ProfileFault as fault:
        raise UsageError(
            f"--profile: {request.profile_path.name} is no ICC profile ({fault}).", advice="Give an .icc or .icm file."
        ) from fault
    space = icc.colour_space(profile).strip()
    if space != "RGB":
        raise UsageError(
            f"--profile: {request.profile_path.name} is made for {space}; prints are written in RGB.",
            advice="Give the print shop's RGB profile, or leave it at sRGB.",
        )
    return profile


def glance_at(original: Original) -> NDArray[np.uint16]:
    """Some pixels of the whole picture, unmixed, about a thousand a side; 16-bit codes."""
    size = original.size
    step = max(1, max(size.width_px, size.height_px) // GLANCE_PX)
    rows = range(step // 2, size.height_px, step)
    codes = np.concatenate([original.source.read(Window(0, y, size.width_px, 1))[:, step // 2 :: step] for y in rows])
    return codes.astype(np.uint16) * (257 if codes.dtype == np.uint8 else 1)


def _file(folder: Path, title: str, frame: Frame, request: PrintRequest) -> Path:
    end = f"_{safe(frame.size.name)}_{round(frame.dpi)}dpi{request.kind.ending}"
    return fitting(folder, title, end)


def _require_free_names(
    files: list[Path], folder: Path, request: PrintRequest, may_replace: Callable[[Path], bool]
) -> None:
    there = clashes([path.name for path in files], folder)
    if folder.exists() and not folder.is_dir():
        raise WriteError(f"{folder} is a file, not a folder.", advice="Choose another place with --out.")
    kept = [name for name in there if not may_replace(folder / name)]
    if kept:
        raise WriteError(
            f"{folder} holds {', '.join(kept)} already; nothing was written.",
            advice="Add --force to replace, name only new sizes, or choose another place with --out.",
        )
    if any((folder / name).resolve() == request.path.resolve() for name in there):
        raise WriteError(f"{request.path.name} itself would be replaced.", advice="Choose another place with --out.")


def _made(
    original: Original,
    request: PrintRequest,
    frames: tuple[Frame, ...],
    files: list[Path],
    target: bytes,
    progress: Progress,
) -> tuple[tuple[Print, ...], tuple[Skipped, ...]]:
    folder = files[0].parent
    rows = _rows_a_band(original, frames, request)
    was_there = folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        require_free(folder, _bytes_at_most(frames, request))
        with ExitStack() as stack:
            parts = [stack.enter_context(_whole_or_left_out(path)) for path in files]
            writers = [
                stack.enter_context(PrintWriter(part, frame, request, original, target))
                for part, frame in zip(parts, frames, strict=True)
            ]
            _run(original, writers, rows, progress)
            for writer in writers:
                writer.finish()
            failed = tuple(Skipped(writer.frame.size.name, writer.too_large) for writer in writers if writer.too_large)
        done = [(writer, path) for writer, path in zip(writers, files, strict=True) if not writer.too_large]
        return tuple(
            Print(path, writer.frame, path.stat().st_size, sha256_of(path), writer.quality, writer.thumb.picture())
            for writer, path in done
        ), failed
    except OSError as error:
        raise write_error(folder, error) from error
    finally:
        if not was_there and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()


class _LeftOut(Exception):
    """Nothing was written under the temporary name, on purpose."""


@contextmanager
def _whole_or_left_out(path: Path) -> Iterator[Path]:
    """`write_whole`, but a file that was taken away before the end is left out."""
    try:
        with write_whole(path) as part:
            yield part
            if not part.exists():
                raise _LeftOut
    except _LeftOut:
        return


def _run(original: Original, writers: list[PrintWriter], rows: int, progress: Progress) -> None:
    """Read the picture once, and hand each band to all prints that show some of it."""
    resizers = [Resizer(original.size, writer.frame.part, writer.picture_size) for writer in writers]
    first, last = min(r.rows[0] for r in resizers), max(r.rows[1] for r in resizers)
    width = original.size.width_px
    with (
        ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="print") as pool,
        progress.task("Making prints", last - first) as task,
    ):
        for band in blocks(Window(0, first, width, last - first), width, rows):
            planes = planes_of(original.source.read(band))

            def one(
                pair: tuple[Resizer, PrintWriter], planes: NDArray[np.float32] = planes, y0: int = band.y0_px
            ) -> None:
                resizer, writer = pair
                finished = resizer.take(planes, y0)
                if finished.shape[0]:
                    writer.take(finished)

            list(pool.map(one, zip(resizers, writers, strict=True)))
            task.advance(band.height_px)


def planes_of(codes: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
    """Codes (n, w, 3) as 16-bit codes (3, n, w), float32."""
    planes = np.empty((3, *codes.shape[:2]), np.float32)
    factor = 257.0 if codes.dtype == np.uint8 else 1.0
    for channel, plane in enumerate(cv2.split(codes)):
        np.multiply(plane, np.float32(factor), out=planes[channel])
    return planes


def _rows_a_band(original: Original, frames: tuple[Frame, ...], request: PrintRequest) -> int:
    """Rows read at once, as many as the budget allows. Raises UsageError."""
    width = original.size.width_px
    out_widths = [frame.paper.width_px for frame in frames]
    fixed = BASE_MB + sum(_held_bytes(original, frame) for frame in frames) / 1e6
    needed = []
    for rows in ROWS_A_BAND:
        reading = rows * width * (2 * 6 + 12 + 6)
        working = sum(rows * 3 * 4 * out * 2 + (rows + 24) * out * (3 * 4 * 2 + 24) for out in out_widths)
        needed.append(fixed + (reading + working) / 1e6)
        if needed[-1] <= request.memory_mb:
            return rows
    raise UsageError(
        f"{request.memory_mb} MB of memory is too little for these prints.",
        advice=f"Give --memory {int(needed[-1]) + 1} or more, or make fewer sizes at once.",
    )


def _held_bytes(original: Original, frame: Frame) -> float:
    """Of one print while it is made: rows begun, weights of both directions, rows that wait to be packed."""
    scale = max(1.0, frame.part.width / frame.picture.width_px)
    weights = (
        frame.picture.width_px * (32 + 16 * scale) * 4
        + (frame.picture.width_px + frame.picture.height_px) * 17 * scale * 16
    )
    return 24 * frame.paper.width_px * 12 + weights + 3 * 64 * frame.paper.width_px * 6


def _bytes_at_most(frames: tuple[Frame, ...], request: PrintRequest) -> int:
    share = 1.5 if request.most_mb is not None else 1.0
    count = sum(frame.paper.width_px * frame.paper.height_px * 3 for frame in frames)
    return int(share * count * request.kind.bits / 8)


def with_sizes(request: PrintRequest, names: set[str]) -> PrintRequest:
    """The request for some of its sizes only."""
    return replace(request, wanted=tuple(one for one in request.wanted if one.size.name in names))
