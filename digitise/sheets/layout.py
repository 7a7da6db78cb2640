"""What is where on a printed page: `Layout` and its parts (`compose` makes them from a protocol).

Lengths are millimetres on the printed page; the origin is the page's top left corner, x to the right, y down.
A box is ``(x, y, width, height)`` of the writable area inside the printed rule. The JSON form is a stable
interface (`Layout.to_json`); nothing here measures text or touches files.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import cached_property

LAYOUT_VERSION = 1
Box = tuple[float, float, float, float]

RULE_MM = 0.35
CORNER_ARM_MM = 2.3  # shorter rules make no corner


@dataclass(frozen=True, slots=True)
class Cell:
    """One place to write. `characters_mm` is empty for tally, tick and text."""

    id: str
    kind: str
    box_mm: Box
    label: str
    characters_mm: tuple[Box, ...] = ()
    choices: tuple[str, ...] = ()
    max: int | None = None
    format: str | None = None

    def to_json(self) -> dict:
        """The cell as the layout file has it; keys without meaning for the kind are left out."""
        out = {"id": self.id, "kind": self.kind, "box_mm": _round(self.box_mm), "label": self.label}
        if self.characters_mm:
            out["characters_mm"] = [_round(b) for b in self.characters_mm]
        if self.choices:
            out["choices"] = list(self.choices)
        if self.max is not None:
            out["max"] = self.max
        if self.format is not None:
            out["format"] = self.format
        return out


@dataclass(frozen=True, slots=True)
class Text:
    """A caption: baseline at (x, y), wrapped to `width_mm` and at most `lines` lines."""

    x: float
    y: float
    text: str
    size_pt: float = 9.0
    width_mm: float = 60.0
    lines: int = 1
    bold: bool = False
    align: str = "left"


@dataclass(frozen=True, slots=True)
class Rule:
    """A printed straight line, horizontal or vertical."""

    x0: float
    y0: float
    x1: float
    y1: float
    width_mm: float = RULE_MM


@dataclass(frozen=True, slots=True)
class Fiducial:
    """A corner mark. `corner` counts clockwise from the top left; `id` = 4 * slot + corner."""

    id: int
    corner: int
    box_mm: Box

    @property
    def corners_mm(self) -> tuple[tuple[float, float], ...]:
        """The mark's own four corners, clockwise from its top left."""
        x, y, w, h = self.box_mm
        return ((x, y), (x + w, y), (x + w, y + h), (x, y + h))


@dataclass(frozen=True)
class Layout:
    """One page of one sheet on one paper."""

    protocol: str
    protocol_version: str
    sheet: str
    title: str
    page: int
    pages: int
    paper: str
    page_size_mm: tuple[float, float]
    per_transect: bool
    cells: tuple[Cell, ...]
    texts: tuple[Text, ...]
    rules: tuple[Rule, ...]
    dots_mm: tuple[tuple[float, float], ...]
    qr_mm: Box
    slot: int = 0
    fiducials: tuple[Fiducial, ...] = field(default=())

    def __hash__(self) -> int:
        return hash(self.digest)  # what is kept by layout is asked for a hundred times a photograph

    @cached_property
    def by_id(self) -> dict[str, Cell]:
        """Cells by their id."""
        return {c.id: c for c in self.cells}

    @cached_property
    def corners_mm(self) -> tuple[tuple[float, float], ...]:
        """Printed corners, by which a page is flattened: ends of long rules, where two meet at a right angle."""
        corners: dict[tuple[float, float], set[bool]] = {}
        for r in self.rules:
            if max(abs(r.x1 - r.x0), abs(r.y1 - r.y0)) > CORNER_ARM_MM:
                for x, y in ((r.x0, r.y0), (r.x1, r.y1)):
                    corners.setdefault((round(x, 2), round(y, 2)), set()).add(r.x0 == r.x1)
        return tuple(sorted(point for point, ways in corners.items() if len(ways) == 2))

    @cached_property
    def digest(self) -> str:
        """Eight hex digits that change whenever a cell moves or changes meaning."""
        parts = [self.protocol, self.protocol_version, self.sheet, self.page, self.page_size_mm]
        cells = [{k: v for k, v in c.to_json().items() if k != "label"} for c in self.cells]
        return hashlib.sha256(json.dumps([parts, cells]).encode()).hexdigest()[:8]

    @property
    def key(self) -> tuple[str, str, str, int, str]:
        """What tells this layout from any other."""
        return (self.protocol, self.protocol_version, self.sheet, self.page, self.paper)

    def to_json(self) -> dict:
        """The layout file's content (see DEVELOPERS.md, Stable interfaces)."""
        return {
            "layout_version": LAYOUT_VERSION,
            "protocol": self.protocol,
            "protocol_version": self.protocol_version,
            "sheet": self.sheet,
            "page": self.page,
            "page_size_mm": list(self.page_size_mm),
            "cells": [c.to_json() for c in self.cells],
            "paper": self.paper,
            "title": self.title,
            "digest": self.digest,
            "fiducials": [{"id": f.id, "corner": f.corner, "box_mm": _round(f.box_mm)} for f in self.fiducials],
            "qr_mm": _round(self.qr_mm),
        }


def _round(box: Box) -> list[float]:
    return [round(v, 3) for v in box]
