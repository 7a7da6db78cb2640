"""Photographs: add them, see which sheets are in, and what to do about those that could not be read."""

from __future__ import annotations

from contextlib import nullcontext

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from digitise.store import NO_SHEET, PageRow, PhotoRow, Store
from digitise.surveys.survey import seen_twice
from digitise.surveys.twice import Twice, rivals, words
from digitise.wording import plural
from review_app import intake, worklist
from review_app.accepting import decide_finding
from review_app.aside import set_aside, take_back
from review_app.cards import card, matrix
from review_app.components import component
from review_app.faults import board, board_table, checks, fault_list, labels_of, wanted
from review_app.markup import PLAN, nothing, tag
from review_app.opening import me, open_page, survey_name
from review_app.placing import place_one_of_two, place_page

refused = component("review_refused", "refused.html", ("desk.css",), ("refused.js",))

TYPES = ["image/*", "heic", "heif", "hif", "avif", "tif", "tiff", "pdf", "zip"]
MOST_MB = 80
URGENT = ("sheets missing", "contradictory", "in review")
FEW = 4  # surveys that are shown all below each other
NEEDS = "needs-something"  # where on the page those photographs are
URGENT_TITLE = "Needs something from you"
WAITING, READ, AGAIN = "Waiting to be read", "Read", "Refused, and taken again since"
ASIDE = "No survey sheet"


def upload(store: Store) -> None:
    """Keep what is uploaded at once; reading it happens in the background."""
    turn = st.session_state.setdefault("upload_turn", 0)
    files = st.file_uploader(
        f"Add photographs (JPEG, PNG, TIFF, HEIC), PDFs or zip archives of them, up to {MOST_MB} MB each, many at once",
        type=TYPES,
        accept_multiple_files=True,
        max_upload_size=MOST_MB,
        key=f"upload-{turn}",
    )
    refused(key="refused", data={"most_mb": MOST_MB})
    if files:
        had = len(store.photos())
        with st.spinner("Keeping them"):
            told = [sentence for file in files for sentence in intake.accept(store, file.getvalue(), file.name)]
        new = len(store.photos()) - had
        kept = f"{plural(new, 'photograph')} kept." if new else "" if told else "What you added is here already."
        st.session_state.upload_told, st.session_state.upload_kept = told, kept
        st.session_state.upload_turn = turn + 1
        intake.start(store)
        st.rerun()
    for sentence in st.session_state.get("upload_told", ()):
        st.warning(sentence)
    if kept := st.session_state.get("upload_kept"):
        st.html(tag("p", f"✓ {kept}", class_="state good", role="status"))


@st.fragment(run_every="1.5s")
def reading(store: Store) -> None:
    """Progress of the reading, drawn again by itself; at the end the whole page is drawn again."""
    me(touch=False)
    now = intake.progress(store)
    if now.running:
        st.progress(now.done / max(1, now.total), text=f"Reading {now.name} ({now.done + 1} of {now.total})")
    else:
        st.rerun()


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Survey", class_="head"))
    upload(store)
    if intake.start(store) or intake.progress(store).running:
        reading(store)
    needs, above = st.empty(), st.container()
    (photos, pages), failed = store.photos_and_pages(), intake.progress(store).failed
    if not photos:
        words = "Lay each sheet flat, in shade, with its four corner marks in view. Then add the photographs above; "
        before = PLAN if me().may("clerk") else None
        st.html(nothing("No photographs yet", words + "they are kept unchanged.", before=before))
    decides = me().may("clerk")  # what is written on the sheets is told to those only who may decide
    for page in (p for p in pages.values() if decides and p.pack is None and not p.superseded):
        place_page(store, page)
    packs = chosen(store, decides=decides)
    rivalry = list(rivals(p for p in pages.values() if decides and (p.pack in packs or p.pack is None)))
    twice = {other.id: seen_twice(store, kept, other) for kept, other in rivalry}
    for one in twice.values():
        if one.verdict == "another":
            place_one_of_two(store, one.kept, one.other)
    for pack in packs:
        survey(store, pack, pages, decides=decides)
    urgent = photographs(store, photos, pages, failed, twice, packs, above)
    if urgent:
        words = f"{plural(urgent, 'photograph')} {'needs' if urgent == 1 else 'need'} something from you"
        needs.html(tag("p", "● ", tag("a", words, href=f"#{NEEDS}"), class_="state todo"))


