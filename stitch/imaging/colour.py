"""Light and colour: code values to linear light and back, to CIELAB (D50), and CIEDE2000.

An `Encoding` is the scans' own profile as far as measuring needs it. Pixels that reach the master are never converted
to another colour space; only brightness arithmetic passes through linear light and returns by the same curve.
"""

from __future__ import annotations

import functools
import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from stitch.imaging.icc import (
    CURVE_POINTS,
    MatrixProfile,
    ProfileFault,
    describe,
    read_matrix_profile,
    read_tags,
)

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

D50_XYZ = np.array([0.9642, 1.0, 0.8249])  # white of the profile connection space, ICC.1
D65_XY = (0.3127, 0.3290)
SRGB_PRIMARIES_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))  # IEC 61966-2-1:1999
# IEC 61966-2-1:1999, relative to D65, as printed (four digits)
SRGB_XYZ_FROM_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])

INVERSE_POINTS = 32760  # knots of the inverse curves; cv2.remap takes sides below 32767
PLATEAU_TILT = 1e-6  # slope given to flat parts of a curve so that every code can be told from its neighbour
_PARTS = 3
_PART_STEP = (CURVE_POINTS - 1) // _PARTS
_COLUMNS = 3 * 1024  # pixels are looked up in rows of this many values
_ROWS = 1024


