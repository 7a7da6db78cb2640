"""A person says that a photograph shows no sheet of the survey, with a reason, or that it does after all."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from digitise.store import NO_SHEET, PhotoRow, Store
from review_app import worklist
from review_app.markup import in_full, tag
from review_app.naming import keep_name, own_name

REFUSED = ("retake", "unreadable")


def _said(by: str) -> None:
    keep_name(by)
    st.session_state.aside_turn = _turn() + 1  # an empty form next time
    st.query_params.pop("aside", None)
    st.rerun()


def _turn() -> int:
    return st.session_state.setdefault("aside_turn", 0)


def set_aside(store: Store, photos: Sequence[PhotoRow]) -> None:
    """The form for photographs that need something; ``?aside=`` opens it for one of them."""
    found = {p.sha256: p.name for p in photos if p.status in REFUSED}
    if not found:
        return
    asked = st.query_params.get("aside", "")
    with st.expander("One of these is no sheet of the survey", expanded=asked in found), st.form("aside", border=False):
        st.html(
            tag(
                "p",
                "A holiday picture, somebody else's form: it is kept, needs nothing any more, and is named in "
                "the report with your reason. You can take this back.",
                class_="soft",
            )
        )
        names = list(found)
        sha256 = st.selectbox(
            "Photograph",
            names,
            index=names.index(asked) if asked in found else 0,
            format_func=found.__getitem__,
            key=f"aside-photo-{asked}-{_turn()}",
        )
        reason = st.text_input("What it is instead", max_chars=500, key=f"aside-why-{_turn()}")
        by = own_name("aside-by")
        if st.form_submit_button("Set it aside"):
            photo = next(p for p in photos if p.sha256 == sha256)
            try:
                store.strangers.set_aside(photo, reason=reason, by=by, now=worklist.utc_now())
            except ValueError as error:
                st.error(in_full(error))
            else:
                _said(by)


def take_back(store: Store, photos: Sequence[PhotoRow]) -> None:
    """The form below the photographs that are set aside."""
    found = {p.sha256: p.name for p in photos if p.status == NO_SHEET}
    if not found:
        return
    with st.expander("One of these is a sheet after all"), st.form("aside-back", border=False):
        sha256 = st.selectbox("Photograph", list(found), format_func=found.__getitem__, key=f"back-photo-{_turn()}")
        by = own_name("back-by")
        if st.form_submit_button("Take it back"):
            photo = next(p for p in photos if p.sha256 == sha256)
            try:
                store.strangers.take_back(photo, by=by, now=worklist.utc_now())
            except ValueError as error:
                st.error(in_full(error))
            else:
                _said(by)
