"""Many at once: cells that read the same, side by side."""

from __future__ import annotations

import streamlit as st

from review_app import worklist
from review_app.components import component
from review_app.markup import ADD, nothing, tag
from review_app.opening import choose_survey, me, open_page

many = component(
    "review_many", "many.html", ("desk.css", "many.css"), ("known.js", "outbox.js", "common.js", "many.js")
)


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Many at once", class_="head"))
    if not store.pages():
        words = "As soon as sheets are read, cells that read the same are shown here side by side."
        st.html(nothing("Nothing to look at together yet", words, to=ADD))
        return
    pack = choose_survey(store, "many-pack", every=True)
    many(key="many", data={"pack": pack, "store": worklist.store_key(store), "by": me().name})


show()
