"""A scan of a white sheet: the light over the glass is read off it, and sheets that cannot show it are refused."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.errors import ScanError
from stitch.imaging.affine import FloatArray
from stitch.model.geometry import Size
from stitch.model.tone import SlopeSource
from stitch.tone.even import Scans
from stitch.tone.evened import field_at_grid
from stitch.tone.fit import fit
from stitch.tone.flat import flat_logs
from tests.tone.drifted import case, painting
from tests.tone.sheets import flat_of, sheet

TILE = 620
PPI = 150.0
U = np.linspace(-1, 1, TILE)


def sloping(seed: int = 0) -> np.ndarray:
    """3 % from left to right and 2 % from top to bottom, less in blue, and a bowl of 2 %."""
    shape = 0.015 * U[None, :] - 0.01 * U[:, None] - 0.01 * (U[None, :] ** 2 + U[:, None] ** 2)
    return 1 + shape[..., None] * np.array([1.0, 0.9, 0.6])


def ramp_left(found, made, field: np.ndarray) -> float:
    """Largest rise of light over the painting that is not the reference's tone, log light, by the known truth."""
    middles, off = [], []
    for tone, placement in zip(found.scans, made.layout.placements, strict=True):
        assert tone.field is not None or found.flat is None
        left = np.log(np.array(tone.gain_rgb) * made.gain[tone.scan_id] / made.gain[found.reference_id])
        log = 0.0 if tone.field is None else np.log(tone.field.top_rgb) + _middle(tone)
        middles.append([placement.canvas_from_scan[0][2], placement.canvas_from_scan[1][2]])
        off.append(left + log + np.log(field[TILE // 2, TILE // 2]))
    off = np.array(off)
    return float(np.ptp(off, axis=0).max())


def _middle(tone) -> FloatArray:
    log = np.moveaxis(np.array(tone.field.log_rgb), 0, -1)
    return field_at_grid(log, tone.field.step_px, Size(TILE, TILE), np.array([TILE / 2]), np.array([TILE / 2]))[0, 0]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_the_light_over_the_glass_is_read_whatever_the_dpi_of_the_sheet(seed: int, scale: float) -> None:
    small = cv2.resize(sloping().astype(np.float32), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    flat = flat_of(sheet(small, seed), PPI * scale)
    scans = Scans(["a"], {"a": Size(TILE, TILE)}, {"a": PPI})
    step, log = flat_logs(flat, scans)["a"]
    at = np.linspace(0, TILE - 1, 40)
    undone = field_at_grid(log, (step, step), Size(TILE, TILE), at, at)
    true = np.log(sloping()[np.ix_(at.astype(int), at.astype(int))])
    left = undone + true - (undone + true).mean(axis=(0, 1))
    assert np.abs(left).max() < 0.004 < 0.1 * np.ptp(true)
    assert flat.use.largest_percent == pytest.approx(100 * np.expm1(np.ptp(true, axis=(0, 1)).max()), abs=0.5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_slope_of_the_glass_is_a_ramp_over_the_painting_until_a_white_sheet_shows_it(seed: int) -> None:
    """Scans of unequal exposure that all lie the same way round: the overlaps cannot tell."""
    made = case(seed, tile=TILE, overlap=200, ppi=PPI, drift=0.05, per_scan=lambda light, name: light * sloping())
    without = fit(made.sources, made.layout, made.encoding, bits=16)
    assert without.slope_source is SlopeSource.UNKNOWN
    with_it = fit(made.sources, made.layout, made.encoding, bits=16, flat=flat_of(sheet(sloping(), seed)))
    assert with_it.slope_source is SlopeSource.FLAT and with_it.flat is not None
    assert ramp_left(with_it, made, sloping()) < 0.004 < 0.02 < ramp_left(without, made, sloping())
    assert with_it.scan(with_it.reference_id).gain_rgb == (1.0, 1.0, 1.0)
    assert max(pair.mean_after_de00 for pair in with_it.pairs) < 0.25


def clipped() -> np.ndarray:
    pixels = sheet(sloping())
    pixels[:100, :100] = 65535
    return pixels


def half_covered() -> np.ndarray:
    pixels = sheet(sloping())
    pixels[:, :60] = pixels[:, :60] // 3
    return pixels


REFUSED = {
    "is clipped": clipped,
    "is not a white sheet": lambda: sheet(sloping(), level=0.3),
    "does not show a plain sheet alone": half_covered,
    "plain sheet alone": lambda: sheet(np.clip(1.2 * painting(3, TILE, TILE, 0.5, 0.9), 0, 1), dust=0),
    "too small": lambda: sheet(sloping()[:40, :40]),
    "brighter in one place": lambda: sheet(1 - 0.3 * (1 + U[None, :, None]) * np.ones((TILE, 1, 3)), level=0.95),
}


@pytest.mark.parametrize("why", REFUSED)
def test_what_is_not_a_plain_bright_sheet_is_refused(why: str) -> None:
    with pytest.raises(ScanError, match=why) as refused:
        flat_of(REFUSED[why]())
    assert "white.tif" in refused.value.message and "--flat none" in refused.value.advice


@pytest.mark.parametrize(
    ("size", "why"),
    [((620, 500), "does not cover"), ((700, 700), "shows more than"), ((620, 700), "shows more than")],
)
def test_a_sheet_that_shows_another_part_of_the_glass_is_refused(size: tuple[int, int], why: str) -> None:
    flat = flat_of(sheet(np.ones((*size, 3))))
    with pytest.raises(ScanError, match=why):
        flat_logs(flat, Scans(["a"], {"a": Size(TILE, TILE)}, {"a": PPI}))


def test_a_sheet_that_lies_turned_against_the_scans_is_told_so() -> None:
    flat = flat_of(sheet(np.ones((620, 800, 3))))
    with pytest.raises(ScanError, match="turned by a quarter"):
        flat_logs(flat, Scans(["a"], {"a": Size(620, 800)}, {"a": PPI}))


def test_a_sheet_that_contradicts_the_overlaps_is_refused() -> None:
    """Scanned the other way round, its bowl is moved to one side: overlaps of even scans come apart."""
    bent = 1 - 0.12 * np.clip(U, 0, 1)[None, :, None] ** 2 * np.ones((TILE, 1, 3))
    made = case(4, tile=TILE, overlap=200, ppi=PPI)
    with pytest.raises(ScanError, match="contradicts the scans"):
        fit(made.sources, made.layout, made.encoding, bits=16, flat=flat_of(sheet(bent)))
