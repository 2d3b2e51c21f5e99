"""What every room of a run shares."""

from __future__ import annotations

import os
from dataclasses import dataclass

from stitch.imaging.colour import Encoding
from stitch.job.folder import JobFolder
from stitch.model.settings import JoinSettings
from stitch.pipeline.keep import Keeper
from stitch.progress import Progress


@dataclass(frozen=True, slots=True)
class Job:
    """The job's folder, what it keeps, what was asked, and how its pixels are to be read."""

    folder: JobFolder
    keeper: Keeper
    settings: JoinSettings
    encoding: Encoding
    bits: int  # of the master
    progress: Progress

    @property
    def threads(self) -> int:
        """Threads to use: as asked, or one for each core."""
        return self.settings.jobs or os.cpu_count() or 1
