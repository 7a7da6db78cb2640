"""The sheets of the invented programme, with what went wrong: missing, contradictory, in doubt.

Each slip is of one visit, named by the site's code and the date's first letters, and changes values by hand-written
rules, so that what the completeness check finds in the demonstration is known.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from digitise.reader.reading import Reading
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol
from digitise.simulate.programme import Visit
from digitise.simulate.samples import transect_values

Values = dict[str, object]
Sheets = dict[tuple[int, str], Values]
IN_REVIEW = ("LR", "2026")  # of this visit the cells in doubt still wait
DOUBTS = {IN_REVIEW: 0.06}  # share of the written cells that the reader is not sure of
USUAL_DOUBT = 0.012


def _hurried(sheets: Sheets) -> None:
    laid = str(sheets[1, "fish"]["fish/laid"])
    minute = int(laid[:2]) * 60 + int(laid[3:]) + 9
    sheets[1, "fish"]["fish/start"] = f"{minute // 60:02d}:{minute % 60:02d}"


def _other_depth(sheets: Sheets) -> None:
    sheets[2, "substrate"]["substrate/depth"] = round(float(sheets[2, "substrate"]["substrate/depth"]) + 2.3, 1)


def _far_off(sheets: Sheets) -> None:
    sheets[0, "site"]["site/longitude"] = round(float(sheets[0, "site"]["site/longitude"]) - 0.02, 5)


def _stranger(sheets: Sheets) -> None:
    sheets[3, "invertebrate"]["invertebrate/observer"] = "I. MARN"


def _miscounted(sheets: Sheets) -> None:
    name = next(k for k in sheets[2, "fish"] if k.endswith("/total"))
    sheets[2, "fish"][name] = int(sheets[2, "fish"][name]) + 1


def _alone(sheets: Sheets) -> None:
    site = sheets[0, "site"]
    site["site/pair-2"] = str(site["site/pair-2"]).split(", ")[0]
    site["site/team"] = int(site["site/team"]) - 1


def _not_ticked(sheets: Sheets) -> None:
    sheets[2, "fish"]["fish/none-seen"] = False


def _without(*gone: tuple[int, str]) -> Callable[[Sheets], None]:
    def drop(sheets: Sheets) -> None:
        for place in gone:
            del sheets[place]

    return drop


SLIPS: dict[tuple[str, str], Callable[[Sheets], None]] = {
    ("SH", "2024"): _without((3, "substrate")),
    ("NS", "2024"): _hurried,
    ("GS", "2025-03"): _other_depth,
    ("CB", "2025-03"): _far_off,
    ("PG", "2025-03"): _stranger,
    ("SH", "2025-03"): _miscounted,
    ("NS", "2026"): _alone,
    ("GS", "2026"): _not_ticked,
    ("CB", "2026"): _without((2, "fish"), (2, "invertebrate"), (2, "substrate")),
}


def of_visit(table: dict, visit: Visit, default=None):
    """What a table by (code, beginning of the date) holds for a visit."""
    found = (
        v for (code, day), v in table.items() if code == visit.place.code and visit.day.isoformat().startswith(day)
    )
    return next(found, default)


def visit_sheets(protocol: Protocol, visit: Visit, rng: np.random.Generator) -> Sheets:
    """What stands on each sheet of a visit, by (transect, sheet), its slip included; 0 is the whole survey."""
    sheets: Sheets = {(0, "site"): {f"site/{k}": v for k, v in visit.reef.site.items()}}
    for transect in range(1, visit.transects + 1):
        values = transect_values(protocol, visit.reef, transect, rng)
        sheets |= {(transect, name): own for name, own in values.items()}
    of_visit(SLIPS, visit, lambda sheets: None)(sheets)
    return sheets


def reading_of(layout: Layout, values: Values, rng: np.random.Generator, *, doubt: float) -> tuple[Reading, ...]:
    """What a reader that is never wrong would make of a sheet; of a share `doubt` of its written cells it is not sure.

    Words are never accepted without a person, as with the real reader.
    """
    out = []
    for cell in layout.cells:
        value = values.get(cell.id, False if cell.kind == "tick" else None)
        written = value is not None and value is not False
        if cell.kind == "text" and written:
            out.append(Reading(cell.id, cell.kind, value, 0.8, True, ((value, 0.8),), ("free-text",), 0.8))
        elif written and rng.random() < doubt:
            chance = round(float(rng.uniform(0.5, 0.95)), 3)
            out.append(Reading(cell.id, cell.kind, value, chance, True, ((value, chance),), ("unsure",), chance))
        else:
            sure = round(float(rng.uniform(0.9990, 0.9999)), 5)
            out.append(Reading(cell.id, cell.kind, value, sure, False, ((value, sure),), (), 0.999))
    return tuple(out)
