"""Small ICC profiles written byte by byte, for tests: ICC.1:2010 clauses 7 and 10."""

from __future__ import annotations

import struct

import numpy as np


def fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def curve_gamma(gamma: float) -> bytes:
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


def curve_table(values) -> bytes:
    codes = np.rint(np.asarray(values) * 65535).astype(">u2")
    return b"curv" + bytes(4) + struct.pack(">I", codes.size) + codes.tobytes()


def curve_parametric(kind: int, values) -> bytes:
    return b"para" + bytes(4) + struct.pack(">HH", kind, 0) + b"".join(fixed(v) for v in values)


def xyz(values) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(fixed(v) for v in values)


def text_description(text: str) -> bytes:
    raw = text.encode("latin-1") + b"\0"
    return b"desc" + bytes(4) + struct.pack(">I", len(raw)) + raw + bytes(78)


def profile(tags: dict[str, bytes], *, space: bytes = b"RGB ") -> bytes:
    """A whole profile of the given tags."""
    offset = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        data += bytes(-len(data) % 4)
        table += struct.pack(">4sII", name.encode(), offset + len(body), len(data))
        body += data
    header = bytearray(128)
    struct.pack_into(">I", header, 0, offset + len(body))
    struct.pack_into(">I", header, 8, 0x02400000)
    header[12:16], header[16:20], header[20:24], header[36:40] = b"scnr", space, b"XYZ ", b"acsp"
    header[68:80] = fixed(0.9642) + fixed(1.0) + fixed(0.8249)
    return bytes(header) + table + body


def matrix_profile(matrix, curves, *, name: str = "made for a test") -> bytes:
    """A matrix/curve profile; `matrix` has the D50 colorants as columns, `curves` are three curve tags."""
    tags = {"desc": text_description(name), "wtpt": xyz((0.9642, 1.0, 0.8249))}
    for channel, letter in enumerate("rgb"):
        tags[f"{letter}XYZ"] = xyz(np.asarray(matrix)[:, channel])
        tags[f"{letter}TRC"] = curves[channel]
    return profile(tags)


def table_profile() -> bytes:
    """An RGB profile of tables only (A2B0 of type mft1): a 2-point cube whose corners are greys of L* = mean × 100."""
    identity = b"".join(fixed(v) for v in (1, 0, 0, 0, 1, 0, 0, 0, 1))
    ramp = bytes(range(256))
    cube = b"".join(bytes([round((r + g + b) / 3 * 255), 128, 128]) for r in (0, 1) for g in (0, 1) for b in (0, 1))
    a2b0 = b"mft1" + bytes(4) + bytes([3, 3, 2, 0]) + identity + ramp * 3 + cube + ramp * 3
    made = bytearray(profile({"desc": text_description("greys by table"), "A2B0": a2b0}))
    made[20:24] = b"Lab "
    return bytes(made)
