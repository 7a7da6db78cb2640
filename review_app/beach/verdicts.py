"""What a phone is told: a verdict for each photograph, and for each survey its site and which sheets are in."""

from __future__ import annotations

import re
from calendar import month_name
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from digitise.reader.reasons import PHOTO_REASONS
from digitise.store import NO_SHEET, PageRow, PhotoRow, ReadingRow, Store
from digitise.surveys.known_plan import planned_names
from digitise.surveys.roster import site_key
from digitise.surveys.survey import seen_twice
from review_app import intake, worklist
from review_app.beach import places
from review_app.beach.shared import Shared

TWO_SHEETS = (
    "A different sheet with the same pack and transect is in already, so this one does not count. Say at the laptop "
    "which survey it is from."
)
OTHER_EDITION = (
    "The laptop does not know what this sheet was printed from. Say so there: it need not be photographed again."
)
HARD_TO_SEE = 3  # from so many hidden cells on, a second photograph is asked for


def day_words(iso: str) -> str:
    """A date as people say it: 14 March 2026."""
    day = date.fromisoformat(iso)
    return f"{day.day} {month_name[day.month]} {day.year}"


# One photograph


def verdict(
    store: Store, photo: PhotoRow, pages: Mapping[int, PageRow], failed: Mapping[str, str], again: Container[str] = ()
) -> dict:
    """State of one photograph: words, picture, and its `kind`: wait, good, look (better taken again), bad or aside.

    `again` has the SHA-256 of those that were refused and taken again since. ``tell`` is true of what somebody at the
    laptop has to mend, so that taking it again would not help.
    """
    told = [failed[photo.sha256]] if photo.sha256 in failed else []
    if photo.page_ids:
        told = told or list(photo.beside)
        read = _read(store, [pages[i] for i in photo.page_ids], pages)
        lost = any(one.short in " ".join(told) for one in PHOTO_REASONS)  # of another sheet in it
        return read | {"kind": "look", "lines": [*told, *read["lines"]]} if lost else read
    picture = {"picture": f"photo/{photo.sha256}"}
    if told:
        return {"kind": "bad", "title": "Kept, but not read", "lines": told, "marks": [], **picture}
    if photo.status == "waiting":
        return {"kind": "wait", "title": "Sent. Being read", "lines": [], "marks": [], **picture}
    if photo.status == NO_SHEET:
        return {"kind": "aside", "title": "Set aside", "lines": list(photo.reasons), "marks": [], **picture}
    if photo.sha256 in again:
        return {"kind": "aside", "title": "Taken again since", "lines": [], "marks": [], **picture}
    if intake.of_unknown_protocol(photo):
        lines = [OTHER_EDITION, *photo.reasons]
        return {"kind": "bad", "title": "Kept, but not read", "lines": lines, "marks": [], "tell": True, **picture}
    title = "Photograph it again" if photo.status == "retake" else "Not readable"
    try:
        marks = places.of_photo(store, photo.sha256, " ".join(photo.reasons))
    except ValueError:  # the original cannot be had now; the words say where too
        marks = ()
    return {"kind": "bad", "title": title, "lines": list(photo.reasons), "marks": marks, **picture}


def _read(store: Store, own: list[PageRow], pages: Mapping[int, PageRow]) -> dict:
    page = own[-1]
    where = worklist.place_words(page.page_title, page.transect, page.pack, "").replace(" · ", ", ")
    hidden = _hidden(store, page.id)
    lines = []
    if page.pack is None:
        lines.append("Its printed code could not be read, or it has none: say at the laptop which survey it is from.")
    if page.superseded:
        kept = pages.get(page.superseded_by)
        two = kept is not None and seen_twice(store, kept, page).verdict == "another"
        lines.append(TWO_SHEETS if two else "This sheet is in twice; the photograph that reads better counts.")
    kind, what = "good", "Read"
    if page.keyed:
        kind, what = ("look" if page.open else "good"), "Keyed by hand"
        lines += ["It could not be read. Photograph the sheet again if it is still at hand."] if page.open else []
    if len(hidden) >= HARD_TO_SEE and not page.superseded:
        kind = "look"
        lines.append(
            f"{len(hidden)} boxes are hard to see where marked. Photograph it again if you can: in shade, flat, dry."
        )
    marks = list(hidden) if kind == "look" else []
    return {"kind": kind, "title": f"{what}: {where}", "lines": lines, "marks": marks, "picture": f"page/{page.id}"}


