"""Tidy CSV with a Data Package descriptor: tables that open in a spreadsheet, in R and in pandas, and check themselves.

The descriptor follows Data Package 2.0 and Table Schema 2.0 (datapackage.org): every column has type, unit and meaning,
every file its size and SHA-256. Read words are hostile until proven otherwise: see `digitise.exchange.guard`.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TextIO

from digitise.exchange.bag import sha256_of
from digitise.exchange.content import Content
from digitise.exchange.guard import guarded
from digitise.exchange.tables import Table
from digitise.results.columns import Column

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
LICENCE_NAME = r"[-a-zA-Z0-9._]+"  # an identifier, as the profile has it; other names are titles
GUARD_NOTE = "Text that a spreadsheet would take for a formula has an apostrophe in front."


def write_package(content: Content, tables: Iterable[Table], folder: Path) -> list[Path]:
    """CSV files, ``datapackage.json``, ``provenance.json`` and ``README.txt``; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    tables = tuple(tables)
    files = write_csv(tables, folder)
    described, readme = folder / "datapackage.json", folder / "README.txt"
    described.write_text(_json(_descriptor(content, tables, files)), encoding="utf-8")
    readme.write_text(_readme(content, tables), encoding="utf-8")
    return [*files, described, write_origin(content, folder), readme]


def write_origin(content: Content, folder: Path) -> Path:
    """``provenance.json`` in an existing folder."""
    path = folder / "provenance.json"
    path.write_text(_json(content.origin.to_json()), encoding="utf-8")
    return path


def _json(data: dict) -> str:
    return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def write_csv(tables: Iterable[Table], folder: Path) -> list[Path]:
    """Each table as ``NAME.csv`` in an existing folder."""
    out = []
    for table in tables:
        out.append(write_csv_file(folder / f"{table.name}.csv", [c.name for c in table.columns], table.rows))
    return out


def write_csv_file(path: Path, columns: Sequence[str], rows: Iterable[dict]) -> Path:
    """What `csv_bytes` gives, written while the rows come."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        CsvRows(stream, columns).add(rows)
    return path


def csv_bytes(columns: list[str], rows: Iterable[dict]) -> bytes:
    """A CSV file by RFC 4180: UTF-8, comma, CRLF, a heading; every text guarded against being run."""
    text = io.StringIO(newline="")
    CsvRows(text, columns).add(rows)
    return text.getvalue().encode()


class CsvRows:
    """Such a file while its rows come, written into an open `stream`; its heading is there at once."""

    def __init__(self, stream: TextIO, columns: Sequence[str]):
        self._writer, self._columns = csv.writer(stream, lineterminator="\r\n"), columns
        self._writer.writerow(columns)

    def add(self, rows: Iterable[dict]) -> None:
        """Write rows."""
        self._writer.writerows([_field(row.get(c)) for c in self._columns] for row in rows)


def _field(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.10g}" if isinstance(value, float) else guarded(value)


def _descriptor(content: Content, tables: tuple[Table, ...], files: list[Path]) -> dict:
    about, origin = content.about, content.origin
    out = {
        "$schema": PROFILE,
        "name": f"reef-survey-{origin.digest[:12]}",
        "id": f"urn:sha256:{origin.digest}",
        "title": content.title,
        "description": " ".join(filter(None, (about.summary, content.statement, GUARD_NOTE))),
        "created": origin.created_at,
        "resources": [_resource(t, f) for t, f in zip(tables, files, strict=True)],
        "provenance": origin.to_json(),
    }
    if about.licence:
        key = "name" if re.fullmatch(LICENCE_NAME, about.licence.name) else "title"
        out["licenses"] = [{key: about.licence.name, "path": about.licence.address}]
    if about.contact:
        who = about.contact
        person = {"givenName": who.given_name, "familyName": who.surname, "organization": who.organisation}
        title = " ".join(filter(None, (who.given_name, who.surname))) or who.organisation
        named = {"title": title, "email": who.email, **person}
        out["contributors"] = [{k: v for k, v in named.items() if v} | {"roles": ["contact"]}]
    return out


def _resource(table: Table, path: Path) -> dict:
    schema: dict = {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "fields": [_schema_field(c) for c in table.columns],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.references:
        schema["foreignKeys"] = [
            {"fields": list(own), "reference": {"resource": other, "fields": list(theirs)}}
            for own, other, theirs in table.references
        ]
    return {
        "name": table.name,
        "type": "table",
        "title": table.title,
        "path": path.name,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": f"sha256:{sha256_of(path)}",
        "schema": schema,
    }


def _schema_field(column: Column) -> dict:
    out: dict = {"name": column.name, "type": column.type}
    if column.text:
        out["description"] = column.text
    if column.unit:
        out["unit"] = column.unit
    limits = {}
    if column.choices:
        limits["enum"] = list(column.choices)
    if column.required:
        limits["required"] = True
    return out | ({"constraints": limits} if limits else {})


def _readme(content: Content, tables: tuple[Table, ...]) -> str:
    origin = content.origin
    lines = [
        content.title,
        "=" * len(content.title),
        "",
        f"Made {origin.created_at} by {origin.tool} {origin.tool_version} from {len(origin.photo_sha256)} photographs.",
        content.statement,
        "",
        "Files: " + ", ".join(f"{t.name}.csv" for t in tables) + ", datapackage.json (what every column is, for",
        "programs), provenance.json (versions, protocols, photographs).",
        "",
        "Tables are UTF-8, comma-separated, with a heading. An empty field is not known, never zero.",
        GUARD_NOTE,
    ]
    for table in tables:
        heading = f"{table.name}.csv: {table.title}"
        lines += ["", heading, "-" * len(heading), *(_column_line(c) for c in table.columns)]
    return "\n".join(lines) + "\n"


def _column_line(column: Column) -> str:
    unit = f", {column.unit}" if column.unit else ""
    choices = f" ({', '.join(column.choices)})" if column.choices and column.choices[0] not in column.text else ""
    return f"{column.name}: {column.text}{unit}{choices}"
