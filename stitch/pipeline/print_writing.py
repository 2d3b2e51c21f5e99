"""The rows of one print on their way into its file: put on paper, converted, written, looked at."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from stitch.errors import ScanError
from stitch.imaging import icc
from stitch.master.writer import MasterWriter
from stitch.master.xmp import SOFTWARE, xmp_packet
from stitch.model.geometry import Size
from stitch.model.master import DerivedSpec
from stitch.model.prints import FileKind, Intent
from stitch.pipeline.derived import Original, spec_of
from stitch.pipeline.print_plan import PrintRequest, settings_of, told_of
from stitch.prints.colours import converted, srgb_profile
from stitch.prints.fit import Frame
from stitch.prints.jpeg import JpegWriter, head_segments
from stitch.prints.thumb import Thumb
from stitch.scans.profiles import why_unfit

LEAST_QUALITY, QUALITY_STEP = 75, 4
ROWS_AT_ONCE = 64


def own_profile(original: Original) -> bytes:
    """The picture's own profile; sRGB is taken where it carries none. Raises ScanError for one that is not for RGB."""
    profile = original.scan.profile
    if profile is None:
        return srgb_profile()
    why = why_unfit(profile)
    if why:
        raise ScanError(
            f"The profile in {original.path.name} {why}.", advice="Make the prints of a master that stitch wrote."
        )
    return profile


class PrintWriter:
    """Context manager that writes one print; `finish` makes it whole.

    part : where it is written. target : its profile.
    """

    def __init__(self, part: Path, frame: Frame, request: PrintRequest, original: Original, target: bytes) -> None:
        self.frame, self.too_large = frame, ""
        self.thumb = Thumb(frame.paper)
        self.quality = request.quality if request.kind is FileKind.JPEG else None
        self._part, self._request, self._target = part, request, target
        self._own = own_profile(original)
        self._spec = _spec(frame, request, original, target)
        self._border = _border_codes(request, target)
        self._spool = original.scratch / f"{part.name}.raw" if self._must_weigh else None
        self._stack = ExitStack()
        self._writer: Any = None

    @property
    def picture_size(self) -> Size:
        """Size of the work on the paper."""
        return Size(self.frame.picture.width_px, self.frame.picture.height_px)

    @property
    def _must_weigh(self) -> bool:
        return self._request.most_mb is not None and self._request.kind is FileKind.JPEG

    def __enter__(self) -> Self:
        if self._spool is not None:
            self._writer = self._stack.enter_context(_Spool(self._spool))
        else:
            self._writer = self._stack.enter_context(self._new_writer(self.quality or 0))
        self._write(self._bare(self.frame.picture.y0_px))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.__exit__(kind, error, trace)
        if self._spool is not None:
            self._spool.unlink(missing_ok=True)

    def take(self, rows: NDArray[np.float32]) -> None:
        """Rows of the work (n, 3, width) in 16-bit codes of the picture's own profile."""
        codes = np.rint(np.clip(rows, 0.0, 65535.0)).astype(np.uint16).transpose(0, 2, 1)
        same = self._own == self._target and self._request.kind.bits == 16
        if not same:
            codes = converted(codes, self._own, self._target, self._request.intent, self._request.kind.bits)
        at, paper = self.frame.picture, self.frame.paper
        if at.width_px != paper.width_px:
            whole = self._bare(codes.shape[0])
            whole[:, at.x0_px : at.x1_px] = codes
            codes = whole
        self._write(codes)

    def finish(self) -> None:
        """Write the border below and end the file; `too_large` says why there is none."""
        self._write(self._bare(self.frame.paper.height_px - self.frame.picture.y1_px))
        self._writer.finish()
        if self._spool is not None:
            self._weigh(self._spool)
        elif self._request.most_mb is not None and self._part.stat().st_size > self._request.most_mb * 1e6:
            self._leave_out()

    def _weigh(self, spool: Path) -> None:
        """Pack at the quality asked for, and lower until the file is small enough."""
        most = (self._request.most_mb or 0.0) * 1e6
        shape = (self.frame.paper.height_px, self.frame.paper.width_px, 3)
        rows = np.memmap(spool, np.uint8, "r", shape=shape)
        for quality in range(self._request.quality, min(LEAST_QUALITY, self._request.quality) - 1, -QUALITY_STEP):
            with self._new_writer(quality) as writer:
                for first in range(0, shape[0], 512):
                    writer.write_rows(np.asarray(rows[first : first + 512]))
                writer.finish()
            self.quality = quality
            if self._part.stat().st_size <= most:
                return
        self._leave_out()

    def _leave_out(self) -> None:
        size_mb = self._part.stat().st_size / 1e6
        self.too_large = f"it would have {size_mb:.1f} MB, more than --max-mb {self._request.most_mb:g}"
        self._part.unlink()

    def _new_writer(self, quality: int) -> Any:
        if self._request.kind is not FileKind.JPEG:
            return MasterWriter(self._part, self._spec, file_name=self._part.name)
        packet = xmp_packet(self._spec, datetime.now().astimezone(), "image/jpeg")
        head = head_segments(
            self.frame.dpi,
            self._target,
            packet,
            title=self._spec.title,
            creator=self._spec.creator,
            rights=self._spec.rights,
            software=SOFTWARE,
        )
        return JpegWriter(self._part, self.frame.paper, quality, head)

    def _bare(self, count: int) -> NDArray[Any]:
        """Rows of border alone."""
        return np.broadcast_to(self._border, (count, self.frame.paper.width_px, 3)).copy()

    def _write(self, codes: NDArray[Any]) -> None:
        for first in range(0, codes.shape[0], ROWS_AT_ONCE):
            rows = codes[first : first + ROWS_AT_ONCE]
            self._writer.write_rows(rows)
            self.thumb.write_rows(rows)


class _Spool:
    """Rows as they are, in a file of their own until they are packed."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> Self:
        self._file = self._path.open("wb")
        return self

    def __exit__(self, *stop: object) -> None:
        self._file.close()

    def write_rows(self, rows: NDArray[np.uint8]) -> None:
        self._file.write(np.ascontiguousarray(rows).data)

    def finish(self) -> None:
        self._file.flush()


def _spec(frame: Frame, request: PrintRequest, original: Original, target: bytes) -> DerivedSpec:

    name = icc.describe(icc.read_tags(target))
    spec = spec_of(
        original,
        told_of(frame, request, name),
        size=frame.paper,
        ppi=frame.dpi,
        settings=("print", settings_of(frame, request)),
    )
    return replace(
        spec,
        bits=request.kind.bits,
        profile=target,
        title=spec.title if request.title is None else request.title,
        creator=spec.creator if request.creator is None else request.creator,
        rights=spec.rights if request.rights is None else request.rights,
    )


def _border_codes(request: PrintRequest, target: bytes) -> NDArray[Any]:
    """The border's colour (3,) in the print's profile."""
    colour = np.array(request.border_colour, np.uint8).reshape(1, 1, 3)
    if request.border_colour == (255, 255, 255):
        return np.full(3, 2**request.kind.bits - 1, f"u{request.kind.bits // 8}")
    return converted(colour, srgb_profile(), target, Intent.RELATIVE, request.kind.bits).reshape(3)
