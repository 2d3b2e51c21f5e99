"""Reading matrix/curve and grey ICC profiles.

Only what measuring needs: the three (or one) tone curves and the colorants, which are already relative to the D50 white
of the profile connection space, so the `chad` tag plays no part. Layout after ICC.1:2010 clauses 7 (header, tag table)
and 10 (curveType, parametricCurveType, XYZType); byte positions typed from memory and held by tests against profiles
that another library made.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

CURVE_POINTS = 65536  # every curve is held at the positions of the 16-bit codes
_HEADER_BYTES = 128
_TAG_BYTES = 12
_MOST_TAGS = 200
_PARAMETER_COUNTS = (1, 3, 4, 5, 7)


class ProfileFault(ValueError):
    """A profile that cannot be read; the text says why."""


@dataclass(frozen=True, slots=True, eq=False)
class MatrixProfile:
    """Curves and colorants of a matrix/curve or grey profile.

    curves : (3, 65536) float64, linear value at code k / 65535.
    xyz_from_rgb : (3, 3) float64, D50 XYZ (Y of white = 1) from linear RGB.
    """

    description: str
    curves: FloatArray
    xyz_from_rgb: FloatArray


def read_tags(profile: bytes) -> dict[str, bytes]:
    """The tags of a profile by signature. Raises ProfileFault when the header or the table is broken."""
    if len(profile) < _HEADER_BYTES + 4:
        raise ProfileFault("it is too short")
    stated = struct.unpack_from(">I", profile, 0)[0]
    if profile[36:40] != b"acsp":
        raise ProfileFault("its signature is missing")
    if stated > len(profile) or stated < _HEADER_BYTES + 4:
        raise ProfileFault(f"it states {stated} bytes and holds {len(profile)}")
    count = struct.unpack_from(">I", profile, _HEADER_BYTES)[0]
    if count > _MOST_TAGS or _HEADER_BYTES + 4 + count * _TAG_BYTES > stated:
        raise ProfileFault("its table of contents is broken")
    tags = {}
    for index in range(count):
        name, offset, size = struct.unpack_from(">4sII", profile, _HEADER_BYTES + 4 + index * _TAG_BYTES)
        if offset + size > stated:
            raise ProfileFault("a part of it lies beyond its end")
        tags[name.decode("latin-1")] = profile[offset : offset + size]
    return tags


def colour_space(profile: bytes) -> str:
    """The data colour space of a profile that `read_tags` accepted: "RGB ", "GRAY", ..."""
    return profile[16:20].decode("latin-1")


def read_matrix_profile(profile: bytes) -> MatrixProfile | None:
    """Read a matrix/curve RGB profile or a grey one.

    Returns None for a sound profile of another kind (tables only). Raises ProfileFault when it is broken.
    """
    tags = read_tags(profile)
    description = describe(tags)
    space = colour_space(profile)
    if space == "GRAY" and "kTRC" in tags:
        curve = _curve(tags["kTRC"])
        white = np.array([0.9642, 1.0, 0.8249])
        return MatrixProfile(description, np.stack([curve] * 3), np.column_stack([white / 3] * 3))
    needed = ("rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC")
    if space != "RGB " or any(name not in tags for name in needed):
        return None
    matrix = np.column_stack([_xyz(tags[name]) for name in needed[:3]])
    if abs(np.linalg.det(matrix)) < 1e-6:
        raise ProfileFault("its primaries are not three colours")
    return MatrixProfile(description, np.stack([_curve(tags[name]) for name in needed[3:]]), matrix)


def describe(tags: dict[str, bytes]) -> str:
    """The profile's own description, or "unnamed profile"."""
    data = tags.get("desc", b"")
    text = ""
    if data[:4] == b"desc" and len(data) >= 12:
        length = struct.unpack_from(">I", data, 8)[0]
        text = data[12 : 12 + length].decode("latin-1")
    elif data[:4] == b"mluc" and len(data) >= 28:
        length, offset = struct.unpack_from(">II", data, 20)
        text = data[offset : offset + length].decode("utf-16-be", "replace")
    return text.strip("\0 ") or "unnamed profile"


def _xyz(data: bytes) -> FloatArray:
    if data[:4] != b"XYZ " or len(data) < 20:
        raise ProfileFault("a primary cannot be read")
    return np.array(struct.unpack_from(">3i", data, 8)) / 65536.0


def _curve(data: bytes) -> FloatArray:
    x = np.linspace(0.0, 1.0, CURVE_POINTS)
    if data[:4] == b"curv" and len(data) >= 12:
        return _sampled_curve(data, x)
    if data[:4] == b"para" and len(data) >= 12:
        return _parametric_curve(data, x)
    raise ProfileFault("a tone curve cannot be read")


def _sampled_curve(data: bytes, x: FloatArray) -> FloatArray:
    count = struct.unpack_from(">I", data, 8)[0]
    if len(data) < 12 + 2 * count:
        raise ProfileFault("a tone curve is cut short")
    if count == 0:
        return x
    if count == 1:
        return power_curve(x, struct.unpack_from(">H", data, 12)[0] / 256.0)
    table = np.frombuffer(data, ">u2", count, 12) / 65535.0
    return np.interp(x, *_without_plateaus(table))


def _without_plateaus(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Positions and values of a sampled curve with each run of equal values replaced by its middle.

    Sixteen-bit tables of dark tones repeat a value for several entries, and a flat stretch cannot be run backwards. The
    ends keep their positions; nothing moves by more than the step between neighbouring values.
    """
    positions = np.linspace(0.0, 1.0, table.size)
    run = np.concatenate([[0], np.cumsum(np.diff(table) != 0.0)])
    if run[-1] == 0:
        raise ProfileFault("a tone curve does not rise")
    middles = np.bincount(run, positions) / np.bincount(run)
    middles[0], middles[-1] = 0.0, 1.0
    return middles, table[np.concatenate([[True], np.diff(run) > 0])]


def _parametric_curve(data: bytes, x: FloatArray) -> FloatArray:
    kind = struct.unpack_from(">H", data, 8)[0]
    if kind >= len(_PARAMETER_COUNTS) or len(data) < 12 + 4 * _PARAMETER_COUNTS[kind]:
        raise ProfileFault("a tone curve cannot be read")
    values = [v / 65536.0 for v in struct.unpack_from(f">{_PARAMETER_COUNTS[kind]}i", data, 12)]
    return parametric(kind, values, x)


def parametric(kind: int, values: list[float], x: FloatArray) -> FloatArray:
    """The parametric curves 0 to 4 of ICC.1:2010 clause 10.15, parameters in their order g a b c d e f."""
    g, a, b, c, d, e, f = (*values, *[0.0] * (7 - len(values)))
    if kind == 0:
        return power_curve(x, g)
    raised = np.maximum(a * x + b, 0.0) ** g
    if kind in (1, 2):
        return raised + (c if kind == 2 else 0.0)
    return np.where(x >= d, raised + e, c * x + f)


def power_curve(x: FloatArray, gamma: float) -> FloatArray:
    """x to the power gamma. Raises ProfileFault when gamma is not above 0."""
    if gamma <= 0:
        raise ProfileFault("a tone curve has no sensible gamma")
    return x**gamma
