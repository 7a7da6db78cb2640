"""Sites on the map as GeoJSON (RFC 7946): one feature a survey, positions as (longitude, latitude).

RFC 7946 takes positions as WGS 84. The sheet does not say which datum the receiver used; the property `datum` does.
A survey without a position is a feature with a null geometry and a reason, not left out and not put at 0, 0.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

from digitise.exchange.content import Content
from digitise.results import SurveyResults
from digitise.surveys.places import Place, bounds, place_of, why_no_place
from digitise.surveys.survey import Survey

WGS_84 = "EPSG:4326"


def write_geojson(content: Content, path: Path) -> Path:
    """Write the feature collection."""
    path.write_text(json.dumps(_collection(content), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path


def _collection(content: Content) -> dict:
    features = [_feature(r, content.about.datum) for r in content.results]
    places = [s.place for s in content.surveys if s.place]
    out = {"type": "FeatureCollection", "name": content.title, "statement": content.statement}
    if places:
        out["bbox"] = list(bounds(places))
    return out | {"features": features}


def _position(place: Place | None, datum: str | None, survey: Survey) -> dict:
    """The position as an ISO 6709 string, which must name its reference system; or why there is none."""
    if place is None:
        return {"no_position": why_no_place(survey)}
    return {"iso_6709": place.iso_6709("WGS 84")} if datum == WGS_84 else {}


def _feature(r: SurveyResults, datum: str | None) -> dict:
    place, survey = place_of(r.survey), r.survey
    point = {"type": "Point", "coordinates": [place.longitude, place.latitude]} if place else None
    return {
        "type": "Feature",
        "id": survey.pack,
        "geometry": point,
        "properties": {
            "pack": survey.pack,
            "site": survey.site,
            "date": survey.date,
            "datum": datum or "not recorded",
            "transects": len(survey.transects),
            "unread_cells": len(survey.unread),
            "provisional": r.provisional,
            "cover_percent": covers_by_name(r),
            **_position(place, datum, survey),
        },
    }


def covers_by_name(r: SurveyResults) -> dict[str, float]:
    """Percent cover of groups and categories by their label; where two have one, each says what it is."""
    every = [(line, one) for line in r.lines for one in (*line.groups, *line.categories)]
    names = [one.label for _, one in every]
    for where in (lambda line, _: line.title, lambda line, one: f"{line.sheet}/{one.id}"):
        many = Counter(names)
        names = [
            name if many[name] == 1 else f"{one.label} ({where(line, one)}{', group' if one.is_group else ''})"
            for name, (line, one) in zip(names, every, strict=True)
        ]
    values = [one.site.cover.value for _, one in every]
    return {name: round(value, 2) for name, value in zip(names, values, strict=True) if value is not None}
