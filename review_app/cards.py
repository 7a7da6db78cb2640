"""Sheets in and missing, and photographs, as HTML for the Survey page."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlencode

from digitise.store import NO_SHEET, PageRow, PhotoRow
from digitise.surveys.twice import SHOWN, Difference, Twice, words
from review_app import worklist
from review_app.aside import REFUSED
from review_app.keying import can_be_keyed
from review_app.markup import Markup, tag

STATES = {
    "read": ("good", "✓ Read"),
    "retake": ("bad", "▲ Photograph again"),
    "unreadable": ("bad", "✕ Not readable"),
    "waiting": ("wait", "… Waiting to be read"),
    NO_SHEET: ("wait", "– Set aside"),
}


def _state(kind: str, words: str) -> Markup:
    return tag("p", words, class_=f"state {kind}")


def _table_cell(place: worklist.Place, opens: bool) -> Markup:
    kind = "bad" if place.page is None else "todo" if place.page.open else "good"
    sign = {"bad": "✕", "todo": "●", "good": "✓"}[kind]
    words = tag("span", f"{sign} {place.words}", class_=f"state {kind}")
    if opens and place.page is not None:
        screen = "key" if place.page.keyed else "whole"
        words = tag("a", words, href=f"{screen}?page={place.page.id}", target="_self")
    return tag("td", words, data_sheet=place.title)


def matrix(places: list[worklist.Place], *, opens: bool) -> Markup:
    """Transects down, sheets across: what is in and what is missing; `opens` leads to each sheet that is in."""
    columns = list(dict.fromkeys((p.sheet, p.number, p.title, p.pages) for p in places))
    rows = []
    for transect in sorted({p.transect for p in places}):
        found = {(p.sheet, p.number): p for p in places if p.transect == transect}
        empty = tag("td", "–", class_="none")
        cells = [_table_cell(found[c[:2]], opens) if c[:2] in found else empty for c in columns]
        rows.append(tag("tr", tag("th", f"Transect {transect}" if transect else "Whole survey", scope="row"), *cells))
    heads = [
        tag("th", title if pages == 1 else f"{title}, page {number}", scope="col")
        for _, number, title, pages in columns
    ]
    head = tag("thead", tag("tr", tag("th", "", scope="col"), *heads))
    table = tag("table", head, tag("tbody", *rows), class_="matrix")
    return tag("div", table, class_="wide", tabindex="0", role="region", aria_label="Sheets in and missing")


def _differing(kept: PageRow, one: Difference) -> Markup:
    """The way to a cell that two photographs show differently, on the one that counts."""
    address = f"{'key' if kept.keyed else 'whole'}?{urlencode({'page': kept.id, 'cell': one.cell})}"
    return tag("p", tag("a", f"Look at {one.label}", href=address, target="_self"))


def page_lines(page: PageRow, twice: dict[int, Twice], *, keys: bool) -> list[Markup]:
    """What one page of a photograph is and how far it is; what differs in a second photograph, where that is told.

    `keys` leads to the screens where its cells are decided.
    """
    where = worklist.place_words(page.page_title, page.transect, page.pack, "")
    if page.superseded:
        lines = [tag("p", where), tag("p", "Another photograph of this sheet counts")]
        if page.id in twice and (told := words(twice[page.id])):
            lines += [tag("p", "● Compare the two", class_="state todo"), tag("p", f"{told}.")]
            if keys and twice[page.id].verdict != "another":
                lines += [_differing(twice[page.id].kept, one) for one in twice[page.id].open_differences[:SHOWN]]
        return lines
    if page.open:
        left = f"{page.open} of {page.cells} cells"
        state = tag("p", f"● {left} to {'key by hand' if page.keyed else 'review'}", class_="state todo")
    else:
        state = tag("p", f"✓ all {page.cells} cells settled", class_="state good")
    go_on = [tag("p", tag("a", "Key it", href=f"key?page={page.id}", target="_self"))] if page.keyed and keys else []
    return [tag("p", where), state, *go_on]


def card(
    photo: PhotoRow,
    pages: dict[int, PageRow],
    failed: dict[str, str],
    again: dict[str, str],
    twice: dict[int, Twice],
    here: Mapping[str, str],
    *,
    opens: bool,
) -> Markup:
    """One photograph; `failed` and `again` have sentences, by SHA-256, about those that could not be read, or rest.

    `here` is what the page's address says. `opens` leads to the photograph in full size, to where one that could not be
    read is keyed by hand, and to where it is set aside.
    """
    notes = failed | again
    source = f"/desk/small/{photo.page_ids[0]}/{photo.sha256}" if photo.page_ids else f"/desk/photo/{photo.sha256}"
    picture = tag("img", src=source, alt=f"Open {photo.name}" if opens else photo.name, loading="lazy")
    if opens:
        picture = tag("a", picture, target="_blank", href=f"/desk/original/{photo.sha256}")
    lines = [line for i in photo.page_ids for line in page_lines(pages[i], twice, keys=opens)]
    note = [tag("p", notes[photo.sha256])] if photo.sha256 in notes else []
    said = note + [tag("p", s) for s in photo.reasons]
    if opens and can_be_keyed(photo) and photo.sha256 not in again:
        link = tag("a", "Key the sheet by hand", href=f"key?photo={photo.sha256}", target="_self")
        said.append(tag("p", "No second photograph to be had? ", link))
    if opens and photo.status in REFUSED and photo.sha256 not in again:
        link = tag("a", "Set it aside", href=f"?{urlencode(dict(here) | {'aside': photo.sha256})}", target="_self")
        said.append(tag("p", "No sheet of the survey at all? ", link))
    state = [] if photo.status == "read" or photo.sha256 in again else [_state(*STATES[photo.status])]
    return tag("li", picture, tag("div", tag("p", photo.name, class_="name"), *state, *lines, *said), class_="card")
