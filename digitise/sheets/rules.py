"""The rules that a survey's sheets are held to: each with how grave it is, a limit where it has one, and a sentence.

A protocol's ``checks`` changes any of the three by the rule's name. `digitise.completeness` applies them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from digitise.sheets.captions import only_braces
from digitise.sheets.yaml_file import line_of_text

Sentence = line_of_text(1, 200)
Severity = Literal["missing", "contradiction", "question", "off"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. `limit` is in the unit that `sentence` names; None where the rule needs no number."""

    name: str
    severity: Severity
    sentence: str
    limit: float | None = None


_ALL = (
    Rule("sheets", "missing", "Every sheet of the pack is photographed."),
    Rule("twice", "question", "Each sheet is filled in once; of several photographs one counts."),
    Rule("no-place", "missing", "Every sheet belongs to a line of the survey."),
    Rule("open", "missing", "Every cell is accepted or decided by a person."),
    Rule("points", "question", "Every point of the line has a code."),
    Rule("blank-rows", "question", "A blank row means none seen only under a ticked box."),
    Rule("wait", "contradiction", "A count starts {limit:g} minutes after the line was laid, or later.", 15.0),
    Rule("depths", "contradiction", "Depths of one line lie within {limit:g} m of each other.", 1.0),
    Rule("depth-range", "question", "Depths lie in the site's range."),
    Rule("position", "contradiction", "The position lies inside the site's radius."),
    Rule("future", "contradiction", "The date is not in the future."),
    Rule("dates", "contradiction", "All sheets of a survey carry the same date."),
    Rule("planned", "question", "The survey is the one that its pack was printed for."),
    Rule("team-least", "question", "A team has {limit:g} divers or more.", 4.0),
    Rule("team-most", "question", "A team has {limit:g} divers or fewer.", 6.0),
    Rule("buddies", "contradiction", "Everyone dives with a buddy, in one pair."),
    Rule("totals", "contradiction", "The strokes and the total beside them agree."),
    Rule("history", "question", "Counts lie within {limit:g} times what the site had before.", 3.0),
    Rule("people", "question", "Observers are people that the plan knows."),
    Rule("site", "question", "The site is one that the plan knows, named as in other surveys."),
)
RULES: dict[str, Rule] = {rule.name: rule for rule in _ALL}


class CheckSpec(BaseModel):
    """What a protocol changes of one rule; what is not given stays as it is."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    severity: Severity | None = None
    limit: float | None = Field(default=None, ge=0, le=100_000, allow_inf_nan=False)
    sentence: Sentence | None = None


def known_rules(checks: Mapping[str, CheckSpec]) -> None:
    """Refuse names that are no rule's, limits where a rule has none, and wrong braces; `ValueError` says which."""
    for name, spec in checks.items():
        rule = RULES.get(name)
        if rule is None:
            raise ValueError(f"checks.{name}: no such rule; expected one of {', '.join(RULES)}")
        if name == "wait" and spec.limit is not None:
            raise ValueError("checks.wait.limit: found a number, expected it as 'wait_minutes' at the top of the file")
        if spec.limit is not None and rule.limit is None:
            raise ValueError(f"checks.{name}.limit: found {spec.limit:g}, but this rule has no limit; remove it")
        if spec.sentence is not None and not only_braces(spec.sentence, ("limit", "limit:g")):
            raise ValueError(f"checks.{name}.sentence: found '{spec.sentence}', expected no braces but {{limit:g}}")


def rules_of(checks: Mapping[str, CheckSpec], wait_minutes: float) -> dict[str, Rule]:
    """Every rule as a protocol has it, its limit put into its sentence."""
    out = {}
    for name, rule in RULES.items():
        spec = checks.get(name, CheckSpec())
        limit = wait_minutes if name == "wait" else rule.limit if spec.limit is None else spec.limit
        sentence = (spec.sentence or rule.sentence).format(limit=limit if limit is not None else 0.0)
        out[name] = Rule(name, spec.severity or rule.severity, sentence, limit)
    return out
