"""What the review screens need, as plain functions: the folder, the cells to decide, the sheets in and missing.

No web page is drawn here.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from digitise.batch.batch import known_protocols
from digitise.reader.reading import Value
from digitise.reader.reasons import CELL_REASONS, REASONS
from digitise.sheets.protocol import LineSheet, Protocol, SiteSheet
from digitise.store import PageRow, Progress, QueueItem, Store, chain
from digitise.surveys.known_plan import planned_names, planned_sites
from digitise.surveys.printed_on import printed_pages
from digitise.surveys.roster import site_key

AT_ONCE = 1000  # pages whose cells are fetched together
FOLDER_VARIABLE = "DIGITISE_FOLDER"
MOST_CHOICES = 5
LEAST_SHARE = 0.01  # rarer alternatives are quicker typed than read
# With these a reader's "nothing written" is no suggestion to be taken with one key: something stands there.
_SOMETHING_STANDS = {"crossed-out", "no-choice", "impossible", "gap", "free-text", "hard-to-see", "beside"}


def use_folder(folder: Path | str) -> None:
    """Choose the folder all screens work on."""
    os.environ[FOLDER_VARIABLE] = str(Path(folder).resolve())


def open_store() -> Store:
    """The store of the chosen folder, opened once.

    Raises
    ------
    ValueError
        No folder was chosen, or it cannot be used as a store.
    """
    folder = os.environ.get(FOLDER_VARIABLE)
    if not folder:
        raise ValueError(f"no folder was named: start with 'python -m review_app FOLDER', or set {FOLDER_VARIABLE}")
    return _opened(folder)


@lru_cache(maxsize=4)
def _opened(folder: str) -> Store:
    return Store.open(Path(folder))


def utc_now() -> datetime:
    """The present moment, in UTC."""
    return datetime.now(UTC)


def store_state(store: Store) -> str:
    """The same while nothing that is kept in the store has changed: the last link of its audit trail."""
    with store.database.read() as connection:
        return chain.head(connection).hash


# The desk's list


def shown(kind: str, value: Value, decimals: int = 0) -> str:
    """A value in words for a person: ``None`` is "nothing written", a tick is "yes, marked" or "no, empty"."""
    if value is None:
        return "nothing written"
    if kind == "tick":
        return "yes, marked" if value else "no, empty"
    return f"{value:.{decimals}f}" if kind == "decimal" and isinstance(value, (int, float)) else str(value)


def share_words(probability: float) -> str:
    """A probability as a whole percentage, never 0 % nor 100 %."""
    return "under 1 %" if probability < 0.01 else "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def reason_words(names: Sequence[str]) -> list[str]:
    """Reasons of a cell as sentences: what, and what to do."""
    return [f"{REASONS[n].short}. {REASONS[n].advice}" for n in names if n in REASONS]


def _choices(item: QueueItem, meanings: Mapping[str, str]) -> list[dict]:
    ranked = [(item.value, item.confidence), *item.candidates]
    if item.kind == "text":  # a planned name may be likelier than what was read
        ranked.sort(key=lambda one: -one[1])
    if item.kind == "tick":
        ranked += [(True, 0.0), (False, 0.0)]
    suggested = item.value is not None or (item.kind != "tick" and not _SOMETHING_STANDS & set(item.reason_names))
    if not suggested:
        ranked = [c for c in ranked if c[0] is not None]
    decimals = len(item.format.partition(".")[2]) if item.format else 0
    out: list[dict] = []
    for value, probability in ranked:
        known = any(value == c["value"] and type(value) is type(c["value"]) for c in out)
        if known or len(out) == MOST_CHOICES or (out and probability < LEAST_SHARE and item.kind != "tick"):
            continue
        out.append(
            {
                "value": value,
                "text": shown(item.kind, value, decimals),
                "share": share_words(probability),
                "note": meanings.get(str(value), ""),
                "suggested": suggested and not out,
            }
        )
    return out


def code_meanings(protocol: Protocol, sheet: str) -> dict[str, str]:
    """What each code of a sheet stands for; empty for a sheet without codes."""
    spec = protocol.sheets.get(sheet)
    return {c.code: c.label for c in spec.categories} if isinstance(spec, LineSheet) else {}


def place_words(title: str, transect: int | None, pack: str | None, photo: str) -> str:
    """Where a page belongs, in one line."""
    parts = [title, f"transect {transect}" if transect else "", f"pack {pack}" if pack else "pack not known", photo]
    return " · ".join(p for p in parts if p)


def desk_item(item: QueueItem, page: PageRow, meanings: Mapping[str, str]) -> dict:
    """An open cell with all that the desk shows of it, for the browser."""
    return {
        "page": item.page_id,
        "sha256": item.sha256,
        "cell": item.cell,
        "kind": item.kind,
        "label": item.label,
        "title": item.title,
        "where": place_words(page.page_title, item.transect, item.pack, item.photo),
        "reasons": list(item.reasons),
        "choices": _choices(item, meanings),
        "codes": [{"value": c, "text": c, "note": meanings.get(c, "")} for c in item.choices],
        "box": list(item.box),
        "size_mm": list(page.page_size_mm),
        "last": item.last_entry,
    }


def progress_json(progress: Progress) -> dict:
    """Counts of cells for the browser; `open` are those for the desk, `to_key` those of sheets keyed by hand."""
    return {
        "open": progress.open - progress.to_key,
        "decided": progress.decided,
        "accepted": progress.accepted,
        "to_key": progress.to_key,
    }


def reason_options(counts: Mapping[str, int]) -> dict[str, str]:
    """Reasons that occur among open cells, from their counts: name to short text with its count."""
    return {r.name: f"{r.short} ({counts[r.name]})" for r in CELL_REASONS if counts.get(r.name)}


# Sheets in and missing


@dataclass(frozen=True, slots=True)
class Place:
    """One printed page of a pack; `page` is None while its photograph is missing."""

    sheet: str
    title: str
    number: int
    pages: int
    transect: int
    page: PageRow | None

    @property
    def words(self) -> str:
        """State of the sheet in words."""
        if self.page is None:
            return "missing"
        if not self.page.open:
            return "in, done"
        return f"in, {self.page.open} to key" if self.page.keyed else f"in, {self.page.open} to review"


def pack_places(store: Store, pack: str) -> list[Place]:
    """Every page printed for a pack, in printed order, with the photograph that counts for it."""
    pages = [p for p in store.pages(pack) if not p.superseded]
    if not pages:
        return []
    protocol = store.protocol_for(pages[0])
    found = {(p.sheet, p.page, p.transect or 0): p for p in pages}
    once = [name for name, sheet in protocol.sheets.items() if isinstance(sheet, SiteSheet)]
    each = [name for name in protocol.sheets if name not in once]
    wanted = [(name, 0) for name in once] + [(name, n) for n in range(1, protocol.transects + 1) for name in each]
    return [
        Place(one.sheet, one.title, one.page, one.pages, transect, found.get((one.sheet, one.page, transect)))
        for name, transect in wanted
        for one in printed_pages(protocol, pages, name, transect)
    ]


def taken_again(store: Store, packs: Iterable[str]) -> dict[str, str]:
    """Refused photographs that need nothing any more, with a sentence, by SHA-256.

    Which transect a refused photograph shows is not known, only its corner marks, which another protocol's page may
    have too. So it is done with when every sheet with such marks, of every transect of these surveys, is in.
    """
    refused = [p for p in store.photos() if p.status == "retake"]
    if not refused:
        return {}
    marks = {one.digest: one.slot for one in known_protocols(store=store).layouts}
    printed: dict[object, dict[tuple[str, int], str]] = {}
    for page in store.pages():
        own = printed.setdefault(marks.get(page.layout_digest, page.layout_digest), {})
        own[page.sheet, page.page] = page.title
    lacking = {(p.sheet, p.number) for pack in packs for p in pack_places(store, pack) if p.page is None}
    out = {}
    for photo in refused:
        sheets = printed.get(marks.get(photo.layout_digest, photo.layout_digest), {})
        if sheets and not lacking & sheets.keys():
            titles = " and ".join(f"'{title}'" for title in sheets.values())
            out[photo.sha256] = f"Every sheet {titles} of the surveys here is in, so this one was taken again."
    return out


def site_words(store: Store, pack: str) -> str:
    """Site and date of a pack's site sheet where they are entered, else the site it was planned for, else nothing."""
    return named(store, pack, sites_and_dates(store, store.pages(pack)))


