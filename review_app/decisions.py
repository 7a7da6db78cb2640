"""Key presses of a browser become entries in the store.

Records are checked field by field; whatever is wrong with one comes back as a sentence, never as an exception. A record
that is sent twice is stored once.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from digitise.reader.reading import Value
from digitise.store import RULE, EntryRow, Store
from digitise.store.entries import held_entries
from digitise.store.rows import TOGETHER
from review_app.surprise import Surprising, question

MOST_RECORDS = 200
_ACTIONS = ("enter", "blank", "illegible", "undo", "open", "ask", "unask")
_STATES = {"enter": "entered", "blank": "blank", "illegible": "illegible"}
_WAYS = {
    "": "",
    "together": TOGETHER,
    "page": "compared with the photograph of the whole page",
    "keyed": "keyed by hand from the photograph",
}
_NOT_UNDERSTOOD = "a decision was not understood; reload the page"


@dataclass(frozen=True, slots=True)
class Decision:
    """One key press of one browser, checked.

    `audit` is a sampled cell's id when this answers an audit, which makes no entry. `of` names the earlier key press
    that an undo takes back, `way` how the cell was looked at; `sure` is true when the value was entered again after a
    question.
    """

    client: str
    seq: int
    page: int
    sha256: str
    cell: str
    action: str
    value: Value
    by: str
    last: int
    of: tuple[str, int] | None
    way: str = ""
    sure: bool = False
    audit: int | None = None


def parse_decision(record: object) -> Decision:
    """A decision from a browser's record; `ValueError` says what is wrong with it."""
    if not isinstance(record, dict):
        raise ValueError(_NOT_UNDERSTOOD)
    texts = {k: record.get(k) for k in ("client", "sha256", "cell", "action", "by")}
    numbers = {k: record.get(k) for k in ("seq", "page", "last")}
    if not all(isinstance(v, str) and len(v) <= 200 for v in texts.values()):
        raise ValueError(_NOT_UNDERSTOOD)
    if not all(map(_is_count, numbers.values())):
        raise ValueError(_NOT_UNDERSTOOD)
    if not re.fullmatch(r"[0-9a-zA-Z-]{8,40}", texts["client"]) or texts["action"] not in _ACTIONS:
        raise ValueError(_NOT_UNDERSTOOD)
    if not texts["by"].strip():
        raise ValueError("the reviewer's name is missing; enter it and decide again")
    of, value = record.get("of"), record.get("value")
    if texts["action"] == "undo":
        if not isinstance(of, dict) or not isinstance(of.get("client"), str) or not _is_count(of.get("seq")):
            raise ValueError("an undo was not understood; reload the page")
        of = (of["client"], of["seq"])
    if not isinstance(value, (str, int, float, bool, type(None))) or (isinstance(value, str) and len(value) > 1000):
        raise ValueError("the value was not understood; type it again")
    way, sure, audit = record.get("way", ""), record.get("sure", False), record.get("audit")
    if way not in _WAYS or not isinstance(sure, bool) or not (audit is None or _is_count(audit)):
        raise ValueError(_NOT_UNDERSTOOD)
    of = of if texts["action"] == "undo" else None
    return Decision(**texts, **numbers, value=value, of=of, way=way, sure=sure, audit=audit)


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**53


def apply_decision(store: Store, decision: Decision, *, now: datetime) -> EntryRow:
    """Store one decision; sent again, it changes nothing.

    Raises
    ------
    ChangedMeanwhile
        Somebody else entered the cell after it was shown.
    Surprising
        The cell may hold the value but hardly ever does, and nobody was asked yet.
    ValueError
        The cell cannot hold the value, or the record belongs to another folder.
    """
    if store.page(decision.page).sha256 != decision.sha256:
        raise ValueError("this decision was made on another folder's photograph, so it was not stored here")
    entries = store.entries(decision.page).get(decision.cell, [])
    if decision.action == "undo":
        return _undo(store, decision, entries, now)
    if decision.action == "open":
        return _open_again(store, decision, entries, now)
    if decision.action == "enter" and not decision.sure:
        surprise = question(store, decision.page, decision.cell, decision.value, now=now)
        if surprise:
            raise Surprising(surprise)
    # A browser's own earlier key presses on this cell, still unanswered when this one was made, are no surprise to it.
    last = entries[-1].id if entries and entries[-1].client == decision.client else decision.last
    state = _STATES[decision.action]
    return store.decide(
        decision.page,
        decision.cell,
        value=decision.value if state == "entered" else None,
        state=state,
        by=decision.by,
        client=decision.client,
        seq=decision.seq,
        last_seen=last,
        why=_WAYS[decision.way],
        now=now,
    )


