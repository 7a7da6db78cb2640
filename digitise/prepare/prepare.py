"""Print what a plan needs: for each survey a pack of sheets, a briefing and a closing list; code cards; the plan."""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from digitise.prepare.briefing import draw_briefing
from digitise.prepare.card import draw_cards
from digitise.prepare.closing import draw_closing
from digitise.sheets.drawing import MM, Pen, Typeface
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import HALVES, PAPERS_MM, Protocol
from digitise.sheets.sheet import Identity, identity_for, new_pack, pack_pages, sheet_pdf
from digitise.surveys.plan import Plan, PlanError, SurveyPlan, fit_problems

LONGEST_NAME = 28  # letters of a site's name that have room beside the pack


@dataclass(frozen=True, slots=True)
class Prepared:
    """What was printed: the plan with a pack for every survey, and the files, the plan's own last."""

    plan: Plan
    files: tuple[Path, ...]


def with_packs(plan: Plan, draw: Callable = secrets.choice) -> Plan:
    """The plan with a pack for every survey; those that have one keep it, so a second printing is the same pack."""
    surveys = [s if s.pack else s.model_copy(update={"pack": new_pack(draw)}) for s in plan.surveys]
    return Plan.model_validate(plan.model_dump() | {"surveys": [s.model_dump() for s in surveys]})


def survey_pages(
    protocol: Protocol, survey: SurveyPlan, paper: str, *, spares: int = 0
) -> list[tuple[Layout, Identity]]:
    """The pages of one survey's pack, then its spare pages: sheets of a line that carry no line and no code."""
    lines = survey.transects or protocol.transects
    pages = [(one, who) for one, who in pack_pages(protocol, paper, survey.pack) if who.transect <= lines]
    once = [one for one, who in pages if who.transect == 1]
    return pages + [(one, identity_for(one, survey.pack, 0)) for _ in range(spares) for one in once]


def slate_pages(protocol: Protocol, paper: str) -> list[tuple[Layout, Identity]]:
    """One page of each sheet of a line without pack and line, to be engraved or laminated, and wiped after a dive."""
    return [(one, identity_for(one, "", 0)) for one, who in pack_pages(protocol, paper, "") if who.transect == 1]


def page_note(plan: Plan, survey: SurveyPlan) -> str:
    """Site and date as they stand beside the pack; of a long name, the site's code."""
    site = plan.site(survey.site)
    name = site.name if len(site.name) <= LONGEST_NAME else site.code
    return "  ·  ".join(filter(None, (name, survey.date.isoformat() if survey.date else "")))


def _whole(paper: str) -> str:
    """The paper for what is read on shore: a small page's whole sheet."""
    return next((whole for whole, half in HALVES.items() if half == paper), paper)


def _drawn(protocol: Protocol, paper: str, draw: Callable[[Pen, tuple[float, float]], None]) -> bytes:
    """A PDF of one page; for sheets on small paper, the whole sheet of it."""
    from reportlab.pdfgen.canvas import Canvas

    size, face, out = PAPERS_MM[_whole(paper)], Typeface(protocol), BytesIO()
    canvas = Canvas(out, invariant=1, pageCompression=1, initialFontName=face.name(False))
    canvas.setTitle(protocol.title)
    canvas.setCreator("digitise")
    canvas.setPageSize((size[0] * MM, size[1] * MM))
    draw(Pen(canvas, size, face), size)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def briefing_pdf(protocol: Protocol, plan: Plan, survey: SurveyPlan, paper: str) -> bytes:
    """One survey's briefing, one page."""
    return _drawn(protocol, paper, lambda pen, size: draw_briefing(pen, size, protocol, plan, survey))


def closing_pdf(protocol: Protocol, plan: Plan, survey: SurveyPlan, paper: str) -> bytes:
    """One survey's closing list, one page."""
    sheets = [(one.title, who) for one, who in survey_pages(protocol, survey, paper)]
    return _drawn(protocol, paper, lambda pen, size: draw_closing(pen, size, protocol, plan, survey, sheets=sheets))


