"""A page is given its pack and transect by a person: its printed code could not be read, or is another sheet's too."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from digitise.store import PageRow, Store
from digitise.surveys.twice import photo_name
from review_app import worklist
from review_app.faults import page_words
from review_app.markup import Markup, in_full, tag
from review_app.naming import keep_name, own_name


def place_page(store: Store, page: PageRow) -> None:
    """Ask which pack and transect a page belongs to whose code is not known, and say why an answer cannot be."""
    _form(
        store,
        [page],
        tag("b", f"{page.page_title}, {page.photo}: "),
        "its printed code could not be read, or it has none. Which survey is it from? Pack and transect are printed at "
        "the top of ",
        _photograph(page, "the photograph"),
        ".",
    )


def place_one_of_two(store: Store, kept: PageRow, other: PageRow) -> None:
    """Ask which of two sheets that bear one name is from another pack or transect, and from which."""
    _form(
        store,
        [other, kept],
        tag("b", f"{page_words(kept)}, pack {kept.pack}: "),
        "two different sheets bear this name, ",
        _photograph(kept, photo_name(kept, [other])),
        ", which counts, and ",
        _photograph(other, photo_name(other, [kept])),
        ". Which is from another survey or transect, and from which? Whoever wrote it may know; the print is no help.",
    )


def _photograph(page: PageRow, words: str) -> Markup:
    return tag("a", words, target="_blank", href=f"/desk/original/{page.sha256}")


def _form(store: Store, pages: Sequence[PageRow], *words: str | Markup) -> None:
    page = pages[0]
    with st.form(key=f"assign-{page.id}", border=True):
        st.html(tag("p", *words))
        if len(pages) > 1:
            names = {p.id: photo_name(p, pages) for p in pages}
            chosen = st.radio("Photograph", names, format_func=names.get, horizontal=True, key=f"which-{page.id}")
            page = next(p for p in pages if p.id == chosen)
        with st.container(horizontal=True, vertical_alignment="bottom"):
            pack = st.text_input("Pack", max_chars=6, key=f"pack-{pages[0].id}", width=160)
            most, key = store.protocol_for(page).transects, f"transect-{pages[0].id}"
            transect = st.number_input("Transect", 1, most, key=key, width=150) if page.per_transect else 0
            by = own_name(f"by-{pages[0].id}", width=240)
            saved = st.form_submit_button("Save")
        if saved:
            _save(store, page, pack, int(transect), by)


def _save(store: Store, page: PageRow, pack: str, transect: int, by: str) -> None:
    if (pack.strip().upper(), transect) == (page.pack, page.transect or 0):
        st.error("This sheet has that pack and transect already. Enter those that it is really from.")
        return
    try:
        store.assign(page.id, pack, transect, by, worklist.utc_now())
    except ValueError as error:
        st.error(in_full(error))
    else:
        keep_name(by)
        st.rerun()
