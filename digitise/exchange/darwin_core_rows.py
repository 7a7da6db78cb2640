"""Occurrences and measurements of one survey, as rows of a Darwin Core Archive.

Units are words, as the Darwin Core vocabularies have them: "square metre", "percent", "individuals"; litter, colonies
and the like that are counted as impacts are "items".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from digitise.exchange.about import About
from digitise.exchange.event_dates import duration_min
from digitise.results import SurveyResults
from digitise.sheets.protocol import BeltSheet, Protocol, RowSpec, is_known
from digitise.store import RULE, CellNow
from digitise.surveys.survey import Transect
from digitise.wording import plural

UNITS = (("(m)", "metre"), ("(°C)", "degree Celsius"))
HIDDEN = ("latitude", "longitude", "north-south", "east-west", "date", "time", "depth", "team")
POINTS = "points along the tape; cover is their share of the legible points"


@dataclass(frozen=True, slots=True)
class Emof:
    """One measurement or fact about an event, or about an occurrence of it."""

    event: str
    type: str
    value: object
    unit: str = ""
    method: str = ""
    remarks: str = ""
    accuracy: str = ""
    occurrence: str = ""

    def row(self, number: int) -> dict:
        """The row, with an identifier that is stable while the survey's cells are."""
        return {
            "eventID": self.event,
            "measurementID": f"{self.event}:m{number}",
            "occurrenceID": self.occurrence,
            "measurementType": self.type,
            "measurementValue": self.value,
            "measurementUnit": self.unit,
            "measurementAccuracy": self.accuracy,
            "measurementMethod": self.method,
            "measurementRemarks": self.remarks,
        }


def how_decided(cell: CellNow) -> str:
    """Who decided a value, without naming a person."""
    if cell.by == RULE:
        return f"handwriting read automatically, accepted by rule at confidence {cell.confidence:.4f}"
    return "decided by a person looking at the photograph"


def survey_measurements(r: SurveyResults, event: str) -> Iterator[Emof]:
    """Conditions on the site sheet, and how complete the reading is."""
    for name, cell in r.survey.fields.items():
        if name.rpartition("/")[2] in HIDDEN or cell.kind in ("text", "date", "time") or cell.state != "entered":
            continue
        value = ("yes" if cell.value else "no") if isinstance(cell.value, bool) else cell.value
        unit = next((u for sign, u in UNITS if sign in cell.label), "")
        label = cell.label.split(" (")[0].lower()
        yield Emof(event, label, value, unit, how_decided(cell))
    sums = {k: sum(getattr(q, k) for q in r.quality) for k in ("cells", "by_rule", "by_person", "unread", "illegible")}
    for name, words in (
        ("cells", "cells on the survey's sheets"),
        ("by_rule", "cells accepted by rule"),
        ("by_person", "cells decided by a person"),
        ("unread", "cells not decided by anybody"),
        ("illegible", "cells given up as illegible"),
    ):
        yield Emof(event, words, sums[name], "cells", "count over the sheets that were photographed")


def line_rows(r: SurveyResults, transect: Transect, sheet: str, event: str) -> Iterator[Emof]:
    """Points and cover of one line: what was planned, what is legible, and each category."""
    line = next(one for one in r.lines if one.sheet == sheet)
    points = next(p for p in line.points if p.transect == transect.name)
    for words, value in (
        ("points planned", points.planned),
        ("points legible", points.legible),
        ("points not decided by anybody", points.unread),
        ("points illegible", points.illegible),
        ("points left blank", points.blank),
    ):
        yield Emof(event, words, value, "points")
    for one in line.categories:
        cover = next(c for name, c in one.transects if name == transect.name)
        yield Emof(event, f"points on {one.label.lower()}", points.counts[one.id], "points", f"code {one.code}")
        if cover.cover.value is not None:
            bounds = f"{cover.lowest:.1f} to {cover.highest:.1f} if none or all missing points were of it"
            yield Emof(
                event,
                f"cover of {one.label.lower()}",
                round(cover.cover.value, 4),
                "percent",
                POINTS,
                bounds if points.missing else "",
            )


