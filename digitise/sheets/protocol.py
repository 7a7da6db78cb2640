"""The protocol file: one YAML from which sheets, cells, checks and denominators follow.

Read with `load_protocol`; a file that cannot be used raises `ProtocolError`, whose text names the file, the
key, what was found and what was expected. Shipped protocols are known by name.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    model_serializer,
    model_validator,
)

from digitise.sheets.captions import CAPTIONS, FORMER, only_braces, places
from digitise.sheets.rules import CheckSpec, known_rules
from digitise.sheets.yaml_file import checked, file_text, line_of_text, shaped
from digitise.wording import listed

SHIPPED = Path(__file__).parents[1] / "protocols"
PAPERS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4), "A5": (148.0, 210.0), "half-letter": (139.7, 215.9)}
HALVES = {"A4": "A5", "letter": "half-letter"}  # two of which lie side by side on the whole sheet
MAX_POINTS = 200
NUMBERS = ("decimal", "number")
KNOWN_FIELDS = {  # fields that checks and exports know by their id, and of which kinds they must be for it
    "date": ("date",),
    "site": ("text",),
    "team": NUMBERS,
    "latitude": NUMBERS,
    "longitude": NUMBERS,
    "north-south": ("code",),
    "east-west": ("code",),
    "depth": NUMBERS,
    "start": ("time",),
    "end": ("time",),
    "laid": ("time",),
}

Name = shaped(r"^[a-z0-9][a-z0-9-]{0,39}$", "a short name of small letters, digits and hyphens, such as bay-2")
Label = line_of_text(1, 200)
Caption = line_of_text(1, 400)
Note = line_of_text(0, 120)
Instructions = line_of_text(0, 400)
Segment = shaped(r"^[0-9]+(\.[0-9]+)?-[0-9]+(\.[0-9]+)?$", "metres along the tape, such as '0-10'")
Format = shaped(r"^#{1,4}\.#{1,6}$", "a format such as '##.#', one # for each digit")
Code = shaped(r"^[A-Z0-9]{1,3}$", "one to three capitals or digits, such as N")
Version = shaped(r"^[0-9A-Za-z][0-9A-Za-z.]{0,7}$", 'letters, digits and points in quotes, such as "1" or "2.1"')
CategoryCode = shaped(r"^[A-Z]{2,3}$", "two or three capitals, such as those of 'digitise codes'")


def is_known(field: str, kind: str) -> bool:
    """Whether a field of this id is of a kind that its meaning asks for; any kind will do for one that nobody knows."""
    return kind in KNOWN_FIELDS.get(field, (kind,))


class ProtocolError(ValueError):
    """A protocol that cannot be used; the text names file, key, found and expected."""


def span_m(segment: str) -> tuple[float, float]:
    """Start and end of a segment such as "0-10", in metres along the tape."""
    start, end = (float(v) for v in segment.split("-"))
    return start, end


def along(segments: Sequence[str], length_m: float) -> str:
    """Where on a tape these segments lie, in words: "20 m" where they (or none) are all of it, else "0-5 m of 23 m"."""
    covered_m = sum(end - start for start, end in map(span_m, segments)) or length_m
    whole = math.isclose(covered_m, length_m)
    return f"{length_m:g} m" if whole else f"{listed(segments)} m of {length_m:g} m"


def _apart(segments: tuple[str, ...], length_m: float, what: str) -> None:
    """Every segment lies on the tape, and no two share ground."""
    for segment in segments:
        start, end = span_m(segment)
        if not 0 <= start < end <= length_m:
            raise ValueError(f"{what} '{segment}' does not lie on the tape: expected 0 to {length_m:g} m")
    for (a, b), (c, d) in itertools.pairwise(sorted(span_m(s) for s in segments)):
        if c < b:
            raise ValueError(f"{what}s {a:g}-{b:g} and {c:g}-{d:g} overlap: expected each metre once")


def _no_repeats(values: list[str], what: str) -> None:
    twice = sorted({v for v in values if values.count(v) > 1})
    if twice:
        raise ValueError(f"{what} used twice: {', '.join(twice)}; expected each once")


class _Model(BaseModel):
    """Keys that came after the first edition (`_later`) are written only where they say something.

    So a protocol that does not use them keeps its digest.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, ignored_types=(cached_property,))
    _later: ClassVar[tuple[str, ...]] = ()

    @model_serializer(mode="wrap")
    def _without_unused(self, handler) -> dict:
        unused = {k for k in self._later if getattr(self, k) == type(self).model_fields[k].get_default()}
        return {k: v for k, v in handler(self).items() if k not in unused}


