"""Records survive the way to JSON and back."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitch.model.codec import from_plain, to_plain
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from stitch.model.scans import Scan
from stitch.model.settings import JoinSettings, Measured
from stitch.model.tone import PairTone, ScanTone, ToneFit

texts = st.text(max_size=20)
numbers = st.floats(allow_nan=False, allow_infinity=False, width=32)


def through_json(kind: type, record: object) -> object:
    return from_plain(kind, json.loads(json.dumps(to_plain(record))))


@given(texts, texts, st.sampled_from(Severity), st.lists(texts, max_size=3))
def test_findings(code: str, message: str, severity: Severity, names: list[str]) -> None:
    record = Finding(code, severity, message, "", tuple(names))
    assert through_json(Finding, record) == record


@given(st.lists(st.tuples(texts, numbers, numbers), max_size=4), numbers)
def test_layouts(rows: list[tuple[str, float, float]], ppi: float) -> None:
    placements = tuple(Placement(name, ((1.0, x, y), (0.0, 1.0, x)), abs(y)) for name, x, y in rows)
    record = Layout(Size(3, 4), ppi, placements, (), bool(rows), 90)
    assert through_json(Layout, record) == record


@given(numbers, st.lists(numbers, min_size=3, max_size=3))
def test_tones(scale: float, gains: list[float]) -> None:
    gain = (gains[0], gains[1], gains[2])
    record = ToneFit("A", (ScanTone("A", gain, gain),), (PairTone("A", "B", 3, 1.0, 0.5),), scale, "sRGB")
    assert through_json(ToneFit, record) == record


@given(st.none() | numbers, st.sampled_from(Measured), st.none() | texts)
def test_settings(width: float | None, measured: Measured, name: str | None) -> None:
    record = JoinSettings(width_mm=width, measured=measured, tone_reference=name)
    assert through_json(JoinSettings, record) == record


@given(st.binary(max_size=40) | st.none(), st.integers(1, 8))
def test_scans_with_paths_and_bytes(profile: bytes | None, orientation: int) -> None:
    record = Scan(
        scan_id="A1",
        path=Path("küste/A1.tif"),
        page_index=0,
        size=Size(1, 2),
        bits=16,
        is_grey=False,
        ppi_x=None,
        ppi_y=600,
        orientation=orientation,
        file_format="TIFF",
        compression="none",
        profile=profile,
        sha256="0" * 64,
        byte_count=3,
        clipped_low_fraction=0.0,
        clipped_high_fraction=0.5,
    )
    assert through_json(Scan, record) == record


@pytest.mark.parametrize("broken", [{}, {"width_px": "x", "height_px": 1}, None, 3])
def test_what_does_not_fit_is_refused(broken: object) -> None:
    with pytest.raises((TypeError, KeyError, ValueError)):
        from_plain(Size, broken)
