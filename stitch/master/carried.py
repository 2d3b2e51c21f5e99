"""What a finished picture says of itself, to be carried on by pictures made from it."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import tifffile

from stitch.master.tags import ARTIST, COPYRIGHT, XMP
from stitch.master.xmp import EVENT, MM, RDF, REFERENCE, SOFTWARE, STEPS
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
    steps: tuple[tuple[str, str], ...] = ()  # since the master: (name, settings and transform as JSON)


def read_carried(path: Path) -> Carried:
    """Read the tags and the XMP packet of a TIFF; of any other file nothing is known."""
    try:
        with tifffile.TiffFile(path) as tiff:
            tags = tiff.pages.first.tags
            texts = [str(tags[n].value) if n in tags else "" for n in (DESCRIPTION, ARTIST, COPYRIGHT)]
            packet = bytes(tags[XMP].value) if XMP in tags else b""
    except (tifffile.TiffFileError, OSError, ValueError, IndexError):
        return Carried()
    root = _root_of(packet)
    title, creator, rights = texts
    return Carried(title, creator, rights) if root is None else Carried(title, creator, rights, *_of_packet(root))


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


Pairs = tuple[tuple[str, str], ...]


def _root_of(packet: bytes) -> ET.Element | None:
    try:
        return ET.fromstring(packet)
    except ET.ParseError:
        return None


def _of_packet(root: ET.Element) -> tuple[tuple[Event, ...], Pairs, Pairs]:
    """The history, the ingredients and the steps of a packet as `xmp_packet` writes it."""
    names = ("action", "when", "softwareAgent", "parameters")
    events = tuple(
        Event(*(entry.findtext(f"{{{EVENT}}}{name}", "") for name in names))
        for entry in root.iterfind(_entries(MM, "History", "Seq"))
    )
    scans = tuple((path, urn.removeprefix(URN)) for path, urn in _pairs(root, MM, "Ingredients", "Bag"))
    return events, scans, tuple(_pairs(root, STEPS, "Steps", "Seq"))


def _pairs(root: ET.Element, space: str, array: str, kind: str) -> Iterator[tuple[str, str]]:
    inner, names = (REFERENCE, ("filePath", "documentID")) if space == MM else (STEPS, ("name", "settings"))
    for entry in root.iterfind(_entries(space, array, kind)):
        first, second = (entry.findtext(f"{{{inner}}}{name}", "") for name in names)
        yield first, second


def _entries(space: str, array: str, kind: str) -> str:
    return f".//{{{space}}}{array}/{{{RDF}}}{kind}/{{{RDF}}}li"
