"""The XMP packet, read with an XML parser.

Names from ISO 16684-1:2019 (XMP part 1) and Adobe's XMP specification part 2 (xmpMM, ResourceEvent, ResourceRef);
of a history entry stEvt:action and stEvt:when are required there. The namespace addresses are typed from memory.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from stitch import __version__
from stitch.master.writer import MasterWriter
from stitch.master.xmp import xmp_packet
from stitch.model.geometry import Size
from stitch.model.master import MasterSpec

WHEN = datetime(2026, 11, 25, 8, 1, 2, tzinfo=timezone(timedelta(hours=-5)))
NS = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
    "stEvt": "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#",
    "stRef": "http://ns.adobe.com/xap/1.0/sType/ResourceRef#",
}
SCANS = (("moon one.tif", "a" * 64), ("möön <2> & ✿.tif", "b" * 64))


def spec(title: str = "Ebbe", creator: str = "Studio Halde", rights: str = "© 2026", **more: object) -> MasterSpec:
    told = {"history": ("Tone matched.", "Nothing resampled."), "ingredients": SCANS, **more}
    return MasterSpec(Size(4, 3), 16, 600.0, None, title, creator, rights, **told)  # type: ignore[arg-type]


def description(packet: bytes) -> ET.Element:
    found = ET.fromstring(packet).find("rdf:RDF/rdf:Description", NS)
    assert found is not None
    return found


def texts(parent: ET.Element, path: str) -> list[str | None]:
    return [element.text for element in parent.findall(path, NS)]


def test_who_and_what() -> None:
    about = description(xmp_packet(spec(title='Hügel <&> "1" 🌊'), WHEN))
    assert texts(about, "dc:title/rdf:Alt/rdf:li") == ['Hügel <&> "1" 🌊']
    assert about.find("dc:title/rdf:Alt/rdf:li", NS).attrib == {  # type: ignore[union-attr]
        "{http://www.w3.org/XML/1998/namespace}lang": "x-default"
    }
    assert texts(about, "dc:creator/rdf:Seq/rdf:li") == ["Studio Halde"]
    assert texts(about, "dc:rights/rdf:Alt/rdf:li") == ["© 2026"]
    assert texts(about, "xmp:CreatorTool") == [f"stitch {__version__}"]
    for name in ("CreateDate", "ModifyDate", "MetadataDate"):
        assert texts(about, f"xmp:{name}") == ["2026-11-25T08:01:02-05:00"]  # ISO 8601, unlike tag 306


def test_every_scan_is_an_ingredient_with_its_checksum() -> None:
    about = description(xmp_packet(spec(), WHEN))
    entries = about.findall("xmpMM:Ingredients/rdf:Bag/rdf:li", NS)
    found = [(e.findtext("stRef:filePath", None, NS), e.findtext("stRef:documentID", None, NS)) for e in entries]
    assert found == [(name, f"urn:sha256:{sha}") for name, sha in SCANS]


def test_history_says_what_was_done() -> None:
    about = description(xmp_packet(spec(), WHEN))
    entries = about.findall("xmpMM:History/rdf:Seq/rdf:li", NS)
    assert [e.findtext("stEvt:parameters", None, NS) for e in entries][1:] == ["Tone matched.", "Nothing resampled."]
    for entry in entries:
        assert entry.findtext("stEvt:action", None, NS) in {"created", "edited"}  # required
        assert entry.findtext("stEvt:when", None, NS) == "2026-11-25T08:01:02-05:00"  # required
        assert entry.findtext("stEvt:softwareAgent", None, NS) == f"stitch {__version__}"


def test_empty_texts_are_left_out() -> None:
    about = description(xmp_packet(spec("", "", ""), WHEN))
    assert [about.find(f"dc:{name}", NS) for name in ("title", "creator", "rights")] == [None, None, None]


def test_the_document_is_the_same_for_the_same_scans_and_each_writing_another_instance() -> None:
    one, two = description(xmp_packet(spec(), WHEN)), description(xmp_packet(spec(), WHEN + timedelta(seconds=1)))
    other = description(xmp_packet(spec(ingredients=SCANS[:1]), WHEN))
    assert texts(one, "xmpMM:DocumentID") == texts(two, "xmpMM:DocumentID") != texts(other, "xmpMM:DocumentID")
    assert texts(one, "xmpMM:InstanceID") != texts(two, "xmpMM:InstanceID")


@settings(max_examples=40)
@given(st.text(max_size=40))
def test_any_text_makes_well_formed_xml(text: str) -> None:
    about = description(xmp_packet(spec(title=f"x{text}", history=(text,)), WHEN))
    (title,) = texts(about, "dc:title/rdf:Alt/rdf:li")
    if text.isprintable():
        assert title == f"x{text}"


def test_names_that_are_not_utf8_do_not_stop_the_writing(tmp_path: Path) -> None:
    odd = spec(title="a\udce4\0b", ingredients=(("n\udcff.tif", "c" * 64),))
    with MasterWriter(tmp_path / "a.tif", odd) as out:
        out.write_rows(np.zeros((3, 4, 3), np.uint16))
        record = out.finish()
    assert dict(record.tags)["ImageDescription"] == "a?b"


def test_pillow_finds_the_packet_in_the_tiff(tmp_path: Path) -> None:
    """XMP specification part 3: tag 700 holds the packet, type BYTE."""
    with MasterWriter(tmp_path / "a.tif", spec(), written_at=WHEN) as out:
        out.write_rows(np.zeros((3, 4, 3), np.uint16))
        out.finish()
    with Image.open(tmp_path / "a.tif") as image:
        assert image.info["xmp"] == xmp_packet(spec(), WHEN)
