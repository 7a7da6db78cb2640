"""The season's board: where every survey stands, planned ones too, and what it waits for next."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from digitise.completeness import Checked, SurveyCheck, check_store
from digitise.surveys.plan import Plan
from digitise.wording import in_line, plural

if TYPE_CHECKING:
    from digitise.store import Store
    from digitise.store.handovers import HandOver

MOST_NAMED = 3  # faults of one survey
STAGES = (
    "planned",
    "not come back",
    "sheets missing",
    "in review",
    "contradictory",
    "complete",
    "changed since signed",
    "signed",
    "handed over",
)


@dataclass(frozen=True, slots=True)
class BoardLine:
    """One survey. `stage` is one of `STAGES`; `date` and `site` are as entered, else as planned, else empty."""

    pack: str
    site: str
    date: str
    stage: str
    waits_for: str


def stage_of(faults: tuple[Checked, ...]) -> tuple[str, str]:
    """Stage of a survey of which something came in, and what it waits for; questions alone hold nothing up."""
    for stage, rules in (("sheets missing", ("sheets", "no-place")), ("in review", ("open",))):
        found = [f for f in faults if f.rule in rules and f.severity != "accepted"]
        if found:
            return stage, _few(found)
    grave = [f for f in faults if f.severity in ("missing", "contradiction")]
    if grave:
        return "contradictory", _few(grave)
    questions = sum(f.severity == "question" for f in faults)
    return "complete", plural(questions, "question") if questions else ""


def _few(found: Sequence[Checked]) -> str:
    """Where the first of these faults are, and how many more there are."""
    more = len(found) - MOST_NAMED
    return "; ".join(f.where for f in found[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")


def _vouched(store: Store, pack: str, sent: Sequence[HandOver]) -> tuple[str, str]:
    """Stage of a survey that somebody signed, and what it waits for; two empty texts for one that nobody did."""
    signed = store.signoffs.of(pack)
    if not signed:
        return "", ""
    if not signed[-1].current:
        return "changed since signed", "a signature"
    last = next((one for h in reversed(sent) if (one := h.survey(pack))), None)
    same = last is not None and last.digest == signed[-1].digest
    return ("handed over", "") if same else ("signed", "a hand-over")


def season_board(
    store: Store, *, today: datetime.date, plan: Plan | None = None, checked: Sequence[SurveyCheck] | None = None
) -> tuple[BoardLine, ...]:
    """Every survey of the store and of the plan, by date; those without a date come last.

    `checked` is what `check_store` says of the whole store, where the caller knows it already.
    """
    from digitise.surveys.survey import load_surveys

    found = check_store(store, today=today, plan=plan) if checked is None else checked
    checks = {c.pack: c.faults for c in found}
    lines, sent = [], store.handovers.all()
    for survey in load_surveys(store):
        planned = plan.survey(survey.pack) if plan else None
        date = survey.date or (planned.date.isoformat() if planned and planned.date else "")
        site = survey.site or (plan.site(planned.site).name if planned else "")
        stage, waits = stage_of(checks[survey.pack])
        vouched, next_step = _vouched(store, survey.pack, sent)
        if not vouched and stage == "complete":
            next_step = "a signature"
        # Who signs vouches for what a survey lacks too.
        waits = "; ".join(filter(None, (next_step, waits)))
        lines.append(BoardLine(survey.pack, site, date, vouched or stage, waits))
    have = {line.pack for line in lines}
    for one in plan.surveys if plan else ():
        if not one.pack or one.pack not in have:
            late = one.date is not None and one.date < today
            lines.append(
                BoardLine(
                    one.pack or "",
                    plan.site(one.site).name,
                    one.date.isoformat() if one.date else "",
                    "not come back" if late else "planned",
                    "photographs" if late else "the day" if one.pack else "printing",
                )
            )
    return tuple(sorted(lines, key=lambda line: (line.date or "9999", line.site, line.pack)))


def board_words(lines: Sequence[BoardLine]) -> str:
    """ "24 surveys: sheets missing 1, in review 2, signed 21"."""
    counts = Counter(one.stage for one in lines)
    stages = ", ".join(f"{stage} {counts[stage]}" for stage in STAGES if counts[stage])
    return f"{plural(len(lines), 'survey')}: {stages or 'none yet'}"


def board_text(lines: tuple[BoardLine, ...]) -> str:
    """The board as a plain table."""
    rows = [("date", "site", "pack", "stage", "waits for")]
    shown = ((one.date, in_line(one.site), one.pack, one.stage, in_line(one.waits_for)) for one in lines)
    rows += [tuple(part or "-" for part in row) for row in shown]
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    return "\n".join("  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[4]]) for row in rows)
