"""Key by hand: a sheet from a photograph that could not be read. ``?photo=SHA256`` begins, ``?page=ID`` goes on."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from digitise.store import PageRow, PhotoRow, Store
from review_app import keying, worklist
from review_app.components import component
from review_app.markup import Markup, in_full, nothing, tag
from review_app.naming import for_desk, keep_name, own_name
from review_app.opening import open_page

desk = component(
    "review_key",
    "key.html",
    ("desk.css", "whole.css", "trace.css", "key.css"),
    ("known.js", "outbox.js", "common.js", "picture.js", "lens.js", "key.js"),
)


def _line(words: str, href: str, note: str, source: str) -> Markup:
    link = tag("p", tag("a", words, href=href, target="_self"), class_="name")
    picture = tag("img", src=source, alt="", loading="lazy")
    return tag("li", picture, tag("div", link, tag("p", note)), class_="card")


def choose(store: Store) -> None:
    """Every photograph that could not be read, and every sheet that was begun."""
    pages, photos = keying.begun(store), keying.refused(store)
    if not pages and not photos:
        words = "No photograph waits for that. One that cannot be read can be keyed here while you look at it."
        st.html(nothing("Nothing to key by hand", words, to=("See the photographs", "survey")))
        return
    for title, done in (("Begun", False), ("Done", True)):
        some = [p for p in pages if (not p.open) == done]
        if some:
            st.html(tag("h2", title, class_="head"))
            st.html(tag("ul", *(_page_line(p) for p in some), class_="cards"))
    if photos:
        st.html(tag("h2", "Photographs that could not be read", class_="head"))
        words = "A new photograph is better: the program reads it, and you only check. Key what cannot be had again."
        st.html(tag("p", words, class_="soft"))
        again = worklist.taken_again(store, store.packs())
        lines = (_photo_line(p, again) for p in sorted(photos, key=lambda p: p.sha256 in again))
        st.html(tag("ul", *lines, class_="cards"))


def _photo_line(photo: PhotoRow, again: Mapping[str, str]) -> Markup:
    note = again.get(photo.sha256) or " ".join(photo.reasons)
    return _line(photo.name, f"key?photo={photo.sha256}", note, f"/desk/photo/{photo.sha256}")


def _page_line(page: PageRow) -> Markup:
    where = worklist.place_words(page.page_title, page.transect, page.pack, page.photo)
    left = f"{page.open} of {page.cells} cells to key" if page.open else f"all {page.cells} cells entered"
    return _line(where, f"key?page={page.id}", left, f"/desk/small/{page.id}/{page.sha256}")


def begin(store: Store, photo: PhotoRow) -> None:
    """Ask which sheet a photograph shows, beside the photograph."""
    kinds = keying.kinds(store, photo)
    look, ask = st.columns([3, 2], gap="medium")
    with look:
        desk(key="look", data={"page": 0, "sha256": photo.sha256, "store": worklist.store_key(store)})
    with ask, st.form("begin", border=True):
        st.html(tag("p", tag("b", photo.name), f". {' '.join(photo.reasons)}"))
        kind = st.selectbox(
            "Which sheet is it?",
            kinds,
            index=0 if kinds[0].sure else None,
            format_func=lambda k: k.words,
            placeholder="Its title is at the top",
            key=f"kind-{photo.sha256}",
        )
        pack = st.selectbox(
            "Pack, the six letters at the top of the sheet",
            store.packs(),
            index=None,
            accept_new_options=True,
            placeholder="Choose or type it",
            key=f"key-pack-{photo.sha256}",
        )
        transect = st.number_input(
            "Transect (a sheet of the whole survey has none)", 0, 99, None, key=f"key-transect-{photo.sha256}"
        )
        by = own_name("key-by")
        pressed = st.form_submit_button("Begin to key it", type="primary")
    if pressed:
        with ask:
            _begun(store, photo, kind, pack or "", int(transect or 0), by)


def _begun(store: Store, photo: PhotoRow, kind: keying.Kind | None, pack: str, transect: int, by: str) -> None:
    """Begin as it was said, or say what is wrong."""
    if kind is None or not pack or (kind.layout.per_transect and not transect):
        st.error("Say which sheet, pack and transect it is; all are printed at the top of the sheet.")
        return
    try:
        page = keying.begin(store, photo, kind.layout, pack, transect, by=by, now=worklist.utc_now())
    except ValueError as error:
        st.error(in_full(error))
    else:
        keep_name(by)
        st.query_params.from_dict({"page": str(page)})
        st.rerun()


def mistaken(store: Store, page: PageRow) -> None:
    """Another pack or transect for a sheet that was begun, or none at all."""
    with st.expander("Wrong sheet, pack or transect?"):
        with st.form("moved", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
            pack = st.text_input("Pack", page.pack, max_chars=6, key=f"moved-pack-{page.id}", width=160)
            most, key = store.protocol_for(page).transects, f"moved-transect-{page.id}"
            transect = (
                st.number_input("Transect", 1, most, page.transect, key=key, width=150) if page.per_transect else 0
            )
            by = own_name("moved-by")
            moved = st.form_submit_button("Change")
        st.html(
            tag(
                "p",
                "Another sheet altogether, or begun by mistake: give it up while nothing is entered.",
                class_="soft",
            )
        )
        dropped = st.button("Give this sheet up", key=f"drop-{page.id}")
        try:
            if moved:
                store.assign(page.id, pack, int(transect), by, worklist.utc_now())
            elif dropped:
                store.by_hand.set_aside(page.id, by=by, now=worklist.utc_now())
        except ValueError as error:
            st.error(in_full(error))
            return
        if dropped:
            st.query_params.from_dict({"photo": page.sha256})
        if moved or dropped:
            keep_name(by)
            st.rerun()


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Key by hand", class_="head"))
    asked = {k: st.query_params.get(k, "")[:200] for k in ("page", "photo", "cell")}
    page = next((p for p in keying.begun(store) if str(p.id) == asked["page"]), None)
    photo = next((p for p in keying.refused(store) if p.sha256 == asked["photo"]), None)
    if page is not None:
        own = {"page": page.id, "sha256": page.sha256, "cell": asked["cell"]}
        desk(key="key", data=own | {"store": worklist.store_key(store), **for_desk()})
        mistaken(store, page)
    elif photo is not None:
        begin(store, photo)
    else:
        choose(store)


show()
