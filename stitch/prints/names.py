"""File names that Windows, macOS and Linux all take, and that nobody confuses.

Windows: no < > : " / \\ | ? *, no control characters, no final dot or space, no device names, paths below 260
characters (Microsoft, Naming Files, Paths, and Namespaces; from memory). macOS takes composed and decomposed accents
for one name.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path

MOST_PATH = 259
MOST_BYTES = 200  # of a title in UTF-8; file systems take 255 for a whole name
_FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\ufeff]')
_DEVICES = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])", re.IGNORECASE)


def safe(text: str, *, instead: str = "untitled") -> str:
    """A text as part of a file name: accents composed, no sign that a system refuses; `instead` of nothing."""
    plain = unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode("utf-8"))
    plain = " ".join(_FORBIDDEN.sub("-", plain).split()).strip(". -")
    while len(plain.encode("utf-8")) > MOST_BYTES:
        plain = plain[:-1].rstrip(". -")
    if _DEVICES.fullmatch(plain.split(".")[0].strip()):
        plain = f"{plain}-"
    return plain or instead


def fitting(folder: Path, title: str, end: str) -> Path:
    """`folder / title + end`, the title cut short where the whole path would be too long."""
    spare = MOST_PATH - len(str(folder.absolute())) - 1 - len(end)
    short = title[: max(spare, 8)].rstrip(". -") or title[:8]
    return folder / f"{short}{end}"


def key(name: str) -> str:
    """What two names share that some system takes for one."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())


def clashes(names: Iterable[str], folder: Path) -> list[str]:
    """Names already in `folder`, by spelling or nearly, that one of `names` would meet."""
    wanted = {key(name) for name in names}
    if not folder.is_dir():
        return []
    return sorted(there.name for there in folder.iterdir() if key(there.name) in wanted)