def _undo(store: Store, decision: Decision, entries: Sequence[EntryRow], now: datetime) -> EntryRow:
    """Take back the one key press that is named, and only while it still holds."""
    sent = [e for e in entries if (e.client, e.seq) == (decision.client, decision.seq)]
    if sent:
        return sent[0]
    held = held_entries(entries)
    if not held or (held[-1].client, held[-1].seq) != decision.of:
        raise ValueError("this entry was changed since, so it was not undone; look at the cell again")
    return _taken_back(store, decision, entries[-1].id, now)


def _open_again(store: Store, decision: Decision, entries: Sequence[EntryRow], now: datetime) -> EntryRow:
    """Take back what the program accepted by itself, so that a person decides the cell."""
    sent = [e for e in entries if (e.client, e.seq) == (decision.client, decision.seq)]
    if sent:
        return sent[0]
    if not entries or entries[-1].id != decision.last or entries[-1].decided_by != RULE:
        raise ValueError("somebody has decided this cell meanwhile, so it was left as it is")
    return _taken_back(store, decision, entries[-1].id, now)


def _taken_back(store: Store, decision: Decision, last_seen: int, now: datetime) -> EntryRow:
    """The entry that takes back what was looked at just now, and nothing that anybody enters meanwhile."""
    press = {"by": decision.by, "client": decision.client, "seq": decision.seq, "last_seen": last_seen}
    return store.undo(decision.page, decision.cell, now=now, **press)


def answer(store: Store, record: object, *, now: datetime, proven: str = "") -> dict:
    """Store one record from a browser; the answer says whether it was, or why not in a sentence.

    `proven` is the name of whoever is logged in: a record under another name is not stored, and ``here`` tells it, so
    that the browser keeps the record. ``gone`` is true when somebody else has decided the cell, so that it waits for
    nobody any more.
    """
    key = {k: record.get(k) for k in ("client", "seq")} if isinstance(record, dict) else {"client": None, "seq": None}
    try:
        decision = parse_decision(record)
    except ValueError as error:
        return key | {"ok": False, "sentence": _sentence(error)}
    if proven and decision.by != proven:
        sentence = f"This was decided by {decision.by}, and you are logged in as {proven}; it was not stored."
        return key | {"ok": False, "sentence": sentence, "here": proven} | _now_of(store, decision)
    if decision.audit is not None:
        return key | _answer_audit(store, decision, now)
    if decision.action in ("ask", "unask"):
        return key | _ask(store, decision, now)
    try:
        entry = apply_decision(store, decision, now=now)
    except ValueError as error:
        asked = isinstance(error, Surprising)
        return key | {"ok": False, "ask": asked, "sentence": _sentence(error)} | _now_of(store, decision)
    return key | {"ok": True, "last": entry.id}


def _ask(store: Store, decision: Decision, now: datetime) -> dict:
    """Ask a colleague about a cell, or take the question back; no entry is made."""
    press = {"by": decision.by, "client": decision.client, "seq": decision.seq, "now": now}
    try:
        if store.page(decision.page).sha256 != decision.sha256:
            raise ValueError("this question was asked about another folder's photograph, so it was not stored here")
        if decision.action == "ask":
            store.asked.ask(decision.page, decision.cell, remark=str(decision.value or ""), **press)
        else:
            store.asked.take_back(decision.page, decision.cell, **press)
    except ValueError as error:
        return {"ok": False, "sentence": _sentence(error)} | _now_of(store, decision)
    return {"ok": True} | _now_of(store, decision)


def _answer_audit(store: Store, decision: Decision, now: datetime) -> dict:
    """Store the answer to a sampled cell; ``gone`` when it was answered before."""
    if decision.action not in _STATES:
        return {"ok": False, "sentence": _sentence(ValueError(_NOT_UNDERSTOOD))}
    state = _STATES[decision.action]
    value = decision.value if state == "entered" else None
    try:
        if store.page(decision.page).sha256 != decision.sha256:
            raise ValueError("this answer was given on another folder's photograph, so it was not stored here")
        store.audits.answer(decision.audit, value=value, state=state, by=decision.by, now=now)
    except ValueError as error:
        return {"ok": False, "sentence": _sentence(error), "gone": "already" in str(error)}
    return {"ok": True, "last": 0}


def _now_of(store: Store, decision: Decision) -> dict:
    """The cell's last entry, and whether another person has decided it."""
    try:
        entries = store.entries(decision.page).get(decision.cell, [])
    except ValueError:
        return {"gone": True}
    if not entries:
        return {"last": 0, "gone": False}
    last = entries[-1]
    return {"last": last.id, "gone": last.state != "withdrawn" and last.client != decision.client}


def _sentence(error: Exception) -> str:
    text = str(error)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
