"""Phones: the code to scan, and what is still on its way."""

from __future__ import annotations

import segno
import streamlit as st

from digitise.store import Store
from digitise.wording import plural
from review_app import worklist
from review_app.beach import gate, link, parts
from review_app.markup import Markup, in_full, nothing, tag
from review_app.opening import me, open_page


def qr_code(address: str) -> Markup:
    """The address as a picture to scan, dark on white whatever the theme."""
    picture = segno.make(address, error="m").png_data_uri(scale=10, border=4)
    return tag("img", src=picture, class_="qr", alt=f"Code to scan for {address}")


def shut(store: Store) -> None:
    """No phone can come in: say what opening does."""
    st.html(
        tag(
            "div",
            tag("h2", "Let phones send photographs here"),
            tag(
                "p",
                "1. Put the phones on the same network as this laptop: its own hotspot will do, no internet is needed.",
            ),
            tag("p", "2. Open the way in, and let everybody scan the code with their phone’s camera."),
            tag(
                "p",
                f"Whoever has the code can send photographs for {link.HOURS} hours, and see whether they were read, "
                "which sheets are missing, and each survey’s site, date, time and depth. Nothing else on this laptop "
                "is shown to them.",
            ),
            class_="empty",
        )
    )
    if st.button("Let phones in", type="primary", key="let-in"):
        try:
            gate.open_gate(store, now=worklist.utc_now())
        except ValueError as error:
            st.error(in_full(error))
        else:
            st.rerun()


def address_shown(known: link.Link, port: int) -> str:
    """The address for phones, chosen where the laptop is on several networks."""
    found = gate.addresses()
    if not found:
        return ""
    chosen = found[0]
    if len(found) > 1:
        chosen = st.selectbox("This laptop is on several networks. The phones are on", found, key="network")
    return f"http://{chosen}:{port}/b/{known.secret}"


def open_now(store: Store, known: link.Link, port: int) -> None:
    """The code, its address, and a way to shut."""
    address = address_shown(known, port)
    if not address:
        st.html(nothing("This laptop is on no network", "Switch its hotspot or Wi-Fi on, then look again."))
        st.button("Look again", key="look-again")
        return
    until, today = known.until.astimezone(), worklist.utc_now().astimezone().date()
    day = "" if until.date() == today else " tomorrow"
    st.html(
        tag(
            "div",
            qr_code(address),
            tag(
                "div",
                tag("h2", "Scan this with the phone’s camera"),
                tag("p", "The phone must be on the same network as this laptop."),
                tag("p", "No code reader? Type this address:"),
                tag("p", tag("code", address)),
                tag("p", f"Open until {until:%H:%M}{day}."),
            ),
            class_="scan",
        )
    )
    if st.button("Shut it now", key="shut"):
        gate.shut_gate(store)
        st.rerun()


@st.fragment(run_every="2s")
def arriving(store: Store) -> None:
    """What has come and what is here in part only, drawn again by itself."""
    me(touch=False)
    photos, on_the_way = store.photos(), parts.unfinished(store)
    here = plural(len(photos), "photograph is", "photographs are")
    lines = [tag("p", f"{here} here." if photos else "No photograph has come yet.")]
    for part in on_the_way:
        share = int(100 * part.have / part.size) if part.size else 0
        lines.append(tag("p", f"{part.name}: {share} % is here. It goes on when the phone opens the page again."))
    st.html(tag("div", *lines, class_="soft"))


def show() -> None:
    """Draw the page."""
    store = open_page(__file__)
    st.html(tag("h1", "Phones", class_="head"))
    known = link.kept(store.folder, now=worklist.utc_now())
    port = gate.port(store)
    if known and port:
        open_now(store, known, port)
    else:
        shut(store)
    arriving(store)


show()
