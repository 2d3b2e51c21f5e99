"""The report's files as bytes, ready to be written whole by whoever owns the job folder."""

from __future__ import annotations

import hashlib
import io
import json
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

COMPRESS_LEVEL = 4  # of zlib: 7 takes four times as long for files that are 6 % smaller


def png_bytes(
    picture: NDArray[np.uint8], *, profile: bytes | None = None, ppi: float | None = None, text: str = ""
) -> bytes:
    """A PNG of `picture`, uint8, (h, w, 3) RGB or (h, w) grey.

    `profile` is embedded (iCCP) so that the colours are read in the profile of the scans; `ppi` becomes the pHYs
    chunk, `text` its Description.
    """
    image = Image.fromarray(np.ascontiguousarray(picture))
    options: dict[str, Any] = {"optimize": False, "compress_level": COMPRESS_LEVEL}
    if profile is not None:
        options["icc_profile"] = profile
    if ppi is not None:
        options["dpi"] = (ppi, ppi)
    if text:
        options["pnginfo"] = _described(text)
    buffer = io.BytesIO()
    image.save(buffer, "PNG", **options)
    return buffer.getvalue()


def json_bytes(plain: dict[str, Any]) -> bytes:
    """Plain values as UTF-8 JSON that ends in a newline; raises ValueError on NaN or infinity."""
    return (json.dumps(plain, ensure_ascii=False, indent=2, allow_nan=False) + "\n").encode()


def html_bytes(page: str) -> bytes:
    """A page as UTF-8."""
    return page.encode()


def mime_type(picture: bytes) -> str:
    """Media type of a PNG or JPEG file. Raises ValueError for anything else."""
    if picture.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if picture.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    raise ValueError("neither PNG nor JPEG")


def picture_size_px(picture: bytes) -> tuple[int, int]:
    """Width and height of a PNG or JPEG file."""
    with Image.open(io.BytesIO(picture)) as image:
        return image.size


def profile_name(profile: bytes | None) -> str | None:
    """The description inside an ICC profile; "" when it has none that can be read, None without a profile."""
    if profile is None:
        return None
    try:
        return ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile))).strip()
    except (ImageCms.PyCMSError, OSError):
        return ""


def sha256_of(data: bytes) -> str:
    """SHA-256 as lower-case hex."""
    return hashlib.sha256(data).hexdigest()


def _described(text: str) -> Any:
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_itxt("Description", text)
    return info
