"""The XMP packet of a master: who made it, from which scans, and what was done to the pixels.

Names as in ISO 16684-1:2019 (XMP part 1) for the packet and the dc and xmp properties, and Adobe's XMP
specification part 2 for xmpMM; there a history entry must have stEvt:action and stEvt:when. Ingredients carry the
scan's file name and, as its identifier, the checksum as a URN. Dates are ISO 8601, unlike the TIFF tag.
"""

from __future__ import annotations

import hashlib
import re
import uuid
import xml.etree.ElementTree as ET
from collections.abc import Iterable
from datetime import datetime
from pathlib import PurePosixPath

from stitch import __version__
from stitch.model.master import DerivedSpec, Event, MasterSpec

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
DC = "http://purl.org/dc/elements/1.1/"
XMP = "http://ns.adobe.com/xap/1.0/"
MM = "http://ns.adobe.com/xap/1.0/mm/"
EVENT = "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#"
REFERENCE = "http://ns.adobe.com/xap/1.0/sType/ResourceRef#"
META = "adobe:ns:meta/"
STEPS = "urn:stitch:steps:1#"  # our own: `Steps`, a sequence of `name` and `settings` (JSON), since the master
XML = "http://www.w3.org/XML/1998/namespace"

_PREFIXES = {
    "rdf": RDF,
    "dc": DC,
    "xmp": XMP,
    "xmpMM": MM,
    "stEvt": EVENT,
    "stRef": REFERENCE,
    "x": META,
    "stitch": STEPS,
}
_HEAD = "<?xpacket begin='\ufeff' id='W5M0MpCehiHzreSzNTczkc9d'?>\n"
_TAIL = "\n<?xpacket end='w'?>"

_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

SOFTWARE = f"stitch {__version__}"


def xmp_packet(spec: MasterSpec, written_at: datetime, media_type: str = "image/tiff") -> bytes:
    """The packet as UTF-8 bytes. `written_at` needs a time zone."""
    for prefix, name in _PREFIXES.items():
        ET.register_namespace(prefix, name)
    meta = ET.Element(_q(META, "xmpmeta"))
    rdf = ET.SubElement(meta, _q(RDF, "RDF"))
    about = ET.SubElement(rdf, _q(RDF, "Description"), {_q(RDF, "about"): ""})
    _describe(about, spec, media_type)
    _date(about, written_at)
    _identify(about, spec, written_at)
    _list_scans(about, spec.ingredients)
    if isinstance(spec, DerivedSpec):
        _name_source(about, spec.made_from)
        _list_steps(about, spec.steps)
    _tell_history(about, _events(spec, written_at))
    ET.indent(meta, space=" ")
    return (_HEAD + ET.tostring(meta, encoding="unicode") + _TAIL).encode("utf-8")


def _describe(about: ET.Element, spec: MasterSpec, media_type: str) -> None:
    _text(about, DC, "format", media_type)
    if spec.title:
        _language_alternative(about, "title", spec.title)
    if spec.creator:
        sequence = _array(about, _q(DC, "creator"), "Seq")
        ET.SubElement(sequence, _q(RDF, "li")).text = _clean(spec.creator)
    if spec.rights:
        _language_alternative(about, "rights", spec.rights)


def _date(about: ET.Element, written_at: datetime) -> None:
    _text(about, XMP, "CreatorTool", SOFTWARE)
    for name in ("CreateDate", "ModifyDate", "MetadataDate"):
        _text(about, XMP, name, _iso(written_at))


def _identify(about: ET.Element, spec: MasterSpec, written_at: datetime) -> None:
    """The document is the painting's scans joined; every writing of it is another instance."""
    of_scans = hashlib.sha256("\n".join(sorted(sha for _, sha in spec.ingredients)).encode("ascii")).hexdigest()
    document = uuid.uuid5(uuid.NAMESPACE_URL, f"urn:sha256:{of_scans}")
    _text(about, MM, "DocumentID", f"xmp.did:{document}")
    _text(about, MM, "InstanceID", f"xmp.iid:{uuid.uuid5(document, repr(spec) + _iso(written_at))}")


def _list_scans(about: ET.Element, ingredients: Iterable[tuple[str, str]]) -> None:
    bag = _array(about, _q(MM, "Ingredients"), "Bag")
    for name, sha256 in ingredients:
        entry = _structure(bag)
        _text(entry, REFERENCE, "filePath", PurePosixPath(name).name)
        _text(entry, REFERENCE, "documentID", f"urn:sha256:{sha256}")


def _name_source(about: ET.Element, made_from: tuple[str, str]) -> None:
    """The file that this picture was made from (xmpMM:DerivedFrom)."""
    source = ET.SubElement(about, _q(MM, "DerivedFrom"), {_q(RDF, "parseType"): "Resource"})
    _text(source, REFERENCE, "filePath", PurePosixPath(made_from[0]).name)
    _text(source, REFERENCE, "documentID", f"urn:sha256:{made_from[1]}")


def _list_steps(about: ET.Element, steps: Iterable[tuple[str, str]]) -> None:
    """What a program needs to do each step again, or to follow a place through it."""
    sequence = _array(about, _q(STEPS, "Steps"), "Seq")
    for name, settings in steps:
        entry = _structure(sequence)
        _text(entry, STEPS, "name", name)
        _text(entry, STEPS, "settings", settings)


def _events(spec: MasterSpec, written_at: datetime) -> tuple[Event, ...]:
    """What was done before, as it was recorded then, and what is done now."""
    earlier = spec.earlier if isinstance(spec, DerivedSpec) else ()
    when = _iso(written_at)
    first = earlier or (Event("created", when, SOFTWARE, "from the scans listed as ingredients"),)
    return (*first, *(Event("edited", when, SOFTWARE, line) for line in spec.history))


def _tell_history(about: ET.Element, events: Iterable[Event]) -> None:
    sequence = _array(about, _q(MM, "History"), "Seq")
    for event in events:
        entry = _structure(sequence)
        _text(entry, EVENT, "action", event.action)
        _text(entry, EVENT, "when", event.when)
        _text(entry, EVENT, "softwareAgent", event.agent)
        _text(entry, EVENT, "parameters", event.told)


def _language_alternative(parent: ET.Element, name: str, text: str) -> None:
    choices = _array(parent, _q(DC, name), "Alt")
    ET.SubElement(choices, _q(RDF, "li"), {_q(XML, "lang"): "x-default"}).text = _clean(text)


def _array(parent: ET.Element, name: str, kind: str) -> ET.Element:
    return ET.SubElement(ET.SubElement(parent, name), _q(RDF, kind))


def _structure(array: ET.Element) -> ET.Element:
    return ET.SubElement(array, _q(RDF, "li"), {_q(RDF, "parseType"): "Resource"})


def _text(parent: ET.Element, space: str, name: str, text: str) -> None:
    ET.SubElement(parent, _q(space, name)).text = _clean(text)


def _clean(text: str) -> str:
    """Without the characters that XML 1.0 (section 2.2, Char) cannot hold at all."""
    return _NOT_IN_XML.sub("", text)


def _q(space: str, name: str) -> str:
    return f"{{{space}}}{name}"


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")