def chosen(store: Store, *, decides: bool) -> list[str]:
    """The packs to show: all while they are few, else the one that is asked for, below the board of all.

    The board tells of contradictions between sheets, so only who decides sees it.
    """
    packs = store.packs()
    if len(packs) <= FEW:
        return packs
    with st.spinner("Looking at every survey"):
        lines = board(store)
    names = {line.pack: " · ".join(w for w in (line.site, line.date, f"pack {line.pack}") if w) for line in lines}
    asked = st.query_params.get("pack", "")
    if decides:
        st.html(tag("h2", "Where every survey stands", class_="head"))
        st.html(board_table(lines, frozenset(packs), me().opens, unfolded=not asked))
    urgent = sorted((n for n in lines if n.pack in packs and n.stage in URGENT), key=lambda n: URGENT.index(n.stage))
    first = urgent[0].pack if urgent else packs[-1]
    pack = st.selectbox(
        "Survey",
        packs,
        index=packs.index(asked if asked in packs else first),
        key="survey-pack",
        format_func=lambda p: names.get(p, f"pack {p}"),
    )
    return [pack]


def survey(store: Store, pack: str, pages: dict[int, PageRow], *, decides: bool) -> None:
    """One survey: its sheets and, for who decides, what the check found and a person's word on it."""
    name = survey_name(store, pack)
    st.html(tag("h2", name[:1].upper() + name[1:], class_="head"))
    st.html(matrix(wanted(store, pack, worklist.pack_places(store, pack)), opens=decides))
    if decides and (check := checks(store).get(pack)) is not None:
        st.html(fault_list(check, pages, labels_of(store)))
        decide_finding(store, check)


def photographs(
    store: Store,
    photos: list[PhotoRow],
    pages: dict[int, PageRow],
    failed: dict[str, str],
    twice: dict[int, Twice],
    packs: list[str],
    above: DeltaGenerator,
) -> int:
    """Photographs of these packs, and all that belong to none; those that need something first. Returns how many do.

    The form for one that the address names stands `above`, where the page begins.
    """
    again = worklist.taken_again(store, store.packs())
    opens, here = me().may("clerk"), {k: v for k, v in st.query_params.items() if k == "pack"}
    groups: dict[str, list[PhotoRow]] = {title: [] for title in (URGENT_TITLE, WAITING, READ, AGAIN, ASIDE)}
    for photo in photos:
        own = {pages[i].pack for i in photo.page_ids}
        if own and not own & {*packs, None}:
            continue
        calm = (
            AGAIN
            if photo.sha256 in again
            else {"read": READ, "waiting": WAITING, NO_SHEET: ASIDE}.get(photo.status, "")
        )
        asks = photo.sha256 in failed or any(words(twice[i]) for i in photo.page_ids if i in twice)
        groups[URGENT_TITLE if asks or not calm else calm].append(photo)
    for title, some in groups.items():
        if some:
            st.html(tag("h2", title, class_="head", id=NEEDS if title is URGENT_TITLE else None))
            shown = (card(p, pages, failed, again, twice, here, opens=opens) for p in some)
            st.html(tag("ul", *shown, class_="cards"))
            if opens and title is URGENT_TITLE:
                named = st.query_params.get("aside") in {p.sha256 for p in some}
                with above if named else nullcontext():
                    set_aside(store, some)
            elif opens and title is ASIDE:
                take_back(store, some)
    return len(groups[URGENT_TITLE])


show()
