"""The protocol file: one YAML from which sheets, cells, checks and denominators follow.

Read with `load_protocol`; a file that cannot be used raises `ProtocolError`, whose text names the file, the
key, what was found and what was expected. Shipped protocols are known by name.
"""

from __future__ import annotations

import hashlib
import itertools
import re
import string
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

SHIPPED = Path(__file__).parent / "protocols"
PAPERS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
MAX_BYTES = 1_000_000
MAX_POINTS = 200

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
Label = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
Segment = Annotated[str, StringConstraints(pattern=r"^\d+(\.\d+)?-\d+(\.\d+)?$")]
Format = Annotated[str, StringConstraints(pattern=r"^#{1,4}\.#{1,6}$")]
Code = Annotated[str, StringConstraints(pattern=r"^[A-Z0-9]{1,3}$")]


class ProtocolError(ValueError):
    """A protocol that cannot be used; the text names file, key, found and expected."""


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ignored_types=(cached_property,))


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
    note: str = Field(default="", max_length=120)
    kind: Literal["count", "percent", "tick"] = "count"
    max: int = Field(default=60, ge=5, le=99)


class CategorySpec(_Model):
    """A substrate category and the code divers write for it.

    ``group`` and ``totals`` name what it is reported with: a group such as hard coral, and wider totals such as all
    that lives, which may overlap.
    """

    code: Annotated[str, StringConstraints(pattern=r"^[A-Z]{2}$")]
    id: Name
    label: Label
    group: Label | None = None
    totals: tuple[Label, ...] = ()


class _Sheet(_Model):
    title: Label
    instructions: str = Field(default="", max_length=400)
    fields: tuple[FieldSpec, ...] = ()

    @model_validator(mode="after")
    def _unique_fields(self) -> _Sheet:
        _no_repeats([f.id for f in self.fields], "field id")
        return self


class SiteSheet(_Sheet):
    """Filled in before the dive, once a survey."""

    kind: Literal["site"]
    cautions: tuple[Label, ...] = Field(min_length=1, max_length=12)


class BeltSheet(_Sheet):
    """Counts inside the belt, once a transect."""

    kind: Literal["belt"]
    rows: tuple[RowSpec, ...] = Field(min_length=1, max_length=60)
    impacts: tuple[RowSpec, ...] = Field(default=(), max_length=60)
    impacts_title: str = "Impacts"

    @model_validator(mode="after")
    def _unique_rows(self) -> BeltSheet:
        _no_repeats([r.id for r in (*self.rows, *self.impacts)], "row id")
        return self


class LineSheet(_Sheet):
    """A code for what lies under each point of the tape, once a transect."""

    kind: Literal["line"]
    columns: int = Field(default=4, ge=1, le=6)
    categories: tuple[CategorySpec, ...] = Field(min_length=2, max_length=24)

    @model_validator(mode="after")
    def _codes_apart(self) -> LineSheet:
        _no_repeats([c.id for c in self.categories], "category id")
        for i, a in enumerate(self.categories):
            for b in self.categories[:i]:
                if a.code[0] == b.code[0] or a.code[1] == b.code[1]:
                    raise ValueError(
                        f"codes '{b.code}' ({b.label}) and '{a.code}' ({a.label}) share a letter in the same place: "
                        "expected any two codes to differ in both letters, so that one misread letter never makes "
                        "another valid code ('digitise codes' chooses such a set)"
                    )
        return self


Sheet = Annotated[SiteSheet | BeltSheet | LineSheet, Field(discriminator="kind")]


class TransectSpec(_Model):
    """The tape: its length and where points lie under it, in metres."""

    length_m: float = Field(default=20.0, gt=0, le=500, allow_inf_nan=False)
    point_spacing_m: float = Field(default=0.5, ge=0.01, le=500, allow_inf_nan=False)
    first_point_m: float = Field(default=0.5, ge=0, le=500, allow_inf_nan=False)

    @model_validator(mode="after")
    def _sensible(self) -> TransectSpec:
        if self.first_point_m > self.length_m:
            raise ValueError(
                f"first_point_m is {self.first_point_m:g}, beyond the tape's end: expected at most {self.length_m:g}"
            )
        if self._count() > MAX_POINTS:
            raise ValueError(f"{self._count()} points on one tape: expected {MAX_POINTS} at most")
        return self

    def _count(self) -> int:
        return int((self.length_m - self.first_point_m) / self.point_spacing_m + 1e-6) + 1

    @cached_property
    def points_m(self) -> tuple[float, ...]:
        """Positions of the points along the tape, in metres, ends included where they fall on the grid."""
        return tuple(round(self.first_point_m + i * self.point_spacing_m, 4) for i in range(self._count()))


class BeltSpec(_Model):
    """The belt swept either side of the tape, and its segments along the tape, in metres."""

    width_m: float = Field(default=2.0, gt=0, le=50)
    segments: tuple[Segment, ...] = Field(default=("0-10", "10-20"), min_length=1, max_length=8)

    def area_m2(self, segment: str) -> float:
        """Area of one segment in square metres."""
        start, end = (float(v) for v in segment.split("-"))
        return (end - start) * self.width_m


