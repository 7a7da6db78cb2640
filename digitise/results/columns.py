"""What every column of every table that is exported holds: type, unit, meaning, and the values it may take."""

from __future__ import annotations

from dataclasses import dataclass

from digitise.store import NO_SHEET


@dataclass(frozen=True, slots=True)
class Column:
    """`type` is a Table Schema type (string, integer, number, date, datetime, any); an empty field is not known."""

    name: str
    type: str
    text: str
    unit: str = ""
    choices: tuple[str, ...] = ()
    required: bool = False


STATES = ("entered", "blank", "illegible", "unread")
KINDS = ("tally", "number", "code", "tick", "text", "date", "time", "decimal")


def _named(*columns: Column) -> dict[str, Column]:
    return {c.name: c for c in columns}


_PLACE = (
    Column("pack", "string", "the pack printed on the survey's sheets", required=True),
    Column("site", "string", "name of the site: as planned where a plan knows it, else as entered; empty until it is"),
    Column("date", "date", "date of the survey, ISO 8601; empty until it is entered"),
    Column("sheet", "string", "name of the sheet in the protocol", required=True),
)
_PAGE = (
    Column("pack", "string", "the pack printed on the sheet; empty where it could not be read and nobody assigned one"),
    Column("transect", "integer", "number of the line; 0 for a sheet of the whole survey"),
    Column("sheet", "string", "name of the sheet in the protocol"),
    Column("page", "integer", "page of the sheet"),
)
_INTERVAL = (
    Column("confidence", "number", "confidence of the interval, from 0 to 1; empty without an interval"),
    Column("interval_covers", "string", "which uncertainty the interval covers; empty without an interval"),
    Column("method", "string", "how value and interval were computed"),
)

_SHARES = (
    Column("share_sampling", "number", "share of the variance that comes from the spread between transects"),
    Column("share_unread", "number", "share of the variance that comes from cells nobody has read"),
    Column("share_accepted", "number", "share of the variance from cells accepted by rule that nobody has looked at"),
)

