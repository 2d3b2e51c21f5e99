"""A plain mask file with marks painted over it: white is motif, black is ground, anything between stays as found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.errors import UsageError
from stitch.model.geometry import Size, Window
from stitch.scans.facts import PageFacts
from stitch.scans.inspect import inspect
from stitch.scans.orientation import shown_pixels, shown_size, stored_window
from stitch.scans.sources import facts_of, header, open_stored

WHITE, BLACK = 0.98, 0.02  # of the code range
OPAQUE = 0.5
SAME_SHAPE = 0.01  # that its sides may differ from the picture's in their ratio

Boolean = NDArray[np.bool_]


class MarkFile:
    """Marks for a picture, from a file of its size or a smaller one of its shape."""

    def __init__(self, path: Path, picture: Size, scratch: Path) -> None:
        """Raises UsageError when its shape is not the picture's, ScanError when it cannot be read."""
        scan = inspect(path, (), scratch=scratch).scans[0]
        page = header(path, 0)
        self._facts: PageFacts = facts_of(page)
        self._size = shown_size(self._facts.size, self._facts.orientation)
        ratio = self._size.width_px * picture.height_px / (self._size.height_px * picture.width_px)
        if abs(ratio - 1) > SAME_SHAPE:
            raise UsageError(
                f"The marks {path.name} have another shape than the picture.",
                advice="Paint them over the mask that stitch cutout wrote, and keep its size.",
            )
        self._picture = picture
        self._stored = open_stored(path, page, scan.sha256, scratch=scratch)

    def at(self, window: Window) -> tuple[Boolean, Boolean]:
        """What is marked as motif and as ground in a window of the picture, (h, w) each."""
        columns = self._places(window.x0_px, window.width_px, self._picture.width_px, self._size.width_px)
        rows = self._places(window.y0_px, window.height_px, self._picture.height_px, self._size.height_px)
        near = Window(int(columns[0]), int(rows[0]), int(columns[-1] - columns[0]) + 1, int(rows[-1] - rows[0]) + 1)
        stored = self._stored.read(stored_window(near, self._facts.size, self._facts.orientation))
        values = shown_pixels(stored, self._facts.orientation).astype(np.float32) / np.iinfo(stored.dtype).max
        values = values[rows - rows[0]][:, columns - columns[0]]
        return self._marks(values)

    def close(self) -> None:
        """Release the file."""
        self._stored.close()

    def _marks(self, values: NDArray[Any]) -> tuple[Boolean, Boolean]:
        colours = values[..., :1] if self._facts.is_grey else values[..., :3]
        if self._facts.is_inverted:
            colours = 1 - colours
        has_alpha = values.shape[2] > colours.shape[2]
        painted = values[..., -1] >= OPAQUE if has_alpha else np.ones(values.shape[:2], bool)
        return painted & (colours.min(axis=2) >= WHITE), painted & (colours.max(axis=2) <= BLACK)

    @staticmethod
    def _places(first: int, count: int, of: int, marks: int) -> NDArray[np.intp]:
        return ((np.arange(first, first + count) + 0.5) * marks / of).astype(np.intp).clip(0, marks - 1)
