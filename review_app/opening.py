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
