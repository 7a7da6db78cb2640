"""A survey, signed and handed over, for the tests of what is sent, set aside and thinned."""

from __future__ import annotations

from kept import NOW, PACK, keep, made_result, points

from digitise.handover.package import make_handover, record_of
from digitise.handover.prepared import Wishes, prepare_handover

POINT = "substrate/20"
RAY, TOTAL = "fish/ray/0-10/tally", "fish/ray/0-10/total"
SITE = {
    "site/date": "2026-03-14",
    "site/site": "PILOT GARDEN",
    "site/leader": "MIRA TOLE",
    "site/remarks": "ASK MIRA TOLE",
}
OFFICE = Wishes("Reserve office", "Ada Lind", with_unsigned=True, evidence="none")


def survey(store, pack=PACK, *, codes=None, fish=None, site=None):
    """A site sheet, a line of ten points of branching coral and thirty of sand, and a fish sheet; ids of the pages."""
    name = pack.lower()
    sheets = {
        "site": made_result("site", SITE | (site or {}), name=f"{name}-site.jpg", pack=pack),
        "substrate": made_result(
            "substrate", codes or points({"BK": 10, "YB": 30}), name=f"{name}-line.jpg", pack=pack
        ),
        "fish": made_result("fish", {RAY: 6, TOTAL: 6} | (fish or {}), name=f"{name}-fish.jpg", pack=pack),
    }
    return {sheet: keep(store, result) for sheet, result in sheets.items()}


def sign(store, pack=PACK):
    return store.signoffs.sign(pack, statement="Compared.", by="Sanna Ruo", now=NOW, digest=store.signoffs.digest(pack))


def handed(store, out, **wishes):
    """Make a hand-over of what `wishes` add to `OFFICE`: (folder, record)."""
    prepared = prepare_handover(store, Wishes(**({f: getattr(OFFICE, f) for f in Wishes.__slots__} | wishes)), now=NOW)
    return make_handover(store, out, prepared, now=NOW)


def noted(store, **wishes):
    """The record of a hand-over without its package, which takes a second to draw."""
    prepared = prepare_handover(store, Wishes(**({f: getattr(OFFICE, f) for f in Wishes.__slots__} | wishes)), now=NOW)
    return store.handovers.add(record_of(prepared, "0" * 64), now=NOW)


def covering_note(folder) -> str:
    return (folder / "covering-note.html").read_text(encoding="utf-8")
