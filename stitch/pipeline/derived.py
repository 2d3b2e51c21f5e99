"""What every step from a finished picture to another one shares: open it, plan the memory, write beside it."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.compose.windows import BASE_MB
from stitch.errors import ScanError, UsageError, WriteError, write_error
from stitch.imaging.affine import mm_from_px
from stitch.imaging.colour import Encoding
from stitch.imaging.windows import bands, blocks
from stitch.job.disk import require_free
from stitch.job.whole import write_whole
from stitch.master.carried import Carried, is_ours, read_carried
from stitch.master.png import PngWriter
from stitch.model.geometry import Size, Window
from stitch.model.master import DerivedSpec
from stitch.model.scans import PixelSource, Scan
from stitch.progress import SILENT, Progress
from stitch.scans.preflight import effective_ppi
from stitch.scans.readers import open_image

USUAL_MEMORY_MB = 1000
SIDES_PX = (512, 384, 256, 128, 64)
NOT_OF_THE_RESULT = ("path", "out", "memory_mb", "force")  # fields of every request
CODES_COPIES = 6  # of a band's codes that are alive at once: read, with its margin, made, packed, written


@dataclass(frozen=True, slots=True, eq=False)
class Original:
    """A finished picture that another one is made from; it is only read."""

    path: Path
    scan: Scan
    source: PixelSource
    ppi: float
    encoding: Encoding
    carried: Carried
    scratch: Path

    @property
    def size(self) -> Size:
        """Its size."""
        return self.scan.size

    def mm(self, length_px: float) -> float:
        """Length in mm of px of it."""
        return mm_from_px(length_px, self.ppi)


@contextmanager
def opened(path: Path, folder: Path, *, why_dpi: str) -> Iterator[Original]:
    """Open a picture; working files go into `folder` and are gone at the end.

    why_dpi : what cannot be known without a resolution, for the message. Raises ScanError, WriteError.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        place = tempfile.TemporaryDirectory(prefix=".stitch-", dir=folder)
    except OSError as error:
        raise write_error(folder, error) from error
    with place as scratch:
        scan, source = open_image(path, scratch=Path(scratch))
        try:
            if scan.ppi_x is None:
                raise ScanError(
                    f"{path.name} does not say how many pixels make an inch, so {why_dpi} cannot be told.",
                    advice="Use a master that stitch wrote, or set the resolution where the file was made.",
                )
            encoding = Encoding.of_profile(scan.profile)
            yield Original(path, scan, source, effective_ppi(scan, None), encoding, read_carried(path), Path(scratch))
        finally:
            source.close()


def spec_of(
    original: Original,
    step: str,
    *,
    settings: tuple[str, Mapping[str, Any]],
    size: Size | None = None,
    ppi: float | None = None,
) -> DerivedSpec:
    """What the new picture is to be: as the original, with one step more on its record.

    settings : the step's name, and what a program needs to do it again.
    """
    carried, scan = original.carried, original.scan
    source = (original.path.name, scan.sha256)
    return DerivedSpec(
        size=size or original.size,
        bits=scan.bits,
        ppi=ppi or original.ppi,
        profile=scan.profile,
        title=carried.title,
        creator=carried.creator,
        rights=carried.rights,
        history=(step,),
        ingredients=carried.ingredients or (source,),
        earlier=carried.events,
        made_from=source,
        steps=(*carried.steps, (settings[0], json.dumps(settings[1], sort_keys=True))),
    )


def asked_of(request: Any) -> dict[str, Any]:
    """What of a request (a dataclass) decides the result, as plain values; files by their names."""
    asked = {one.name: getattr(request, one.name) for one in fields(request) if one.name not in NOT_OF_THE_RESULT}
    return {name: value.name if isinstance(value, Path) else value for name, value in asked.items()}


def named(path: Path, out: Path | None, end: str) -> Path:
    """NAME and `end` in the folder asked for, or beside the original."""
    return (out or path.parent) / f"{path.stem}{end}"


