"""The file `steps.toml`: which steps follow the master, in which order, and how each is done."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stitch.errors import UsageError

FILE_NAME = "steps.toml"
VERSION = 1

DEFAULT = """\
# What `stitch finish` does with the master, in this order. A line that begins with # does nothing.
# After a change only what the change touches is made again. The master itself is never changed.
version = 1
chain = ["trim", "prints"]    # more: "dust" before "trim"; "paper", "cutout" after it; "proof" last

[dust]
# limit = 0.5                 # most of the area, in %, that is mended; the list is finished/NAME_dust.csv

[trim]
to = "sheet"                  # or "paint": the painted part inside a blank margin
# border = "5mm"              # keep so much around it; inset = "1mm" cuts inside
# width = "210mm"             # by the tape, to check the size
# height = "270mm"

[paper]
# white = 100                 # lightness L* that the paper becomes
# keep-texture = true

[cutout]
# width = "80mm"              # of the motif with its margin, on a transparent ground
# dpi = 300
# margin = "2mm"

[prints]
sizes = "5x7in,A5"            # or a set: inch, iso, square; for one size another fit: "A4:border"
fit = "crop"                  # or "border", or "stretch" (up to 0.5 %)
# dpi = 300
# keep = "40mm,30mm,90mm,60mm"  # a region that must stay in: x, y, width, height
# border = "10mm"
# bleed = "3mm"
# safe = "5mm"
# profile = "srgb"            # or "own", or the print shop's .icc, seen from where this file lies
# format = "jpeg"             # or "tiff8", "tiff16"
# quality = 92
# max-mb = 25
# allow-enlarge = 1.0
# paper = "cotton, matt"      # for the order slip
# copies = 1

[proof]
sheet = "A4"
size = "5x7in"                # the print that it is a proof of
fit = "crop"
"""


@dataclass(frozen=True, slots=True)
class Wish:
    """One step of the chain: its name, and its options as written."""

    name: str
    options: Mapping[str, Any]


def load_wishes(path: Path, known: Collection[str]) -> tuple[Wish, ...]:
    """The chain of a file, in order. Raises UsageError that says what is wrong with it."""
    try:
        plain = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(
            f"{path} could not be read: {error.strerror}.", advice="Write one with stitch finish JOB --init."
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(f"{path} is not understood: {error}.") from error
    if plain.pop("version", VERSION) != VERSION:
        raise UsageError(f"{path} was written for another version of stitch.", advice=f"This one reads {VERSION}.")
    chain = plain.pop("chain", None)
    if not isinstance(chain, list) or not chain or not all(isinstance(name, str) for name in chain):
        raise UsageError(f"{path}: chain is missing.", advice='Write chain = ["trim", "prints"].')
    for name in (*chain, *plain):
        if name not in known:
            raise UsageError(f"{path}: {name} is no step known here.", advice=f"Known are {', '.join(known)}.")
        if not isinstance(plain.get(name, {}), dict):
            raise UsageError(f"{path}: {name} is no section.", advice=f"Write [{name}] on a line of its own.")
    if len(set(chain)) < len(chain):
        raise UsageError(f"{path}: a step stands twice in chain.", advice="Name each step once.")
    return tuple(Wish(name, plain.get(name, {})) for name in chain)
