"""Hand-over: make the package for the authority, see what was sent, and correct it."""

from __future__ import annotations

import streamlit as st

from digitise.commands.common import file_trouble
from digitise.handover.prepared import EVIDENCE, Wishes
from digitise.handover.readiness import NotReady
from digitise.store import Store
from digitise.store.handovers import SentSurvey
from digitise.wording import plural
from review_app import sending
from review_app.markup import ADD, Markup, in_full, nothing, tag
from review_app.naming import keep_name, own_name
from review_app.opening import open_page

EVIDENCE_WORDS = {
    "shared": "Pictures and history of these surveys",
    "whole": "The whole store, which can be imported again",
    "none": "None",
}


def send(store: Store) -> None:
    """The form for a new package."""
    found = {line.pack: line for line in sending.lines(store)}
    if "packs" not in st.session_state:
        st.session_state.packs = [p for p, line in found.items() if line.stage == sending.DUE]
    known = list(dict.fromkeys(h.recipient for h in store.handovers.all()))
    with st.form("handover", border=True):
        st.html(tag("h2", "A package for the authority", class_="head"))
        others = (
            f"The note tells what changed since the last package to the same receiver: {', '.join(known)}"
            if known
            else None
        )
        to = st.text_input("To", value=known[-1] if known else "", max_chars=120, key="to", width=420, help=others)
        packs = st.multiselect(
            "Surveys (those that are signed and not handed over yet are chosen)",
            list(found),
            format_func=lambda p: sending.line_words(found[p]),
            key="packs",
            placeholder="Choose surveys",
        )
        reason = st.text_area("Words for the covering note", max_chars=1000, key="words", height=80)
        by = own_name("sender")
        with st.expander("What goes in"):
            evidence = st.radio(
                "Evidence", EVIDENCE, format_func=EVIDENCE_WORDS.__getitem__, horizontal=True, key="evidence"
            )
            pseudonyms = st.checkbox("Replace names of people, and cover them in pictures", key="pseudonyms")
            positions = st.checkbox("Photographs as they came, with the phone's positions", key="positions")
            unsigned = st.checkbox("Also surveys that nobody signed as they are now", key="unsigned")
            unreviewed = st.checkbox("Also surveys with cells that still wait for a person", key="unreviewed")
        if st.form_submit_button("Make the package", type="primary"):
            chosen = None if evidence == "whole" and set(packs) == set(found) else tuple(packs)
            wishes = Wishes(
                to,
                by,
                reason,
                chosen,
                with_unsigned=unsigned,
                with_unreviewed=unreviewed,
                evidence=evidence,
                pseudonyms=pseudonyms,
                positions=positions,
            )
            if packs:
                _make(store, wishes)
            else:
                st.error("Choose at least one survey. Signed ones that were not handed over are chosen for you.")


def _make(store: Store, wishes: Wishes) -> None:
    """Make it, or say why not."""
    try:
        with st.spinner("Writing report, data and evidence"):
            folder, record, _ = sending.hand_over(store, wishes)
    except ValueError as error:
        hint = ("Leave these out, or let them in with the boxes of this form.",) if isinstance(error, NotReady) else ()
        st.error("\n\n".join((*in_full(error).splitlines(), *hint)))
        return
    except OSError as error:
        st.error(in_full(ValueError(f"nothing was handed over. {file_trouble(error)}")))
        return
    keep_name(record.by)
    st.session_state.handed = f"Hand-over {record.number} to {record.recipient} is made and noted: {folder}"
    st.rerun()


def _named(sent: SentSurvey) -> str:
    return f"{sent.site or 'site not entered'}, {sent.date or 'no date'} (pack {sent.pack})"


def _card(one: sending.Sent) -> Markup:
    record = one.record
    what = f"corrects hand-over {record.corrects}" if record.corrects is not None else ""
    hidden = "names replaced" if record.pseudonyms else ""
    head = " · ".join(filter(None, (f"to {record.recipient}", record.at[:10], f"by {record.by}", what, hidden)))
    surveys = [f"{_named(s)}, {f'version {s.version}' if s.state == 'signed' else s.state}" for s in record.surveys]
    words = [tag("p", f"“{record.reason}”")] if record.reason else []
    take = tag("a", "Download the package (ZIP)", href=f"/desk/handover/{record.number}", class_="take")
    ways = [tag("p", take, class_="ways")] if one.folder is not None else []
    return tag(
        "div",
        tag("p", tag("b", f"Hand-over {record.number}"), f" {head}"),
        *words,
        tag(
            "details",
            tag("summary", plural(len(surveys), "survey")),
            tag("ul", *(tag("li", s) for s in surveys)),
            tag("p", "SHA-256 of its checksums.txt: ", tag("code", record.digest), class_="soft"),
            class_="faults",
        ),
        *ways,
        class_="card-line",
    )


def _correct(store: Store, one: sending.Sent) -> None:
    """What of a package has changed since, and the form for a correction."""
    number = one.record.number
    found = [s for s in one.record.surveys if s.pack in one.changed]
    names = "; ".join(_named(s) for s in found)
    st.html(tag("p", f"● Changed since it was sent: {names}", class_="state todo"))
    with st.expander(f"Make a correction of hand-over {number}"), st.form(f"correct-{number}", border=False):
        reason = st.text_area("What was wrong", max_chars=1000, key=f"correct-why-{number}", height=80)
        by = own_name(f"correct-by-{number}")
        unsigned = st.checkbox("Also surveys that nobody signed as they are now", key=f"correct-unsigned-{number}")
        if st.form_submit_button("Make the correction"):
            _make(store, Wishes("", by, reason, corrects=number, with_unsigned=unsigned))


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Hand-over", class_="head"))
    if not store.packs():
        words = "A survey goes to the authority when its cells are decided and somebody has signed it."
        st.html(nothing("Nothing to hand over yet", words, to=ADD))
        return
    if told := st.session_state.pop("handed", ""):
        st.session_state.pop("packs", None)  # chosen anew: these have gone
        st.success(told)
        st.toast(told, duration="long")  # the button that was pressed is far below
    with st.spinner("Looking at every survey"):
        found = sending.sent(store)
        sending.lines(store)  # kept while nothing changes
    if found:
        st.html(tag("h2", "What was sent", class_="head"))
    for one in found:
        st.html(_card(one))
        if one.changed:
            _correct(store, one)
    send(store)


show()
