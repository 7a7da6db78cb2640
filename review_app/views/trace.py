"""Trace: ``?page=ID&cell=NAME`` is one cell; ``?pack=P&sheet=S&row=R`` the cells behind a figure; else all figures."""

from __future__ import annotations

from urllib.parse import urlencode

import streamlit as st

from digitise.store import Store
from digitise.wording import plural
from review_app import tracing, worklist
from review_app.components import component
from review_app.markup import ADD, Markup, nothing, tag
from review_app.opening import choose_survey, open_page, survey_name
from review_app.whole import state_words

trace = component(
    "review_trace",
    "trace.html",
    ("desk.css", "whole.css", "trace.css"),
    ("common.js", "picture.js", "lens.js", "trace.js"),
)


def _link(words: str, **query: object) -> Markup:
    return tag("a", words, href=f"trace?{urlencode(query)}", target="_self")


def _table(heads: tuple[str, ...], rows: list[tuple[str, ...]], label: str, *, stack: bool = False) -> Markup:
    """A table; with `stack`, a phone shows each row as a few lines, without the heads."""
    sides = ["n" if rows and all(row[i].isdigit() for row in rows) else None for i in range(len(heads))]
    head = tag("thead", tag("tr", *(tag("th", h, scope="col", class_=s) for h, s in zip(heads, sides, strict=True))))
    body = (tag("tr", *(tag("td", c, class_=s) for c, s in zip(row, sides, strict=True))) for row in rows)
    return tag(
        "div",
        tag("table", head, tag("tbody", *body), class_="plain stack" if stack else "plain"),
        class_="wide",
        tabindex="0",
        role="region",
        aria_label=label,
    )


def figure_page(store: Store, pack: str, sheet: str, row: str) -> None:
    """The cells behind one figure."""
    found = tracing.figure(store, pack, sheet, row)
    if found is None:
        st.html(
            nothing("There is no such figure", "The link may come from another folder.", to=("All figures", "trace"))
        )
        return
    st.html(tag("h2", f"{found.label} · {found.title} · {survey_name(store, pack)}", class_="head"))
    counted = sum(b.counts for b in found.cells)
    still = sum(b.cell.state == "unread" for b in found.cells)
    words = f"{plural(counted, 'cell is', 'cells are')} behind this figure"
    more = f"; {plural(still, 'more is', 'more are')} not read yet and could belong to it. " if still else ". "
    st.html(tag("p", words, more, _link("All figures of this survey", pack=pack), class_="soft ways"))
    rows = [
        (
            f"Transect {b.page.transect}" if b.page.transect else "Whole survey",
            _link(b.cell.label, page=b.page.id, cell=b.cell.cell),
            worklist.shown(b.cell.kind, b.cell.value)
            if b.counts
            else {"unread": "not read yet", "illegible": "cannot be read"}.get(b.cell.state, "nothing written"),
            state_words(b.cell),
            b.page.photo,
        )
        for b in found.cells
    ]
    st.html(_table(("Transect", "Cell", "Value", "Who", "Photograph"), rows, f"Cells behind {found.label}", stack=True))


def all_figures(store: Store) -> None:
    """Every figure of a survey with a link to what is behind it."""
    if not store.packs():
        words = "As soon as sheets are read, every figure leads from here to its pencil marks."
        st.html(nothing("Nothing to trace yet", words, to=ADD))
        return
    pack = choose_survey(store, "trace-pack")
    found = tracing.figures(store, pack)
    for title in dict.fromkeys(f.title for f in found):
        st.html(tag("h2", title, class_="head"))
        rows = [
            (
                _link(f.label, pack=pack, sheet=f.sheet, row=f.id),
                str(sum(b.counts for b in f.cells)),
                str(sum(b.cell.state == "unread" for b in f.cells)),
            )
            for f in found
            if f.title == title
        ]
        st.html(_table(("Figure", "Cells with a value", "Not read yet"), rows, title))


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Trace", class_="head"))
    asked = {k: st.query_params.get(k, "")[:120] for k in ("page", "cell", "pack", "sheet", "row")}
    if asked["cell"] and asked["page"].isascii() and asked["page"].isdigit() and len(asked["page"]) < 10:
        trace(key="trace", data={"page": int(asked["page"]), "cell": asked["cell"]})
    elif asked["pack"] and asked["sheet"] and asked["row"]:
        figure_page(store, asked["pack"], asked["sheet"], asked["row"])
    else:
        all_figures(store)


show()
