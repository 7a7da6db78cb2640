"""Photographs: add them, see which sheets are in, and what to do about those that could not be read."""

from __future__ import annotations

import streamlit as st

from digitise.store import PageRow, PhotoRow, Store
from digitise.survey import seen_twice
from digitise.twice import Twice, rivals, words
from review_app import intake, worklist
from review_app.faults import checks, fault_list, wanted
from review_app.markup import Markup, tag
from review_app.opening import me, open_page
from review_app.placing import place_page

TYPES = ["image/*", "heic", "heif", "tif", "tiff", "pdf", "zip"]
WAITING, READ, AGAIN = "Waiting to be read", "Read", "Refused, and taken again since"
STATES = {
    "read": ("good", "✓ Read"),
    "retake": ("bad", "▲ Photograph again"),
    "unreadable": ("bad", "✕ Not readable"),
    "waiting": ("wait", "… Waiting to be read"),
}


def upload(store: Store) -> None:
    """Keep what is uploaded at once; reading it happens in the background."""
    turn = st.session_state.setdefault("upload_turn", 0)
    files = st.file_uploader(
        "Add photographs (JPEG, PNG, TIFF, HEIC), PDFs or zip archives of them, up to 80 MB each, many at once",
        type=TYPES,
        accept_multiple_files=True,
        max_upload_size=80,
        key=f"upload-{turn}",
    )
    if files:
        with st.spinner("Keeping them"):
            told = [sentence for file in files for sentence in intake.accept(store, file.getvalue(), file.name)]
        st.session_state.upload_told = told
        st.session_state.upload_turn = turn + 1
        intake.start(store)
        st.rerun()
    for sentence in st.session_state.get("upload_told", ()):
        st.warning(sentence)


@st.fragment(run_every="1.5s")
def reading(store: Store) -> None:
    """Progress of the reading, drawn again by itself; at the end the whole page is drawn again."""
    me(touch=False)
    now = intake.progress(store)
    if now.running:
        st.progress(now.done / max(1, now.total), text=f"Reading {now.name} ({now.done + 1} of {now.total})")
    else:
        st.rerun()


def _state(kind: str, words: str) -> Markup:
    return tag("p", words, class_=f"state {kind}")


def _table_cell(place: worklist.Place) -> Markup:
    kind = "bad" if place.page is None else "todo" if place.page.open else "good"
    sign = {"bad": "✕", "todo": "●", "good": "✓"}[kind]
    return tag("td", tag("span", f"{sign} {place.words}", class_=f"state {kind}"), data_sheet=place.title)


def matrix(places: list[worklist.Place]) -> Markup:
    """Transects down, sheets across: what is in and what is missing."""
    columns = list(dict.fromkeys((p.sheet, p.number, p.title, p.pages) for p in places))
    rows = []
    for transect in sorted({p.transect for p in places}):
        found = {(p.sheet, p.number): p for p in places if p.transect == transect}
        empty = tag("td", "–", class_="none")
        cells = [_table_cell(found[c[:2]]) if c[:2] in found else empty for c in columns]
        rows.append(tag("tr", tag("th", f"Transect {transect}" if transect else "Whole survey", scope="row"), *cells))
    heads = [
        tag("th", title if pages == 1 else f"{title}, page {number}", scope="col")
        for _, number, title, pages in columns
    ]
    head = tag("thead", tag("tr", tag("th", "", scope="col"), *heads))
    table = tag("table", head, tag("tbody", *rows), class_="matrix")
    return tag("div", table, class_="wide", tabindex="0", role="region", aria_label="Sheets in and missing")


def page_lines(page: PageRow, twice: dict[int, Twice]) -> list[Markup]:
    """What one page of a photograph is and how far it is; what differs in a second photograph, where that is told."""
    where = worklist.place_words(page.title, page.transect, page.pack, "")
    if page.superseded:
        told = words(twice[page.id]) if page.id in twice else ""
        return [
            tag("p", where),
            tag("p", "Another photograph of this sheet counts"),
            *([tag("p", "● Compare the two", class_="state todo"), tag("p", f"{told}.")] if told else []),
        ]
    if page.open:
        state = tag("p", f"● {page.open} of {page.cells} cells to review", class_="state todo")
    else:
        state = tag("p", f"✓ all {page.cells} cells settled", class_="state good")
    return [tag("p", where), state]


def card(
    photo: PhotoRow, pages: dict[int, PageRow], failed: dict[str, str], again: dict[str, str], twice: dict[int, Twice]
) -> Markup:
    """One photograph; `failed` and `again` have sentences, by SHA-256, about those that could not be read, or rest."""
    notes = failed | again
    source = f"/desk/small/{photo.page_ids[0]}" if photo.page_ids else f"/desk/photo/{photo.sha256}"
    if me().may("clerk"):
        image = tag("img", src=source, alt=f"Open {photo.name}", loading="lazy")
        picture = tag("a", image, target="_blank", href=f"/desk/original/{photo.sha256}")
    else:
        picture = tag("img", src=source, alt=photo.name, loading="lazy")
    lines = [line for i in photo.page_ids for line in page_lines(pages[i], twice)]
    note = [tag("p", notes[photo.sha256])] if photo.sha256 in notes else []
    said = note + [tag("p", s) for s in photo.reasons]
    state = [] if photo.status == "read" or photo.sha256 in again else [_state(*STATES[photo.status])]
    return tag("li", picture, tag("div", tag("p", photo.name, class_="name"), *state, *lines, *said), class_="card")


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Survey", class_="head"))
    upload(store)
    if intake.start(store) or intake.progress(store).running:
        reading(store)
    pages, failed = {p.id: p for p in store.pages()}, intake.progress(store).failed
    photos = store.photos()
    if not photos:
        st.html(
            tag(
                "div",
                tag("h2", "No photographs yet"),
                tag(
                    "p",
                    "Lay each sheet flat, in shade, with its four "
                    "corner marks in view. Then add the photographs above; they are kept unchanged.",
                ),
                class_="empty",
            )
        )
    decides = me().may("clerk")  # what is written on the sheets is told to those only who may decide
    for page in (p for p in pages.values() if decides and p.pack is None and not p.superseded):
        place_page(store, page)
    pairs = rivals(pages.values()) if decides else ()
    twice = {other.id: seen_twice(store, kept, other) for kept, other in pairs}
    for one in twice.values():
        if one.verdict == "another":
            place_page(store, one.other, "it bears the name of another sheet that is here already")
    places = {pack: worklist.pack_places(store, pack) for pack in store.packs()}
    checked = checks(store) if decides else {}
    for pack in places:
        heading = " · ".join(w for w in (f"Pack {pack}", worklist.site_words(store, pack)) if w)
        st.html(tag("h2", heading, class_="head"))
        st.html(matrix(wanted(store, pack, places[pack])))
        if pack in checked:
            st.html(fault_list(checked[pack], pages))
    again = worklist.taken_again(photos, list(pages.values()), [one for own in places.values() for one in own])
    groups: dict[str, list[PhotoRow]] = {title: [] for title in ("Needs something from you", WAITING, READ, AGAIN)}
    for photo in photos:
        calm = AGAIN if photo.sha256 in again else {"read": READ, "waiting": WAITING}.get(photo.status, "")
        asks = photo.sha256 in failed or any(words(twice[i]) for i in photo.page_ids if i in twice)
        groups["Needs something from you" if asks or not calm else calm].append(photo)
    for title, chosen in groups.items():
        if chosen:
            st.html(tag("h2", title, class_="head"))
            st.html(tag("ul", *(card(p, pages, failed, again, twice) for p in chosen), class_="cards"))


show()
