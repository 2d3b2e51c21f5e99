"""The scan of a white sheet given with --flat: looked at like a scan, read for the light over the glass, kept apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from stitch.errors import ScanError, UsageError
from stitch.imaging.colour import Encoding
from stitch.job.folder import JobFolder
from stitch.model.scans import Scan
from stitch.model.settings import JoinSettings, ToneMatch
from stitch.progress import Progress
from stitch.scans.inspect import inspect
from stitch.scans.preflight import effective_ppi
from stitch.scans.profiles import has_same_colours, working_profile
from stitch.scans.readers import open_scan
from stitch.tone.flat import Flat, read_flat, require_same_bed

SETTINGS_ADVICE = "Scan the sheet with the settings of the scans, or leave it away with --flat none."


@dataclass(frozen=True, slots=True, eq=False)
class WhiteSheet:
    """The sheet's scan and the light it shows."""

    scan: Scan
    flat: Flat


def require_use(settings: JoinSettings) -> None:
    """Raise UsageError when a white sheet is given and cannot be used."""
    if not settings.flat_path:
        return
    if settings.tone is ToneMatch.NONE:
        raise UsageError(
            "--flat and --tone none contradict each other: one changes the codes of the scans, the other keeps them.",
            advice="Leave one of them away (--flat none), or take --tone gain.",
        )
    if not Path(settings.flat_path).is_file():
        raise UsageError(
            f"The white sheet {settings.flat_path}, given with --flat, is not there.",
            advice="Name the file of its scan, or leave it away with --flat none.",
        )


def read(
    folder: JobFolder,
    scans: Sequence[Scan],
    assigned: bytes | None,
    encoding: Encoding,
    ppi: Mapping[str, float],
    progress: Progress,
) -> WhiteSheet | None:
    """The white sheet of the job, None where none was given. Raises ScanError when it cannot be used for the scans."""
    settings = folder.request.settings
    if not settings.flat_path:
        return None
    path = Path(settings.flat_path)
    found = inspect(path, [scan.scan_id for scan in scans], scratch=folder.scratch, progress=progress).scans
    if len(found) > 1:
        raise ScanError(f"{path.name}, given with --flat, holds {len(found)} pictures.", advice="Give one picture.")
    sheet = found[0]
    _require_same_settings(sheet, scans, assigned)
    own_ppi = effective_ppi(sheet, settings.scan_dpi)
    source = open_scan(sheet, scratch=folder.scratch)
    try:
        flat = read_flat(source, encoding, bits=sheet.bits, ppi=own_ppi, file_name=path.name, sha256=sheet.sha256)
    finally:
        source.close()
    require_same_bed(flat, {scan.scan_id: scan.size for scan in scans}, ppi)
    return WhiteSheet(sheet, flat)


def _require_same_settings(sheet: Scan, scans: Sequence[Scan], assigned: bytes | None) -> None:
    name = sheet.path.name
    if sheet.is_grey != scans[0].is_grey:
        raise ScanError(
            f"{name}, given with --flat, is {'grey' if sheet.is_grey else 'in colour'} and the scans are not.",
            advice=SETTINGS_ADVICE,
        )
    if not has_same_colours(working_profile((sheet,), assigned), working_profile(scans, assigned)):
        raise ScanError(
            f"{name}, given with --flat, has another colour profile than the scans.", advice=SETTINGS_ADVICE
        )
