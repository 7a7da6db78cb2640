"""What every page begins with: its heading, and the store or a sentence why there is none."""

from __future__ import annotations

import streamlit as st

from digitise.store import Store
from review_app import worklist


def open_page() -> Store:
    """The store; without one the page shows why and stops."""
    try:
        return worklist.open_store()
    except ValueError as error:
        st.error(str(error))
        st.stop()


def choose_pack(store: Store, key: str) -> str:
    """The survey to work on: a box where there is more than one; an empty string is all of them."""
    packs = store.packs()
    if len(packs) < 2:
        return ""
    return st.selectbox(
        "Survey",
        ["", *packs],
        key=key,
        format_func=lambda pack: f"Pack {pack}" if pack else "All surveys",
        label_visibility="collapsed",
        width=220,
    )
