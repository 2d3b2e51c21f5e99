"""Checks of the ICC profiles: one profile for all scans, and one that fits RGB pixels.

Header fields as in ICC.1:2010, clause 7.2: date at byte 24, flags at 44, rendering intent at 64, profile ID at 84
(positions from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

from stitch.imaging import icc
from stitch.model.findings import Finding, Severity
from stitch.model.scans import Scan
from stitch.scans.wording import listed, names, plural

IDLE_FIELDS = ((24, 36), (44, 48), (64, 68), (84, 100))  # date, flags, intent, ID: do not change any colour


def profile_findings(scans: Sequence[Scan], *, assigned: bytes | None) -> list[Finding]:
    """What is to be said of the scans' profiles; `assigned` is for scans that carry none."""
    replaced = [scan for scan in scans if assigned is not None and _is_grey_profile(scan)]
    found = _unfit_assigned(assigned) + _unfit([scan for scan in scans if scan not in replaced])
    if found:
        return found
    found = _replaced(replaced)
    bare = [scan for scan in scans if scan.profile is None or scan in replaced]
    groups = _groups([scan for scan in scans if scan not in bare])
    if len(groups) > 1:
        found += _mixed(groups)
    if bare and assigned is None:
        found += _partly_missing(bare, groups) if groups else _missing(bare)
    if assigned is not None and groups:
        found += _assigned_beside(bare, groups, assigned)
    return found


def working_profile(scans: Sequence[Scan], assigned: bytes | None) -> bytes | None:
    """The profile of the master: that of the scans, unchanged; else the assigned one; else none.

    The profile of a grey scan cannot describe an RGB master and gives way to an assigned one.
    """
    own = [scan.profile for scan in scans if scan.profile is not None and not _is_grey_profile(scan)]
    return own[0] if own else assigned


def why_unfit(profile: bytes) -> str:
    """Why a profile cannot describe RGB pixels, as the end of a sentence; "" when it can."""
    try:
        icc.read_tags(profile)
    except icc.ProfileFault as fault:
        return f"is damaged or not an ICC profile ({fault})"
    space = icc.colour_space(profile).strip()
    return "" if space == "RGB" else f"is made for {space}, not for RGB"


def profile_name(profile: bytes) -> str:
    """The name a profile gives itself, or a plain substitute."""
    return icc.describe(icc.read_tags(profile))


def has_same_colours(one: bytes | None, other: bytes | None) -> bool:
    """True when two profiles say the same of every colour."""
    return one == other or (one is not None and other is not None and _essence(one) == _essence(other))


def _essence(profile: bytes) -> bytes:
    """The profile without what does not change any colour, for comparing."""
    data = bytearray(profile)
    for start, end in IDLE_FIELDS:
        data[start:end] = bytes(end - start)
    return bytes(data)


def _groups(scans: Sequence[Scan]) -> list[list[Scan]]:
    """Scans by profile, the largest group first."""
    groups: dict[bytes, list[Scan]] = {}
    for scan in scans:
        groups.setdefault(_essence(scan.profile or b""), []).append(scan)
    return sorted(groups.values(), key=len, reverse=True)


def _unfit_assigned(assigned: bytes | None) -> list[Finding]:
    why = why_unfit(assigned) if assigned is not None else ""
    if not why:
        return []
    advice = "Give an RGB profile, with the ending .icc or .icm."
    return [Finding("profile-unfit", Severity.STOP, f"The profile given with --profile {why}.", advice)]


def _is_grey_profile(scan: Scan) -> bool:
    return scan.is_grey and scan.profile is not None and scan.profile[16:20] == b"GRAY"


def _replaced(scans: Sequence[Scan]) -> list[Finding]:
    if not scans:
        return []
    message = f"The grey profile in {names(scans)} gave way to the one given with --profile; no tone was converted."
    return [Finding("grey-profile-replaced", Severity.WARNING, message, scan_ids=_ids(scans))]


def _unfit(scans: Sequence[Scan]) -> list[Finding]:
    groups: dict[str, list[Scan]] = {}
    for scan in scans:
        if scan.profile is not None and (why := why_unfit(scan.profile)):
            groups.setdefault(why, []).append(scan)
    advice = "Scan again in colour; for grey scans an RGB profile of the same tone can be assigned with --profile FILE."
    return [
        Finding("profile-unfit", Severity.STOP, f"The profile in {names(group)} {why}.", advice, _ids(group))
        for why, group in groups.items()
    ]


def _mixed(groups: list[list[Scan]]) -> list[Finding]:
    parts: list[str] = []
    seen: set[str] = set()
    for group in groups:
        name = profile_name(group[0].profile or b"")
        parts.append(f"{names(group)} {plural(group, 'has', 'have')} {'another ' if name in seen else ''}“{name}”")
        seen.add(name)
    message = f"The scans carry different colour profiles: {listed(parts)}."
    advice = "Scan all with the same colour setting, or convert all to one profile where they were scanned."
    return [
        Finding("mixed-profiles", Severity.STOP, message, advice, tuple(s for group in groups for s in _ids(group)))
    ]


def _partly_missing(bare: list[Scan], groups: list[list[Scan]]) -> list[Finding]:
    message = f"{names(bare)} {plural(bare, 'carries', 'carry')} no colour profile, {names(groups[0])} does."
    if len(groups[0]) > 1:
        message = message.removesuffix("does.") + "do."
    advice = "If all were scanned with the same colour setting, assign the missing profile with --profile FILE."
    return [Finding("profile-partly-missing", Severity.STOP, message, advice, _ids(bare))]


def _missing(bare: list[Scan]) -> list[Finding]:
    message = "No scan carries a colour profile, so nobody can know exactly which colours are meant."
    advice = "Assign the scanner's profile with --profile FILE if you have it; the master will carry none otherwise."
    return [Finding("no-profile", Severity.WARNING, message, advice, _ids(bare))]


def _assigned_beside(bare: list[Scan], groups: list[list[Scan]], assigned: bytes) -> list[Finding]:
    own = [scan for group in groups for scan in group]
    if all(_essence(group[0].profile or b"") == _essence(assigned) for group in groups):
        return []
    if bare:
        message = (
            f"The profile given with --profile (“{profile_name(assigned)}”) is not the one that {names(own)} "
            f"{plural(own, 'carries', 'carry')}."
        )
        advice = "Give the same profile that the other scans carry; a profile is assigned, never converted."
        return [Finding("mixed-profiles", Severity.STOP, message, advice, _ids([*bare, *own]))]
    message = f"--profile was not used: {names(own)} {plural(own, 'carries its', 'carry their')} own profile."
    return [Finding("profile-not-used", Severity.WARNING, message, scan_ids=_ids(own))]


def _ids(scans: Sequence[Scan]) -> tuple[str, ...]:
    return tuple(scan.scan_id for scan in scans)
