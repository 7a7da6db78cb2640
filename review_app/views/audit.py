"""Audit: a random sample of accepted cells, keyed again blind. ``?audit=ID`` opens one."""

from __future__ import annotations

import streamlit as st

from digitise.store import Store
from digitise.store.audits import Audit
from review_app import auditing, worklist
from review_app.components import component
from review_app.markup import Markup, tag
from review_app.opening import choose_pack, me, open_page, own_name

desk = component(
    "review_audit", "audit.html", ("desk.css", "audit.css"), ("outbox.js", "common.js", "windows.js", "audit.js")
)


def _differing(store: Store, audit: Audit) -> Markup:
    """Cells whose answer is another than the accepted value, each with a link to its pencil."""
    lines = []
    for one in audit.differing:
        kind = next(c.kind for c in store.cells(one.page_id) if c.id == one.cell)
        link = tag("a", one.cell, href=f"trace?page={one.page_id}&cell={one.cell}", target="_self")
        accepted = worklist.shown(kind, one.accepted)
        answer = "cannot be read" if one.answer_state == "illegible" else worklist.shown(kind, one.answer)
        lines.append(tag("li", link, f": accepted {accepted}; {one.by} reads {answer}"))
    return tag("ul", *lines)


def kept(store: Store, audits: list[Audit]) -> None:
    """Every audit with its result; they stay with the survey."""
    if not audits:
        return
    st.html(tag("h2", "Audits so far", class_="head"))
    for audit in reversed(audits):
        go_on = tag("a", "Go on keying", href=f"audit?audit={audit.id}", target="_self")
        about = tag(
            "p",
            f"Drawn {audit.at[:10]} by {audit.by}, {'pack ' + audit.pack if audit.pack else 'all surveys'}",
            class_="soft",
        )
        parts = [tag("p", auditing.result_words(audit), class_="result"), about]
        parts += [go_on] if audit.bound is None else [_differing(store, audit)] if audit.differing else []
        st.html(tag("div", *parts, class_="card-line"))


def plan(store: Store) -> None:
    """Choose what is to be shown, and draw."""
    pack = choose_pack(store, "audit-pack")
    lot = auditing.accepted_cells(store, pack)
    if not lot:
        st.html(
            tag(
                "div",
                tag("h2", "Nothing to audit"),
                tag("p", "An audit looks at cells that the program accepted by itself. There are none here."),
                class_="empty",
            )
        )
        return
    found = auditing.plans(lot)
    st.html(
        tag(
            "p",
            f"{lot} cells were accepted by the program and not looked at. A random sample of them is shown to you, "
            "without what was accepted; you key what you see. Draw it when the review is finished.",
        )
    )
    with st.form("draw", border=True):
        chosen = st.radio(
            "What should the audit be able to show, if no cell differs?",
            found,
            format_func=lambda p: f"Fewer than {100 * p.rate:g} % wrong: key {p.size} of {p.lot} cells",
            index=0,
        )
        by = own_name("auditor")
        if st.form_submit_button("Draw the sample", type="primary"):
            try:
                audit = auditing.draw(store, pack, chosen.size, by=by, now=worklist.utc_now())
            except ValueError as error:
                st.error(str(error))
            else:
                st.session_state.by = by
                st.query_params["audit"] = str(audit.id)
                st.rerun()


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Audit", class_="head"))
    audits = store.audits.all()
    asked = st.query_params.get("audit", "")
    chosen = next((a for a in audits if str(a.id) == asked), None)
    if chosen is not None and chosen.bound is None:
        desk(key="audit", data={"audit": chosen.id, "store": worklist.store_key(store), "by": me().name})
        return
    if me().may("scientist"):
        plan(store)
    else:
        st.html(tag("p", "A scientist draws an audit; you can key the cells of one that was drawn.", class_="soft"))
    kept(store, audits)


show()
