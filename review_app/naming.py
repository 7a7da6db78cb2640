"""The name that goes beside an entry: proven where people log in, else given once in a browser, for every screen."""

from __future__ import annotations

import json
import re
import secrets
from urllib.parse import unquote

import streamlit as st

from review_app.components import component
from review_app.opening import me

_KEY = "browser-name"
_COOKIE = "desk-name"
_browser = component("review_name", "nothing.html", (), ("known.js", "name.js"))


def learn_name() -> None:
    """On every screen, before any form: the name that the browser knew as it came, then what it hears meanwhile.

    A name from a form that the browser has not kept yet counts before what the browser still tells.
    """
    if me().name:
        return
    state = st.session_state
    told = getattr(state.get(_KEY), "told", None) or state.get("told") or _remembered()
    state.told, waits = told, state.get("said")
    if told and (waits is None or told["mark"] == waits["mark"]):
        state.by, state.said = told["name"], None
    data = {"said": state.get("said"), "told": told or {"name": "", "mark": ""}}
    _browser(key=_KEY, data=data, default={"told": None}, on_told_change=lambda: None)


def _remembered() -> dict[str, str] | None:
    """What this browser told before its connection began (`known`)."""
    try:
        found = json.loads(unquote(st.context.cookies.get(_COOKIE, "")))
        return {"name": str(found["name"])[:60], "mark": str(found["mark"])[:60]}
    except (ValueError, KeyError, TypeError):
        return None


def own_name(key: str, *, width: int = 260) -> str:
    """The name that goes beside an entry: who is logged in, or whom this browser knows and may change, or a field."""
    if name := me().name:
        return name
    if known := st.session_state.get("by", ""):
        plain = re.sub(r"([!-/:-@\[-`{-~])", r"\\\1", known)  # no letter of a name is markup
        with st.expander(f"By {plain}", width=width):
            return st.text_input("Your name", known, max_chars=60, key=f"{key}-{known}", width=width)
    return st.text_input("Your name", max_chars=60, key=key, width=width)


def keep_name(by: str) -> None:
    """What was entered is under this name: no other form, and no desk, asks for it again."""
    if not me().name and by != st.session_state.get("by", ""):
        st.session_state.by, st.session_state.said = by, {"name": by, "mark": secrets.token_hex(8)}


def for_desk() -> dict[str, object]:
    """What a desk is told: who is logged in, else whom this browser may not know yet."""
    said = st.session_state.get("said") or {"name": st.session_state.get("by", ""), "mark": ""}
    return {"by": me().name, "said": said}
