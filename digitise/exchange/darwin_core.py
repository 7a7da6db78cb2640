"""A Darwin Core Archive: surveys, transects and methods as events, animals as occurrences, all else as measurements.

Event core with Occurrence, Extended Measurement or Fact and Humboldt extensions, by the Darwin Core text guide
(rs.tdwg.org/dwc). A row of the sheet that was searched and had none is an occurrence with status absent; what is not
known is no row, and the Humboldt extension then says that not every row was reported. What lies under the tape is a
measurement of its event: most of it is not an organism. Divers' names and remarks are left out: they are theirs to
publish.
"""

from __future__ import annotations

import io
from contextlib import ExitStack
from pathlib import Path

from digitise.exchange.content import Content
from digitise.exchange.darwin_core_rows import (
    Emof,
    belt_rows,
    entered_time,
    how_searched,
    line_rows,
    scope_row,
    searched_m2,
    survey_measurements,
)
from digitise.exchange.darwin_core_xml import eml_xml, meta_xml
from digitise.exchange.event_dates import event_date
from digitise.exchange.guard import write_zip
from digitise.exchange.package import CsvRows
from digitise.results import SurveyResults
from digitise.sheets.protocol import BeltSheet, LineSheet, along, is_known
from digitise.spool import nameless_file
from digitise.surveys.places import entered, place_of
from digitise.surveys.survey import Transect
from digitise.wording import plural

DWC, DCTERMS, ECO = "http://rs.tdwg.org/dwc/terms/", "http://purl.org/dc/terms/", "http://rs.tdwg.org/eco/terms/"
EVENT_TERMS = (
    "eventID", "parentEventID", "eventType", "eventDate", "year", "month", "day", "samplingProtocol", "sampleSizeValue",
    "sampleSizeUnit", "locality", "waterBody", "countryCode", "decimalLatitude", "decimalLongitude",
    "geodeticDatum", "coordinateUncertaintyInMeters", "verbatimCoordinates", "minimumDepthInMeters",
    "maximumDepthInMeters", "eventRemarks", "datasetName", "license",
)  # fmt: skip
OCCURRENCE_TERMS = (
    "eventID", "occurrenceID", "basisOfRecord", "occurrenceStatus", "scientificName", "taxonRank", "kingdom",
    "vernacularName", "verbatimIdentification", "individualCount", "organismQuantity", "organismQuantityType",
    "occurrenceRemarks",
)  # fmt: skip
EMOF_TERMS = (
    "eventID", "measurementID", "occurrenceID", "measurementType", "measurementValue", "measurementUnit",
    "measurementAccuracy", "measurementMethod", "measurementRemarks",
)  # fmt: skip
SCOPE_TERMS = (
    "eventID", "targetTaxonomicScope", "isTaxonomicScopeFullyReported", "isAbsenceReported", "isAbundanceReported",
    "totalAreaSampledValue", "totalAreaSampledUnit", "protocolNames", "eventDurationValue", "eventDurationUnit",
)  # fmt: skip
ROW_TYPES = {
    "event.csv": DWC + "Event",
    "occurrence.csv": DWC + "Occurrence",
    "extendedmeasurementorfact.csv": "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact",
    "humboldt.csv": ECO + "Event",
}
TERMS = dict(zip(ROW_TYPES, (EVENT_TERMS, OCCURRENCE_TERMS, EMOF_TERMS, SCOPE_TERMS), strict=True))


def term_address(name: str) -> str:
    """The term's full identifier."""
    ours = DCTERMS if name == "license" else ECO if name in SCOPE_TERMS[1:] else DWC
    return ours + name


def write_archive(content: Content, path: Path) -> Path:
    """Write the archive, a ZIP of four tables, ``meta.xml`` and ``eml.xml``; `path`."""
    fields = {name: [term_address(t) for t in TERMS[name]] for name in ROW_TYPES}
    texts = (("meta.xml", meta_xml(ROW_TYPES, fields)), ("eml.xml", eml_xml(content)))
    with ExitStack() as opened:
        files = {name: opened.enter_context(nameless_file()) for name in ROW_TYPES}
        streams = [io.TextIOWrapper(file, encoding="utf-8", newline="") for file in files.values()]
        tables = [CsvRows(stream, terms) for stream, terms in zip(streams, TERMS.values(), strict=True)]
        named = {"datasetName": content.title, "license": _licence(content)}
        for r in content.results:
            for table, own in zip(tables, _survey(content, r, named), strict=True):
                table.add(own)
        for stream in streams:
            stream.flush()
        return write_zip(path, [*files.items(), *((name, text.encode()) for name, text in texts)])


def unnamed_rows(content: Content) -> list[str]:
    """Rows of belt sheets without a scientific name, by label: aggregators refuse occurrences without one."""
    rows = {name: label for s in content.surveys for name, label in s.counted}
    return [label for name, label in rows.items() if name not in content.about.names]