class FieldSpec(_Model):
    """One labelled cell that stands by itself: a date, a depth, an observer."""

    id: Name
    label: Label
    kind: Literal["date", "time", "decimal", "number", "code", "tick", "text"]
    format: Format | None = None
    digits: int = Field(default=2, ge=1, le=6)
    choices: tuple[Code, ...] = ()
    width_mm: float = Field(default=80.0, ge=20, le=190)
    new_line: bool = False

    @model_validator(mode="after")
    def _complete(self) -> FieldSpec:
        if self.kind == "decimal" and self.format is None:
            raise ValueError(f"field '{self.id}' is a decimal: expected a format such as '##.#'")
        if self.kind == "code":
            _no_repeats(list(self.choices), f"field '{self.id}': choice")
            if len(self.choices) < 2:
                raise ValueError(f"field '{self.id}' is a code: expected at least two choices")
            if len({len(c) for c in self.choices}) != 1:
                raise ValueError(f"field '{self.id}': expected choices of one length, found {list(self.choices)}")
        return self


class RowSpec(_Model):
    """One line of a belt sheet: a taxon, or an impact.

    ``count`` rows get a tally box and a written-total box in every belt segment, ``percent`` rows a
    three-digit number, ``tick`` rows a tick box.
    """

    id: Name
    label: Label
    note: Note = ""
    kind: Literal["count", "percent", "tick"] = "count"
    max: int = Field(default=60, ge=5, le=99)


class CategorySpec(_Model):
    """A substrate category and the code divers write for it.

    ``group`` and ``totals`` name what it is reported with: a group such as hard coral, and wider totals such as all
    that lives, which may overlap.
    """

    _later: ClassVar[tuple[str, ...]] = ("totals",)

    code: CategoryCode
    id: Name
    label: Label
    group: Label | None = None
    totals: tuple[Label, ...] = ()


class _Sheet(_Model):
    title: Label
    instructions: Instructions = ""
    fields: tuple[FieldSpec, ...] = ()

    @model_validator(mode="after")
    def _unique_fields(self) -> _Sheet:
        _no_repeats([f.id for f in self.fields], "field id")
        return self


