"""Checks of the resolution that the scans state."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stitch.errors import ScanError
from stitch.model.findings import Finding, Severity
from stitch.model.scans import Scan
from stitch.scans.wording import listed, names, number, plural

DIFFERENCE_LIMIT = 0.01  # more than this between scans, or between x and y, stops the run
DIFFERENCE_NOTED = 0.001  # more than rounding to whole pixels per cm or per metre explains at 600 dpi (0.1 %)
PLACEHOLDERS_PPI = (72.0, 96.0)  # written by many programs that do not know; common practice, no source
LOW_PPI = 300.0  # below this fine work loses detail; common practice, no source


def stated_ppi(scan: Scan) -> tuple[float, float] | None:
    """Resolution across and down that the file states; None when it states none, or only one of them."""
    if scan.ppi_x is None or scan.ppi_y is None:
        return None
    return scan.ppi_x, scan.ppi_y


def effective_ppi(scan: Scan, scan_dpi: float | None) -> float:
    """Pixels per inch of a scan: what its file states (geometric mean of x and y), else `scan_dpi`.

    Raises ScanError when neither is known.
    """
    stated = stated_ppi(scan)
    if stated is not None:
        return math.sqrt(stated[0] * stated[1])
    if scan_dpi is None:
        finding = _unknown([scan], None)[0]
        raise ScanError(finding.message, advice=finding.advice, scan_ids=finding.scan_ids)
    return scan_dpi


def resolution_findings(
    scans: Sequence[Scan], *, scan_dpi: float | None, dpi: float | None, allow_enlarge: bool
) -> list[Finding]:
    """What is to be said of the scans' resolution."""
    known = [scan for scan in scans if stated_ppi(scan) is not None or scan_dpi is not None]
    return [
        *_unknown([scan for scan in scans if stated_ppi(scan) is None], scan_dpi),
        *_overruled(scans, scan_dpi),
        *_placeholders(scans),
        *_not_square(scans),
        *_differing(known, scan_dpi, dpi),
        *_enlarged(known, scan_dpi, dpi, allow_enlarge=allow_enlarge),
        *_low(known, scan_dpi),
    ]


def _spread(values: Sequence[float]) -> float:
    """How far the greatest lies above the least, as a fraction; rounding of the sixth digit does not count."""
    return round(max(values) / min(values) - 1, 6)


