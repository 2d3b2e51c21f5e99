"""Telling an edited copy from the raw scan that lies beside it, by their names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from stitch.model.findings import Finding, Severity
from stitch.scans.naming import shown
from stitch.scans.wording import listed

EDITING_WORD = re.compile(
    r"adjusted|clean(ed|up)?|cop(y|ie)|corrected|crop(ped)?|denoised|deskewed|despeckled|dust(ed)?|edit(s|ed)?|enhanced"
    r"|final|fixed|kopie|levels|resized|retouch(ed)?|rotated|sharpened|small|spotted|straight(ened)?|trimmed|web"
)
NUMBERED = re.compile(r"^ ?\((\d+)\)$")
WORD = re.compile(r"[^\W\d_]+")


def edited_copies(files: Sequence[Path]) -> list[Finding]:
    """One finding that stops the run when files look like copies of others in the list; else none."""
    pairs = [(copy, raw) for copy in files if (raw := _raw_of(copy, files)) is not None]
    if not pairs:
        return []
    sentences = [f"{shown(copy.name)} of {shown(raw.name)}" for copy, raw in pairs]
    message = f"There are copies beside the raw scans, by their names: {listed(sentences)}."
    skips = " ".join(f'--skip "{shown(copy.name)}"' for copy, _ in pairs[:3])
    advice = f"Leave the copies out ({skips}), or name the scans to be joined one by one."
    return [Finding("edited-copy", Severity.STOP, message, advice, tuple(shown(copy.name) for copy, _ in pairs))]


def _raw_of(copy: Path, files: Sequence[Path]) -> Path | None:
    """The file that `copy` looks like a copy of: the one with the longest name, if several."""
    raws = [file for file in files if file != copy and _is_copy(copy, file, files)]
    return max(raws, key=lambda file: len(file.stem), default=None)


def _is_copy(copy: Path, raw: Path, files: Sequence[Path]) -> bool:
    name, base = _stem(copy), _stem(raw)
    if copy.parent != raw.parent:
        return name == base and _has_editing_word(copy.parent.name.casefold()) and raw.parent == copy.parent.parent
    if name == base:
        return _rank(copy) > _rank(raw)
    if name.startswith(base):
        return _is_editing(name[len(base) :], base, files)
    return name.endswith(base) and _is_editing_prefix(name[: -len(base)])


def _is_editing(rest: str, base: str, files: Sequence[Path]) -> bool:
    if NUMBERED.match(rest):
        return not _is_series(base, files)
    return (not rest[0].isalnum() or WORD.fullmatch(rest) is not None) and _has_editing_word(rest)


def _is_editing_prefix(start: str) -> bool:
    return not start[-1].isalnum() and _has_editing_word(start)


def _is_series(base: str, files: Sequence[Path]) -> bool:
    """ "scan, scan (1), scan (2), …" or "scan, scan (2), …" is how some programs number scans."""
    stems = [_stem(file) for file in files]
    rests = [stem[len(base) :] for stem in stems if stem.startswith(base)]
    numbers = {int(match[1]) for rest in rests if (match := NUMBERED.match(rest))}
    return len(numbers) > 1 or numbers == {2}


def _has_editing_word(text: str) -> bool:
    return any(EDITING_WORD.fullmatch(word) for word in WORD.findall(text))


def _stem(path: Path) -> str:
    return shown(path.stem).casefold()


def _rank(path: Path) -> int:
    """Which of two files of one name is the raw scan: TIFF before PNG before JPEG."""
    ending = path.suffix.casefold()
    return 0 if ending in (".tif", ".tiff") else 1 if ending == ".png" else 2