def _survey(content: Content, r: SurveyResults, named: dict) -> tuple[list[dict], list[dict], list[dict], list[dict]]:
    """(events, occurrences, measurements, scopes) of one survey; `named` is what every event says."""
    survey = r.survey
    top = f"{survey.protocol.protocol}:{survey.pack}"
    shared = _place_terms(content, r) | named
    events = [shared | _survey_event(r, top)]
    occurrences: list[dict] = []
    scopes: list[dict] = []
    measurements: list[Emof] = [*survey_measurements(r, top)]
    for transect in survey.transects:
        line = f"{top}:{transect.name}"
        events.append(shared | _transect_event(r, transect, line, top))
        for name in transect.sheets:
            sheet, event = survey.protocol.sheets[name], f"{line}:{name}"
            if isinstance(sheet, (BeltSheet, LineSheet)):
                events.append(shared | _method_event(content, r, transect, name, event, line))
            if isinstance(sheet, BeltSheet):
                found, more = belt_rows(content.about, r, transect, name, event)
                occurrences += found
                measurements += more
                scopes.append(scope_row(r, transect, name, event, found))
            elif isinstance(sheet, LineSheet):
                measurements += line_rows(r, transect, name, event)
    return events, occurrences, [m.row(i) for i, m in enumerate(measurements, start=1)], scopes


def _licence(content: Content) -> str | None:
    return content.about.licence.address if content.about.licence else None


def _place_terms(content: Content, r: SurveyResults) -> dict:
    place, about = place_of(r.survey), content.about
    out = {
        "locality": r.survey.site,
        "waterBody": about.water_body,
        "countryCode": about.country_code,
    }
    if place is None:
        return out
    return out | {
        "decimalLatitude": round(place.latitude, 5),
        "decimalLongitude": round(place.longitude, 5),
        "geodeticDatum": about.datum or "not recorded",
        "coordinateUncertaintyInMeters": about.position_uncertainty_m,
        "verbatimCoordinates": place.words,
    }


def _dates(content_date: str | None) -> dict:
    if not content_date:
        return {}
    year, month, day = content_date.split("-")
    return {"eventDate": content_date, "year": int(year), "month": int(month), "day": int(day)}


def _survey_event(r: SurveyResults, event: str) -> dict:
    survey = r.survey
    depths = [d for t in survey.transects for d in _depths(t)]
    site = entered(survey, "depth")
    remarks = [f"not photographed: {', '.join(survey.missing)}"] if survey.missing else []
    if survey.unread:
        remarks.append(f"provisional: {len(survey.unread)} of {len(survey.cells)} cells not yet decided by anybody")
    length = survey.protocol.transect.length_m
    return {
        "eventID": event,
        "eventType": "Survey",
        **_dates(survey.date),
        **_depth_terms([*depths, *([] if site is None else [site])]),
        "samplingProtocol": f"{survey.protocol.title}, {plural(survey.protocol.transects, 'line')} of {length:g} m",
        "eventRemarks": "; ".join(remarks),
    }


def _transect_event(r: SurveyResults, transect: Transect, event: str, parent: str) -> dict:
    length = r.survey.protocol.transect.length_m
    return {
        "eventID": event,
        "parentEventID": parent,
        "eventType": "Sample",
        **_dates(r.survey.date),
        **_depth_terms(_depths(transect)),
        "samplingProtocol": f"tape of {length:g} m laid along one depth",
        "sampleSizeValue": f"{length:g}",
        "sampleSizeUnit": "metre",
    }


def _method_event(content: Content, r: SurveyResults, transect: Transect, name: str, event: str, parent: str) -> dict:
    p = r.survey.protocol
    sheet = p.sheets[name]
    if isinstance(sheet, BeltSheet):
        where = f"{p.transect.length_m:g} m" if sheet.quadrats else along(p.belt.segments, p.transect.length_m)
        how = f"{how_searched(p, name)} along {where}: {sheet.title.lower()}"
        size = {"sampleSizeValue": f"{searched_m2(p, name):g}", "sampleSizeUnit": "square metre"}
    else:
        how = (
            f"point intercept, {len(p.transect.points_m)} points every {p.transect.point_spacing_m:g} m along "
            f"{p.transect.sampled}: {sheet.title.lower()}"
        )
        size = {"sampleSizeValue": f"{p.transect.sampled_m:g}", "sampleSizeUnit": "metre"}
    dates = _dates(r.survey.date)
    if dates:
        start, end = (entered_time(transect, name, which) for which in ("start", "end"))
        offset = content.about.utc_offset
        dates["eventDate"] = event_date(dates["eventDate"], start=start, end=end, utc_offset=offset)
    return {
        "eventID": event,
        "parentEventID": parent,
        "eventType": "Sample",
        **dates,
        **_depth_terms(_depths(transect, name)),
        "samplingProtocol": how,
        **size,
    }


def _depths(transect: Transect, sheet: str | None = None) -> list[float]:
    """Depths entered on the transect's sheets (on one of them), in metres."""
    return [
        float(c.value)
        for i, c in transect.fields.items()
        if i.endswith("/depth")
        and c.state == "entered"
        and is_known("depth", c.kind)
        and sheet in (None, i.split("/")[0])
    ]


def _depth_terms(depths: list[float]) -> dict:
    return {"minimumDepthInMeters": min(depths), "maximumDepthInMeters": max(depths)} if depths else {}