class QuadratSpec(_Model):
    """Frames laid along the tape, counted one by one in place of belt segments; lengths in metres."""

    count: int = Field(default=10, ge=1, le=40)
    width_m: float = Field(default=1.0, gt=0, le=20, allow_inf_nan=False)
    length_m: float = Field(default=1.0, gt=0, le=20, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Part:
    """One piece of ground that a belt sheet's rows are counted in: `id` in the cells' ids, `label` as printed."""

    id: str
    label: str
    area_m2: float


class SiteSheet(_Sheet):
    """Filled in before the dive, once a survey."""

    kind: Literal["site"]
    cautions: tuple[Label, ...] = Field(min_length=1, max_length=12)


class BeltSheet(_Sheet):
    """Counts inside the belt, once a transect."""

    kind: Literal["belt"]
    rows: tuple[RowSpec, ...] = Field(min_length=1, max_length=60)
    impacts: tuple[RowSpec, ...] = Field(default=(), max_length=60)
    impacts_title: Label = "Impacts"
    quadrats: QuadratSpec | None = None
    _later: ClassVar[tuple[str, ...]] = ("quadrats",)

    @model_validator(mode="after")
    def _unique_rows(self) -> BeltSheet:
        _no_repeats([r.id for r in (*self.rows, *self.impacts)], "row id")
        return self


class LineSheet(_Sheet):
    """A code for what lies under each point of the tape, once a transect."""

    kind: Literal["line"]
    columns: int = Field(default=4, ge=1, le=6)
    categories: tuple[CategorySpec, ...] = Field(min_length=2, max_length=60)

    @model_validator(mode="after")
    def _codes_apart(self) -> LineSheet:
        _no_repeats([c.id for c in self.categories], "category id")
        for i, a in enumerate(self.categories):
            for b in self.categories[:i]:
                pair = f"codes '{b.code}' ({b.label}) and '{a.code}' ({a.label})"
                if len(a.code) != len(b.code):
                    raise ValueError(f"{pair}: expected all codes of one length")
                if sum(x != y for x, y in zip(a.code, b.code, strict=True)) < 2:
                    raise ValueError(
                        f"{pair} differ in fewer than two letters: expected any two codes to differ in two, so that "
                        "one misread letter never makes another valid code ('digitise codes' chooses such a set)"
                    )
        return self


Sheet = Annotated[SiteSheet | BeltSheet | LineSheet, Field(discriminator="kind")]


class TransectSpec(_Model):
    """The tape: its length and where points lie under it, in metres."""

    length_m: float = Field(default=20.0, gt=0, le=500, allow_inf_nan=False)
    point_spacing_m: float = Field(default=0.5, ge=0.01, le=500, allow_inf_nan=False)
    first_point_m: float = Field(default=0.5, ge=0, le=500, allow_inf_nan=False)
    segments: tuple[Segment, ...] = Field(default=(), max_length=20)
    _later: ClassVar[tuple[str, ...]] = ("segments",)

    @model_validator(mode="after")
    def _sensible(self) -> TransectSpec:
        _apart(self.segments, self.length_m, "line segment")
        for start, end in self._spans():
            if self.first_point_m > end - start:
                where = f"segment {start:g}-{end:g}'s" if self.segments else "the tape's"
                raise ValueError(
                    f"first_point_m is {self.first_point_m:g}, beyond {where} end: expected at most {end - start:g}"
                )
        count = sum(self._count(start, end) for start, end in self._spans())
        if count > MAX_POINTS:
            raise ValueError(f"{count} points on one tape: expected {MAX_POINTS} at most")
        if len(set(self.points_m)) != count:
            raise ValueError("two segments share a point where they meet: expected first_point_m above 0, or a gap")
        return self

    @property
    def sampled_m(self) -> float:
        """Length of tape that points are on: of all segments, else of the whole tape."""
        return sum(end - start for start, end in self._spans())

    @property
    def sampled(self) -> str:
        """Where on the tape points are, in words."""
        return along(self.segments, self.length_m)

    def _spans(self) -> list[tuple[float, float]]:
        return [span_m(s) for s in self.segments] or [(0.0, self.length_m)]

    def _count(self, start: float, end: float) -> int:
        return int((end - start - self.first_point_m) / self.point_spacing_m + 1e-6) + 1

    @cached_property
    def points_m(self) -> tuple[float, ...]:
        """Positions of the points along the tape, in metres, ends included where they fall on the grid.

        On a tape with `segments` the grid begins anew, `first_point_m` from each segment's start.
        """
        return tuple(
            round(start + self.first_point_m + i * self.point_spacing_m, 4)
            for start, end in self._spans()
            for i in range(self._count(start, end))
        )


class BeltSpec(_Model):
    """The belt swept either side of the tape, and its segments along the tape, in metres."""

    width_m: float = Field(default=2.0, gt=0, le=50)
    segments: tuple[Segment, ...] = Field(default=("0-10", "10-20"), min_length=1, max_length=8)

    def area_m2(self, segment: str) -> float:
        """Area of one segment in square metres."""
        start, end = span_m(segment)
        return (end - start) * self.width_m


class Protocol(_Model):
    """A survey method and everything printed, read and computed for it."""

    protocol: Name
    version: Version
    title: Label
    programme: Label
    paper: Literal["A4", "letter", "A5", "half-letter"] = "A4"
    transects: int = Field(default=1, ge=1, le=20)
    wait_minutes: float = Field(default=15, ge=0, le=240)
    transect: TransectSpec = TransectSpec()
    belt: BeltSpec = BeltSpec()
    sheets: dict[Name, Sheet] = Field(min_length=1, max_length=12)
    captions: dict[str, Caption] = {}
    font: Path | None = None
    marks: int = Field(default=0, ge=0, le=249)
    checks: dict[str, CheckSpec] = {}
    _later: ClassVar[tuple[str, ...]] = ("marks", "checks")

    @model_validator(mode="after")
    def _coherent(self) -> Protocol:
        _apart(self.belt.segments, self.transect.length_m, "belt segment")
        unknown = set(self.captions) - set(CAPTIONS) - FORMER
        if unknown:
            raise ValueError(f"captions {sorted(unknown)} are not used: expected some of {sorted(CAPTIONS)}")
        known_rules(self.checks)
        for key, text in ((k, v) for k, v in self.captions.items() if k in CAPTIONS):
            if not only_braces(text, places(key)):
                allowed = " and ".join(f"{{{p}}}" for p in sorted(places(key))) or "no braces"
                raise ValueError(f"captions.{key}: found '{text}', expected only {allowed}")
        return self

    def __hash__(self) -> int:
        return hash(self.digest)

    def parts(self, sheet: str) -> tuple[Part, ...]:
        """What the rows of belt sheet `sheet` are counted in: the belt's segments, or the sheet's own frames."""
        frames = self.sheets[sheet].quadrats
        if frames is None:
            return tuple(
                Part(s, self.caption("segment").format(segment=s), self.belt.area_m2(s)) for s in self.belt.segments
            )
        area = frames.width_m * frames.length_m
        return tuple(Part(f"q{i}", self.caption("quadrat").format(number=i), area) for i in range(1, frames.count + 1))

    def signs(self, field: str) -> dict[str, int]:
        """What the codes of a site sheet's hemisphere make of its degrees: 1 for north and east, -1 for the other.

        N, S, E and W are what they are in English where both of a pair are there. In other languages the first choice
        is north or east, since S is north in some. Empty when the field is not there, or is no choice of two.
        """
        specs = (f for s in self.sheets.values() if isinstance(s, SiteSheet) for f in s.fields if f.id == field)
        choices = next((f.choices for f in specs), ())
        if len(choices) != 2:
            return {}
        return dict(zip(sorted(choices) if set(choices) in ({"N", "S"}, {"E", "W"}) else choices, (1, -1), strict=True))

    def caption(self, key: str) -> str:
        """The printed word for `key`, in the protocol's language; `KeyError` for a key that is no caption."""
        return self.captions.get(key, CAPTIONS[key])

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the protocol's content (not of its comments or spelling in YAML)."""
        return hashlib.sha256(self.model_dump_json(exclude={"font"}).encode()).hexdigest()


def parse_protocol(text: str, source: str) -> Protocol:
    """Parse YAML text; `source` is the name used in error messages."""
    return checked(text, Protocol, source=source, error=ProtocolError, kinds=("site", "belt", "line"))


def load_protocol(name_or_path: str | Path) -> Protocol:
    """Load a protocol by file path, or a shipped one by name.

    Raises
    ------
    ProtocolError
        The file is missing, too large, not YAML, or not a protocol.
    """
    path = Path(name_or_path)
    if not path.is_file() and (SHIPPED / f"{name_or_path}.yaml").is_file():
        path = SHIPPED / f"{name_or_path}.yaml"
    if not path.is_file():
        raise ProtocolError(
            f"{name_or_path}: no such file, and no shipped protocol has that name "
            f"(shipped: {', '.join(shipped_names())})"
        )
    found = parse_protocol(file_text(path, what="a protocol file", error=ProtocolError), str(path))
    if found.font is not None and not found.font.is_absolute():
        found = found.model_copy(update={"font": path.parent / found.font})
    return found


def shipped_names() -> list[str]:
    """Names of the protocols that come with the package."""
    return sorted(p.stem for p in SHIPPED.glob("*.yaml"))
