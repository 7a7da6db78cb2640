"""Pieces of a page that run in the browser, put together from files in ``static/``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import streamlit as st

STATIC = Path(__file__).resolve().parent / "static"


def _text(names: Sequence[str]) -> str:
    return "\n".join((STATIC / name).read_text(encoding="utf-8") for name in names)


def component(name: str, html: str, css: Sequence[str], js: Sequence[str]) -> Callable:
    """Register a component under `name`: one HTML file, style sheets and scripts in the order given."""
    return st.components.v2.component(name, html=_text([html]), css=_text(css), js=_text(js))
