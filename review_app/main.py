"""The pages, in one place."""

from pathlib import Path

import streamlit as st

st.set_page_config(page_title="Survey sheets", layout="wide")
st.html(Path(__file__).parent / "static" / "page.css")
st.navigation(
    [
        st.Page("views/review.py", title="Review", default=True),
        st.Page("views/many.py", title="Many at once"),
        st.Page("views/whole.py", title="Whole page"),
        st.Page("views/survey.py", title="Survey"),
        st.Page("views/plan.py", title="Plan"),
        st.Page("views/phones.py", title="Phones"),
        st.Page("views/results.py", title="Results"),
        st.Page("views/trace.py", title="Trace"),
        st.Page("views/audit.py", title="Audit"),
        st.Page("views/signoff.py", title="Sign-off"),
        st.Page("views/handover.py", title="Hand-over"),
    ],
    position="top",
).run()
