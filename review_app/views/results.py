"""Results: cover and density with intervals, what they rest on, and the tables to take away."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlencode

import streamlit as st

from digitise.wording import plural
from review_app import reports, tracing
from review_app.components import component
from review_app.markup import ADD, Markup, nothing, tag
from review_app.opening import choose_survey, open_page, survey_name

# The page is made by the server as one closed file. It is shown in a frame that may run no script, as tall as the page.
frame = component("results_frame", "results.html", ("results.css",), ("results.js",))


def ways(pack: str, shown: str, waiting: int) -> Markup:
    """What still waits, and what to take away or look into from here; `shown` asks for the page that is shown."""
    query = urlencode({"pack": pack})
    words = f"{plural(waiting, 'cell')} {'waits' if waiting == 1 else 'wait'} for a person"
    review = tag("a", "Review them", href=f"./?{query}", target="_self")
    return tag(
        "div",
        *([tag("span", f"● Provisional: {words}. ", review, class_="state todo")] if waiting else []),
        tag("a", "Trace figures to their pencil marks", href=f"trace?{query}", target="_self"),
        tag("a", "Download the tables (CSV)", href=f"/desk/tables?{query}", class_="take"),
        tag("a", "Download this page (HTML)", href=f"{shown}&download", class_="take"),
        class_="ways",
    )


def choose_part(parts: Sequence[reports.Volume]) -> int:
    """Which part of many surveys to show, from a box."""
    return st.selectbox(
        "Sites",
        range(len(parts)),
        key="result-part",
        format_func=lambda i: f"{parts[i].name}: {plural(len(parts[i].packs), 'survey')} ({i + 1} of {len(parts)})",
        help="There are more surveys than one page can show. Comparisons here are between the surveys of these sites.",
        width=440,
    )


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Results", class_="head"))
    if not store.packs():
        words = "They appear here as soon as the first sheet has been read: percent cover and density with intervals, "
        words += "and how complete the data are."
        st.html(nothing("No results yet", words, to=ADD))
        return
    pack = choose_survey(store, "result-pack", every=True)
    name, packs, query = survey_name(store, pack), [pack] if pack else store.packs(), {"pack": pack}
    parts = reports.report_parts(store) if not pack else ()
    if len(parts) > 1:
        number = choose_part(parts)
        name, packs, query = parts[number].name, parts[number].packs, {"part": number + 1}
    shown = f"/desk/results?{urlencode(query)}"
    st.html(ways(pack, shown, store.progress(pack=pack or None).open))
    figures = tracing.named_figures(store, packs)
    frame(key="frame", data={"src": shown, "title": f"Results: {name}", "figures": figures})


show()
