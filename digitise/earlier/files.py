"""Rows of a CSV file or an Excel workbook, each with its line, as text or as Excel's own dates and numbers."""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import re
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.earlier.mapping import Mapping

if TYPE_CHECKING:
    from openpyxl.cell.read_only import ReadOnlyCell

MAX_BYTES, MAX_UNPACKED, MAX_ROWS = 50_000_000, 500_000_000, 200_000
Value = str | float | int | dt.date | None


def rows_of(path: Path, mapping: Mapping) -> Iterator[tuple[int, dict[str, Value]]]:
    """(line in the file, values by column) of every row that is not empty.

    Raises
    ------
    ValueError
        The file cannot be read, or lacks a column; the text says which there are.
    """
    if not path.is_file():
        raise ValueError(f"{path}: no such file")
    if path.stat().st_size > MAX_BYTES:
        raise ValueError(f"{path}: {path.stat().st_size} bytes; expected a file under {MAX_BYTES}")
    raw = _workbook(path, mapping) if path.suffix.lower() in (".xlsx", ".xlsm") else _csv(path, mapping)
    head: list[str] | None = None
    for line, values in raw:
        if line < mapping.header_row:
            continue
        if head is None:
            head = [str(v).strip() if v is not None else "" for v in values]
            _check_head(path, head, mapping)
        elif line > MAX_ROWS:
            raise ValueError(f"{path}: more than {MAX_ROWS} rows; split the file")
        elif any(v not in (None, "") for v in values):
            yield line, {name: value for name, value in zip(head, values, strict=False) if name}
    if head is None:
        raise ValueError(f"{path}: holds no row {mapping.header_row} with the columns' names")


def _check_head(path: Path, head: list[str], mapping: Mapping) -> None:
    lacking = [c for c in mapping.needed if c not in head]
    if lacking:
        raise ValueError(
            f"{path}, row {mapping.header_row}: found no column {', '.join(map(repr, lacking))}; "
            f"the columns are {', '.join(repr(h) for h in head if h)}"
        )
    twice = sorted({h for h in head if h in mapping.needed and head.count(h) > 1})
    if twice:
        raise ValueError(f"{path}, row {mapping.header_row}: column {twice[0]!r} is there twice; rename one")


def _csv(path: Path, mapping: Mapping) -> Iterator[tuple[int, list[Value]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"{path}: byte {error.start} is not UTF-8; save it as CSV in UTF-8") from None
    named = next(itertools.islice(io.StringIO(text, newline=""), mapping.header_row - 1, None), "")
    delimiter = mapping.delimiter or max(",;\t", key=named.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    columns = 0
    try:
        for row in reader:
            if not columns:
                columns = len(row) if reader.line_num >= mapping.header_row else 0
            elif len(row) > columns:
                raise ValueError(
                    f"{path}, line {reader.line_num}: {len(row)} values under {columns} columns; put a value that "
                    f"holds '{delimiter}' in quotes, such as a number with a decimal comma"
                )
            yield reader.line_num, [v.strip() for v in row]
    except csv.Error as error:
        raise ValueError(f"{path}, line {reader.line_num}: not readable as CSV ({error})") from None


def _workbook(path: Path, mapping: Mapping) -> Iterator[tuple[int, list[Value]]]:
    from openpyxl import load_workbook

    with ExitStack() as stack:
        with _readable(path), zipfile.ZipFile(path) as archive:
            size = sum(i.file_size for i in archive.infolist())
        if size > MAX_UNPACKED:
            raise ValueError(f"{path}: unpacks to more than {MAX_UNPACKED} bytes")
        with _readable(path):
            books = [load_workbook(path, read_only=True, data_only=values) for values in (True, False)]
            for book in books:
                stack.callback(book.close)
        names = books[0].sheetnames
        name = mapping.worksheet or names[0]
        if name not in names:
            raise ValueError(f"{path}: found no worksheet '{name}'; there are {', '.join(names)}")
        both = zip(*(book[name].iter_rows() for book in books), strict=True)
        for line in itertools.count(1):
            with _readable(path):
                row, formulas = next(both, (None, None))
            if row is None:
                return
            yield line, [_as_shown(*cells) for cells in zip(row, formulas, strict=True)]


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    """Whatever is raised on a damaged workbook is one sentence."""
    try:
        yield
    except Exception:
        raise ValueError(
            f"{path}: not readable as an Excel workbook (.xlsx); open it in a spreadsheet program and save it again"
        ) from None


def _as_shown(cell: ReadOnlyCell, formula: ReadOnlyCell) -> Value:
    """A cell's value. A number in a percent format, which a workbook holds as a share, is the percentage shown.

    A formula whose result the file does not hold is its own text: no number, and not empty either.
    """
    if cell.value is None and cell.data_type == "n" and formula.data_type == "f":
        return str(getattr(formula.value, "text", formula.value))
    value = _plain(cell.value)
    if isinstance(value, (int, float)) and "%" in re.sub(r'"[^"]*"|\\.', "", cell.number_format):
        return float(f"{100 * value:.12g}")
    return value


def _plain(value: object) -> Value:
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, str):
        return value.strip()
    return (
        value
        if isinstance(value, (int, float, dt.date)) and not isinstance(value, bool)
        else None
        if value is None
        else str(value)
    )
