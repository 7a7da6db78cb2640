"""What the screen needs on which a sheet is keyed by hand from a photograph that could not be read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from digitise.batch.batch import KnownProtocols, known_protocols
from digitise.reader.reasons import REASONS
from digitise.sheets.layout import Layout
from digitise.store import PageRow, PhotoRow, Store
from digitise.store.keyed import Sheet
from review_app import bounded

# Files that hold nothing to look at.
NO_PICTURE = (
    "not-an-image",
    "raw",
    "not-opened",
    "damaged",
    "too-large",
    "animated",
    "not-fetched",
    "locked",
    "archive",
    "too-many-pages",
)


@dataclass(frozen=True, slots=True)
class Kind:
    """One printed page that a photograph may show.

    `sure` when the reader recognised it by its marks, and no other page has the same marks, or of those that do only
    this one is among the sheets here: pages with the same marks are not told apart by one mark.
    """

    layout: Layout
    words: str
    sure: bool


def can_be_keyed(photo: PhotoRow) -> bool:
    """Whether a photograph could not be read and yet shows something to key from."""
    blind = tuple(REASONS[name].short for name in NO_PICTURE)
    return photo.status in ("retake", "unreadable") and not any(r.startswith(blind) for r in photo.reasons)


def refused(store: Store) -> list[PhotoRow]:
    """Photographs that can be keyed by hand, in the order they came."""
    return [p for p in store.photos() if can_be_keyed(p)]


def begun(store: Store) -> list[PageRow]:
    """Sheets that are being keyed by hand, or were."""
    return [p for p in store.pages() if p.keyed]


def kinds(store: Store, photo: PhotoRow) -> list[Kind]:
    """Every printed page it may be: first those with the marks that were made out, then those that are used here."""
    known = known_protocols(store=store)
    used = {p.protocol_digest for p in store.pages()}
    papers = {p.layout_digest for p in store.pages()}
    several = len(known.protocols) > 1
    marked = {one.slot for one in known.layouts if one.digest == photo.layout_digest}
    alike = [one for one in known.layouts if one.slot in marked]
    sure = len(alike) == 1 or {one.digest for one in alike} & papers == {photo.layout_digest}

    def turn(layout: Layout) -> tuple:
        home = known.home(layout)
        unseen = layout.digest != photo.layout_digest
        return (layout.slot not in marked, layout.digest not in papers, unseen, home.digest not in used)

    return [
        Kind(one, _words(one, known, several), sure and one.digest == photo.layout_digest)
        for one in sorted(known.layouts, key=turn)
    ]


def _words(layout: Layout, known: KnownProtocols, several: bool) -> str:
    page = f", page {layout.page}" if layout.pages > 1 else ""
    home = known.home(layout)
    return f"{layout.title}{page}, {layout.paper}" + (f" ({home.protocol} {home.version})" if several else "")


def begin(store: Store, photo: PhotoRow, layout: Layout, pack: str, transect: int, *, by: str, now: datetime) -> int:
    """Begin to key a photograph as this printed page; returns the page's id.

    Raises
    ------
    ValueError
        It is no picture, the place cannot be, or another photograph of this sheet is here already.
    """
    picture = bounded.decode(store.original(photo.sha256), photo.sha256)
    if not picture:
        raise ValueError(f"{photo.name} shows no picture to key from ({picture.detail or picture.reason})")
    home = known_protocols(store=store).home(layout)
    return store.by_hand.begin(Sheet(photo.sha256, layout, home, pack, transect), picture.gray, by=by, now=now)
