"""A person lets a finding of the completeness check be, with a reason, or opens it again."""

from __future__ import annotations

import streamlit as st

from digitise.completeness import Checked, SurveyCheck
from digitise.store import Store
from review_app import worklist
from review_app.markup import in_full
from review_app.naming import keep_name, own_name

LONGEST = 110  # of a finding's words in the list
QUEUED = ("open", "no-place")  # what the review and the pages without a pack are for


def choices(check: SurveyCheck) -> dict[str, Checked]:
    """Findings that a person may decide, by name."""
    return {f.name: f for f in check.faults if f.rule not in QUEUED}


def decide(store: Store, pack: str, name: str, *, accepted: bool, reason: str, by: str) -> None:
    """Accept a finding, or open one again that was accepted; `ValueError` says what is missing."""
    change = store.findings.reopen if accepted else store.findings.accept
    change(pack, name, reason=reason, by=by, now=worklist.utc_now())


def _words(fault: Checked) -> str:
    text = f"{fault.where}: {fault.text}"
    text = text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
    return f"{'Open again' if fault.severity == 'accepted' else 'Accept'}: {text}"


def decide_finding(store: Store, check: SurveyCheck) -> None:
    """The form below a survey's findings; nothing where there is none to decide."""
    found = choices(check)
    if not found:
        return
    with st.expander("Accept a finding, or open one again"), st.form(f"let-be-{check.pack}", border=False):
        # By name, so that a finding that went away is never taken for another.
        name = st.selectbox("Finding", list(found), format_func=lambda n: _words(found[n]), key=f"fault-{check.pack}")
        reason = st.text_area("Why", max_chars=500, key=f"why-{check.pack}-{_turn()}", height=80)
        by = own_name(f"let-by-{check.pack}")
        if st.form_submit_button("Keep this decision"):
            try:
                decide(store, check.pack, name, accepted=found[name].severity == "accepted", reason=reason, by=by)
            except ValueError as error:
                st.error(in_full(error))
            else:
                keep_name(by)
                st.session_state.let_be_turn = _turn() + 1  # an empty form next time
                st.rerun()


def _turn() -> int:
    return st.session_state.setdefault("let_be_turn", 0)
