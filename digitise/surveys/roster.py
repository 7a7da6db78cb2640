"""Match handwritten names to names that are known, with a probability; what is not known stays what it is.

Text is taken as a known name seen through a noisy channel (each letter is wrong, lost or doubled with `ERROR`), or
as a name that nobody told us; the latter keeps its share, so that a stranger is not pressed into the list. The model
is Shannon's (1948, doi:10.1002/j.1538-7305.1948.tb01338.x); its numbers are judgement, not measured.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitise.reader.reading import PhotoResult, Reading

ERROR = 0.06  # share of letters that Tesseract or a hurried hand gets wrong
STRANGER = 0.1  # chance that a name is not on the list
LETTER = 1 / 14  # chance of each letter of a stranger's name: names use few letters often
DOUBT = 0.02  # chance that all this is beside the point: a stranger with nearly a known name
LEAST_SAID = 0.05  # matches below this are not worth showing
MOST_SAID = 4
LETTERS_A_SLIP = 5  # letters of a site's name for each that may differ in another spelling of it
BETWEEN = re.compile(r"\s*[,;&+/]\s*|\s+(?:and|y)\s+", re.IGNORECASE)
_LOOK_ALIKES = str.maketrans("015826|", "OISBZGI")
NAME_FIELDS = ("observer", "leader", "cover")


@dataclass(frozen=True, slots=True)
class Match:
    """A known name, and the probability that the text means it."""

    name: str
    probability: float


def unaccented(text: str) -> str:
    """The text, composed, with bare letters for those that have accents: as many, each at its place."""
    return "".join(map(_bare, unicodedata.normalize("NFC", text)))


def _bare(letter: str) -> str:
    base, *marks = unicodedata.normalize("NFD", letter)
    return base if all("\u0300" <= mark <= "\u036f" for mark in marks) else letter


def site_key(name: str) -> str:
    """What tells a site's name from others: divers write capitals, clerks accents, and both mean one site.

    >>> site_key("RECIF  BLEU") == site_key("Récif bleu ")
    True
    """
    return " ".join(unaccented(name).split()).casefold()


def nearly(name: str, other: str) -> bool:
    """Whether two names of sites are spelt so much alike that one may be a slip for the other; they are not equal.

    Numbers and single letters tell stations of one reef apart, so where these differ nothing is taken for a slip.

    >>> nearly("Lantern Reff", "LANTERN REEF"), nearly("Lantern-Reef", "Lantern Reef"), nearly("Reef 1", "Reef 2")
    (True, True, False)
    """
    a, b = (re.sub(r"[\W_]+", " ", _capitals(text)).split() for text in (name, other))
    marks = ([w for w in words if len(w) == 1 or re.search(r"\d", w)] for words in (a, b))
    if site_key(name) == site_key(other) or next(marks) != next(marks):
        return False
    one, two = "".join(a), "".join(b)
    return edits(one, two) <= max(len(one), len(two)) // LETTERS_A_SLIP


def _capitals(text: str) -> str:
    """Capitals without accents, of any script."""
    return unaccented(unicodedata.normalize("NFKC", text)).upper()


def folded(text: str) -> str:
    """Latin capitals without accents; digits that look like letters as those letters; single spaces."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().upper()
    return " ".join(re.sub(r"[^A-Z]+", " ", plain.translate(_LOOK_ALIKES)).split())


def _forms(name: str) -> dict[str, float]:
    """Ways of writing a name and their shares: in full, one part alone, initial and last name, reversed."""
    parts = folded(name).split()
    full = " ".join(parts)
    if len(parts) < 2:
        return {full: 1.0} if full else {}
    first, last = parts[0], parts[-1]
    forms = {full: 0.6, f"{first[0]} {last}": 0.12, first: 0.1, last: 0.08, f"{last} {first}": 0.05}
    return {form: share for form, share in forms.items() if form}


def edits(a: str, b: str) -> int:
    """Fewest letters to change, drop or add to make `a` into `b` (Levenshtein)."""
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        before, row[0] = row[0], i
        for j, y in enumerate(b, 1):
            before, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, before + (x != y))
    return row[-1]


def _likelihood(text: str, name: str) -> float:
    """Chance of the text when the name is meant."""
    out = 0.0
    for form, share in _forms(name).items():
        wrong = edits(text, form)
        if wrong <= max(1, len(form) // 3):
            out += share * (ERROR / 26) ** wrong * (1 - ERROR) ** max(0, len(form) - wrong)
    return out


def match_names(text: str, names: Sequence[str]) -> tuple[Match, ...]:
    """Known names that the text may mean, most probable first.

    Probabilities sum to less than 1: what is left is that somebody else is meant. Empty when nothing is near.
    """
    wanted = folded(text)
    if not wanted or not names:
        return ()
    weights = {name: (1 - STRANGER) / len(names) * _likelihood(wanted, name) for name in dict.fromkeys(names)}
    total = sum(weights.values()) + STRANGER * LETTER ** len(wanted)
    chances = {name: (1 - DOUBT) * weight / total for name, weight in weights.items()}
    found = [Match(name, chance) for name, chance in chances.items() if chance >= LEAST_SAID]
    return tuple(sorted(found, key=lambda m: -m.probability)[:MOST_SAID])


def split_names(text: str) -> tuple[str, ...]:
    """The names in a text such as "KEO VARN, ADA LIND"; a dash alone is none."""
    return tuple(p for p in BETWEEN.split(text.strip()) if re.search(r"\w", p))


def is_name_cell(cell: str) -> bool:
    """Whether a cell holds people's names: observer, leader, cover, pair-1 and so on."""
    own = cell.rpartition("/")[2]
    return own in NAME_FIELDS or bool(re.fullmatch(r"pair-\d+", own))


def suggestions(cell: str, text: str, people: Sequence[str], sites: Sequence[str]) -> tuple[Match, ...]:
    """What a text cell may mean: people for a cell of names, one or several; a site for ``site``."""
    if cell.rpartition("/")[2] == "site":
        return match_names(text, sites)
    if not is_name_cell(cell):
        return ()
    parts = split_names(text)
    if len(parts) < 2:
        return match_names(text, people)
    best = [(match_names(part, people) or (None,))[0] for part in parts]
    if None in best or len({m.name for m in best}) < len(best):
        return ()
    chance = 1.0
    for one in best:
        chance *= one.probability
    return (Match(", ".join(m.name for m in best), chance),) if chance >= LEAST_SAID else ()


def with_suggestions(result: PhotoResult, people: Sequence[str], sites: Sequence[str]) -> PhotoResult:
    """The result with known names among the candidates of its text cells; no value and no flag changes."""
    return replace(result, readings=tuple(_suggested(r, people, sites) for r in result.readings))


def _suggested(reading: Reading, people: Sequence[str], sites: Sequence[str]) -> Reading:
    if reading.kind != "text" or not isinstance(reading.value, str):
        return reading
    found = suggestions(reading.cell, reading.value, people, sites)
    named = tuple((m.name, m.probability) for m in found if m.name.casefold() != reading.value.casefold())
    known = {name for name, _ in named}
    return replace(reading, candidates=(*named, *(c for c in reading.candidates if c[0] not in known)))
