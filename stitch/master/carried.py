"""What a finished picture says of itself, to be carried on by pictures made from it."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import tifffile

from stitch.master.tags import ARTIST, COPYRIGHT, XMP
from stitch.master.xmp import EVENT, MM, RDF, REFERENCE, SOFTWARE
from stitch.model.master import Event

DESCRIPTION, SOFTWARE_TAG = 270, 305
URN = "urn:sha256:"


@dataclass(frozen=True, slots=True)
class Carried:
    """Texts of a picture and its history; "" and () where it says nothing."""

    title: str = ""
    creator: str = ""
    rights: str = ""
    events: tuple[Event, ...] = ()
    ingredients: tuple[tuple[str, str], ...] = ()  # (scan file name, sha256)


def read_carried(path: Path) -> Carried:
    """Read the tags and the XMP packet of a TIFF; of any other file nothing is known."""
    try:
        with tifffile.TiffFile(path) as tiff:
            tags = tiff.pages.first.tags
            texts = [str(tags[n].value) if n in tags else "" for n in (DESCRIPTION, ARTIST, COPYRIGHT)]
            packet = bytes(tags[XMP].value) if XMP in tags else b""
    except (tifffile.TiffFileError, OSError, ValueError, IndexError):
        return Carried()
    events, ingredients = _of_packet(packet)
    title, creator, rights = texts
    return Carried(title, creator, rights, events, ingredients)


def is_ours(path: Path) -> bool:
    """True for a picture that stitch wrote: a TIFF by its Software tag, a PNG by its text of that name."""
    ours = SOFTWARE.split()[0]
    try:
        with path.open("rb") as file:
            head = file.read(4096)
        if head.startswith(b"\x89PNG"):
            return b"Software\0" + ours.encode() in head
        with tifffile.TiffFile(path) as tiff:
            tags = tiff.pages.first.tags
            return SOFTWARE_TAG in tags and str(tags[SOFTWARE_TAG].value).startswith(f"{ours} ")
    except (tifffile.TiffFileError, OSError, ValueError, IndexError):
        return False


def _of_packet(packet: bytes) -> tuple[tuple[Event, ...], tuple[tuple[str, str], ...]]:
    """The history and the ingredients of a packet as `xmp_packet` writes it; nothing of one that cannot be read."""
    try:
        root = ET.fromstring(packet)
    except ET.ParseError:
        return (), ()
    events = tuple(
        Event(*(entry.findtext(f"{{{EVENT}}}{name}", "") for name in ("action", "when", "softwareAgent", "parameters")))
        for entry in root.iterfind(f".//{{{MM}}}History/{{{RDF}}}Seq/{{{RDF}}}li")
    )
    scans = tuple(
        (
            entry.findtext(f"{{{REFERENCE}}}filePath", ""),
            entry.findtext(f"{{{REFERENCE}}}documentID", "").removeprefix(URN),
        )
        for entry in root.iterfind(f".//{{{MM}}}Ingredients/{{{RDF}}}Bag/{{{RDF}}}li")
    )
    return events, scans
