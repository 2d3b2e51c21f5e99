"""What is said of the scans of a job before any long work."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest
from PIL import ImageCms

from stitch.errors import ScanError
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.scans import Scan
from stitch.scans.preflight import effective_ppi, master_bits, preflight
from stitch.scans.profiles import working_profile
from tests.imaging import icc_maker
from tests.scans.pictures import srgb_profile

STOP, WARNING, NOTE = Severity.STOP, Severity.WARNING, Severity.NOTE


def other_profile() -> bytes:
    """sRGB by Little CMS with one curve a little off."""
    data = bytearray(srgb_profile())
    place = data.index(b"para") if b"para" in data else data.index(b"curv")
    data[place + 15] ^= 1  # the lowest bit of the curve's first parameter
    return bytes(data)


SRGB, OTHER = srgb_profile(), other_profile()
LAB = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()


def scan(name: str, **changes: Any) -> Scan:
    """A scan about which there is nothing to say."""
    plain = Scan(
        scan_id=name,
        path=Path(f"/scans/{name}.tif"),
        page_index=0,
        size=Size(5000, 7000),
        bits=16,
        is_grey=False,
        ppi_x=600.0,
        ppi_y=600.0,
        orientation=1,
        file_format="TIFF",
        compression="none",
        profile=SRGB,
        sha256=f"{name:0>64}",
        byte_count=1000,
        clipped_low_fraction=0.0,
        clipped_high_fraction=0.0,
    )
    ppi = changes.pop("ppi", None)
    if ppi is not None:
        changes |= {"ppi_x": ppi, "ppi_y": ppi}
    return dataclasses.replace(plain, **changes)


def check(*scans: Scan, **options: Any) -> tuple[Finding, ...]:
    settings: dict[str, Any] = {"scan_dpi": None, "dpi": None, "allow_enlarge": False, "profile": None}
    found = preflight(scans, **(settings | options))
    names = {item.scan_id for item in scans}
    for finding in found:
        assert re.fullmatch(r"[a-z-]+", finding.code)
        assert finding.message.endswith((".", "“.")) and "None" not in finding.message
        assert set(finding.scan_ids) <= names
        assert finding.severity is not STOP or finding.advice
    return found


def only(found: tuple[Finding, ...], code: str, severity: Severity) -> Finding:
    assert [(finding.code, finding.severity) for finding in found] == [(code, severity)]
    return found[0]


def test_nothing_to_say() -> None:
    assert check(scan("A"), scan("B"), scan("C")) == ()


def test_findings_are_collected_and_stops_come_first() -> None:
    found = check(
        scan("A", compression="jpeg", bits=8, clipped_high_fraction=0.02),
        scan("B", ppi=300.0),
        scan("C", profile=OTHER),
        scan("D", sha256=scan("B").sha256),
        scan("E", ppi_x=None, ppi_y=None),
    )
    assert [finding.severity for finding in found] == sorted(
        (finding.severity for finding in found), key=[STOP, WARNING, NOTE].index
    )
    assert {finding.code for finding in found} == {
        "duplicate-scan",
        "resolution-differs",
        "resolution-unknown",
        "mixed-profiles",
        "mixed-bit-depth",
        "clipped-highlights",
        "jpeg-compressed",
        "odd-size",
    }


def test_differing_resolution_stops_with_names() -> None:
    finding = only(check(scan("A"), scan("B"), scan("C", ppi=300.0, size=Size(2500, 3500))), "resolution-differs", STOP)
    assert finding.message == "The scans differ in resolution: 600 dpi: A and B; 300 dpi: C."
    assert "--dpi 300" in finding.advice
    assert finding.scan_ids == ("A", "B", "C")


def test_dpi_lets_differing_resolutions_through() -> None:
    scans = scan("A"), scan("B", ppi=300.0, size=Size(2500, 3500))
    assert only(check(*scans, dpi=300.0), "resolution-differs", WARNING).message.endswith("as given with --dpi.")


def test_dpi_enlarges_none_unless_asked() -> None:
    scans = scan("A"), scan("B", ppi=300.0, size=Size(2500, 3500))
    stop, warning = check(*scans, dpi=600.0)
    assert (stop.code, stop.severity, stop.scan_ids) == ("would-enlarge", STOP, ("B",))
    assert stop.message == "B would be enlarged to reach 600 dpi (300 dpi is there)."
    assert "--dpi 300" in stop.advice and "--allow-enlarge" in stop.advice
    assert warning.code == "resolution-differs"
    found = check(*scans, dpi=600.0, allow_enlarge=True)
    assert [(finding.code, finding.severity) for finding in found] == [
        ("resolution-differs", WARNING),
        ("enlarged", WARNING),
    ]


@pytest.mark.parametrize("dpi", [599.0, 600.0, 600.5, 150.0])
def test_a_master_of_no_more_resolution_is_no_enlarging(dpi: float) -> None:
    assert check(scan("A"), scan("B"), dpi=dpi) == ()


@pytest.mark.parametrize(("other", "code"), [(600.5, None), (600.59, None), (604.0, "slightly"), (606.0, "slightly")])
def test_small_differences_of_resolution(other: float, code: str | None) -> None:
    found = check(scan("A"), scan("B", ppi=other))
    assert found == () if code is None else only(found, "resolution-differs-slightly", NOTE)


def test_the_limit_is_one_percent() -> None:
    assert check(scan("A", ppi=600.0), scan("B", ppi=606.0))[0].severity is NOTE
    assert check(scan("A", ppi=600.0), scan("B", ppi=606.01))[0].severity is STOP


def test_resolution_per_cm_counts_as_the_same() -> None:
    """236 per cm is how 600 per inch is written in whole numbers: 599.44."""
    assert check(scan("A"), scan("B", ppi=236 * 2.54)) == ()


def test_pixels_that_are_not_square() -> None:
    finding = check(scan("A", ppi=595.0), scan("B", ppi_y=590.0))[0]
    assert (finding.code, finding.severity, finding.scan_ids) == ("pixels-not-square", STOP, ("B",))
    assert finding.message == "B states 600 dpi across and 590 dpi down."
    assert only(check(scan("A", ppi_y=599.0), scan("B")), "pixels-not-square", WARNING).scan_ids == ("A",)
    assert check(scan("A", ppi_y=600.5), scan("B")) == ()


@pytest.mark.parametrize("missing", [("ppi_x", "ppi_y"), ("ppi_x",), ("ppi_y",)])
def test_no_resolution_asks_for_it(missing: tuple[str, ...]) -> None:
    bare = scan("B", **dict.fromkeys(missing))
    finding = only(check(scan("A"), bare), "resolution-unknown", STOP)
    assert finding.message == "B does not state a resolution."
    assert finding.advice == "Say what the scanner was set to, for instance --scan-dpi 600."
    given = only(check(scan("A"), bare, scan_dpi=600.0), "resolution-given", NOTE)
    assert given.message == "B does not state a resolution; 600 dpi was taken, as given with --scan-dpi."


def test_a_given_resolution_is_compared_too() -> None:
    bare = scan("B", ppi_x=None, ppi_y=None)
    assert check(scan("A"), bare, scan_dpi=300.0)[0].code == "resolution-differs"


def test_a_resolution_given_for_scans_that_state_another_is_not_put_aside_in_silence() -> None:
    said = only(check(scan("A"), scan("B"), scan_dpi=300.0), "resolution-overruled", WARNING)
    assert said.scan_ids == ("A", "B")
    assert "--scan-dpi 300 was not used" in said.message and "600 dpi: A and B" in said.message
    assert not check(scan("A"), scan("B"), scan_dpi=600.0)


def test_effective_ppi() -> None:
    bare = scan("B", ppi_x=None, ppi_y=None)
    assert effective_ppi(scan("A"), None) == 600
    assert effective_ppi(scan("A"), 300.0) == 600  # what the file states is not overruled
    assert effective_ppi(bare, 300.0) == 300
    assert effective_ppi(scan("A", ppi_y=598.0), None) == pytest.approx((600 * 598) ** 0.5)
    with pytest.raises(ScanError, match="B does not state a resolution") as caught:
        effective_ppi(bare, None)
    assert caught.value.scan_ids == ("B",)


@pytest.mark.parametrize("ppi", [72.0, 96.0])
def test_a_placeholder_resolution_is_doubted(ppi: float) -> None:
    warning, note = check(scan("A", ppi=ppi), scan("B", ppi=ppi))
    assert (warning.code, warning.severity, warning.scan_ids) == ("resolution-doubtful", WARNING, ("A", "B"))
    assert note.code == "low-resolution"


def test_low_resolution_is_noted() -> None:
    assert check(scan("A", ppi=300.0), scan("B", ppi=300.0)) == ()
    finding = only(check(scan("A", ppi=299.0), scan("B", ppi=299.0)), "low-resolution", NOTE)
    assert finding.scan_ids == ("A", "B")


def test_mixed_bit_depth() -> None:
    finding = only(check(scan("A"), scan("B", bits=8), scan("C")), "mixed-bit-depth", WARNING)
    assert finding.scan_ids == ("B",)
    assert "The master will have 16; the parts from this scan keep its coarser steps of tone." in finding.message
    assert master_bits([scan("A"), scan("B", bits=8)]) == 16
    assert master_bits([scan("B", bits=8)]) == 8
    assert check(scan("A", bits=8), scan("B", bits=8)) == ()


def test_mixed_profiles_stop_and_name_the_groups() -> None:
    finding = only(check(scan("A"), scan("B", profile=OTHER), scan("C")), "mixed-profiles", STOP)
    groups = "A and C have “sRGB built-in” and B has another “sRGB built-in”"
    assert finding.message == f"The scans carry different colour profiles: {groups}."
    assert finding.scan_ids == ("A", "C", "B")


def test_a_profile_made_at_another_time_is_the_same() -> None:
    later = bytearray(SRGB)
    later[24:36] = b"\x07\xea\0\x0b\0\x19\0\x08\0\0\0\0"  # date and time
    later[84:100] = bytes(range(16))  # profile ID
    assert check(scan("A"), scan("B", profile=bytes(later))) == ()


def test_no_profile_at_all() -> None:
    bare = scan("A", profile=None), scan("B", profile=None)
    assert "--profile FILE" in only(check(*bare), "no-profile", WARNING).advice
    assert check(*bare, profile=SRGB) == ()
    assert working_profile(bare, SRGB) == SRGB
    assert working_profile(bare, None) is None


def test_some_without_a_profile() -> None:
    scans = scan("A"), scan("B", profile=None), scan("C")
    finding = only(check(*scans), "profile-partly-missing", STOP)
    assert finding.message == "B carries no colour profile, A and C do."
    assert finding.scan_ids == ("B",)
    assert check(*scans, profile=SRGB) == ()
    assert only(check(*scans, profile=OTHER), "mixed-profiles", STOP)
    assert working_profile(scans, SRGB) == SRGB
    one = only(check(scan("A"), scan("B", profile=None)), "profile-partly-missing", STOP)
    assert one.message == "B carries no colour profile, A does."


def test_a_profile_that_is_not_needed() -> None:
    scans = scan("A"), scan("B")
    assert check(*scans, profile=SRGB) == ()
    assert only(check(*scans, profile=OTHER), "profile-not-used", WARNING)
    assert working_profile(scans, OTHER) == SRGB


@pytest.mark.parametrize("bad", [b"", b"not a profile", SRGB[:100], SRGB[:-20], LAB], ids=range(5))
def test_profiles_that_do_not_fit(bad: bytes) -> None:
    assert only(check(scan("A", profile=None), scan("B", profile=None), profile=bad), "profile-unfit", STOP)
    finding = only(check(scan("A"), scan("B", profile=bad)), "profile-unfit", STOP)
    assert finding.scan_ids == ("B",)


def test_grey_scans() -> None:
    assert only(check(scan("A", is_grey=True), scan("B", is_grey=True)), "grey-scans", NOTE)
    finding = only(check(scan("A", is_grey=True), scan("B")), "grey-among-colour", STOP)
    assert finding.message == "A is grey, the other scans are in colour."


def test_a_grey_profile_cannot_go_into_the_master() -> None:
    grey_profile = icc_maker.profile({"kTRC": icc_maker.curve_gamma(2.2)}, space=b"GRAY")
    greys = [scan(name, is_grey=True, profile=grey_profile) for name in "AB"]
    stop, note = check(*greys)
    assert (stop.code, stop.severity, note.code) == ("profile-unfit", STOP, "grey-scans")
    assert stop.message == "The profile in A and B is made for GRAY, not for RGB."
    assert working_profile(greys, None) is None
    replaced, _ = check(*greys, profile=SRGB)
    assert (replaced.code, replaced.severity) == ("grey-profile-replaced", WARNING)
    assert working_profile(greys, SRGB) == SRGB


def test_a_scan_of_another_size_class() -> None:
    small = scan("D", size=Size(2000, 3000))
    finding = only(check(scan("A"), scan("B"), scan("C"), small), "odd-size", WARNING)
    assert finding.message == "D is 85 × 127 mm, unlike the others (about 212 × 296 mm)."
    turned = scan("E", size=Size(7000, 5000))
    narrower = scan("F", size=Size(4000, 7000))
    assert check(scan("A"), scan("B"), turned, narrower) == ()
    assert only(check(scan("A"), small), "odd-size", WARNING).scan_ids == ("D",)


def test_the_same_paper_size_at_another_resolution_is_no_other_size_class() -> None:
    found = check(scan("A"), scan("B"), scan("C", ppi=300.0, size=Size(2500, 3500)), dpi=300.0)
    assert [finding.code for finding in found] == ["resolution-differs"]


def test_duplicates() -> None:
    same = scan("A").sha256
    finding = only(check(scan("A"), scan("B"), scan("copy", sha256=same)), "duplicate-scan", STOP)
    assert finding.message == "A and copy are the same file, byte for byte."
    assert finding.scan_ids == ("A", "copy")
    pages = scan("A"), scan("A page 2", sha256=same, page_index=1)
    assert check(*pages) == ()


def test_clipping_above_the_stated_share() -> None:
    assert check(scan("A", clipped_high_fraction=0.005), scan("B", clipped_low_fraction=0.005)) == ()
    high = only(check(scan("A", clipped_high_fraction=0.0123), scan("B")), "clipped-highlights", WARNING)
    assert high.message == "Clipped highlights: pixels with a channel at the brightest value, in A (1.2%)."
    low = only(check(scan("A"), scan("B", clipped_low_fraction=0.3)), "clipped-shadows", WARNING)
    assert low.scan_ids == ("B",)


def test_jpeg_is_noted() -> None:
    finding = only(check(scan("A", compression="jpeg"), scan("B", compression="jpeg")), "jpeg-compressed", NOTE)
    assert finding.message == "A and B are JPEG-compressed, which loses fine detail."


def test_long_lists_of_names_are_counted() -> None:
    many = [scan(f"S{number}", ppi_x=None, ppi_y=None) for number in range(30)]
    finding = only(check(*many), "resolution-unknown", STOP)
    assert finding.message.startswith("S0, S1,") and finding.message.endswith(
        "S10 and 19 more do not state a resolution."
    )
    assert len(finding.scan_ids) == 30


def test_no_scans_and_one_scan() -> None:
    assert check() == ()
    assert check(scan("A")) == ()
