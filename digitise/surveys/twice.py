"""One page photographed twice: is it the same sheet, which photograph shows it better, and where do they differ.

Pure: pages and the present state of their cells in, a frozen `Twice` out. Photographs of one page bear the same pack,
sheet, page and transect. Whether they show the same sheet is told by what is written: two photographs of one sheet
agree but for misreadings (under 1 in 100 among clear cells), two sheets that were filled in apart differ in most cells
(in 76 of 100 or more, between any two of the sample photographs). Nothing is ever merged: one photograph counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from digitise.reader.reading import Value
from digitise.store import CellNow, Doubt, PageRow

SAME_SHARE = 0.1  # of clear written cells that differ, at most, on one sheet
ANOTHER_SHARE = 0.3  # at least, on two; tapes over one kind of bottom agree in many points
FEWEST = 4  # clear written cells, below which content says little
SHOWN = 5  # differences named in a sentence
Cells = Mapping[str, CellNow]


@dataclass(frozen=True, slots=True)
class Difference:
    """A cell that both photographs show clearly, and not alike. `decided`: a person has looked since."""

    cell: str
    label: str
    kept: Value
    other: Value
    decided: bool


@dataclass(frozen=True, slots=True)
class Twice:
    """Two photographs of one page. `kept` counts, `other` does not.

    `verdict` is "same" (one sheet), "another" (two sheets under one name) or "unclear" (too little is written, or they
    differ more than misreading explains and less than two sheets would). `compared` is the number of cells that both
    show clearly and in which at least one has something written. `better` is the id of the page that shows more.
    """

    kept: PageRow
    other: PageRow
    verdict: str
    compared: int
    differences: tuple[Difference, ...]
    better: int
    why_better: str

    @property
    def open_differences(self) -> tuple[Difference, ...]:
        """Differences that no person has looked at yet."""
        return tuple(d for d in self.differences if not d.decided)


def rivals(pages: Iterable[PageRow]) -> list[tuple[PageRow, PageRow]]:
    """(page that counts, page that does not) for every page photographed more than once.

    A photograph read again by another reader is no second photograph.
    """
    pages = list(pages)
    by_id = {p.id: p for p in pages}
    pairs = [(by_id[p.superseded_by], p) for p in pages if p.superseded_by in by_id]
    return [(kept, other) for kept, other in pairs if kept.sha256 != other.sha256]


def compare(kept: PageRow, kept_cells: Cells, other: PageRow, other_cells: Cells) -> Twice:
    """Compare two photographs of one page cell by cell, as the reader read them.

    Cells that a photograph does not show clearly (those for a person) say nothing about it and are left out. Of a sheet
    that is keyed by hand, what was entered stands for what was read.
    """
    kept_cells, other_cells = (_as_read(p, c) for p, c in ((kept, kept_cells), (other, other_cells)))
    both = [(kept_cells[i], other_cells[i]) for i in kept_cells if i in other_cells]
    written = [(a, b) for a, b in both if _clear(a) and _clear(b) and (_written(a) or _written(b))]
    differences = tuple(
        Difference(a.cell, a.label, a.read_value, b.read_value, a.by not in ("", "rule"))
        for a, b in written
        if a.read_value != b.read_value
    )
    better, why = _better((kept, kept_cells), (other, other_cells))
    return Twice(kept, other, _verdict(len(written), len(differences)), len(written), differences, better, why)


def doubts(page_id: int, pages: Iterable[PageRow], cells: Callable[[int], Cells]) -> Iterator[Doubt]:
    """Cells that this page and another photograph of the same sheet, among the pages of its pack, show otherwise.

    `cells` gives those of a page by its id.
    """
    for kept, other in (pair for pair in rivals(pages) if page_id in (pair[0].id, pair[1].id)):
        twice = compare(kept, cells(kept.id), other, cells(other.id))
        for difference in twice.open_differences if twice.verdict != "another" else ():
            yield Doubt(kept.id, difference.cell, f"{other.photo} shows something else")


def _as_read(page: PageRow, cells: Cells) -> Cells:
    if not page.keyed:
        return cells
    return {
        i: c._replace(read_value=c.value, reasons=()) if c.state in ("entered", "blank") else c
        for i, c in cells.items()
    }


def _clear(cell: CellNow) -> bool:
    return not cell.reasons


def _written(cell: CellNow) -> bool:
    return cell.read_value is not None and cell.read_value is not False


def _verdict(written: int, differing: int) -> str:
    """Where all agrees it does not matter which sheet is taken, however little is written."""
    if not differing:
        return "same"
    if written < FEWEST:
        return "unclear"
    share = differing / written
    if share <= SAME_SHARE or (differing == 1 and written > FEWEST):
        return "same"
    return "another" if share >= ANOTHER_SHARE else "unclear"


def _better(*photographs: tuple[PageRow, Cells]) -> tuple[int, str]:
    """Id of the page that shows most, and why in words: fewest hidden cells, then doubtful ones, then the flattest."""
    if any(page.keyed for page, _ in photographs):
        read = next((page for page, _ in photographs if not page.keyed), photographs[0][0])
        return read.id, "the other could not be read"
    sights = []
    for page, cells in photographs:
        hidden = sum("hard-to-see" in c.reasons for c in cells.values())
        doubtful = sum(not _clear(c) for c in cells.values())
        sights.append((hidden, doubtful, round(page.residual_mm, 2), -round(page.px_per_mm, 1), page))
    best, second = sorted(sights, key=lambda s: s[:4])
    units = ("{:.0f} cells hidden against {:.0f}", "{:.0f} cells in doubt against {:.0f}")
    units += ("flattened within {:.2f} mm against {:.2f}", "{:.1f} pixels a millimetre against {:.1f}")
    for form, one, two in zip(units, best, second, strict=False):
        if one != two:
            return best[4].id, form.format(abs(one), abs(two))
    return photographs[0][0].id, "they show it equally well"


def _value(value: Value) -> str:
    if value is None or value is False:
        return "nothing"
    return "a mark" if value is True else str(value)


def photo_name(page: PageRow, others: Iterable[PageRow]) -> str:
    """The name of a page's photograph; with the beginning of its SHA-256 where another's is named alike.

    Many phones name every photograph that a page in the browser takes alike.
    """
    alike = any(other.photo == page.photo and other.sha256 != page.sha256 for other in others)
    return f"{page.photo} (SHA-256 {page.sha256[:8]})" if alike else page.photo


def difference_words(twice: Twice) -> str:
    """The first differences in words: label, and what each photograph shows."""
    kept, other = _names(twice)
    shown = [
        f"{d.label} ({kept}: {_value(d.kept)}, {other}: {_value(d.other)})" for d in twice.open_differences[:SHOWN]
    ]
    more = len(twice.open_differences) - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more else "")


def words(twice: Twice) -> str:
    """What a person should know or do about the pair, in words; empty when nothing is left to look at."""
    (kept, other), differing = _names(twice), len(twice.differences)
    if twice.verdict == "another":
        return (
            f"{kept} and {other} bear the same printed name, but differ in {differing} of {twice.compared} cells: "
            f"they look like two different sheets. Only {kept} is used and nothing is merged; give one of them "
            "the pack and transect it belongs to"
        )
    if twice.verdict == "unclear":
        seen = f"{differing} of {twice.compared} written cells differ"
        return (
            f"{kept} and {other} bear the same printed name, and it is not clear whether they show one sheet "
            f"({seen}). Only {kept} is used; look at both"
        )
    if not twice.open_differences:
        return ""
    better = f" {other} shows the sheet better ({twice.why_better})." if twice.better == twice.other.id else ""
    return (
        f"{kept} and {other} show the same sheet, but are read differently in "
        f"{_cells(len(twice.open_differences))}: {difference_words(twice)}. {kept} is used; "
        f"compare these cells with the pencil.{better}"
    ).rstrip(".")


def _names(twice: Twice) -> tuple[str, str]:
    return photo_name(twice.kept, [twice.other]), photo_name(twice.other, [twice.kept])


def _cells(count: int) -> str:
    return "one cell" if count == 1 else f"{count} cells"
