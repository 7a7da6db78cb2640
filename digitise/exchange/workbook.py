"""One Excel workbook with readable sheets: what to know first, then surveys, cover, density, impacts, cells.

Every text is stored as text with its quote prefix on: no cell is ever a formula, whatever was written on a sheet.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import IO, TYPE_CHECKING

from digitise.exchange.content import Content
from digitise.exchange.guard import write_zip
from digitise.exchange.tables import Table
from digitise.results.columns import Column
from digitise.spool import nameless_file

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.worksheet._write_only import WriteOnlyWorksheet

TITLES = {
    "surveys": "Surveys",
    "cover": "Cover",
    "density": "Density",
    "impacts": "Impacts",
    "observations": "Cells",
    "photos": "Photographs",
}
PER_TRANSECT = {"cover": "Cover by transect", "density": "Density by transect"}
MOST_ROWS = 1_048_576  # of a worksheet, its heading included
WIDEST, NARROWEST = 46, 8
_PROPERTIES = "docProps/core.xml"  # openpyxl puts the clock's time into it when saving


def write_workbook(content: Content, tables: Iterable[Table], path: Path) -> Path:
    """Write the workbook.

    Raises
    ------
    ValueError
        A table has more rows than a worksheet can hold.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)  # rows go to a file as they come: there may be millions of cells
    tables = {t.name: t for t in tables}
    _first_sheet(book, content, tables.values(), path.parent)
    for name, title in TITLES.items():
        table = tables[name]
        if name in PER_TRANSECT:
            _sheet(book, f"{title} of sites", table, path.parent, without=("level", "transect"), only=_of_site)
            _sheet(book, PER_TRANSECT[name], table, path.parent, without=("level",), only=lambda row: not _of_site(row))
        else:
            _sheet(book, title, table, path.parent)
    _columns_sheet(book, tables.values(), path.parent)
    _properties(book, content)
    return _saved(book, path)


def _of_site(row: dict) -> bool:
    return row["level"] == "site"


def _saved(book: Workbook, path: Path) -> Path:
    """The same content gives the same bytes: entries without the time they were packed."""
    made = f"{book.properties.created:%Y-%m-%dT%H:%M:%SZ}".encode()
    with nameless_file() as raw:
        book.save(raw)
        with zipfile.ZipFile(raw) as archive:
            return write_zip(path, ((name, _member(archive, name, made)) for name in sorted(archive.namelist())))


def _member(archive: zipfile.ZipFile, name: str, made: bytes) -> bytes | IO[bytes]:
    if name != _PROPERTIES:
        return archive.open(name)
    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + made, archive.read(name))


def _properties(book: Workbook, content: Content) -> None:
    made = dt.datetime.fromisoformat(content.origin.created_at).replace(tzinfo=None)
    book.properties.title, book.properties.creator = content.title, f"digitise {content.origin.tool_version}"
    book.properties.created = book.properties.modified = made


def _first_sheet(book: Workbook, content: Content, tables: Iterable[Table], beside: Path) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill

    sheet = book.create_sheet("Read me")
    sheet.sheet_view.showGridLines = False
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 24, 96
    origin = content.origin
    title = _text(sheet, content.title)
    title.font = Font(bold=True, size=16)
    _begun(sheet, beside)
    sheet.append([title])
    rows = [
        ("What to know", content.statement),
        ("Made", f"{origin.created_at} by {origin.tool} {origin.tool_version}"),
        ("Photographs", str(len(origin.photo_sha256))),
        ("Protocols", "; ".join(f"{n} {v}" for n, v, _ in origin.protocols)),
        ("Thresholds rest on", "; ".join(origin.acceptance_bases)),
        ("Digest of the data", f"{origin.digest} (equal digests mean equal photographs and entries)"),
        ("Empty cells", "not known, never zero"),
        ("Intervals", "between transects, unless the column says otherwise; none covers misreadings"),
        *((t.title[0].upper() + t.title[1:], f"sheet {TITLES[t.name]}") for t in tables),
    ]
    for name, words in rows:
        cells = [_text(sheet, name), _text(sheet, words)]
        cells[0].font = Font(bold=True)
        for cell in cells:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        if words == content.statement:
            cells[1].fill = PatternFill("solid", fgColor="FDF1D8" if content.unread else "E2F2EA")
        sheet.append(cells)


