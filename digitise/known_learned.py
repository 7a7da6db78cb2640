"""What a store's reader has learned: kept in the store's folder, found by everything that reads for it, and taken back.

``learned.json`` is in force; ``learned/`` holds everything that ever was, by its digest, so that one can go back.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from digitise.calibration import (
    NEVER,
    OWN_CELLS,
    Acceptance,
    AcceptanceError,
    Curve,
    networks_digest,
    shipped_acceptance,
)
from digitise.journal import write_whole
from digitise.known_acceptance import FILE as THRESHOLDS
from digitise.known_acceptance import known_acceptance
from digitise.learned import Learned, LearnedError, OwnReader, read_learned

FILE = "learned.json"
BEFORE = "learned"  # folder of all that was ever adopted


def known_learned(folder: Path) -> tuple[Learned | None, str]:
    """What is in force in a store's folder, None for the shipped reader; with a sentence where it cannot be used."""
    path = folder / FILE
    if not path.exists():
        return None, ""
    try:
        return read_learned(path), ""
    except LearnedError as error:
        return None, f"{error}. The shipped reader reads in its place."


def known_reader(folder: Path) -> OwnReader:
    """The reader of a store: its thresholds, and what it has learned. `AcceptanceError` for unusable thresholds."""
    learned, trouble = known_learned(folder)
    return OwnReader(known_acceptance(folder, learned=learned.digest if learned else ""), learned, trouble)


def adopt(folder: Path, learned: Learned) -> str:
    """Put something learned in force, beside what was before; returns a sentence on thresholds, "" where they hold."""
    before, _ = known_learned(folder)
    kept = folder / BEFORE
    kept.mkdir(exist_ok=True)
    write_whole(kept / f"{learned.digest}.json", learned.to_json())
    changed = _fit_thresholds(folder, before.digest if before else "", learned.digest)
    write_whole(folder / FILE, learned.to_json())
    return changed


def go_back(folder: Path) -> tuple[Learned | None, str]:
    """Put in force what was before the present one; returns it (None for the shipped reader), with words on thresholds.

    Raises
    ------
    LearnedError
        Nothing is in force, or what was before is not there any more.
    """
    path = folder / FILE
    if not path.exists():
        raise LearnedError(f"{folder}: the shipped reader reads here already; there is nothing to go back to")
    present, _ = known_learned(folder)
    before = present.before if present else ""
    earlier = read_learned(folder / BEFORE / f"{before}.json") if _is_digest(before) else None
    changed = _fit_thresholds(folder, present.digest if present else "", before if earlier else "")
    if earlier is None:
        path.replace(folder / "learned-set-aside.json")
    else:
        write_whole(path, earlier.to_json())
    return earlier, changed


def _is_digest(text: str) -> bool:
    return len(text) == 12 and set(text) <= set("0123456789abcdef")


def _fit_thresholds(folder: Path, old: str, new: str) -> str:
    """Own thresholds that were set for the reader before do not hold for the next: the shipped ones take their place.

    What audits stopped stays stopped. Thresholds that cannot be read at all stay: reading stops at them in words.
    """
    path = folder / THRESHOLDS
    if not path.exists():
        return ""
    try:
        acceptance = known_acceptance(folder, learned=old)
    except AcceptanceError as error:
        return f"{error}. Reading for this store waits for that."
    if acceptance.networks in ("", networks_digest(), networks_digest(new)):
        return ""
    path.replace(folder / "acceptance-set-aside.json")
    write_whole(path, _without_own(acceptance).to_json())
    return (
        "The store's own thresholds were set for the reader before and do not hold any more: the shipped ones are in "
        "force again, kinds of cells that audits had stopped stay stopped. Run 'digitise calibrate' to set them anew."
    )


def _without_own(acceptance: Acceptance) -> Acceptance:
    """The shipped thresholds, but nothing of groups that a programme's own cells had stopped."""
    shipped = shipped_acceptance()
    stopped = [g for g, c in acceptance.curves.items() if c.threshold >= NEVER and g in shipped.curves]
    curves: dict[str, Curve] = shipped.curves | {g: replace(shipped.curves[g], threshold=NEVER) for g in stopped}
    basis = f"{OWN_CELLS}: none at present; thresholds as shipped, but what audits had stopped ({shipped.basis})"
    return Acceptance(curves, basis, networks_digest())