@dataclass(frozen=True, slots=True, eq=False)
class Encoding:
    """The curve and colours of one profile. Make one with `Encoding.of_profile`.

    `is_assumed`: no usable profile was there, and sRGB was taken for measuring only. `is_approximate`: the profile
    works by tables; colours come from it in 8-bit steps, and the curve is that of its greys. `reason` says why, in
    plain words, or is "".
    """

    name: str
    is_assumed: bool
    is_approximate: bool
    reason: str
    curves: FloatArray  # (3, 65536): linear light at code k / 65535
    xyz_from_rgb: FloatArray  # (3, 3), D50
    lut_profile: bytes | None
    _inverse: Float32Array  # (3, INVERSE_POINTS): code 0..1 over the fourth root of linear light
    _forward: Float32Array  # (3 parts × 3 channels, 21846): `curves` cut into rows short enough for cv2.remap

    @staticmethod
    def of_profile(profile: bytes | None) -> Encoding:
        """The encoding of an ICC profile; without one, or with a broken one, sRGB is assumed and said."""
        return _of_profile(profile)

    def decode(self, encoded: NDArray[Any]) -> Float32Array:
        """Linear light (float32) of code values 0..1, shape (..., 3); values outside are taken as 0 or 1."""
        return _by_blocks(encoded, self._decoded)

    def decode_codes(self, codes: NDArray[np.uint8] | NDArray[np.uint16]) -> Float32Array:
        """Linear light (float32) of whole codes, shape (h, w, 3): the fast way."""
        table = self.decode_table(codes.dtype.itemsize * 8)
        return cv2.LUT(np.ascontiguousarray(codes), table.reshape(1, -1, 3))  # type: ignore[return-value]

    def encode(self, linear: NDArray[Any]) -> Float32Array:
        """Code values 0..1 (float32) of linear light, shape (..., 3); light outside the curve's range is clipped."""
        return _by_blocks(linear, self._encoded)

    def encode_to_codes(self, linear: NDArray[Any], bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Nearest whole codes of linear light, shape (..., 3). Every code survives decoding and encoding unchanged."""
        encoded = self.encode(linear)
        depth = {8: cv2.CV_8U, 16: cv2.CV_16U}[bits]
        flat = encoded.reshape(encoded.shape[0], -1) if encoded.ndim > 1 else encoded.reshape(1, -1)
        codes = cv2.multiply(flat, float(2**bits - 1), dtype=depth)  # type: ignore[call-overload]
        return np.asarray(codes).reshape(encoded.shape)

    def decode_table(self, bits: int) -> Float32Array:
        """Linear light of every code, float32 of shape (2**bits, 3), for 8 or 16 bits; not to be written to."""
        return _decode_table(self, bits)

    def lab(self, encoded: NDArray[Any]) -> FloatArray:
        """CIELAB (D50, float64) of code values 0..1, shape (..., 3)."""
        if self.lut_profile is not None:
            return _lab_by_tables(self.lut_profile, encoded)
        return self.lab_of_linear(self.decode(encoded))

    def lab_of_linear(self, linear: NDArray[Any]) -> FloatArray:
        """CIELAB (D50, float64) of linear light, shape (..., 3). Goes through the codes for a profile of tables."""
        if self.lut_profile is not None:
            return _lab_by_tables(self.lut_profile, self.encode(linear))
        return lab_from_xyz(np.asarray(linear, dtype=np.float64) @ self.xyz_from_rgb.T)

    def _encoded(self, block: Float32Array) -> Float32Array:
        columns = block.shape[1]
        low = np.resize(self.curves[:, 0], columns)
        span = np.resize(self.curves[:, -1] - self.curves[:, 0], columns)
        unit = np.clip((block - low.astype(np.float32)) * (1.0 / span).astype(np.float32), 0.0, 1.0)
        position = cv2.sqrt(cv2.sqrt(unit)) * np.float32(INVERSE_POINTS - 1)
        return _looked_up(self._inverse, position, np.zeros_like(position))

    def _decoded(self, block: Float32Array) -> Float32Array:
        position = np.clip(block, 0.0, 1.0) * np.float32(CURVE_POINTS - 1)
        part = np.minimum(np.floor(position / _PART_STEP), _PARTS - 1)
        return _looked_up(self._forward, position - part * _PART_STEP, part)


@functools.lru_cache(maxsize=4)
def _decode_table(encoding: Encoding, bits: int) -> Float32Array:
    step = (CURVE_POINTS - 1) // (2**bits - 1)
    table = np.ascontiguousarray(encoding.curves[:, ::step].T, dtype=np.float32)
    table.setflags(write=False)
    return table


def _by_blocks(values: NDArray[Any], convert: Callable[[Float32Array], Float32Array]) -> Float32Array:
    """Run `convert` over rows of interleaved RGB values, few enough at a time to stay small."""
    flat = np.ascontiguousarray(values, dtype=np.float32).reshape(-1)
    out = np.empty_like(flat)
    whole = flat.size // _COLUMNS * _COLUMNS
    for start in range(0, whole, _ROWS * _COLUMNS):
        stop = min(start + _ROWS * _COLUMNS, whole)
        out[start:stop] = convert(flat[start:stop].reshape(-1, _COLUMNS)).reshape(-1)
    if whole < flat.size:
        out[whole:] = convert(flat[None, whole:])[0]
    return out.reshape(np.shape(values))


def _looked_up(tables: Float32Array, position: Float32Array, part: Float32Array) -> Float32Array:
    """Straight-line reading of `tables` (row 3 × part + channel) at `position` along the row."""
    channel = np.resize(np.arange(3, dtype=np.float32), position.shape[1])
    found = cv2.remap(tables, position, part * 3 + channel, cv2.INTER_LINEAR)
    return np.asarray(found, dtype=np.float32)


@functools.lru_cache(maxsize=8)
def _of_profile(profile: bytes | None) -> Encoding:
    if profile is None:
        return _assumed("the scans carry no profile")
    try:
        matrix = read_matrix_profile(profile)
        return _of_matrix(matrix) if matrix else _of_tables(profile)
    except ProfileFault as fault:
        return _assumed(f"the profile cannot be read: {fault}")


def _assumed(reason: str) -> Encoding:
    curve = srgb_decode(np.linspace(0.0, 1.0, CURVE_POINTS))
    return _make(
        "sRGB (assumed)", np.stack([curve] * 3), adapted_to_d50(SRGB_XYZ_FROM_RGB), is_assumed=True, reason=reason
    )


def _of_matrix(profile: MatrixProfile) -> Encoding:
    return _make(profile.description, profile.curves, profile.xyz_from_rgb)


def _of_tables(profile: bytes) -> Encoding:
    """A profile of tables: the tone curve is read off its greys in 8-bit steps of L*."""
    steps = np.linspace(0.0, 1.0, 256)
    lightness = _lab_by_tables(profile, np.repeat(steps[:, None], 3, axis=1))[:, 0]
    lightness = np.maximum.accumulate(lightness)
    if lightness[-1] - lightness[0] < 50.0:
        raise ProfileFault("its greys do not run from dark to light")
    levels = np.unique(lightness)
    middles = np.array([steps[lightness == level].mean() for level in levels])
    middles[0], middles[-1] = 0.0, 1.0
    luminance = xyz_y_from_lightness(np.interp(np.linspace(0.0, 1.0, CURVE_POINTS), middles, levels))
    name = f"{describe(read_tags(profile))} (tables: curve approximated)"
    reason = "the profile works by tables; its curve is approximated from its greys"
    curves = np.stack([luminance] * 3)
    return _make(name, curves, np.column_stack([D50_XYZ / 3] * 3), reason=reason, lut_profile=profile)


def _make(
    name: str,
    curves: FloatArray,
    matrix: FloatArray,
    *,
    is_assumed: bool = False,
    reason: str = "",
    lut_profile: bytes | None = None,
) -> Encoding:
    curves = np.stack([_invertible(curve) for curve in curves])
    inverse = np.stack([_inverse_curve(curve) for curve in curves])
    parts = [curves[:, k * _PART_STEP : (k + 1) * _PART_STEP + 1] for k in range(_PARTS)]
    forward = np.concatenate(parts).astype(np.float32)
    for array in (curves, inverse, forward, matrix):
        array.setflags(write=False)
    return Encoding(name, is_assumed, lut_profile is not None, reason, curves, matrix, lut_profile, inverse, forward)


def _invertible(curve: FloatArray) -> FloatArray:
    if not np.all(np.isfinite(curve)) or curve[-1] - curve[0] < 1e-3:
        raise ProfileFault("a tone curve does not rise")
    rising = np.maximum.accumulate(curve)
    if np.any(np.diff(rising) <= 0.0):
        ramp = np.linspace(rising[0], rising[-1], CURVE_POINTS)
        rising = rising + PLATEAU_TILT * (ramp - rising)
    return rising


def _inverse_curve(curve: FloatArray) -> Float32Array:
    roots = np.linspace(0.0, 1.0, INVERSE_POINTS)
    light = curve[0] + (curve[-1] - curve[0]) * roots**4
    return np.interp(light, curve, np.linspace(0.0, 1.0, CURVE_POINTS)).astype(np.float32)


def _lab_by_tables(profile: bytes, encoded: NDArray[Any]) -> FloatArray:
    codes = np.rint(np.clip(encoded, 0.0, 1.0) * 255.0).astype(np.uint8)
    picture = Image.fromarray(np.ascontiguousarray(codes.reshape(1, -1, 3)))
    try:
        lab = _transform_to_lab(profile).apply(picture)
    except (ImageCms.PyCMSError, OSError, ValueError) as fault:
        raise ProfileFault("its tables cannot be used") from fault
    raw = np.asarray(lab).reshape(-1, 3)
    ab = raw[:, 1:].astype(np.uint8).view(np.int8)
    return np.column_stack([raw[:, 0] * (100.0 / 255.0), ab]).reshape(np.shape(encoded)).astype(np.float64)


@functools.lru_cache(maxsize=4)
def _transform_to_lab(profile: bytes) -> ImageCms.ImageCmsTransform:
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    target = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB"))
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    return ImageCms.ImageCmsTransform(source, target, "RGB", "LAB", intent)


def srgb_decode(encoded: FloatArray) -> FloatArray:
    """Linear light of sRGB code values 0..1 (IEC 61966-2-1:1999)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def xyz_d50_from_rgb(primaries_xy: tuple[tuple[float, float], ...], white_xy: tuple[float, float]) -> FloatArray:
    """The matrix from linear RGB to XYZ relative to D50 (Bradford), from chromaticities; white gives D50 exactly."""
    columns = np.column_stack([_xyz_from_xy(xy) for xy in primaries_xy])
    return adapted_to_d50(columns * np.linalg.solve(columns, _xyz_from_xy(white_xy)))


def adapted_to_d50(xyz_from_rgb: FloatArray) -> FloatArray:
    """A matrix relative to its own white (the sum of its columns) made relative to D50 (Bradford)."""
    cones = np.diag((BRADFORD @ D50_XYZ) / (BRADFORD @ xyz_from_rgb.sum(axis=1)))
    return np.linalg.inv(BRADFORD) @ cones @ BRADFORD @ xyz_from_rgb


def _xyz_from_xy(xy: tuple[float, float]) -> FloatArray:
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def lab_from_xyz(xyz: NDArray[Any], white: FloatArray = D50_XYZ) -> FloatArray:
    """CIELAB of XYZ (Y of white = 1), shape (..., 3), float64 (CIE 15, branch at 216/24389, slope 24389/27)."""
    ratio = np.asarray(xyz, dtype=np.float64) / white
    root = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def xyz_y_from_lightness(lightness: FloatArray) -> FloatArray:
    """Relative luminance Y of CIE L*."""
    return np.where(lightness > 8.0, ((lightness + 16.0) / 116.0) ** 3, lightness * 27 / 24389)


def delta_e_2000(lab1: NDArray[Any], lab2: NDArray[Any]) -> FloatArray:
    """CIEDE2000 colour difference of Lab arrays of shape (..., 3), kL = kC = kH = 1; float64 of shape (...).

    Sharma, Wu, Dalal, Color Research and Application 30(1), 21–30, 2005.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(lab1, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab2, dtype=np.float64), -1, 0)
    chroma_bar = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(chroma_bar**7 / (chroma_bar**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    dh, h_bar = _hue_step_and_mean(h1, h2, is_neutral=c1 * c2 == 0)
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2)
    l_bar, c_bar = (l1 + l2) / 2, (c1 + c2) / 2
    s_l = 1 + 0.015 * (l_bar - 50) ** 2 / np.sqrt(20 + (l_bar - 50) ** 2)
    s_c = 1 + 0.045 * c_bar
    s_h = 1 + 0.015 * c_bar * _hue_weight(h_bar)
    rotation = -np.sin(np.radians(60 * np.exp(-(((h_bar - 275) / 25) ** 2))))
    rotation *= 2 * np.sqrt(c_bar**7 / (c_bar**7 + 25.0**7))
    terms = ((l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h)
    square = terms[0] ** 2 + terms[1] ** 2 + terms[2] ** 2 + rotation * terms[1] * terms[2]
    return np.sqrt(np.maximum(square, 0.0))


def _hue_step_and_mean(
    h1: FloatArray, h2: FloatArray, *, is_neutral: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Hue difference −180..180 and mean hue in degrees; with a neutral colour 0 and the sum (equations 10 and 14)."""
    step = h2 - h1
    far = np.abs(step) > 180
    total = h1 + h2
    mean = np.where(far, np.where(total < 360, total + 360, total - 360), total) / 2
    step = np.where(far, step - 360 * np.sign(step), step)
    return np.where(is_neutral, 0.0, step), np.where(is_neutral, total, mean)


def _hue_weight(h_bar: FloatArray) -> FloatArray:
    angles = ((-0.17, 1, -30.0), (0.24, 2, 0.0), (0.32, 3, 6.0), (-0.20, 4, -63.0))
    terms = [weight * np.cos(np.radians(times * h_bar + turn)) for weight, times, turn in angles]
    return 1 + sum(terms, start=np.zeros_like(h_bar))


def mean_delta_e_2000(lab1: NDArray[Any], lab2: NDArray[Any]) -> float:
    """Mean CIEDE2000 over all points; nan when there are none."""
    found = delta_e_2000(lab1, lab2)
    return float(found.mean()) if found.size else math.nan