def named(store: Store, pack: str, placed: Mapping[str, tuple[str, str]]) -> str:
    """The same, from sites and dates that are `placed` already; a site that is only planned is said to be."""
    site, date = placed.get(pack, ("", ""))
    if not site and (site := planned_sites(store.folder).get(pack, "")):
        site += " (planned)"
    return " · ".join(filter(None, (site, date)))


def sites_and_dates(store: Store, pages: Iterable[PageRow]) -> dict[str, tuple[str, str]]:
    """Site and date of each pack that has a site sheet among these pages; empty while they are not entered."""
    own = [p for p in pages if p.pack and not p.per_transect and not p.superseded]
    found: dict[str, tuple[str, str]] = {}
    planned = planned_names(store.folder)
    for i in range(0, len(own), AT_ONCE):
        cells = store.current_pages(p.id for p in own[i : i + AT_ONCE])
        for page in own[i : i + AT_ONCE]:
            entered = [c for c in cells[page.id].values() if c.state == "entered"]
            sites = [str(c.value) for c in entered if c.kind == "text" and c.cell.endswith("/site")]
            dates = [str(c.value) for c in entered if c.kind == "date"]
            sites = [planned.get(site_key(site), site) for site in sites]
            site, date = found.get(page.pack, ("", ""))
            found[page.pack] = (" · ".join(filter(None, (site, *sites))), " · ".join(filter(None, (date, *dates))))
    return found


def store_key(store: Store) -> str:
    """A name for this folder's content that moves with it: decisions kept in a browser go to no other folder."""
    first = next(iter(store.photos()), None)
    return hashlib.sha256(f"{first.sha256} {first.kept_at}".encode()).hexdigest()[:16] if first else ""
