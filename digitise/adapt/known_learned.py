"""What a store's reader has learned: kept in the store's folder, found by everything that reads for it, and taken back.

``learned.json`` is in force; ``learned/`` holds everything that ever was, by its digest, so that one can go back.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path

from digitise.adapt.known_acceptance import FILE as THRESHOLDS
from digitise.adapt.known_acceptance import known_acceptance
from digitise.batch.journal import write_whole
from digitise.reader.calibration import (
    NEVER,
    OWN_CELLS,
    Acceptance,
    AcceptanceError,
    any_acceptance,
    networks_digest,
    shipped_acceptance,
)
from digitise.reader.learned import Learned, LearnedError, OwnReader, read_learned

FILE = "learned.json"
BEFORE = "learned"  # folder of all that was ever adopted
DIGEST = re.compile(r"[0-9a-f]{12}")


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
    try:
        acceptance = known_acceptance(folder, learned=learned.digest if learned else "")
    except AcceptanceError as error:
        more = f" {trouble} To go back to what was before: digitise learn --store STORE --back" if trouble else ""
        raise AcceptanceError(f"{error}.{more}" if trouble else str(error)) from None
    return OwnReader(acceptance, learned, trouble)


def adopt(folder: Path, learned: Learned) -> str:
    """Put something learned in force, beside what was before; returns a sentence on thresholds, "" where they hold."""
    (folder / BEFORE).mkdir(exist_ok=True)
    write_whole(folder / BEFORE / f"{learned.digest}.json", learned.to_json())
    changed = _fit_thresholds(folder, learned.digest)
    write_whole(folder / FILE, learned.to_json())
    return changed


def go_back(folder: Path) -> tuple[Learned | None, str]:
    """Put in force what was before the present one; returns it (None for the shipped reader), with words on thresholds.

    Raises
    ------
    LearnedError
        Nothing is in force, or what was before cannot be used any more.
    """
    path = folder / FILE
    if not path.exists():
        raise LearnedError(f"{folder}: the shipped reader reads here already; there is nothing to go back to")
    present, _ = known_learned(folder)
    before = present.before if present else ""
    earlier = read_learned(folder / BEFORE / f"{before}.json") if DIGEST.fullmatch(before) else None
    changed = _fit_thresholds(folder, before if earlier else "")
    if earlier is None:
        path.replace(_kept_as(path))
    else:
        write_whole(path, earlier.to_json())
    return earlier, changed


def _kept_as(path: Path) -> Path:
    """Where a file is kept among what was before: under a name made from its content."""
    (path.parent / BEFORE).mkdir(exist_ok=True)
    return path.parent / BEFORE / f"{path.stem}-{hashlib.sha256(path.read_bytes()).hexdigest()[:12]}.json"


def _fit_thresholds(folder: Path, learned: str) -> str:
    """Own thresholds that were set for another reader do not hold for the next: the shipped ones take their place.

    What audits stopped stays stopped. A file that holds no thresholds stays: reading stops at it in words.
    """
    path = folder / THRESHOLDS
    if not path.exists():
        return ""
    try:
        acceptance = any_acceptance(path)
    except AcceptanceError as error:
        return f"{error}. Nothing is read for this store until then."
    if acceptance.networks in ("", networks_digest(), networks_digest(learned)):
        return ""
    write_whole(_kept_as(path), acceptance.to_json())
    write_whole(path, _without_own(acceptance).to_json())
    return (
        "The store's own thresholds were set for another reader and do not hold for this one: the shipped ones are in "
        "force again, but kinds of cells that audits had stopped stay stopped. Run 'digitise calibrate' to set them "
        "anew."
    )


def _without_own(acceptance: Acceptance) -> Acceptance:
    """The shipped thresholds, but nothing of groups that a programme's own cells had stopped."""
    curves = dict(shipped_acceptance().curves)
    for group in (g for g, c in acceptance.curves.items() if c.threshold >= NEVER and g in curves):
        curves[group] = replace(curves[group], threshold=NEVER)
    shipped = shipped_acceptance().basis
    basis = f"{OWN_CELLS}: none at present; thresholds as shipped, without kinds that audits had stopped ({shipped})"
    return Acceptance(curves, basis, networks_digest())
