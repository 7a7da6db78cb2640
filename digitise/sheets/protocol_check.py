"""Explain a protocol file: every problem that would stop it, and what its author may want to know."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from digitise.sheets.captions import left_in_english
from digitise.sheets.codes import how_often, margins
from digitise.sheets.compose import build_layouts, free_marks, layout_problems, paper_problems, shared_marks
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import (
    HALVES,
    KNOWN_FIELDS,
    BeltSheet,
    LineSheet,
    Protocol,
    ProtocolError,
    Sheet,
    SiteSheet,
    is_known,
    load_protocol,
)
from digitise.sheets.sheet import identity_for, sheet_pdf
from digitise.wording import listed, plural

SAMPLE_PACK = "XXXXXX"
USEFUL = {  # fields of the site sheet that results and checks look for, and what is lost without them
    "date": "no survey has a date, so surveys are not put in order",
    "site": "no survey knows its site",
    "team": "the size of the team is not checked",
    "latitude": "the position is not checked against the site",
    "leader": "nobody is named as licensed dive leader",
}


@dataclass(frozen=True, slots=True)
class Explained:
    """What was found in a protocol file. `problems` stop it from being used; `notes` do not. `pages` is one pack."""

    problems: tuple[str, ...]
    notes: tuple[str, ...] = ()
    protocol: Protocol | None = None
    pages: int = 0


def explain(path: Path, *, others: Iterable[Protocol] = ()) -> Explained:
    """Check a file as far as it can be checked; `others` are protocols in use beside it."""
    try:
        protocol = load_protocol(path)
    except ProtocolError as error:
        return Explained(tuple(str(error).splitlines()))
    problems = [f"{path}: sheets.{text}" for text in layout_problems(protocol)]
    if problems:
        return Explained(tuple(problems), protocol=protocol)
    layouts = build_layouts(protocol)
    must = [one for one in layouts if one.paper in (*HALVES, protocol.paper)]
    problems = [f"{path}: {text}" for text in dict.fromkeys(t for one in must for t in _drawing(protocol, one))]
    per_survey, per_line = (
        sum(one.paper == protocol.paper and one.per_transect is each for one in layouts) for each in (False, True)
    )
    notes = [*_small(protocol, layouts), *_marks(protocol, list(others)), *_fields(protocol), *_words(protocol)]
    notes += _codes(protocol)
    return Explained(tuple(problems), tuple(notes), protocol, per_survey + protocol.transects * per_line)


def _small(protocol: Protocol, layouts: tuple[Layout, ...]) -> Iterator[str]:
    """Why sheets cannot be printed on small paper, where it is not the protocol's own; the first reason of each."""
    for paper in HALVES.values():
        pages = [one for one in layouts if one.paper == paper]
        why = paper_problems(protocol, paper) or [t for one in pages for t in _drawing(protocol, one)]
        if why and paper != protocol.paper:
            yield f"cannot be printed on {paper}: {why[0]}"


def _drawing(protocol: Protocol, layout: Layout) -> list[str]:
    """What keeps a page from being drawn: a caption too long, a character that the font lacks."""
    try:
        sheet_pdf(protocol, [(layout, identity_for(layout, SAMPLE_PACK, int(layout.per_transect)))])
    except ProtocolError as error:
        return [f"{layout.sheet}, page {layout.page} on {layout.paper}: {error}"]
    return []


def _marks(protocol: Protocol, others: list[Protocol]) -> list[str]:
    others = [o for o in others if o.digest != protocol.digest]
    pairs = [(a, b) for a, b in shared_marks([*others, protocol]) if b.protocol == protocol.protocol]
    if not pairs:
        return []
    a, b = pairs[0]
    better = free_marks(protocol, others)
    cure = f"write 'marks: {better}'" if better is not None else "give sheets another version"
    more = f" (and {len(pairs) - 1} more)" if len(pairs) > 1 else ""
    text = f"{b.sheet}, page {b.page} has the corner marks of {a.protocol}'s {a.sheet}, page {a.page}{more}"
    return [f"{text}: they are told apart only while the printed code can be read; {cure} before you print"]


def _twice(sheet: Sheet) -> list[str]:
    """Labels that nobody on a reef, and nobody who reads a figure, can tell apart."""
    counted = (*sheet.rows, *sheet.impacts) if isinstance(sheet, BeltSheet) else ()
    labels = [one.label for one in (sheet.categories if isinstance(sheet, LineSheet) else counted)]
    folded = [label.casefold() for label in labels]
    return [label for i, label in enumerate(labels) if folded.count(folded[i]) > 1 and folded.index(folded[i]) == i]


def _fields(protocol: Protocol) -> list[str]:
    sites = [s for s in protocol.sheets.values() if isinstance(s, SiteSheet)]
    if not sites:
        return ["no sheet of kind 'site': surveys have no date, no site and, but for the briefing's, no cautions"]
    known = {f.id for s in sites for f in s.fields}
    out = [f"the site sheet has no field with id '{i}': {lost}" for i, lost in USEFUL.items() if i not in known]
    for name, sheet in protocol.sheets.items():
        out += [f"sheet '{name}': two rows or categories are called '{label}'" for label in _twice(sheet)]
        own = {f.id for f in sheet.fields}
        out += [
            f"sheet '{name}': field '{f.id}' is of kind {f.kind}, so checks and exports leave it out; they know one of "
            f"kind {' or '.join(KNOWN_FIELDS[f.id])} by this id"
            for f in sheet.fields
            if not is_known(f.id, f.kind)
        ]
        lacking = [f"'{i}'" for i in ("start", "laid") if i not in own]
        if isinstance(sheet, BeltSheet) and protocol.wait_minutes and lacking:
            fields = "field" if len(lacking) == 1 else "fields"
            out.append(f"sheet '{name}' has no {fields} {listed(lacking)}: its wait is not checked")
    if "line" in protocol.sheets:
        out.append(
            "sheet 'line' has the name of a task in plans, laying the line: the two cannot be given to different "
            "pairs; another name, such as points, is better while nothing has been surveyed"
        )
    return out


def _words(protocol: Protocol) -> list[str]:
    """What is printed in English all the same, and what letters of another language are taken for."""
    out = []
    frames = any(isinstance(s, BeltSheet) and s.quadrats for s in protocol.sheets.values())
    left = [key for key in left_in_english(protocol.captions) if frames or key != "quadrat"]
    if protocol.captions and left:
        out.append(f"{plural(len(left), 'caption')} will be printed in English: {', '.join(left)}")
    for field, (one, other) in {"north-south": ("north", "south"), "east-west": ("east", "west")}.items():
        signs = {sign: letter for letter, sign in protocol.signs(field).items()}
        if signs and set(signs.values()) not in ({"N", "S"}, {"E", "W"}):
            out.append(f"field '{field}': {signs[1]} is {one}, {signs[-1]} is {other}, by the order of its choices")
    return out


def _codes(protocol: Protocol) -> list[str]:
    out = []
    for name, sheet in protocol.sheets.items():
        if isinstance(sheet, LineSheet):
            nearest = max(margins([c.code for c in sheet.categories]), key=lambda m: m.chance)
            out.append(
                f"sheet '{name}': codes {nearest.code} and {nearest.nearest} are nearest; two letters or more would "
                f"have to be misread, {how_often(nearest.chance)}"
            )
    return out
