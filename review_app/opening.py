"""What every page begins with: who it is for, and the store or a sentence why there is none."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import streamlit as st

from digitise.store import Store
from review_app import worklist
from review_app.door import who
from review_app.markup import tag


def me(*, touch: bool = True) -> who.Visitor:
    """Who the page is drawn for; nobody who is logged in: the page says so and stops.

    `touch` false is for what a page does by itself: it keeps nobody logged in.
    """
    try:
        visitor = who.visitor(st.context.cookies.to_dict(), now=worklist.utc_now(), touch=touch)
    except ValueError as error:
        st.error(str(error))
        st.stop()
    if visitor is None:
        again = tag("a", "Log in again", href="/enter", target="_self")
        st.html(tag("div", tag("h2", "You have been logged out"), tag("p", again), class_="empty"))
        st.stop()
    return visitor


def open_page(file: str) -> Store:
    """The store, for the page in `file` (its ``__file__``); without one, or for another's role, the page stops."""
    visitor = me()
    if not visitor.opens(Path(file).stem):
        st.error("This page is not for your role.")
        st.stop()
    if visitor.name:
        leave = tag("a", "Account, log out", href="/me", target="_self")
        st.html(tag("p", tag("b", visitor.name), f", {visitor.role} · ", leave, class_="who-line"))
    try:
        return worklist.open_store()
    except ValueError as error:
        st.error(str(error))
        st.stop()


def survey_name(store: Store, pack: str) -> str:
    """A survey in words: site and date where they are known, and its pack; an empty pack is all of them."""
    return " · ".join(w for w in (worklist.site_words(store, pack), f"pack {pack}") if w) if pack else "All surveys"


@lru_cache(maxsize=4)
def _survey_names(store: Store, _state: str) -> dict[str, str]:
    """Names of all surveys and of all of them together, while nothing in the store has changed."""
    placed = worklist.sites_and_dates(store, store.pages())
    names = {p: " · ".join(filter(None, (worklist.named(store, p, placed), f"pack {p}"))) for p in store.packs()}
    return {"": survey_name(store, ""), **names}


def choose_survey(store: Store, key: str, *, every: bool = False, first: str = "") -> str:
    """The pack to work on, from a box; ``?pack=`` begins with one, else `first`. With `every` also all of them, "".

    There is no box where there is nothing to choose: the one survey is named, and an empty string is none.
    """
    packs = store.packs()
    if len(packs) < 2:
        if packs:
            name = survey_name(store, packs[0])
            st.html(tag("p", f"{name[:1].upper()}{name[1:]}", class_="soft"))
        return packs[0] if packs and not every else ""
    names, options = _survey_names(store, worklist.store_state(store)), ["", *packs] if every else packs
    asked = st.query_params.get("pack", first)
    return st.selectbox(
        "Survey",
        options,
        index=options.index(asked) if asked in options else 0,
        key=key,
        format_func=lambda pack: names.get(pack, pack),
        width=440,
    )
