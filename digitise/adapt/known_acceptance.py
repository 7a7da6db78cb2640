"""A programme's own thresholds: given once, kept in the store's folder, and used for it from then on."""

from __future__ import annotations

from pathlib import Path

from digitise.batch.journal import write_whole
from digitise.reader.calibration import Acceptance, AcceptanceError, read_acceptance

FILE = "acceptance.json"


def own_acceptance(path: Path, *, learned: str = "") -> Acceptance:
    """Thresholds from a file that a person named; `AcceptanceError` in a sentence when it cannot be used.

    `learned` is the digest of what the store's reader has learned.
    """
    try:
        return read_acceptance(path, learned=learned)
    except OSError as error:
        raise AcceptanceError(f"{path}: cannot be read ({error.strerror}); name a file of thresholds") from None


def keep_acceptance(folder: Path, path: Path, *, learned: str = "") -> Acceptance:
    """Keep thresholds in a store's folder, in place of those before; returns them. `AcceptanceError` as above."""
    acceptance = own_acceptance(path, learned=learned)
    write_whole(folder / FILE, acceptance.to_json())
    return acceptance


def known_acceptance(folder: Path, *, learned: str = "") -> Acceptance | None:
    """Thresholds kept in a store's folder; None for the shipped ones. `AcceptanceError` when they cannot be used."""
    path = folder / FILE
    return own_acceptance(path, learned=learned) if path.exists() else None
