"""``meta.xml`` and ``eml.xml`` of a Darwin Core Archive.

By the Darwin Core text guide (namespace ``http://rs.tdwg.org/dwc/text/``) and EML 2.2.0.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence

from digitise.exchange.content import Content
from digitise.exchange.darwin_core_rows import how_searched
from digitise.sheets.protocol import BeltSheet, LineSheet
from digitise.surveys.places import bounds
from digitise.wording import plural

TEXT_NS = "http://rs.tdwg.org/dwc/text/"
EML_NS = "https://eml.ecoinformatics.org/eml-2.2.0"
HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
NOT_STATED = "not stated"


def meta_xml(row_types: Mapping[str, str], fields: Mapping[str, Sequence[str]]) -> str:
    """The archive's descriptor; the first table is the core, and column 0 of each is the core's id."""
    root = ET.Element("archive", {"xmlns": TEXT_NS, "metadata": "eml.xml"})
    for number, (name, row_type) in enumerate(row_types.items()):
        table = ET.SubElement(
            root,
            "extension" if number else "core",
            {
                "encoding": "UTF-8",
                "fieldsTerminatedBy": ",",
                "linesTerminatedBy": "\\r\\n",
                "fieldsEnclosedBy": '"',
                "ignoreHeaderLines": "1",
                "rowType": row_type,
            },
        )
        ET.SubElement(ET.SubElement(table, "files"), "location").text = name
        ET.SubElement(table, "coreid" if number else "id", {"index": "0"})
        for index, term in enumerate(fields[name]):
            ET.SubElement(table, "field", {"index": str(index), "term": term})
    return _written(root)


def eml_xml(content: Content) -> str:
    """Who, what, where, when and how, as EML; what the programme has not stated is said to be so."""
    origin, about = content.origin, content.about
    root = ET.Element(
        "eml:eml",
        {"xmlns:eml": EML_NS, "packageId": f"urn:sha256:{origin.digest}", "system": "digitise", "xml:lang": "en"},
    )
    data = ET.SubElement(root, "dataset")
    _add(data, "title", content.title)
    _party(data, "creator", content)
    _party(data, "metadataProvider", content)
    _add(data, "pubDate", origin.created_at[:10])
    _add(data, "language", "en")
    abstract = ET.SubElement(data, "abstract")
    for text in (about.summary, content.statement):
        if text:
            _add(abstract, "para", text)
    words = ET.SubElement(data, "keywordSet")
    for word in ("reef survey", *_ways(content)):
        _add(words, "keyword", word)
    rights = ET.SubElement(data, "intellectualRights")
    licence = about.licence
    _add(rights, "para", f"{licence.name}, {licence.address}" if licence else f"Licence {NOT_STATED}: ask the contact.")
    _coverage(data, content)
    _party(data, "contact", content)
    _methods(data, content)
    return _written(root)


def _add(parent: ET.Element, name: str, text: str) -> ET.Element:
    one = ET.SubElement(parent, name)
    one.text = _printable(text)
    return one


def _printable(text: str) -> str:
    """Without characters that XML 1.0 cannot hold."""
    return "".join(
        c for c in text if c in "\t\n" or (c >= " " and not "\ud800" <= c <= "\udfff" and c not in "\ufffe\uffff")
    )


def _party(parent: ET.Element, name: str, content: Content) -> None:
    one, who = ET.SubElement(parent, name), content.about.contact
    if who and who.surname:
        person = ET.SubElement(one, "individualName")
        if who.given_name:
            _add(person, "givenName", who.given_name)
        _add(person, "surName", who.surname)
    if not who or who.organisation or not who.surname:
        _add(one, "organizationName", (who.organisation if who else None) or content.programme)
    if who and who.email:
        _add(one, "electronicMailAddress", who.email)


def _coverage(parent: ET.Element, content: Content) -> None:
    places = [s.place for s in content.surveys if s.place]
    dates = sorted(s.date for s in content.surveys if s.date)
    if not places and not dates:
        return
    coverage = ET.SubElement(parent, "coverage")
    if places:
        area = ET.SubElement(coverage, "geographicCoverage")
        _add(area, "geographicDescription", "; ".join(dict.fromkeys(s.name for s in content.surveys)))
        box = ET.SubElement(area, "boundingCoordinates")
        west, south, east, north = bounds(places)
        sides = {"west": west, "east": east, "north": north, "south": south}  # in the order of EML
        for side, value in sides.items():
            _add(box, f"{side}BoundingCoordinate", f"{value:.5f}")
    if dates:
        span = ET.SubElement(ET.SubElement(coverage, "temporalCoverage"), "rangeOfDates")
        for name, day in (("beginDate", dates[0]), ("endDate", dates[-1])):
            _add(ET.SubElement(span, name), "calendarDate", day)


def _ways(content: Content) -> Iterator[str]:
    """The ways of counting that the sheets of these surveys have."""
    sheets = [s for p in {s.protocol.digest: s.protocol for s in content.surveys}.values() for s in p.sheets.values()]
    belts = [s for s in sheets if isinstance(s, BeltSheet)]
    if any(isinstance(s, LineSheet) for s in sheets):
        yield "point intercept"
    if any(s.quadrats is None for s in belts):
        yield "belt transect"
    if any(s.quadrats is not None for s in belts):
        yield "counts in frames"


def _methods(parent: ET.Element, content: Content) -> None:
    methods = ET.SubElement(parent, "methods")
    protocols = {s.protocol.digest: s.protocol for s in content.surveys}
    for p in protocols.values():
        tapes = f"{plural(p.transects, 'tape')} of {p.transect.length_m:g} m a survey"
        how = (
            f"a point every {p.transect.point_spacing_m:g} m along {p.transect.sampled}"
            if isinstance(s, LineSheet)
            else how_searched(p, name)
            for name, s in p.sheets.items()
            if isinstance(s, (BeltSheet, LineSheet))
        )
        text = f"Protocol {p.protocol} {p.version} ({p.title}): {'; '.join((tapes, *dict.fromkeys(how)))}."
        _add(ET.SubElement(ET.SubElement(methods, "methodStep"), "description"), "para", text)
    text = (
        f"Divers wrote in pencil; photographs of the sheets were read by digitise {content.origin.tool_version}. "
        f"Basis of the thresholds: {'; '.join(content.origin.acceptance_bases) or NOT_STATED}. Divers' names "
        "and remarks are left out."
    )
    _add(ET.SubElement(ET.SubElement(methods, "methodStep"), "description"), "para", text)
    quality = ET.SubElement(ET.SubElement(methods, "qualityControl"), "description")
    _add(quality, "para", content.statement)


def _written(root: ET.Element) -> str:
    ET.indent(root)
    return HEAD + ET.tostring(root, encoding="unicode") + "\n"
