"""Sheets of known size lying on a lid, drawn with exact edges: a small world to measure."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from stitch.imaging.colour import Encoding
from tests.held import HeldSource

SRGB = Encoding.of_profile(None)
MM = 25.4


@dataclass
class Sheet:
    source: HeldSource
    corners_px: np.ndarray  # true corners, clockwise from top left
    ppi: float

    @property
    def rgb(self) -> np.ndarray:
        return self.source.pixels


def sheet(
    seed: int = 0,
    *,
    width_mm: float = 90.0,
    height_mm: float = 70.0,
    ppi: float = 200.0,
    angle_deg: float = 0.0,
    shear_deg: float = 0.0,
    border_mm: tuple[float, float, float, float] = (6.0, 6.0, 6.0, 6.0),
    lid: str = "white",
    margin_mm: float = 0.0,
    soft_mm: float = 0.0,
    deckle_mm: float = 0.0,
    has_shadow: bool = True,
    dark_edge: bool = False,
    paper: float = 0.86,
    noise: float = 0.004,
    bits: int = 16,
) -> Sheet:
    """A painting (with a blank margin or without) on a lid; `border_mm` is left, right, top, bottom.

    `shear_deg` leans the upright sides, clockwise as seen, and leaves the level ones.

    Light is mixed in linear values by the share of each pixel that the sheet covers.
    """
    rng = np.random.default_rng(seed)
    px = ppi / MM
    left, right, top, bottom = border_mm
    width, height = round((width_mm + left + right) * px), round((height_mm + top + bottom) * px)
    angle = np.radians(angle_deg)
    centre = np.array([left + width_mm / 2 + rng.uniform(-0.2, 0.2), top + height_mm / 2 + rng.uniform(-0.2, 0.2)])
    ys, xs = np.mgrid[0:height, 0:width]
    x, y = (xs + 0.5) / px - centre[0], (ys + 0.5) / px - centre[1]
    u, v = np.cos(angle) * x + np.sin(angle) * y, -np.sin(angle) * x + np.cos(angle) * y
    lean = np.tan(np.radians(shear_deg))
    u = u + lean * v
    ragged = deckle_mm * _wavy(rng, u + 200, v + 200) if deckle_mm else 0.0
    inward = np.minimum(width_mm / 2 - np.abs(u), height_mm / 2 - np.abs(v)) + ragged
    cover = np.clip(inward * px + 0.5, 0, 1)[..., None]
    light = _painting(rng, width, height)
    if dark_edge:
        light = np.where((u < -width_mm / 2 + 15)[..., None] & (v > -height_mm / 8)[..., None], 0.015, light)
    if margin_mm:
        edge = inward - margin_mm + (0.5 * soft_mm * _wavy(rng, v, u) if soft_mm else 0.0)
        paint = np.clip(edge / max(soft_mm, 1 / px) + 0.5, 0, 1)[..., None]
        light = paper + paint * (light - paper)
    behind = _lid(lid, rng, x, y)
    if has_shadow:
        side = np.clip(v / height_mm + 0.5, 0, 1)
        behind = behind * (1 - (0.22 + 0.33 * side) * np.exp(-((np.minimum(inward, 0) / 1.3) ** 2)))[..., None]
    light = behind + cover * (light - behind)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 0.6)
    code = SRGB.encode(light) + rng.normal(0, noise, light.shape).astype(np.float32)
    top_code = 2**bits - 1
    pixels = np.rint(np.clip(code, 0, 1) * top_code).astype(f"uint{bits}")
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (width_mm / 2, height_mm / 2)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corner = corner - np.column_stack([lean * corner[:, 1], np.zeros(4)])
    return Sheet(HeldSource(pixels), (corner @ turn.T + centre) * px - 0.5, ppi)


def _wavy(rng: np.random.Generator, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    phase = rng.uniform(0, 6, 6)
    along = u + v
    return sum(np.sin(along * f + phase[k]) for k, f in enumerate((0.5, 0.9, 1.7, 2.9, 4.3, 7.0))) / 3.0


def _painting(rng: np.random.Generator, width: int, height: int) -> np.ndarray:
    total = np.zeros((height, width, 3), np.float32)
    for cell, weight in ((90, 1.0), (25, 0.6), (5, 0.5)):
        knots = rng.normal(size=(height // cell + 2, width // cell + 2, 3)).astype(np.float32)
        total += weight * cv2.resize(knots, (width, height), interpolation=cv2.INTER_CUBIC)
    total = (total - total.mean()) / total.std()
    return np.clip(0.22 * np.exp(0.5 * total), 0.02, 0.6)


def _lid(kind: str, rng: np.random.Generator, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    phase = rng.uniform(0, 6, 4)
    slow = np.sin(x / 20 + phase[0]) * np.sin(y / 25 + phase[1])
    quick = np.sin(x * 7.9 + phase[2]) * np.sin(y * 7.9 + phase[3])
    grey = {
        "white": 0.86 * (1 + 0.012 * slow),
        "black": 0.012 * (1 + 0.1 * slow),
        "open": 0.03 + 0.018 * slow,
        "cloth": 0.09 * (1 + 0.3 * slow + 0.15 * quick),
    }[kind]
    return np.repeat(grey[..., None], 3, axis=2)
