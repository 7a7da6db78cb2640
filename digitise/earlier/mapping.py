"""The mapping file: which column of an old table is what, in the names that the protocol uses now.

One YAML file. A *wide* table has a column for each measure (``columns``); a *long* one names the measure in one column
and its value in another (``measure``, ``value`` and ``measures``).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from digitise.sheets.protocol import BeltSheet, LineSheet, Protocol, load_protocol
from digitise.sheets.yaml_file import checked, file_text, shaped
from digitise.wording import nearest

Delimiter = shaped("^[,;\t|]$", "one of , ; | or a tab, in quotes")
Decimal = shaped(r"^[.,]$", "'.' or ','")
Column = Annotated[str, StringConstraints(min_length=1, max_length=200)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Measure(_Model):
    """`cover`: a category, group or total of the protocol, in percent; or `count`: a row of a belt, in individuals per
    `per_m2` square metres.
    """

    cover: Column | None = None
    count: Column | None = None
    per_m2: float = Field(default=100.0, gt=0, le=1e6, allow_inf_nan=False)

    @model_validator(mode="after")
    def _one_of_two(self) -> Measure:
        if (self.cover is None) == (self.count is None):
            raise ValueError("expected either 'cover' or 'count'")
        return self


@dataclass(frozen=True, slots=True)
class Target:
    """What a measure is in the protocol: its label there, and whether that is a group of categories."""

    label: str
    is_group: bool


class Mapping(_Model):
    """See the module. `date_format` is as in ``strptime``; `missing` are the texts that mean "no value"."""

    protocol: Column
    worksheet: Column | None = None
    header_row: int = Field(default=1, ge=1, le=1000)
    delimiter: Delimiter | None = None
    decimal: Decimal = "."
    site: Column
    date: Column
    date_format: Column = "%Y-%m-%d"
    transect: Column | None = None
    low: Column | None = None
    high: Column | None = None
    measure: Column | None = None
    value: Column | None = None
    columns: dict[Column, Measure] = {}
    measures: dict[Column, Measure] = {}
    sites: dict[Column, Column] = {}
    missing: tuple[str, ...] = ("", "NA", "n/a", "-", "–")

    @model_validator(mode="after")
    def _wide_or_long(self) -> Mapping:
        is_long = bool(self.measure and self.value and self.measures)
        if is_long == bool(self.columns) or (self.columns and (self.measure or self.value or self.measures)):
            raise ValueError(
                "expected either 'columns' (a column for each measure) or all of 'measure', 'value' and 'measures'"
            )
        if (self.low or self.high) and not is_long:
            raise ValueError("'low' and 'high' belong to a table with 'measure' and 'value'")
        if (self.low is None) != (self.high is None):
            raise ValueError("expected both 'low' and 'high', or neither")
        return self

    @property
    def needed(self) -> tuple[str, ...]:
        """Columns that the table must have."""
        named = (self.site, self.date, self.transect, self.low, self.high, self.measure, self.value)
        return tuple(dict.fromkeys([*filter(None, named), *self.columns]))


def load_mapping(path: Path) -> tuple[Mapping, dict[str, Target]]:
    """(the mapping, what each measure is in the protocol, by the measure's own name).

    Raises
    ------
    ValueError
        Not readable, a key is wrong, or the protocol has no such category or row.
    """
    text = file_text(path, what="the file for --mapping", error=ValueError)
    mapping = checked(text, Mapping, source=str(path), error=ValueError)
    beside = path.parent / mapping.protocol
    protocol = load_protocol(beside if beside.is_file() else mapping.protocol)
    measures = {**mapping.columns, **mapping.measures}
    return mapping, {name: _target(protocol, name, m, path) for name, m in measures.items()}


def _target(protocol: Protocol, name: str, measure: Measure, path: Path) -> Target:
    known: dict[str, Target] = {}
    for sheet in protocol.sheets.values():
        if isinstance(sheet, LineSheet) and measure.cover:
            groups = [g for c in sheet.categories for g in (c.group, *c.totals) if g]
            known |= {g: Target(g, True) for g in groups}
            known |= {n: Target(c.label, False) for c in sheet.categories for n in (c.label, c.id)}
        elif isinstance(sheet, BeltSheet) and measure.count:
            rows = [r for r in (*sheet.rows, *sheet.impacts) if r.kind == "count"]
            known |= {n: Target(r.label, False) for r in rows for n in (r.label, r.id)}
    wanted = measure.cover or measure.count or ""
    if wanted not in known:
        near = nearest(wanted, known)
        hint = f"did you mean '{near}'?" if near else f"it has {', '.join(sorted({t.label for t in known.values()}))}"
        kind = "category or group" if measure.cover else "counted row"
        raise ValueError(f"{path}: '{name}': protocol {protocol.protocol} has no {kind} '{wanted}'; {hint}")
    return known[wanted]
