"""Names of people replaced by pseudonyms that stay the same: P-7K4MX for one person in everything that leaves a store.

A pseudonym is made from the name with a secret that the store keeps (HMAC-SHA-256, RFC 2104), so nobody without the
store can try names out, and the same person has the same one in every package. A name is known by its letters:
capitals, accents and spaces make no difference, but initials and slips of the pen do. This is no anonymity: who knows
who dived on a day knows who is meant.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from digitise.reader.reading import Value
from digitise.sheets.sheet import PACK_ALPHABET
from digitise.store import RULE, CellNow, PhotoRow
from digitise.surveys.roster import folded, is_name_cell, split_names, unaccented

if TYPE_CHECKING:
    from digitise.store import Store

SECRET = "pseudonyms"  # noqa: S105  # nosec B105 - the secret's name, not the secret
LENGTH = 5
LEAST_LETTERS = 3  # of one part of a name that is looked for in remarks


class Pseudonyms:
    """Pseudonyms of one store. `known` are names to be looked for in remarks and reasons too."""

    def __init__(self, secret: bytes, known: Iterable[str] = ()):
        self._secret = secret
        parts = {name: self.of(name) for one in known for name in split_names(one) if name.strip()}
        for name, own in list(parts.items()):
            for part in name.split():
                if len(folded(part)) >= LEAST_LETTERS:
                    parts.setdefault(part, own)
        self._known = {unaccented(k).casefold(): v for k, v in parts.items()}
        words = sorted(self._known, key=len, reverse=True)
        self._pattern = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, words))})(?!\w)", re.IGNORECASE)

    def of(self, name: str) -> str:
        """The pseudonym of one person; the rule keeps its name, and an empty name stays empty."""
        if not name.strip() or name == RULE:
            return name
        known = folded(name) or name.strip().casefold()
        number = int.from_bytes(hmac.digest(self._secret, known.encode(), hashlib.sha256)[:8])
        letters = []
        for _ in range(LENGTH):
            number, place = divmod(number, len(PACK_ALPHABET))
            letters.append(PACK_ALPHABET[place])
        return f"P-{''.join(letters)}"

    def text(self, text: str) -> str:
        """Words with every known name in them, or a part of one, replaced."""
        if not self._known:
            return text
        text, out, at = unicodedata.normalize("NFC", text), [], 0
        for found in self._pattern.finditer(unaccented(text)):
            out += text[at : found.start()], self._known[found[0].casefold()]
            at = found.end()
        return "".join((*out, text[at:]))

    def value(self, cell: str, kind: str, value: Value) -> Value:
        """What a cell says: names in a cell of names, known names in any other text."""
        if not covered(cell, kind) or not isinstance(value, str):
            return value
        return ", ".join(map(self.of, split_names(value))) if is_name_cell(cell) else self.text(value)

    def cell(self, cell: CellNow) -> CellNow:
        """A cell without names: in its value, what was read, what it may be, who decided and why."""
        return cell._replace(
            value=self.value(cell.cell, cell.kind, cell.value),
            read_value=self.value(cell.cell, cell.kind, cell.read_value),
            candidates=tuple((self.value(cell.cell, cell.kind, v), p) for v, p in cell.candidates),
            by=self.of(cell.by),
            why=self.text(cell.why),
        )

    def photo(self, photo: PhotoRow) -> PhotoRow:
        """A photograph without names in what a person said of it."""
        return replace(photo, reasons=tuple(map(self.text, photo.reasons)))


def pseudonyms_of(store: Store, *, now: datetime) -> Pseudonyms:
    """A store's pseudonyms, its secret made where there is none; names are those of plans, sheets and screens."""
    from digitise.store.opening import secret_of
    from digitise.surveys.known_plan import known_plan

    plan = known_plan(store.folder)
    names = set(plan.names if plan else ())
    for page in store.pages():
        for cell in store.current(page.id).values():
            names.add(cell.by)
            if cell.kind == "text" and cell.state == "entered" and is_name_cell(cell.cell):
                names.add(str(cell.value))
    names |= {s.by for pack in store.packs() for s in store.signoffs.of(pack)}
    names |= {f.by for pack in ("", *store.packs()) for f in store.findings.accepted(pack).values()}
    names |= {h.by for h in store.handovers.all()}
    secret = secret_of(store.database, SECRET, secrets.token_hex(32), now=now)
    return Pseudonyms(bytes.fromhex(secret), names - {RULE, ""})


def covered(cell: str, kind: str) -> bool:
    """Whether handwriting in a cell may name somebody, so that pictures must not show it: any words but the site's."""
    return kind == "text" and cell.rpartition("/")[2] != "site"
