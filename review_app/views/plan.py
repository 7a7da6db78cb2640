"""Plan: where, when, who with whom; out come the pack of sheets, the briefing and the closing list."""

from __future__ import annotations

import streamlit as st

from digitise.sheets.protocol import HALVES, PAPERS_MM, Protocol, ProtocolError, SiteSheet
from digitise.store import Store
from digitise.surveys.known_protocol import file_name, keep_protocol
from digitise.surveys.plan import LINE_TASK, PlanError, SitePlan
from review_app import intake, planning
from review_app.markup import tag
from review_app.opening import open_page

NEW = "A new site"
CAUTION = (
    "This plans no dive. Local rules and your licensed dive leader decide whether, where and how anybody dives; the "
    "briefing leaves room for emergency contacts that the team fills in."
)


def _site(sites: dict[str, SitePlan]) -> dict[str, object]:
    """The site as in a plan: a known one, or what is typed for a new one."""
    name = st.selectbox("Site", [*sites, NEW], key="plan-site", width=420)
    with st.expander("About a new site", expanded=not sites):
        with st.container(horizontal=True):
            typed = st.text_input("Name", max_chars=60, key="site-name", width=300)
            code = st.text_input("Code, two letters or more", max_chars=12, key="site-code", width=220)
        with st.container(horizontal=True):
            latitude = st.number_input(
                "Latitude, south negative", -90.0, 90.0, None, format="%.5f", key="lat", width=220
            )
            longitude = st.number_input(
                "Longitude, west negative", -180.0, 180.0, None, format="%.5f", key="lon", width=220
            )
            radius = st.number_input("Radius in metres", 1, 100_000, None, key="radius", width=180)
        with st.container(horizontal=True):
            least = st.number_input("Least depth in metres", 0.0, 60.0, None, format="%.1f", key="least", width=220)
            most = st.number_input("Most depth in metres", 0.0, 60.0, None, format="%.1f", key="most", width=220)
    if name != NEW:
        chosen = sites[name].model_dump(exclude_none=True, mode="json")
        return chosen | ({"also": typed.strip()} if typed.strip() else {})
    out: dict[str, object] = {"name": typed.strip(), "code": code.strip()}
    out |= {k: v for k, v in (("latitude", latitude), ("longitude", longitude), ("radius_m", radius)) if v is not None}
    return out | ({"depth_m": [least, most]} if least is not None and most is not None else {})


def _pairs(protocol: Protocol) -> list[tuple[str, list[str]]]:
    line = protocol.caption("line_task")
    titles = {LINE_TASK: line[0].upper() + line[1:]}
    titles |= {n: sheet.title for n, sheet in protocol.sheets.items() if not isinstance(sheet, SiteSheet)}
    tasks = list(titles)
    usual = [tasks[1:2], tasks[2:3], [LINE_TASK, *tasks[3:]]]
    out = []
    for n, own in enumerate(usual, start=1):
        with st.container(horizontal=True, vertical_alignment="bottom"):
            names = st.text_input(f"Buddy pair {n}, a comma between names", max_chars=130, key=f"pair-{n}", width=360)
            does = st.multiselect(
                f"What pair {n} does",
                tasks,
                default=own,
                format_func=titles.__getitem__,
                key=f"tasks-{protocol.protocol}-{n}",
                width=520,
            )
        out.append((names, does))
    return out


def _own_protocol(store: Store) -> None:
    """Take a protocol file in: it is checked, kept in the store, and chosen."""
    with st.expander("A protocol of your own"):
        file = st.file_uploader("Protocol file (YAML)", type=["yaml", "yml"], key="own-protocol", max_upload_size=1)
        if file is None or st.session_state.get("own-taken") == file.file_id:
            return
        try:
            kept = keep_protocol(store.folder, file.getvalue(), file.name)
        except ProtocolError as error:
            st.error("\n\n".join(str(error).splitlines()))
            return
        intake.start(store)  # its sheets may be here already
        st.session_state["own-taken"] = file.file_id
        known = planning.protocols(store)
        st.session_state["plan-protocol"] = file_name(kept) if file_name(kept) in known else kept.protocol
        st.rerun()


def _small(paper: str) -> bool:
    return st.checkbox(
        "Two small sheets on each page, to be cut apart",
        key="plan-two-up",
        disabled=paper not in HALVES,
        width="content",
    )


def ask(store: Store, sites: dict[str, SitePlan], people: list[str]) -> None:
    """The form, and what came of it."""
    _own_protocol(store)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        known = planning.protocols(store)
        names = list(known)
        usual = names.index(planning.usual_protocol(store, names))
        name = st.selectbox("Protocol", names, index=usual, key="plan-protocol", width=260)
        protocol = known[name]
        papers = list(PAPERS_MM)
        paper = st.selectbox("Paper", papers, index=papers.index(protocol.paper), key=f"paper-{name}", width=160)
        two_up = _small(paper)
        slates = st.checkbox("Also pages for slates, wiped and used again", key="plan-slates", width="content")
    with st.form("plan", border=True):
        site = _site(sites)
        with st.container(horizontal=True):
            date = st.text_input("Date, such as 2026-04-11", max_chars=10, key="plan-date", width=220)
            lines = st.number_input(
                "Transects", 1, protocol.transects, protocol.transects, key=f"lines-{name}", width=160
            )
            spares = st.number_input("Spare pages of each sheet", 0, 5, 1, key="spares", width=220)
        with st.container(horizontal=True):
            leader = st.text_input("Licensed dive leader", max_chars=60, key="plan-leader", width=300)
            shore = st.text_input("Shore cover", max_chars=60, key="plan-shore", width=300)
        if people:
            st.html(tag("p", f"Known: {', '.join(people)}", class_="soft"))
        pairs = _pairs(protocol)
        if st.form_submit_button("Make the prints", type="primary"):
            answers = planning.Answers(name, site, date, int(lines), leader, shore, pairs, int(spares))
            st.session_state.pop("prints", None)
            try:
                plan = planning.plan_of(answers)
                if _asked(planning.notes(store, plan, protocol)):
                    st.session_state.prints = planning.printed(
                        store, plan, protocol, paper=paper, two_up=two_up, slates=slates
                    )
            except ValueError as error:
                st.error("\n\n".join(str(error).splitlines()))


def _asked(notes: list[str]) -> bool:
    """Whether the coordinator knows of these; they are shown once, and pressing again makes the prints as they are."""
    if st.session_state.pop("plan-told", []) == notes:
        return True
    st.session_state["plan-told"] = notes
    st.warning("\n".join((*(f"- {note}" for note in notes), "", "Mend it above, or press again to print it so.")))
    return False


def result() -> None:
    """The prints of the plan just made."""
    made: planning.Printed | None = st.session_state.get("prints")
    if made is None:
        return
    (survey,) = made.plan.surveys
    st.success(f"Pack {survey.pack} is planned, and the store keeps the plan. Print at 100 %, one-sided, waterproof.")
    st.download_button(
        "Download the prints (ZIP)",
        made.data,
        key="prints-zip",
        file_name=f"{made.name}.zip",
        mime="application/zip",
        on_click="ignore",
    )


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Plan a survey day", class_="head"))
    st.html(tag("p", CAUTION, class_="soft"))
    try:
        sites, people = planning.known_sites(store), planning.known_people(store)
    except PlanError as error:
        st.error(str(error))
        return
    ask(store, sites, people)
    result()


show()