def _unknown(without: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    if not without:
        return []
    ids = tuple(scan.scan_id for scan in without)
    message = f"{names(without)} {plural(without, 'does', 'do')} not state a resolution"
    if scan_dpi is not None:
        note = f"{message}; {number(scan_dpi)} dpi was taken, as given with --scan-dpi."
        return [Finding("resolution-given", Severity.NOTE, note, scan_ids=ids)]
    advice = "Say what the scanner was set to, for instance --scan-dpi 600."
    return [Finding("resolution-unknown", Severity.STOP, message + ".", advice, ids)]


def _overruled(scans: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    """--scan-dpi is for files that state nothing; what a file states is not put aside in silence."""
    if scan_dpi is None:
        return []
    other = [s for s in scans if stated_ppi(s) and _spread((effective_ppi(s, None), scan_dpi)) > DIFFERENCE_LIMIT]
    if not other:
        return []
    values = [effective_ppi(scan, None) for scan in other]
    message = f"--scan-dpi {number(scan_dpi)} was not used for scans that state another resolution: "
    message += f"{_by_resolution(other, values)}."
    advice = "If what the files state is wrong, save them again with the right value: all sizes hang on it."
    return [Finding("resolution-overruled", Severity.WARNING, message, advice, tuple(s.scan_id for s in other))]


def _placeholders(scans: Sequence[Scan]) -> list[Finding]:
    doubtful = [scan for scan in scans if scan.ppi_x in PLACEHOLDERS_PPI and scan.ppi_y in PLACEHOLDERS_PPI]
    if not doubtful:
        return []
    message = (
        f"{names(doubtful)} {plural(doubtful, 'states', 'state')} {number(doubtful[0].ppi_x or 0)} dpi, which many "
        "programs write when they do not know."
    )
    advice = "If the scanner was set to another value, save the scans again with the right one: all sizes hang on it."
    return [Finding("resolution-doubtful", Severity.WARNING, message, advice, tuple(s.scan_id for s in doubtful))]


def _not_square(scans: Sequence[Scan]) -> list[Finding]:
    found = []
    for scan in scans:
        stated = stated_ppi(scan)
        if stated is None or _spread(stated) <= DIFFERENCE_NOTED:
            continue
        is_stop = _spread(stated) > DIFFERENCE_LIMIT
        found.append(
            Finding(
                "pixels-not-square",
                Severity.STOP if is_stop else Severity.WARNING,
                f"{scan.scan_id} states {number(stated[0])} dpi across and {number(stated[1])} dpi down.",
                "Scan with the same value in both directions, or correct the value if it is wrong.",
                (scan.scan_id,),
            )
        )
    return found


def _differing(scans: Sequence[Scan], scan_dpi: float | None, dpi: float | None) -> list[Finding]:
    if not scans:
        return []
    values = [effective_ppi(scan, scan_dpi) for scan in scans]
    difference = _spread(values)
    if difference <= DIFFERENCE_NOTED:
        return []
    message = f"The scans differ in resolution: {_by_resolution(scans, values)}."
    ids = tuple(scan.scan_id for scan in scans)
    if difference <= DIFFERENCE_LIMIT:
        return [Finding("resolution-differs-slightly", Severity.NOTE, message, scan_ids=ids)]
    if dpi is not None:
        message += f" All are brought to {number(dpi)} dpi, as given with --dpi."
        return [Finding("resolution-differs", Severity.WARNING, message, scan_ids=ids)]
    advice = (
        f"Scan again with one setting, or add --dpi {math.floor(min(values) + 0.5)} to bring all to the lowest of them."
    )
    return [Finding("resolution-differs", Severity.STOP, message, advice, ids)]


def _by_resolution(scans: Sequence[Scan], values: Sequence[float]) -> str:
    """ "600 dpi: A, B; 300 dpi: C" """
    groups: dict[str, list[str]] = {}
    for value, scan in sorted(zip(values, scans, strict=True), key=lambda pair: -pair[0]):
        groups.setdefault(number(value), []).append(scan.scan_id)
    return "; ".join(f"{value} dpi: {listed(ids)}" for value, ids in groups.items())


def _enlarged(
    scans: Sequence[Scan], scan_dpi: float | None, dpi: float | None, *, allow_enlarge: bool
) -> list[Finding]:
    if dpi is None:
        return []
    short = [scan for scan in scans if dpi > effective_ppi(scan, scan_dpi) * (1 + DIFFERENCE_NOTED)]
    if not short:
        return []
    ids = tuple(scan.scan_id for scan in short)
    lowest = min(effective_ppi(scan, scan_dpi) for scan in short)
    message = f"{names(short)} would be enlarged to reach {number(dpi)} dpi ({number(lowest)} dpi is there)"
    if allow_enlarge:
        done = message.replace("would be enlarged", plural(short, "is enlarged", "are enlarged"))
        return [Finding("enlarged", Severity.WARNING, f"{done}; that adds pixels but no detail.", scan_ids=ids)]
    advice = f"Ask for --dpi {math.floor(lowest + 0.5)} or less; to enlarge all the same, add --allow-enlarge."
    return [Finding("would-enlarge", Severity.STOP, message + ".", advice, ids)]


def _low(scans: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    low = [scan for scan in scans if effective_ppi(scan, scan_dpi) < LOW_PPI * (1 - DIFFERENCE_NOTED)]
    if not low:
        return []
    message = f"{names(low)} {plural(low, 'has', 'have')} less than {LOW_PPI:.0f} dpi: enough for small prints only."
    advice = "600 dpi is a good value for paintings."
    return [Finding("low-resolution", Severity.NOTE, message, advice, tuple(scan.scan_id for scan in low))]
