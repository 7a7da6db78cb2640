"""A page whose printed code could not be read is given its pack and transect by a person."""

from __future__ import annotations

import streamlit as st

from digitise.store import PageRow, Store
from review_app import worklist
from review_app.markup import in_full, tag
from review_app.naming import keep_name, own_name

UNREAD_CODE = "its printed code could not be read, or it has none"


def place_page(store: Store, page: PageRow, why: str = UNREAD_CODE) -> None:
    """Ask which pack and transect a page belongs to, and say why an answer cannot be; `why` it is asked, in words."""
    with st.form(key=f"assign-{page.id}", border=True):
        photograph = tag("a", "the photograph", target="_blank", href=f"/desk/original/{page.sha256}")
        st.html(
            tag(
                "p",
                tag("b", f"{page.page_title}, {page.photo}: "),
                f"{why}. Which survey is it from? Pack and transect are printed at the top of ",
                photograph,
                ".",
            )
        )
        with st.container(horizontal=True, vertical_alignment="bottom"):
            pack = st.text_input("Pack", max_chars=6, key=f"pack-{page.id}", width=160)
            most, key = store.protocol_for(page).transects, f"transect-{page.id}"
            transect = st.number_input("Transect", 1, most, key=key, width=150) if page.per_transect else 0
            by = own_name(f"by-{page.id}", width=240)
            saved = st.form_submit_button("Save")
        if saved:
            try:
                store.assign(page.id, pack, int(transect), by, worklist.utc_now())
            except ValueError as error:
                st.error(in_full(error))
            else:
                keep_name(by)
                st.rerun()
