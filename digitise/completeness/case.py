"""What a rule may look at, and what it hands back."""

from __future__ import annotations

import datetime
import hashlib
from dataclasses import dataclass

from digitise.sheets.protocol import is_known
from digitise.sheets.rules import Rule
from digitise.store import CellNow, PageRow
from digitise.surveys.plan import Plan, SitePlan, SurveyPlan
from digitise.surveys.roster import site_key
from digitise.surveys.survey import Survey

ORDER = ("missing", "contradiction", "question", "accepted")


@dataclass(frozen=True, slots=True)
class Fault:
    """What a rule found: `where` and `text` for a person, `cells` as (page id, cell id) to open them."""

    where: str
    text: str
    cells: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Checked:
    """A fault with the rule that found it and how grave that is: missing, contradiction, question.

    Or accepted, when a person let it be; `accepted` is then their reason.
    """

    rule: str
    severity: str
    where: str
    text: str
    cells: tuple[tuple[int, str], ...]
    accepted: str = ""
    sentence: str = ""  # the rule's own

    @property
    def words(self) -> str:
        """What was found, what the rule is, and why a person let it be where one did."""
        said = f"{self.text}. Rule: {self.sentence}" if self.sentence else self.text
        return f"{said} Accepted: {self.accepted}" if self.accepted else said

    @property
    def name(self) -> str:
        """Stays the same while the same is found at the same place, accepted or not; another value is another fault."""
        said = f"{self.text}. {self.sentence}" if self.sentence else self.text
        found = f"{self.where}\n{said}\n{sorted(cell for _, cell in self.cells)}"
        return f"{self.rule}/{hashlib.sha256(found.encode()).hexdigest()[:12]}"


@dataclass(frozen=True)
class Case:
    """Everything a rule may look at. `pages` are all the pack's pages, superseded ones too."""

    survey: Survey
    today: datetime.date
    pages: tuple[PageRow, ...]
    plan: Plan | None
    earlier: tuple[Survey, ...]
    rules: dict[str, Rule]

    @property
    def planned(self) -> SurveyPlan | None:
        """What the pack was printed for."""
        return self.plan.survey(self.survey.pack) if self.plan else None

    @property
    def site(self) -> SitePlan | None:
        """The site as the plan knows it: by the name on the sheet, else as planned for the pack."""
        if self.plan is None:
            return None
        named = self.plan.site(self.survey.site) if self.survey.site else None
        return named or (self.plan.site(self.planned.site) if self.planned else None)

    def site_key(self, name: str) -> str:
        """The same for two ways of naming a site that the plan knows: its code or its name."""
        known = self.plan.site(name) if self.plan else None
        return site_key(known.name if known else name)

    def page(self, page_id: int) -> PageRow:
        """A page by its id."""
        return next(p for p in self.survey.pages if p.id == page_id)

    def title(self, sheet: str, transect: int | None) -> str:
        """A sheet in words: "T1, Fish belt"."""
        title = self.survey.protocol.sheets[sheet].title
        return f"T{transect}, {title}" if transect else title

    def page_title(self, page: PageRow) -> str:
        """A page in words: "T1, Fish belt, page 2 of 2"."""
        return f"T{page.transect}, {page.page_title}" if page.transect else page.page_title

    def place(self, cell: CellNow) -> str:
        """A cell in words: "T1, Fish belt, Line laid"."""
        page = self.page(cell.page_id)
        return f"{self.title(page.sheet, page.transect)}, {cell.label}"

    def fields(self, name: str) -> list[CellNow]:
        """Entered cells of fields with this id, on any sheet; one whose kind does not fit its meaning is left out."""
        return [c for c in self.survey.cells if _entered(c, name)]

    def field(self, name: str) -> CellNow | None:
        """The site sheet's field with this id, when it is entered."""
        return next((c for c in self.survey.fields.values() if _entered(c, name)), None)


def _entered(cell: CellNow, name: str) -> bool:
    return cell.cell.rpartition("/")[2] == name and cell.state == "entered" and is_known(name, cell.kind)


def refs(*cells: CellNow) -> tuple[tuple[int, str], ...]:
    """Page and id of cells, so that they can be opened."""
    return tuple((c.page_id, c.cell) for c in cells)