@lru_cache(maxsize=4000)
def _hidden(store: Store, page_id: int) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Corners of the boxes that are hard to see; readings never change."""
    return tuple(_corners(r) for r in store.readings(page_id) if "hard-to-see" in r.reasons)


def _corners(reading: ReadingRow) -> tuple[tuple[float, float], ...]:
    x, y, w, h = (round(v, 4) for v in reading.box)
    return ((x, y), (x + w, y), (x + w, y + h), (x, y + h))


# One survey


def _basics(store: Store, pages: Iterable[PageRow]) -> list[dict]:
    """Site, date, time and depth from the site sheet: as entered, or as the reader reads them (`sure` false)."""
    planned = planned_names(store.folder)
    wanted = {"site": "text", "date": "date", "time": "time", "depth": "decimal"}
    for page in pages:
        if page.per_transect:
            continue
        cells = {c.cell.rpartition("/")[2]: c for c in store.current(page.id).values()}
        found = []
        for name, kind in wanted.items():
            cell = cells.get(name)
            if cell is None or cell.kind != kind:
                continue
            value = cell.value if cell.state == "entered" else cell.read_value if cell.state == "unread" else None
            sure = cell.state == "entered"
            if name == "site":
                value = planned.get(site_key(str(value)), value)
            words = _basic_words(kind, value) if value is not None else ""
            found.append({"label": cell.label, "text": words, "sure": sure})
        if found:
            return found
    return []


def _basic_words(kind: str, value: object) -> str:
    if kind == "date" and isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        return day_words(value)
    return f"{value:g} m" if kind == "decimal" and isinstance(value, (int, float)) else str(value)


def survey_card(store: Store, pack: str) -> dict:
    """One survey: its basics, and per transect which sheets are in."""
    sheets = worklist.pack_places(store, pack)
    rows = []
    for transect in sorted({p.transect for p in sheets}):
        own = [
            {"title": p.title if p.pages == 1 else f"{p.title}, page {p.number}", "here": p.page is not None}
            for p in sheets
            if p.transect == transect
        ]
        rows.append({"name": f"Transect {transect}" if transect else "Whole survey", "sheets": own})
    missing = sum(p.page is None for p in sheets)
    basics = _basics(store, [p for p in store.pages(pack) if not p.superseded])
    return {"pack": pack, "basics": basics, "rows": rows, "missing": missing, "sheets": len(sheets)}


@dataclass(frozen=True, slots=True)
class _Everything:
    """What every phone is told from: photographs by SHA-256, pages by id, the newest surveys, what was taken again."""

    photos: dict[str, PhotoRow]
    pages: dict[int, PageRow]
    surveys: list[dict]
    again: frozenset[str]


def _everything(store: Store) -> _Everything:
    photos, pages = store.photos_and_pages()
    latest: dict[str, int] = {}
    for page in pages.values():
        if page.pack is not None:
            latest[page.pack] = max(page.id, latest.get(page.pack, page.id))
    packs = sorted(latest, key=latest.__getitem__, reverse=True)[:20]
    again = frozenset(worklist.taken_again(store, packs))
    return _Everything({p.sha256: p for p in photos}, pages, [survey_card(store, p) for p in packs], again)


_shared = Shared(_everything)


def state(store: Store, wanted: Iterable[str]) -> dict:
    """All a phone shows: verdicts for the photographs it sent (by SHA-256), and every survey, the newest first."""
    now, failed = _shared.of(store), intake.progress(store).failed
    verdicts = {s: verdict(store, now.photos[s], now.pages, failed, now.again) for s in wanted if s in now.photos}
    return {"photos": verdicts, "surveys": now.surveys}
