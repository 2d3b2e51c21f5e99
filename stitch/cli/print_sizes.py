"""Sizes of prints as a person writes them: 8x10in, A4, 30x40cm:border, or a set: inch, iso, square, one's own."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from stitch.cli.lengths import Unit
from stitch.cli.sheets import size_mm
from stitch.errors import UsageError
from stitch.model.prints import Fit
from stitch.pipeline.print_plan import Wanted
from stitch.prints.names import safe
from stitch.prints.sizes import SETS, PrintSize, plain_name


def wanted_sizes(text: str, *, unit: Unit | None, own: Mapping[str, Sequence[str]]) -> tuple[Wanted, ...]:
    """All sizes of a list parted by commas; sets are spelled out. Raises UsageError."""
    known = {**SETS, **own}
    found: list[Wanted] = []
    for part in (part.strip() for part in text.split(",")):
        name, colon, fit = part.partition(":")
        how = _fit(fit.strip(), part) if colon else None
        members = known.get(name.strip().casefold(), (name,))
        found += [Wanted(one_size(member, what="--sizes", unit=unit), how) for member in members]
    return tuple(dict.fromkeys(found))


def one_size(text: str, *, what: str, unit: Unit | None) -> PrintSize:
    """A single size. Raises UsageError."""
    width, height = size_mm(text, what=what, unit=unit)
    return PrintSize(safe(plain_name(text)), width, height)


def _fit(text: str, part: str) -> Fit:
    try:
        return Fit(text)
    except ValueError:
        raise UsageError(
            f"--sizes: {part!r} asks for {text!r}.", advice="Write crop, border or stretch behind the colon."
        ) from None


def load_sets(path: Path | None) -> dict[str, tuple[str, ...]]:
    """Sets of one's own from a TOML file with lines like hallway = ["30x40cm", "A3"]. Raises UsageError."""
    if path is None:
        return {}
    try:
        plain = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(f"--sets: {path} is not understood: {error}.") from error
    for name, sizes in plain.items():
        if not isinstance(sizes, list) or not all(isinstance(size, str) for size in sizes):
            raise UsageError(f"--sets: {name} in {path} is no list.", advice='Write hallway = ["30x40cm", "A3"].')
    return {name.casefold(): tuple(sizes) for name, sizes in plain.items()}
