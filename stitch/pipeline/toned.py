"""The first half of a run, from checked scans to matched tones: a join and a draft of its seams both begin so."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stitch.imaging.colour import Encoding
from stitch.job.folder import JobFolder
from stitch.model.bed import Bed
from stitch.model.geometry import Size
from stitch.model.layout import Layout
from stitch.model.scans import Scan
from stitch.model.ties import TieBook
from stitch.model.tone import ToneFit
from stitch.model.wishes import Frame, Wish
from stitch.pipeline import by_hand, calibration, checkin, fitting, making, noticed, placing, white_sheet, wishing
from stitch.pipeline.job import Job
from stitch.pipeline.keep import Keeper
from stitch.pipeline.white_sheet import WhiteSheet
from stitch.progress import Progress
from stitch.scans.collect import Collected
from stitch.scans.preflight import master_bits
from stitch.scans.profiles import working_profile


@dataclass(frozen=True, slots=True)
class Begun:
    """What was found out before any scan is read."""

    scanner: calibration.Calibration
    profile: bytes | None  # to assign
    collected: Collected


@dataclass(frozen=True, slots=True)
class Books:
    """What was said by hand."""

    ties: TieBook
    wishes: tuple[Wish, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Toned:
    """Scans placed, their tones matched and their sources open."""

    job: Job
    sources: making.Sources  # with their light evened out
    as_scanned: making.Sources  # the same scans without
    ppi: dict[str, float]
    profile: bytes | None
    placed: placing.Placed
    tone: ToneFit
    tables: making.Tables
    mark: str  # what the cut builds on
    frame: Frame

    @property
    def layout(self) -> Layout:
        """Where every scan lies."""
        return self.placed.layout

    @property
    def sizes(self) -> dict[str, Size]:
        """The size of every placed scan."""
        return {name: source.size for name, source in self.sources.items()}


def begin(folder: JobFolder) -> Begun:
    """Check all that can be checked without a look at the scans. Raises StitchError for what stops a run."""
    settings, root = folder.request.settings, folder.root
    fitting.require_lengths(settings, has_ruler=by_hand.has_book(root))
    white_sheet.require_use(settings)
    by_hand.require_book(root)
    wishing.require_book(root)
    white_sheet.require_use(settings)
    scanner = calibration.read(settings, folder)
    profile = checkin.read_profile(settings.profile_path)
    return Begun(scanner, profile, checkin.find(folder.request))


def books(root: Path, scans: tuple[Scan, ...]) -> Books:
    """What was said by hand, checked against the scans. Raises UsageError that names a line."""
    return Books(by_hand.read(root, scans), wishing.read(root, scans))


def white(folder: JobFolder, begun: Begun, scans: tuple[Scan, ...], progress: Progress) -> WhiteSheet | None:
    """The white sheet that was given, read. Raises ScanError when it cannot be used for the scans."""
    encoding = Encoding.of_profile(working_profile(scans, begun.profile))
    ppi = checkin.resolutions(scans, folder.request.settings.scan_dpi)
    return white_sheet.read(folder, scans, begun.profile, encoding, ppi, progress)


@contextmanager
def toned(
    folder: JobFolder,
    keeper: Keeper,
    begun: Begun,
    scans: tuple[Scan, ...],
    scanned: str,
    ties: TieBook,
    sheet: WhiteSheet | None,
    progress: Progress,
) -> Iterator[Toned]:
    """Place the scans and match their tones, keeping what is still valid. Raises StitchError for what stops a run."""
    settings = folder.request.settings
    profile = working_profile(scans, begun.profile)
    ppi, bits = checkin.resolutions(scans, settings.scan_dpi), master_bits(scans)
    job = Job(folder, keeper, settings, Encoding.of_profile(profile), bits, progress)
    with checkin.opened(scans, folder.scratch, settings.memory_mb) as sources:
        bed: Bed | None = begun.scanner.bed
        placed, placed_mark = placing.place(job, sources, ppi, bed, scanned, ties, checkin.keys(scans, bits))
        layout = placed.layout
        noticed.require_reference(settings.tone_reference, layout)
        sources = {one.scan_id: sources[one.scan_id] for one in layout.placements}
        flat = None if sheet is None else sheet.flat
        tone, mark = making.match_tone(job, sources, layout, flat, placed.painting_px, placed_mark)
        tables = making.tables_of(job, tone)
        evened = making.evened_sources(job, sources, tone)
        frame = wishing.frame_of(layout, scans)
        yield Toned(job, evened, sources, ppi, profile, placed, tone, tables, mark, frame)