class Protocol(_Model):
    """A survey method and everything printed, read and computed for it."""

    protocol: Name
    version: Annotated[str, StringConstraints(pattern=r"^[0-9A-Za-z][0-9A-Za-z.]{0,7}$")]
    title: Label
    programme: Label
    paper: Literal["A4", "letter"] = "A4"
    transects: int = Field(default=1, ge=1, le=20)
    wait_minutes: float = Field(default=15, ge=0, le=240)
    transect: TransectSpec = TransectSpec()
    belt: BeltSpec = BeltSpec()
    sheets: dict[Name, Sheet] = Field(min_length=1, max_length=12)
    captions: dict[str, Label] = {}
    font: Path | None = None

    @model_validator(mode="after")
    def _coherent(self) -> Protocol:
        for segment in self.belt.segments:
            start, end = (float(v) for v in segment.split("-"))
            if not 0 <= start < end <= self.transect.length_m:
                raise ValueError(
                    f"belt segment '{segment}' does not lie on the tape: expected 0 to {self.transect.length_m:g} m"
                )
        spans = sorted(tuple(float(v) for v in s.split("-")) for s in self.belt.segments)
        for (a, b), (c, d) in itertools.pairwise(spans):
            if c < b:
                raise ValueError(f"belt segments {a:g}-{b:g} and {c:g}-{d:g} overlap: expected each metre once")
        unknown = set(self.captions) - set(CAPTIONS)
        if unknown:
            raise ValueError(f"captions {sorted(unknown)} are not used: expected some of {sorted(CAPTIONS)}")
        for key, text in self.captions.items():
            places = {name for _, name, _, _ in string.Formatter().parse(CAPTIONS[key]) if name}
            try:
                text.format(**dict.fromkeys(places, "1"))
            except (KeyError, IndexError, ValueError):
                allowed = " and ".join(f"{{{p}}}" for p in sorted(places)) or "no braces"
                raise ValueError(f"captions.{key}: found '{text}', expected only {allowed}") from None
        return self

    def __hash__(self) -> int:
        return hash(self.digest)

    def caption(self, key: str) -> str:
        """The printed word for `key`, in the protocol's language."""
        return self.captions.get(key, CAPTIONS[key])

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the protocol's content (not of its comments or spelling in YAML)."""
        return hashlib.sha256(self.model_dump_json(exclude={"font"}).encode()).hexdigest()


CAPTIONS = {
    "pack": "Pack",
    "transect": "Transect",
    "survey": "Whole survey",
    "page": "page {page} of {pages}",
    "tally": "tally",
    "total": "total",
    "segment": "{segment} m",
    "percent": "%",
    "none_seen": "I looked for every row: a blank row means none seen",
    "cautions": "Before anyone dives",
    "notes": "Notes",
    "point": "{position} m",
    "how_photo": "Photograph the whole sheet with all four corner marks in view, in shade, without flash.",
    "date_hint": "Y Y Y Y M M D D",
    "time_hint": "H H M M",
}


def _no_repeats(values: list[str], what: str) -> None:
    twice = sorted({v for v in values if values.count(v) > 1})
    if twice:
        raise ValueError(f"{what} used twice: {', '.join(twice)}; expected each once")


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML without anchors and aliases, which let a small file grow without bound, and without repeats."""

    def compose_node(self, parent, index):
        if self.check_event(yaml.events.AliasEvent):
            mark = self.peek_event().start_mark
            raise yaml.YAMLError(f"line {mark.line + 1}: anchors and aliases are not used in protocol files")
        return super().compose_node(parent, index)

    def construct_mapping(self, node, deep=False):
        keys = [self.construct_object(k, deep=True) for k, _ in node.value]
        for k in keys:
            if keys.count(k) > 1:
                raise yaml.YAMLError(f"line {node.start_mark.line + 1}: key '{k}' is given twice")
        return super().construct_mapping(node, deep)


def _describe(error: dict) -> str:
    where = ".".join(str(p) for p in error["loc"] if p not in {"site", "belt", "line"} or p == error["loc"][0])
    found = error.get("input")
    text = re.sub(r"^Value error, ", "", error["msg"])
    if error["type"] == "extra_forbidden":
        return f"{where}: this key is not known; remove it or check its spelling"
    if error["type"] == "missing":
        return f"{where}: missing; it must be given"
    if error["type"] == "value_error":
        return f"{where}: {text}" if where else text
    shown = repr(found) if not isinstance(found, (dict, list)) else type(found).__name__
    return f"{where}: found {shown[:80]}, expected: {text[0].lower()}{text[1:]}"


def parse_protocol(text: str, source: str) -> Protocol:
    """Parse YAML text; `source` is the name used in error messages."""
    try:
        data = yaml.load(text, Loader=_PlainLoader)  # noqa: S506 - a SafeLoader subclass
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise ProtocolError(f"{source}: not readable as YAML: {' '.join(str(error).split())}") from None
    if not isinstance(data, dict):
        raise ProtocolError(f"{source}: found {type(data).__name__}, expected a mapping of keys such as 'protocol:'")
    try:
        return Protocol.model_validate(data)
    except ValidationError as error:
        lines = [_describe(e) for e in error.errors()[:12]]
        raise ProtocolError("\n".join(f"{source}: {line}" for line in lines)) from None


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
    if path.stat().st_size > MAX_BYTES:
        raise ProtocolError(f"{path}: {path.stat().st_size} bytes; expected a protocol file under {MAX_BYTES}")
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise ProtocolError(f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8 text") from None
    found = parse_protocol(text, str(path))
    if found.font is not None and not found.font.is_absolute():
        found = found.model_copy(update={"font": path.parent / found.font})
    return found


def shipped_names() -> list[str]:
    """Names of the protocols that come with the package."""
    return sorted(p.stem for p in SHIPPED.glob("*.yaml"))
