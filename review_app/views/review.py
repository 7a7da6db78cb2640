"""The desk: flagged cells, one at a time."""

from __future__ import annotations

from collections import Counter

import streamlit as st

from digitise.store import Progress, Store
from review_app import intake, worklist
from review_app.components import component
from review_app.markup import ADD, PLAN, nothing, tag
from review_app.opening import me, open_page
from review_app.ordering import ORDERS

desk = component(
    "review_desk",
    "desk.html",
    ("desk.css",),
    ("known.js", "outbox.js", "common.js", "picture.js", "windows.js", "desk.js"),
)


def without_pages(store: Store, progress: Progress) -> None:
    """No photograph has given a page yet."""
    if not progress.photos:
        words = (
            "Photograph the filled sheets, then add the photographs on the Survey page. Cells the reader is not sure "
        )
        words += "of will appear here, one at a time."
        st.html(nothing("Nothing waits for you", "No photograph has been added yet.", words, to=ADD, before=PLAN))
    elif any(p.status == "waiting" for p in store.photos()):
        words = "Photographs are being read. Cells that need your eyes will appear here."
        st.html(nothing("Nothing waits for you yet", words))
        st.button("Look again", key="look-again")
    else:
        words = "No photograph could be read so far. The Survey page says for each of them what to do, such as "
        words += "photographing the sheet again."
        st.html(nothing("Nothing waits for you", words, to=("See what to do", "survey")))


def chosen_filter(store: Store) -> dict[str, str | bool]:
    """What the clerk wants to see, in which order, from boxes behind one button; ``?order=`` and ``?pack=`` begin."""
    pages = store.pages()
    titles, counts = {p.sheet: p.title for p in pages}, Counter()
    for page in pages:
        counts[page.sheet] += page.to_review
    counts = +counts
    reasons = worklist.reason_options(store.open_reasons())
    asked = len(store.queue(keys=store.asked.waiting()))
    orders = list(ORDERS)
    wanted, asked_pack = st.query_params.get("order", orders[0]), st.query_params.get("pack", "")
    packs = ["", *store.packs()]
    with st.popover("Choose which cells", key="filter"):
        st.selectbox(
            "Order",
            orders,
            index=orders.index(wanted) if wanted in orders else 0,
            key="order",
            format_func=lambda order: ORDERS[order],
        )
        st.selectbox(
            "Cells",
            [False, True],
            key="asked",
            format_func=lambda on: f"Asked about by a colleague ({asked})" if on else "Open cells",
        )
        st.selectbox(
            "Survey",
            packs,
            index=packs.index(asked_pack) if asked_pack in packs else 0,
            key="pack",
            format_func=lambda pack: f"Pack {pack}" if pack else "All surveys",
        )
        st.selectbox(
            "Sheet",
            ["", *sorted(counts, key=list(titles).index)],
            key="sheet",
            format_func=lambda sheet: f"{titles[sheet]} ({counts[sheet]})" if sheet else "All sheets",
        )
        st.selectbox(
            "Why it is here",
            ["", *reasons],
            key="reason",
            format_func=lambda reason: reasons.get(reason, "All reasons"),
        )
    state = st.session_state
    return {k: state[k] for k in ("order", "asked", "pack", "sheet", "reason") if state.get(k)}


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    intake.start(store)
    progress = store.progress()
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.html(tag("h1", "Review", class_="head"), width="content")
        chosen = chosen_filter(store) if progress.open > progress.to_key else {}
    if not store.pages():
        without_pages(store, progress)
        return
    desk(key="desk", data={"filter": chosen, "store": worklist.store_key(store), "by": me().name})


show()
