"""Sign-off: what is complete, what is not, and the signature that freezes a version."""

from __future__ import annotations

import streamlit as st

from digitise.store import ChangedMeanwhile, Store
from digitise.store.signoffs import SignOff
from digitise.wording import plural
from review_app import faults, signing, worklist
from review_app.markup import ADD, Markup, in_full, nothing, tag
from review_app.naming import keep_name, own_name
from review_app.opening import choose_survey, open_page

READY = ("complete", "changed since signed")  # these wait for a signature
_SIGNS = {"block": ("bad", "✕"), "look": ("todo", "●"), "good": ("good", "✓")}
_HELP = {
    "review": ("Review them", "./?pack={pack}"),  # the first page has no name of its own
    "key": ("Key them", "key"),
    "survey": ("Add photographs", "survey?pack={pack}"),
    "faults": ("Look", "survey?pack={pack}"),
    "whole": ("Look", "whole"),
    "audit": ("Audit", "audit?pack={pack}"),
}


def _point(one: signing.Point, pack: str) -> Markup:
    kind, sign = _SIGNS[one.level]
    link = []
    if one.view and one.level != "good":
        words, address = _HELP[one.view]
        link = [" ", tag("a", words, href=address.format(pack=pack), target="_self")]
    return tag("li", tag("span", f"{sign} {one.text}", class_=f"state {kind}"), *link)


def _version(store: Store, signed: SignOff, latest: bool) -> Markup:
    said = tag(
        "p", tag("b", f"Version {signed.version}"), f", signed by {signed.by} on {signed.at[:10]}: {signed.statement}"
    )
    if signed.current:
        return tag("div", said, tag("p", "✓ The survey is as it was signed.", class_="state good"), class_="card-line")
    if not latest:
        return tag("div", said, tag("p", "Replaced by a later version.", class_="soft"), class_="card-line")
    found = signing.changes(store, signed)
    lines = [
        tag(
            "li",
            tag("a", c.where, href=f"trace?page={c.page}&cell={c.cell}", target="_self") if c.page else c.where,
            f": {c.before} → {c.after}",
        )
        for c in found[:40]
    ]
    more = [tag("p", f"and {len(found) - 40} more", class_="soft")] if len(found) > 40 else []
    head = f"● Changed since it was signed: {plural(len(found), 'cell')}. Sign again to make a new version."
    return tag("div", said, tag("p", head, class_="state todo"), tag("ul", *lines), *more, class_="card-line")


def sign(store: Store, pack: str, earlier: list[SignOff]) -> None:
    """The signature; after a first version its words say why there is another."""
    digest = store.signoffs.digest(pack)
    with st.form(f"sign-{pack}", border=True):
        label = "What changed since the last version, and why" if earlier else "What you vouch for"
        words = st.text_area(
            label,
            max_chars=1000,
            key=f"words-{pack}-{len(earlier)}",
            value="" if earlier else "I have compared the doubtful entries with the photographs.",
        )
        by = own_name(f"signer-{pack}")
        seen = st.session_state.setdefault(f"seen-{pack}", digest)
        if st.form_submit_button(f"Sign version {len(earlier) + 1}", type="primary"):
            try:
                store.signoffs.sign(pack, statement=words, by=by, now=worklist.utc_now(), digest=seen)
            except ChangedMeanwhile as error:
                st.session_state[f"seen-{pack}"] = digest
                st.warning(in_full(error))
            except ValueError as error:
                st.error(in_full(error))
            else:
                keep_name(by)
                del st.session_state[f"seen-{pack}"]
                st.rerun()
        else:
            st.session_state[f"seen-{pack}"] = digest


def _ready(store: Store) -> str:
    """The first survey that waits for a signature; looked for only while nobody has chosen one."""
    state = st.session_state
    if "pack" not in st.query_params and "sign-pack" not in state:
        with st.spinner("Looking at every survey"):
            state["sign-first"] = next((line.pack for line in faults.board(store) if line.stage in READY), "")
    return state.get("sign-first", "")


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Sign-off", class_="head"))
    if not store.packs():
        words = "A survey can be signed when its sheets are in and every cell is decided."
        st.html(nothing("Nothing to sign yet", words, to=ADD))
        return
    pack = choose_survey(store, "sign-pack", first=_ready(store))
    with st.spinner("Looking at the survey"):
        found, earlier = signing.points(store, pack), store.signoffs.of(pack)
    st.html(tag("ul", *(_point(p, pack) for p in found), class_="points"))
    blocked = any(p.level == "block" for p in found)
    if blocked:
        st.html(tag("p", "The survey can be signed when nothing is marked ✕.", class_="soft"))
    elif not (earlier and earlier[-1].current):
        sign(store, pack, earlier)
    if earlier and earlier[-1].current:
        gone = any(one.pack == pack and one.stage == "handed over" for one in faults.board(store))
        words = "Handed over: see what was sent" if gone else "Hand it over to the authority"
        st.html(tag("p", tag("a", words, href="handover", target="_self"), class_="points"))
    for one in reversed(earlier):
        st.html(_version(store, one, one is earlier[-1]))


show()