COLUMNS: dict[str, dict[str, Column]] = {
    "surveys": _named(
        *_PLACE[:3],
        Column("latitude", "number", "from the site sheet, positive north; empty unless entered with its letter", "°"),
        Column("longitude", "number", "from the site sheet, positive east; empty unless entered with its letter", "°"),
        Column("position_note", "string", "why there is no position"),
        Column("protocol", "string", "protocol's name", required=True),
        Column("protocol_version", "string", "protocol's version", required=True),
        Column("protocol_sha256", "string", "SHA-256 of the protocol's content", required=True),
        Column("transects", "integer", "transects with at least one sheet read", required=True),
        Column("cells", "integer", "cells on the sheets that count", required=True),
        Column("unread_cells", "integer", "of these, cells nobody has decided", required=True),
        Column("missing_sheets", "string", "sheets nobody photographed"),
    ),
    "cover": _named(
        *_PLACE,
        Column("level", "string", "what the number is of", choices=("transect", "site"), required=True),
        Column("transect", "string", "the line, T1 and so on; empty for the site"),
        Column("category", "string", "id of the category, or name of the group", required=True),
        Column("label", "string", "its name", required=True),
        Column("code", "string", "what divers write for it; empty for a group"),
        Column("kind", "string", "one category, or a group of them", choices=("category", "group"), required=True),
        Column("points", "number", "points of it"),
        Column("legible", "integer", "points with a legible code"),
        Column(
            "planned", "integer", "points there are on the lines; a line no page of which was photographed has none"
        ),
        Column("unread", "integer", "points nobody has decided, or whose page was not photographed"),
        Column("illegible", "integer", "points given up by a person"),
        Column("blank", "integer", "points without a code"),
        Column("cover_percent", "number", "percent cover", "%"),
        Column("low_percent", "number", "lower limit", "%"),
        Column("high_percent", "number", "upper limit", "%"),
        *_INTERVAL,
        Column("se_percent", "number", "standard error", "%"),
        Column("lowest_percent", "number", "cover if none of the missing points were of it", "%"),
        Column("highest_percent", "number", "cover if all of the missing points were of it", "%"),
        Column("transects", "integer", "transects behind the number"),
        Column("note", "string", "what else to know"),
        Column(
            "expected_percent", "number", "cover with unread points counted by their probabilities (site only)", "%"
        ),
        Column("expected_low_percent", "number", "lower end of its interval, doubt about unread points included", "%"),
        Column("expected_high_percent", "number", "upper end of it", "%"),
        *_SHARES,
    ),
    "density": _named(
        *_PLACE,
        Column(
            "level",
            "string",
            "what the number is of; 'belt' is a transect's belt, or its frames together",
            choices=("belt", "segment", "site"),
            required=True,
        ),
        Column("transect", "string", "the line, T1 and so on; empty for the site"),
        Column("taxon", "string", "id of the row on the sheet", required=True),
        Column("label", "string", "what is printed on the row", required=True),
        Column("kind", "string", "animals, or an impact that is counted", choices=("taxon", "impact"), required=True),
        Column("count", "number", "number counted; empty when not known, never 0 then"),
        Column("area_m2", "number", "area that the count stands for", "m²"),
        Column("planned_m2", "number", "area there was to count", "m²"),
        Column("density", "number", "density, in `unit`"),
        Column("low", "number", "lower limit, in `unit`"),
        Column("high", "number", "upper limit, in `unit`"),
        Column("unit", "string", "unit of density, limits and error"),
        *_INTERVAL,
        Column("se", "number", "standard error, in `unit`"),
        Column("floor_low", "number", "lower limit by counting alone (exact Poisson), in `unit`; site only"),
        Column("floor_high", "number", "upper limit by counting alone (exact Poisson), in `unit`; site only"),
        Column("transects", "integer", "transects behind the number"),
        Column("left_out", "string", "transects without a count, with why"),
        Column("note", "string", "what else to know"),
        Column("segment_m", "string", "stretch of the belt, or frame (q1 and so on), for rows of one"),
        Column("density_per_ha", "number", "density per hectare", "1/ha"),
        Column("low_per_ha", "number", "lower end of the interval per hectare", "1/ha"),
        Column("high_per_ha", "number", "upper end of it", "1/ha"),
        Column(
            "expected", "number", "density with unread counts counted by their probabilities (site only), in `unit`"
        ),
        Column("expected_low", "number", "lower end of its interval, doubt about unread counts included"),
        Column("expected_high", "number", "upper end of it"),
        *_SHARES,
    ),
    "groups": _named(
        Column("group", "string", "the group of sites, as in the plan", required=True),
        Column("year", "integer", "calendar year; each site stands with its last survey in it", required=True),
        Column("quantity", "string", "what is measured", choices=("cover", "density"), required=True),
        _PLACE[3],
        Column("id", "string", "id of the category, group of categories or row", required=True),
        Column("label", "string", "what is printed for it"),
        Column("kind", "string", "what it is", choices=("category", "group", "taxon", "impact"), required=True),
        Column("value", "number", "mean over sites, in `unit`; empty when not known"),
        Column("low", "number", "lower limit, in `unit`"),
        Column("high", "number", "upper limit, in `unit`"),
        Column("unit", "string", "unit of value, limits and error"),
        *_INTERVAL,
        Column("se", "number", "standard error, in `unit`"),
        Column("sites", "integer", "sites behind the number"),
        Column("left_out", "string", "other sites of the group, with why"),
        Column("note", "string", "what else to know"),
    ),
    "impacts": _named(
        *_PLACE,
        Column("transect", "string", "the line, T1 and so on"),
        Column("segment_m", "string", "stretch of the belt along the tape, m; or the frame, q1 and so on"),
        Column("impact", "string", "id of the row on the sheet", required=True),
        Column("label", "string", "what is printed on the row"),
        Column("kind", "string", "a percentage or a tick", choices=("percent", "tick")),
        Column("value", "string", "the percentage, or yes or no; empty when not known"),
        Column("state", "string", "whether it is known", choices=(*STATES, "missing")),
    ),
    "observations": _named(
        *_PAGE,
        Column("cell", "string", "name of the cell, as in the layout file", required=True),
        Column("kind", "string", "what the cell holds", choices=KINDS, required=True),
        Column("label", "string", "what is printed beside the cell"),
        Column(
            "state",
            "string",
            "entered, blank (nothing written), illegible (given up by a person) or unread (nobody has decided)",
            choices=STATES,
            required=True,
        ),
        Column("value", "string", "the value, empty unless entered; true or false for a tick; dates ISO 8601"),
        Column("decided_by", "string", "'rule' (accepted automatically) or the person; empty while unread"),
        Column("decided_at", "datetime", "when, UTC, ISO 8601"),
        Column("why", "string", "why, in the words kept with the entry"),
        Column("read_value", "string", "what the reader read, whatever was entered"),
        Column(
            "confidence",
            "number",
            "the reader's calibrated probability that read_value is what was written; empty where nothing was read",
        ),
        Column("photo", "string", "name of the photograph"),
        Column("photo_sha256", "string", "SHA-256 of the photograph's bytes", required=True),
        Column("x_mm", "number", "left edge of the cell on the printed page", "mm"),
        Column("y_mm", "number", "its top edge", "mm"),
        Column("width_mm", "number", "its width", "mm"),
        Column("height_mm", "number", "its height", "mm"),
        Column("protocol", "string", "protocol's name"),
        Column("protocol_version", "string", "protocol's version"),
        Column("reader_version", "string", "version of the reader, or 'keyed by hand' where a person keyed the sheet"),
    ),
    "photos": _named(
        Column("photo", "string", "name of the photograph"),
        Column("photo_sha256", "string", "SHA-256 of its bytes", required=True),
        Column("bytes", "integer", "size", "byte"),
        Column("kept_at", "datetime", "when it was added, UTC, ISO 8601"),
        Column("status", "string", "what became of it", choices=("read", "retake", "unreadable", NO_SHEET, "waiting")),
        Column("reasons", "string", "why it was refused or set aside, in words"),
        *_PAGE,
        Column("counts", "string", "whether its page is the one that counts", choices=("yes", "no")),
        Column("mean_confidence", "number", "mean confidence of its readings"),
        Column("residual_mm", "number", "95th percentile distance of printed corners held out of the fit", "mm"),
    ),
}
