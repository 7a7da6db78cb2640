"""Audit: a random sample of accepted cells, keyed again blind. ``?audit=ID`` opens one, or begins with its result."""

from __future__ import annotations

from contextlib import suppress

import streamlit as st

from digitise.reader.reading import Value
from digitise.store import RULE, Store, cell_label
from digitise.store.audits import Audit, Differing
from digitise.wording import plural
from review_app import alike, auditing, whole, worklist
from review_app.components import component
from review_app.markup import ADD, in_full, nothing, tag
from review_app.naming import for_desk, keep_name, own_name
from review_app.opening import choose_survey, me, open_page, survey_name

desk = component(
    "review_audit",
    "audit.html",
    ("desk.css", "whole.css", "trace.css", "audit.css"),
    ("known.js", "outbox.js", "common.js", "picture.js", "windows.js", "lens.js", "audit.js"),
)


def _said(kind: str, state: str, value: Value) -> str:
    return "cannot be read" if state == "illegible" else worklist.shown(kind, value)


def _difference(store: Store, one: Differing, *, key: str, by: str) -> None:
    """One cell whose blind answer is another than the entered value: its pencil, both values, and a choice."""
    cell = next(c for c in store.cells(one.page_id) if c.id == one.cell)
    page = store.page(one.page_id)
    first, second = _said(cell.kind, one.accepted_state, one.accepted), _said(cell.kind, one.answer_state, one.answer)
    who = "the program" if one.entered_by == RULE else one.entered_by
    source, width = f"/desk/small/{one.page_id}/{page.sha256}", 240
    if not page.keyed:
        with suppress(ValueError):  # without a picture of its page its words stand there
            source, width, _ = alike.crop(store, one.page_id, cell.box_mm)
    done = auditing.settled(store, one)
    words = [
        tag("b", f"{page.title}, {cell_label(cell)}"),
        f". {who[:1].upper()}{who[1:]}: {first}. {one.by}: {second}. ",
    ]
    if done is not None:
        words.append(
            tag("span", f"✓ {done.by} settled it: {_said(cell.kind, done.state, done.value)}", class_="state good")
        )
    link = tag("a", "Whole page", href=f"whole?page={one.page_id}&cell={one.cell}", target="_self")
    picture = tag("img", src=source, alt=f"The pencil in {cell.label}", width=min(width, 320), class_="pencil")
    with st.container(border=True):
        st.html(tag("div", picture, tag("p", *words, link), class_="difference"))
        if done is not None:
            return
        with st.container(horizontal=True):
            for text, answer in ((f"Right: {first}", False), (f"Right: {second}", True)):
                if st.button(text, key=f"{key}-{answer}"):
                    _settle(store, one, answer=answer, by=by)


def _settle(store: Store, one: Differing, *, answer: bool, by: str) -> None:
    try:
        auditing.settle(store, one, answer=answer, by=by, now=worklist.utc_now())
    except ValueError as error:
        st.error(in_full(error))
    else:
        keep_name(by)
        st.rerun()


def kept(store: Store, audits: list[Audit], title: str) -> None:
    """Audits with their results, the newest first; they stay with the survey."""
    if not audits:
        return
    st.html(tag("h2", title, class_="head"))
    there = {page.id for page in store.pages()}  # a sheet may have been given up since
    found = {a.id: [one for one in a.differing if one.page_id in there] for a in audits if a.bound is not None}
    waits = [one for some in found.values() for one in some if auditing.settled(store, one) is None]
    by = own_name(f"settler-{audits[-1].id}") if waits else ""
    for audit in reversed(audits):
        go_on = tag("a", "Go on keying", href=f"audit?audit={audit.id}", target="_self")
        about = tag("p", f"{survey_name(store, audit.pack or '')}. Drawn {audit.at[:10]} by {audit.by}", class_="soft")
        parts = [tag("p", auditing.result_words(audit), class_="result"), about]
        lines = auditing.strata_words(audit)
        parts += [tag("ul", *(tag("li", line) for line in lines))] if lines and audit.bound is not None else []
        st.html(tag("div", *parts, *([go_on] if audit.bound is None else []), class_="card-line"))
        for n, one in enumerate(found.get(audit.id, ())):
            _difference(store, one, key=f"settle-{audit.id}-{n}", by=by)


def compared(store: Store) -> None:
    """Every two people who keyed the same cells."""
    if found := auditing.comparisons(store):
        st.html(tag("h2", "Two people on the same cells", class_="head"))
        st.html(tag("ul", *(tag("li", c.words) for c in found), class_="points"))


def _drawn(audit: Audit, by: str) -> None:
    keep_name(by)
    st.query_params["audit"] = str(audit.id)
    st.rerun()


def again(store: Store) -> None:
    """Choose a page that another person keys again from top to bottom; nothing where none was read."""
    pages = {p["page"]: p["text"] for p in whole.page_list(store)}
    if not pages:
        return
    with st.expander("Key a whole page a second time"), st.form("again", border=False):
        st.html(
            tag(
                "p",
                "For a page that was hard to read. Somebody who did not enter it keys every cell blind; "
                "where the two differ, one of you decides.",
                class_="soft",
            )
        )
        page = st.selectbox("Page", list(pages), format_func=pages.__getitem__, key="again-page")
        by = own_name("again-by")
        if st.form_submit_button("Key it again"):
            try:
                audit = store.audits.draw_page(page, by=by, now=worklist.utc_now())
            except ValueError as error:
                st.error(in_full(error))
            else:
                _drawn(audit, by)


def plan(store: Store) -> None:
    """Choose what is to be shown, and draw."""
    pack = choose_survey(store, "audit-pack", every=True)
    everything = auditing.lots(store, pack, people=True)
    if not everything:
        words = "An audit looks at cells that are entered. There are none here."
        st.html(nothing("Nothing to audit", words, to=ADD))
        return
    people = "person" in everything and st.checkbox(
        "Also what people entered (whoever entered a cell cannot key it here)", key="people"
    )
    lots = auditing.lots(store, pack, people=people)
    which = "entered" if people else "accepted by the program and not looked at"
    total = sum(lots.values())
    st.html(
        tag(
            "p",
            f"{plural(total, 'cell')} {'was' if total == 1 else 'were'} {which}. A random sample of them, some of the "
            "surest and some of the less sure, is shown to you without the value that was entered, and you key what "
            "you see. Draw the sample when the review is finished.",
        )
    )
    if lots:
        with st.form("draw", border=True):
            chosen = st.radio(
                "What should the audit be able to show, if no cell differs?",
                auditing.plans(lots),
                format_func=lambda p: p.words,
                index=0,
            )
            by = own_name("auditor")
            if st.form_submit_button("Draw the sample", type="primary"):
                try:
                    audit = auditing.draw(store, pack, chosen.sizes, by=by, now=worklist.utc_now())
                except ValueError as error:
                    st.error(in_full(error))
                else:
                    _drawn(audit, by)
    again(store)


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Audit", class_="head"))
    audits = store.audits.all()
    asked = st.query_params.get("audit", "")
    chosen = next((a for a in audits if str(a.id) == asked), None)
    if chosen is not None and chosen.bound is None:
        desk(key="audit", data={"audit": chosen.id, "store": worklist.store_key(store), **for_desk()})
        return
    if chosen is not None:
        kept(store, [chosen], "The result")
    if me().may("scientist"):
        plan(store)
    else:
        st.html(tag("p", "A scientist draws an audit; you can key the cells of one that was drawn.", class_="soft"))
    kept(store, [a for a in audits if a is not chosen], "Other audits" if chosen else "Audits so far")
    compared(store)


show()