def card_pdf(protocol: Protocol, paper: str) -> bytes:
    """Four code cards on one page."""
    return _drawn(protocol, paper, lambda pen, size: draw_cards(pen, size, protocol))


def folder_name(plan: Plan, survey: SurveyPlan) -> str:
    """Name of a survey's folder: date, site's code, pack, as in "2026-04-11-LG-K7RM4X", as far as they are known."""
    parts = (survey.date.isoformat() if survey.date else "", plan.site(survey.site).code, survey.pack)
    return re.sub(r"[^A-Za-z0-9-]", "", "-".join(filter(None, parts)))


def _files(protocol: Protocol, plan: Plan, paper: str, *, slates: bool, two_up: bool) -> Iterator[tuple[str, bytes]]:
    for survey in plan.surveys:
        folder = folder_name(plan, survey)
        pages = survey_pages(protocol, survey, paper, spares=plan.spares)
        yield f"{folder}/briefing.pdf", briefing_pdf(protocol, plan, survey, paper)
        yield f"{folder}/sheets.pdf", sheet_pdf(protocol, pages, note=page_note(plan, survey), two_up=two_up)
        yield f"{folder}/closing.pdf", closing_pdf(protocol, plan, survey, paper)
    yield "code-cards.pdf", card_pdf(protocol, paper)
    if slates:
        pages = slate_pages(protocol, paper)
        yield "slates.pdf", sheet_pdf(protocol, pages, note=protocol.caption("slate"), two_up=two_up)


def prepare(
    plan: Plan,
    protocol: Protocol,
    out: Path,
    *,
    paper: str,
    slates: bool = False,
    two_up: bool = False,
    own: tuple[str, bytes] | None = None,
    draw: Callable = secrets.choice,
) -> Prepared:
    """Write everything that a plan needs into a folder.

    For each survey ``DATE-SITE-PACK/briefing.pdf``, ``sheets.pdf`` and ``closing.pdf``; once ``code-cards.pdf`` (and
    ``slates.pdf``) and ``plan.yaml``, the plan with its packs, which a later printing and `digitise check` use. With
    sheets on small `paper`, everything else is on whole sheets; `two_up` puts two small pages on each of those. `own`
    is the name and content of the programme's own protocol file: it is put beside the plan, which names it.

    Raises
    ------
    PlanError
        The plan asks for lines or tasks that the protocol does not have, or ``plan.yaml`` there is of other packs.
    ProtocolError
        Something does not fit on its page.
    """
    problems = fit_problems(plan, protocol)
    if problems:
        raise PlanError("\n".join(problems))
    if out.exists() and not out.is_dir():
        raise PlanError(f"{out} is a file; choose a folder with --out")
    plan = with_packs(plan, draw).model_copy(update={"protocol": own[0]} if own else {})
    made = list(_files(protocol, plan, paper, slates=slates, two_up=two_up))
    made += [own] if own else []
    kept = out / "plan.yaml"
    text = plan_yaml(plan)
    if kept.is_file() and kept.read_text(encoding="utf-8") != text:
        raise PlanError(
            f"{kept} belongs to packs printed before; print those again by giving it as the plan, or choose another "
            "folder with --out"
        )
    written = []
    for name, data in made:
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        written.append(path)
    kept.write_text(text, encoding="utf-8")
    return Prepared(plan, (*written, kept))


def plan_yaml(plan: Plan) -> str:
    """The plan as YAML that `digitise.surveys.plan.load_plan` reads again."""
    import yaml

    head = "# Written by 'digitise prepare': the plan with the pack of each survey. Keep it with the surveys.\n"
    content = plan.model_dump(mode="json", exclude_defaults=True)
    return head + yaml.safe_dump(content, sort_keys=False, allow_unicode=True, width=110)
