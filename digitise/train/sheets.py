"""Practice sheets: pages full of cells of every kind and size, so that the readers learn cells, not one protocol."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from digitise.sheets.compose import SLOTS, with_marks
from digitise.sheets.layout import Cell, Layout
from digitise.sheets.page_builder import PageBuilder, character_boxes, span_of
from digitise.sheets.protocol import Protocol

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_ROWS = ("codes", "numbers", "tallies", "ticks", "fields", "lines")


def _choices(length: int, rng: np.random.Generator) -> tuple[str, ...]:
    alphabet = list(_LETTERS) if rng.random() < 0.8 else list(_LETTERS + "0123456789")
    return tuple(sorted({"".join(rng.choice(alphabet, length)) for _ in range(40)}))


class _Practice:
    """Fills one page with rows of cells."""

    def __init__(self, protocol: Protocol, paper: str, rng: np.random.Generator):
        self.page = PageBuilder(protocol, "practice", "Practice sheet", paper, number=1, per_transect=True)
        self.rng, self.count = rng, 0

    def name(self) -> str:
        self.count += 1
        return f"practice/{self.count}"

    def boxed(
        self, kind: str, x: float, y: float, groups: tuple[int, ...], size: tuple[float, float], gap: float, **extra
    ) -> float:
        boxes = character_boxes(x, y, groups, gap, *size)
        name = extra.pop("name", None) or self.name()
        self.page.comb(Cell(name, kind, span_of(boxes), "", characters_mm=boxes, **extra), groups)
        return boxes[-1][0] + boxes[-1][2]

    def row(self, kind: str, y: float, size: tuple[float, float]) -> None:
        getattr(self, f"_{kind}")(y, size)

    def _codes(self, y: float, size: tuple[float, float]) -> None:
        x = self.page.left
        length = int(self.rng.choice([1, 2, 2, 3]))
        choices = _choices(length, self.rng)
        while x + length * size[0] <= self.page.right:
            x = self.boxed("code", x, y, (length,), size, 0, choices=choices) + self.rng.uniform(2, 14)

    def _numbers(self, y: float, size: tuple[float, float]) -> None:
        x = self.page.left
        while True:
            digits = int(self.rng.choice([1, 1, 2, 2, 3, 4]))
            if x + digits * size[0] > self.page.right:
                return
            x = self.boxed("number", x, y, (digits,), size, 0) + self.rng.uniform(2, 12)

    def _tallies(self, y: float, size: tuple[float, float]) -> None:
        x = self.page.left
        while x + 26 + 2 * size[0] <= self.page.right:
            width = float(self.rng.uniform(24, min(80, self.page.right - x - 2 * size[0] - 1.5)))
            name = self.name()
            self.page.open_box(Cell(f"{name}/tally", "tally", (x, y, width, size[1]), "", max=60))
            x = self.boxed("number", x + width + 1.5, y, (2,), size, 0, name=f"{name}/total", max=99)
            x += self.rng.uniform(1.5, 8)

    def _ticks(self, y: float, size: tuple[float, float]) -> None:
        x = self.page.left
        while x + size[0] <= self.page.right:
            self.page.open_box(Cell(self.name(), "tick", (x, y, *size), ""))
            x += size[0] + self.rng.uniform(3, 12)

    def _fields(self, y: float, size: tuple[float, float]) -> None:
        x = self.boxed("date", self.page.left, y, (4, 2, 2), size, 3.0) + 5
        if x + 4 * size[0] + 3 <= self.page.right:
            x = self.boxed("time", x, y, (2, 2), size, 3.0) + 5
        if x + 3 * size[0] + 4 <= self.page.right:
            self.boxed("decimal", x, y, (2, 1), size, 4.0, format="##.#")
            self.page.dots.append((x + 2 * size[0] + 2.0, y + size[1] - 1.2))

    def _lines(self, y: float, size: tuple[float, float]) -> None:
        x = self.page.left
        while x + 57 <= self.page.right:
            width = float(self.rng.uniform(55, min(124, self.page.right - x)))
            self.page.line_box(Cell(self.name(), "text", (x, y, width, min(size[1], 12.0)), ""))
            x += width + self.rng.uniform(4, 10)


def practice_layout(
    protocol: Protocol, rng: np.random.Generator, *, tallies: float = 0.28, only: tuple[str, ...] = ()
) -> Layout:
    """A random page of cells, a share `tallies` of its rows tallies; boxes 7 to 11 mm wide and 7.5 to 14 mm high.

    `only` names the kinds of rows where not all are wanted: some of codes, numbers, tallies, ticks, fields, lines.
    """
    shares = dict(zip(_ROWS, (0.26, 0.13, 0.28, 0.04, 0.11, 0.18), strict=True))
    shares = {k: tallies if k == "tallies" else s * (1 - tallies) / 0.72 for k, s in shares.items()}
    kinds = only or _ROWS
    chances = np.array([shares[k] for k in kinds])
    paper = str(rng.choice(["A4", "letter"]))
    practice = _Practice(protocol, paper, rng)
    y = 27.0
    while True:
        size = (float(rng.uniform(7, 11)), float(rng.uniform(7.5, 14)))
        if y + size[1] > practice.page.bottom:
            break
        practice.row(str(rng.choice(kinds, p=chances / chances.sum())), y, size)
        y += size[1] + float(rng.uniform(1.5, 5))
    layout = practice.page.finish(1)
    return with_marks(replace(layout, sheet="practice"), int(rng.integers(SLOTS)))
