"""Rules about counts: strokes and totals, and what the site had before."""

from __future__ import annotations

from collections.abc import Iterator

from digitise.completeness.case import Case, Fault, refs
from digitise.surveys.survey import Survey

LEAST_BEFORE = 2  # surveys of a site before its history says anything
LEAST_ANIMALS = 10  # animals more or fewer than expected that are worth a look


def totals(case: Case) -> Iterator[Fault]:
    """Strokes and totals that differ."""
    by_id = {(c.page_id, c.cell): c for c in case.survey.cells}
    for (page, cell_id), tally in by_id.items():
        total = by_id.get((page, cell_id.removesuffix("/tally") + "/total"))
        if tally.kind != "tally" or total is None or {tally.state, total.state} != {"entered"}:
            continue
        if tally.value != total.value:
            text = f"{tally.value} strokes, {total.value} written beside them"
            yield Fault(case.place(tally), text, refs(tally, total))


def _sums(survey: Survey) -> dict[tuple[str, str], tuple[int, float]]:
    """Animals and square metres counted for each row; segments not known are left out of both."""
    out: dict[tuple[str, str], tuple[int, float]] = {}
    for transect in survey.transects:
        for one in transect.counts:
            if one.count is not None:
                animals, area = out.get((one.sheet, one.row), (0, 0.0))
                out[one.sheet, one.row] = (animals + one.count, area + one.area_m2)
    return out


def history(case: Case) -> Iterator[Fault]:
    """Counts far outside what the site had before (common practice, no source)."""
    survey, limit = case.survey, case.rules["history"].limit
    if survey.site is None or survey.date is None:
        return
    name = survey.protocol.protocol
    before = [
        _sums(e)
        for e in case.earlier
        if e.site is not None
        and case.site_key(e.site) == case.site_key(survey.site)
        and e.pack != survey.pack
        and e.protocol.protocol == name
        and (e.date or "9999") < survey.date
    ]
    for (sheet, row), (animals, area) in _sums(survey).items():
        known = [b[sheet, row] for b in before if (sheet, row) in b]
        if len(known) < LEAST_BEFORE:
            continue
        low, high = (choose(n / a for n, a in known) * area for choose in (min, max))
        if animals > limit * high and animals - high >= LEAST_ANIMALS:
            side = f"at most {high:.0f}"
        elif animals * limit < low and low - animals >= LEAST_ANIMALS:
            side = f"at least {low:.0f}"
        else:
            continue
        spec = survey.protocol.sheets[sheet]
        label = next(r.label for r in (*spec.rows, *spec.impacts) if r.id == row)
        cells = [c for c in survey.cells if c.cell.startswith(f"{sheet}/{row}/") and c.kind == "tally"]
        yield Fault(
            f"{spec.title}, {label}",
            f"{animals} in {area:g} m²; {len(known)} earlier surveys would give {side}",
            refs(*cells),
        )