def _sheet(
    book: Workbook,
    title: str,
    table: Table,
    beside: Path,
    *,
    without: Sequence[str] = (),
    widths: Mapping[str, int] | None = None,
    only: Callable[[dict], bool] | None = None,
) -> None:
    from openpyxl.utils import get_column_letter

    many = len(table.rows) if only is None else sum(map(only, table.rows))
    if many >= MOST_ROWS:
        raise ValueError(
            f"{title}: {many} rows are more than a worksheet holds ({MOST_ROWS}); export --as tables instead, or "
            "fewer packs with --pack"
        )
    sheet = book.create_sheet(title)
    columns = [c for c in table.columns if c.name not in without]
    first = list(islice(filter(only, table.rows) if only else table.rows, 400))
    for number, column in enumerate(columns, start=1):
        shown = [len(str(row.get(column.name) or "")) for row in first]
        width = max([len(w) for w in _heading_text(column).split()] + [min(v, WIDEST) for v in shown] + [NARROWEST])
        width = (widths or {}).get(column.name, min(width + 2, WIDEST))
        sheet.column_dimensions[get_column_letter(number)].width = width
    frozen = 1 + len([c for c in columns[:2] if c.name in ("pack", "site", "photo")])
    sheet.freeze_panes = f"{get_column_letter(frozen)}2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(columns))}{max(2, many + 1)}"
    _print_setup(sheet)
    _begun(sheet, beside)
    _heading(sheet, columns)
    for row in filter(only, table.rows) if only else table.rows:
        sheet.append([_cell(sheet, row.get(column.name), column) for column in columns])


def _begun(sheet: WriteOnlyWorksheet, beside: Path) -> None:
    """Let rows go to a file in `beside` until the workbook is saved: openpyxl would put it where temporary files go.

    That folder may be small, or in memory; and what a killed run leaves is found where it wrote. openpyxl has no public
    way but ``tempfile.tempdir``, which all threads share.
    """
    from openpyxl.worksheet._writer import ALL_TEMP_FILES, WorksheetWriter

    handle, name = tempfile.mkstemp(".xml", "digitise-", beside)
    os.close(handle)
    ALL_TEMP_FILES.append(name)  # openpyxl removes it
    sheet._writer = WorksheetWriter(sheet, name)
    sheet._writer.write_top()


def _print_setup(sheet: WriteOnlyWorksheet) -> None:
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 9  # A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"


def _heading_text(column: Column) -> str:
    """ "cover_percent" becomes "Cover, %"."""
    words = column.name
    for ending, unit in (("_percent", "%"), ("_m2", "m²"), ("_mm", "mm"), ("_m", "m")):
        if words.endswith(ending):
            return f"{words.removesuffix(ending).replace('_', ' ').capitalize()}, {unit}"
    return words.replace("_", " ").capitalize().replace("Sha256", "SHA-256").replace("sha256", "SHA-256")


def _heading(sheet: WriteOnlyWorksheet, columns: Sequence[Column]) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    sheet.row_dimensions[1].height = 32
    cells = [_text(sheet, _heading_text(column)) for column in columns]
    for cell in cells:
        cell.font = Font(bold=True, color="FFFFFF")
        cell.fill = PatternFill("solid", fgColor="0B3C55")
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        cell.border = Border(bottom=Side("thin", color="9AA8B0"))
    sheet.append(cells)


def _cell(sheet: WriteOnlyWorksheet, value: object, column: Column) -> object:
    """A value in its own type: numbers as numbers, dates as dates, all else as text that is never run."""
    from openpyxl.cell import WriteOnlyCell

    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return _text(sheet, "yes" if value else "no")
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        cell = WriteOnlyCell(sheet, value)
        cell.number_format = "0.00000" if column.unit == "°" else "0.000" if column.name == "confidence" else "0.0##"
        return cell
    if column.type == "date":
        cell = WriteOnlyCell(sheet, dt.date.fromisoformat(str(value)))
        cell.number_format = "yyyy-mm-dd"
        return cell
    return _text(sheet, str(value))


def _text(sheet: WriteOnlyWorksheet, text: str) -> WriteOnlyCell:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    cell = WriteOnlyCell(sheet, ILLEGAL_CHARACTERS_RE.sub("", text)[:32_767])
    cell.data_type = "s"
    cell.quotePrefix = True
    return cell


def _columns_sheet(book: Workbook, tables: Iterable[Table], beside: Path) -> None:
    rows = [
        {
            "table": TITLES[t.name],
            "column": _heading_text(c),
            "holds": c.text,
            "unit": c.unit,
            "values": ", ".join(c.choices),
        }
        for t in tables
        for c in t.columns
    ]
    columns = tuple(Column(name, "string", "") for name in ("table", "column", "holds", "unit", "values"))
    _sheet(book, "Columns", Table("columns", "", columns, rows), beside, widths={"holds": 90})