def belt_rows(
    about: About, r: SurveyResults, transect: Transect, sheet: str, event: str
) -> tuple[list[dict], list[Emof]]:
    """(occurrences, measurements) of one belt."""
    spec = r.survey.protocol.sheets[sheet]
    assert isinstance(spec, BeltSheet)  # noqa: S101 - the caller looked  # nosec B101
    occurrences, measurements = [], []
    for density in (d for d in r.densities if d.sheet == sheet):
        belt = next(b for b, _ in density.belts if b.transect == transect.name)
        part = f"{belt.area_m2:g} of {belt.planned_m2:g} square metres" if belt.partly_read else ""
        if belt.count is None or (belt.count == 0 and part):  # none on a part is no absence on the whole
            continue
        count = int(belt.count)
        if density.is_impact:
            remarks = f"counted on {part}" if part else ""
            measurements.append(Emof(event, density.label.lower(), count, "items", "count", remarks))
            continue
        row = next(x for x in spec.rows if x.id == density.id)
        occurrence = _occurrence(about, row, count, event, part)
        occurrences.append(occurrence)
        if part:
            area = Emof(
                event, "area counted", f"{belt.area_m2:g}", "square metre", occurrence=occurrence["occurrenceID"]
            )
            measurements.append(area)
    measurements += _impacts(transect, sheet, spec, event)
    return occurrences, measurements


def searched_m2(p: Protocol, sheet: str) -> float:
    """Area that belt sheet `sheet` counts along one line: of its frames, or of the belt's segments."""
    return sum(part.area_m2 for part in p.parts(sheet))


def how_searched(p: Protocol, sheet: str) -> str:
    """What belt sheet `sheet` counts in along one line, in words."""
    if (frames := p.sheets[sheet].quadrats) is not None:
        return f"{plural(frames.count, 'frame')} of {frames.width_m:g} by {frames.length_m:g} m"
    return f"belt transect, {p.belt.width_m:g} m wide"


def scope_row(r: SurveyResults, transect: Transect, sheet: str, event: str, occurrences: list[dict]) -> dict:
    """What a belt was searched for and whether all of it is reported: what makes its zeros mean something.

    Absences and abundances are reported when the event has any, as the terms of the Humboldt extension are defined.
    """
    p = r.survey.protocol
    spec = p.sheets[sheet]
    rows = [d for d in r.densities if d.sheet == sheet and not d.is_impact]
    belts = [b for d in rows for b, _ in d.belts if b.transect == transect.name]
    whole = all(b.count is not None and not b.partly_read for b in belts)
    lasted = duration_min(entered_time(transect, sheet, "start"), entered_time(transect, sheet, "end"))
    return {
        "eventID": event,
        "targetTaxonomicScope": " | ".join(d.label for d in rows),
        "isTaxonomicScopeFullyReported": whole,
        "isAbsenceReported": any(o["occurrenceStatus"] == "absent" for o in occurrences),
        "isAbundanceReported": bool(occurrences),
        "totalAreaSampledValue": f"{searched_m2(p, sheet):g}",
        "totalAreaSampledUnit": "square metre",
        "protocolNames": f"{p.protocol} {p.version}: {spec.title}",
        "eventDurationValue": lasted,
        "eventDurationUnit": None if lasted is None else "minutes",
    }


def entered_time(transect: Transect, sheet: str, field: str) -> object | None:
    """What is entered in a sheet's field ``start`` or ``end``; None while it is not or is no field of a time."""
    cell = transect.fields.get(f"{sheet}/{field}")
    return cell.value if cell is not None and cell.state == "entered" and is_known(field, cell.kind) else None


def _occurrence(about: About, row: RowSpec, count: int, event: str, part: str) -> dict:
    name = about.names.get(row.id)
    return {
        "eventID": event,
        "occurrenceID": f"{event}:{row.id}",
        "basisOfRecord": "HumanObservation",
        "occurrenceStatus": "present" if count else "absent",
        "scientificName": name.scientific_name if name else None,
        "taxonRank": name.rank if name else None,
        "kingdom": name.kingdom if name else None,
        "vernacularName": row.label,
        "verbatimIdentification": row.label,
        "individualCount": count,
        "organismQuantity": count,
        "organismQuantityType": "individuals",
        "occurrenceRemarks": f"counted on {part}" if part else "",
    }


def _impacts(transect: Transect, sheet: str, spec: BeltSheet, event: str) -> Iterator[Emof]:
    """Percentages and ticks by segment or frame, where they are known."""
    rows, framed = {x.id: x for x in (*spec.rows, *spec.impacts)}, spec.quadrats is not None
    for one in transect.impacts:
        if one.sheet != sheet or one.state != "entered":
            continue
        row = rows[one.row]
        value = ("yes" if one.value else "no") if isinstance(one.value, bool) else one.value
        unit = "percent" if row.kind == "percent" else ""
        place = f"frame {one.segment[1:]}" if framed else f"{one.segment.replace('-', ' to ')} m along the tape"
        yield Emof(event, f"{row.label.lower()}, {place}", value, unit, remarks=row.note)
