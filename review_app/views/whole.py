"""A whole page: the flattened photograph with every value beside its ink. ``?page=ID&cell=NAME`` opens on one cell."""

from __future__ import annotations

import streamlit as st

from review_app import worklist
from review_app.components import component
from review_app.markup import ADD, nothing, tag
from review_app.opening import me, open_page

whole = component(
    "review_whole",
    "whole.html",
    ("desk.css", "whole.css"),
    ("known.js", "outbox.js", "common.js", "picture.js", "whole.js"),
)


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Whole page", class_="head"))
    pages = [p for p in store.pages() if not p.superseded and not p.keyed]
    if not pages:
        words = "As soon as a sheet is read it can be seen here, with every value beside its ink."
        st.html(nothing("No page yet", words, to=ADD))
        return
    first = next((p.id for p in pages if p.open), pages[0].id)
    whole(key="whole", data={"page": first, "store": worklist.store_key(store), "by": me().name})


show()