def require_names(paths: Sequence[Path], original: Path, *, force: bool) -> None:
    """Files in the way may be replaced when stitch wrote them, or with `force`. Raises WriteError."""
    for path in paths:
        if path.exists() and (path.resolve() == original.resolve() or not (force or is_ours(path))):
            raise WriteError(
                f"{path} exists already and was not written by stitch, or was changed since.",
                advice="Choose another place with --out, move it away, or add --force to replace it.",
            )


@contextmanager
def writing(paths: Sequence[Path], needed_bytes: int) -> Iterator[list[Path]]:
    """Write several files, all or none; yields their temporary names. Raises WriteError."""
    require_free(paths[0].parent, needed_bytes)
    with ExitStack() as stack:
        yield [stack.enter_context(write_whole(path)) for path in paths]


@dataclass(frozen=True, slots=True)
class Strips:
    """How the picture is worked through: bands of rows, cut into blocks, some at once."""

    rows_px: int
    block_px: int
    threads: int


def strips_for(
    size: Size, bits: int, memory_mb: int, *, bytes_a_px: float, margin_px: int, held_mb: float = 0.0, samples: int = 3
) -> Strips:
    """The largest strips that fit the budget. `bytes_a_px` : while a block is worked on. Raises UsageError."""
    cores = os.cpu_count() or 1
    found: list[tuple[float, Strips]] = []
    for rows in SIDES_PX:
        row_bytes = size.width_px * samples * bits // 8
        band = CODES_COPIES * (rows + 2 * margin_px) * row_bytes
        for threads in range(1, cores + 1):
            block = (rows + 2 * margin_px) ** 2 * bytes_a_px * threads
            found.append((BASE_MB + held_mb + (band + block) / 1e6, Strips(rows, rows, threads)))
    fitting = [one for mb, one in found if mb <= memory_mb]
    if not fitting:
        least = int(min(mb for mb, _ in found)) + 1
        raise UsageError(
            f"{memory_mb} MB of memory is too little for {size.width_px} × {size.height_px} pixels.",
            advice=f"The smallest that works is {least} MB: give --memory {least} or more.",
        )
    return max(fitting, key=lambda one: (one.threads, one.rows_px))


Made = tuple[NDArray[Any], ...]


def worked(
    source: PixelSource,
    strips: Strips,
    margin_px: int,
    make: Callable[[NDArray[Any], Window], Made],
    *,
    label: str,
    progress: Progress = SILENT,
) -> Iterator[tuple[Window, NDArray[Any], Made]]:
    """Work through a picture; yields each band of full rows with its codes and what was made of it.

    make : gets codes of a window that is `margin_px` larger than wanted (where the picture goes on), and that window;
        returns arrays of the window's shape, whose margins are cut off.
    """
    size = source.size
    with (
        ThreadPoolExecutor(strips.threads, thread_name_prefix="block") as pool,
        progress.task(label, size.megapixels) as task,
    ):
        for band in bands(size, strips.rows_px):
            whole = band.grown(margin_px).clipped(size)
            codes = source.read(whole)

            def one(block: Window, codes: NDArray[Any] = codes, whole: Window = whole) -> Made:
                around = block.grown(margin_px).clipped(size)
                made = make(np.ascontiguousarray(codes[around.slices_in(whole)]), around)
                return tuple(array[block.slices_in(around)] for array in made)

            parts = list(pool.map(one, blocks(band, strips.block_px, band.height_px)))
            joined = tuple(np.concatenate([part[k] for part in parts], axis=1) for k in range(len(parts[0])))
            yield band, codes[band.slices_in(whole)], joined
            task.advance(band.width_px * band.height_px / 1e6)


def write_picture(
    part: Path, picture: NDArray[np.uint8], *, ppi: float, profile: bytes | None, description: str
) -> None:
    """A small picture to look at, uint8 (h, w, 3) or (h, w), as PNG. Raises WriteError."""
    size = Size(picture.shape[1], picture.shape[0])
    samples = picture.shape[2] if picture.ndim == 3 else 1
    with PngWriter(part, size, samples=samples, bits=8, ppi=ppi, profile=profile, description=description) as writer:
        writer.write_rows(picture)
        writer.finish()
