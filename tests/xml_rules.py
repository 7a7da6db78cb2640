"""Whether XML keeps to a content model: which children an element has, in which order and how often, and its attributes.

The two models are those of the Darwin Core text guide (tdwg/dwc, docs/text/tdwg_dwc_text.xsd) and of EML 2.2.0
(NCEAS/eml, xsd/), read on 2026-11-25, as far as an archive of ours may use them: what a model does not name is refused.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, field

MANY = 10**6
TEXT = re.compile(r"\S", re.DOTALL)
XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"


@dataclass(frozen=True)
class Rule:
    """Children in order as (name, least, most), attributes (required ones first), and what the text must match."""

    children: tuple[tuple[str, int, int], ...] = ()
    required: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    text: re.Pattern | None = None
    one_of: tuple[str, ...] = ()  # at least one of these children
    attributes: dict[str, re.Pattern] = field(default_factory=dict)


INDEX, ADDRESS = re.compile(r"^\d+$"), re.compile(r"^https?://\S+$")
_FILE = ("encoding", "fieldsTerminatedBy", "linesTerminatedBy", "fieldsEnclosedBy", "ignoreHeaderLines", "dateFormat")
_TABLE = {"required": ("rowType",), "optional": _FILE}
_TABLE["attributes"] = {"rowType": ADDRESS, "ignoreHeaderLines": INDEX}
META = {
    "archive": Rule((("core", 1, 1), ("extension", 0, MANY)), optional=("metadata",)),
    "core": Rule((("files", 1, 1), ("id", 0, 1), ("field", 1, MANY)), **_TABLE),
    "extension": Rule((("files", 1, 1), ("coreid", 1, 1), ("field", 1, MANY)), **_TABLE),
    "files": Rule((("location", 1, MANY),)),
    "location": Rule(text=TEXT),
    "id": Rule(required=("index",), attributes={"index": INDEX}),
    "coreid": Rule(required=("index",), attributes={"index": INDEX}),
    "field": Rule(
        required=("term",),
        optional=("index", "default", "vocabulary", "delimitedBy"),
        attributes={"term": ADDRESS, "index": INDEX},
    ),
}

DAY = re.compile(r"^\d{4}(-\d{2}-\d{2})?$")
_PARTY = Rule(
    (
        ("individualName", 0, MANY),
        ("organizationName", 0, MANY),
        ("positionName", 0, MANY),
        ("electronicMailAddress", 0, MANY),
    ),
    one_of=("individualName", "organizationName", "positionName"),
)
_STEP = Rule((("description", 1, 1),))
_PARAS = Rule((("para", 1, MANY),))
_DEGREES = {f"{side}BoundingCoordinate": Rule(text=re.compile(r"^-?\d{1,3}(\.\d+)?$")) for side in ("west", "east")}
_DEGREES |= {f"{side}BoundingCoordinate": Rule(text=re.compile(r"^-?\d{1,2}(\.\d+)?$")) for side in ("north", "south")}
EML = {
    "eml": Rule((("dataset", 1, 1),), required=("packageId", "system"), optional=(XML_LANG,)),
    "dataset": Rule(
        (
            ("title", 1, MANY),
            ("creator", 1, MANY),
            ("metadataProvider", 0, MANY),
            ("pubDate", 0, 1),
            ("language", 0, 1),
            ("abstract", 0, 1),
            ("keywordSet", 0, MANY),
            ("intellectualRights", 0, 1),
            ("coverage", 0, 1),
            ("contact", 1, MANY),
            ("methods", 0, 1),
        )
    ),
    "title": Rule(text=TEXT),
    "creator": _PARTY,
    "metadataProvider": _PARTY,
    "contact": _PARTY,
    "individualName": Rule((("givenName", 0, MANY), ("surName", 1, 1))),
    "givenName": Rule(text=TEXT),
    "surName": Rule(text=TEXT),
    "organizationName": Rule(text=TEXT),
    "electronicMailAddress": Rule(text=TEXT),
    "pubDate": Rule(text=DAY),
    "language": Rule(text=TEXT),
    "abstract": _PARAS,
    "intellectualRights": _PARAS,
    "para": Rule(text=TEXT),
    "keywordSet": Rule((("keyword", 1, MANY),)),
    "keyword": Rule(text=TEXT),
    "coverage": Rule((("geographicCoverage", 0, MANY), ("temporalCoverage", 0, MANY))),
    "geographicCoverage": Rule((("geographicDescription", 1, 1), ("boundingCoordinates", 1, 1))),
    "geographicDescription": Rule(text=TEXT),
    "boundingCoordinates": Rule(
        tuple((f"{side}BoundingCoordinate", 1, 1) for side in ("west", "east", "north", "south"))
    ),
    **_DEGREES,
    "temporalCoverage": Rule((("rangeOfDates", 1, 1),)),
    "rangeOfDates": Rule((("beginDate", 1, 1), ("endDate", 1, 1))),
    "beginDate": Rule((("calendarDate", 1, 1),)),
    "endDate": Rule((("calendarDate", 1, 1),)),
    "calendarDate": Rule(text=DAY),
    "methods": Rule((("methodStep", 1, MANY), ("qualityControl", 0, MANY))),
    "methodStep": _STEP,
    "qualityControl": _STEP,
    "description": _PARAS,
}


def _name(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def faults(element: ET.Element, model: dict[str, Rule], *, namespace: str | None = None) -> list[str]:
    """What an element and all below it do against the model, in words; empty when nothing.

    `namespace` is that of every element; None leaves the root's aside and wants none below it (as EML does).
    """
    return _faults(element, model, namespace, root=True)


def _faults(element: ET.Element, model: dict[str, Rule], namespace: str | None, *, root: bool) -> list[str]:
    name = _name(element)
    own = element.tag[1:].partition("}")[0] if element.tag.startswith("{") else ""
    if name not in model:
        return [f"{name}: not in the model"]
    out = [] if own == (namespace or "") or (root and namespace is None) else [f"{name}: namespace '{own}'"]
    rule = model[name]
    out += [f"{name}: no attribute {a}" for a in rule.required if a not in element.attrib]
    for key, value in element.attrib.items():
        if key not in (*rule.required, *rule.optional):
            out.append(f"{name}: attribute {key} is not in the model")
        elif key in rule.attributes and not rule.attributes[key].match(value):
            out.append(f"{name}: attribute {key} is '{value}'")
    if rule.text is not None and not rule.text.search(element.text or ""):
        out.append(f"{name}: text is '{element.text}'")
    if rule.text is None and TEXT.search(element.text or ""):
        out.append(f"{name}: text where none belongs")
    found = [_name(child) for child in element]
    order = [n for n, _, _ in rule.children]
    places = [order.index(n) for n in found if n in order]
    if places != sorted(places):
        out.append(f"{name}: children in the order {', '.join(dict.fromkeys(found))}")
    out += [f"{name}: {n} {found.count(n)} times" for n, a, b in rule.children if not a <= found.count(n) <= b]
    out += [f"{name}: child {n} does not belong here" for n in dict.fromkeys(found) if n not in order]
    if rule.one_of and not set(rule.one_of) & set(found):
        out.append(f"{name}: none of {', '.join(rule.one_of)}")
    for child in element:
        out += _faults(child, model, namespace, root=False)
    return out
