"""A look at the installation, in plain words: what is well, what will be left to people, and what must be mended.

Each check does what it speaks of: it loads the networks, draws a sheet, writes a file, opens the database.
"""

from __future__ import annotations

import platform
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from digitise import __version__
from digitise.wording import plural

WELL, LESS, WRONG = "well", "less", "wrong"
_LEAST_FREE_GB = 2.0  # some 500 photographs
_OLDEST_YEAR = 2026  # no clock that is right shows a year before the tool was made


@dataclass(frozen=True, slots=True)
class Finding:
    """One check: `state` is well, less (something optional is lacking) or wrong; `words` say what and what to do."""

    about: str
    state: str
    words: str


def examine(store: Path | None, *, now: datetime) -> Iterator[Finding]:
    """Check the installation, and the store when one is named or its database is."""
    checks: list[tuple[str, Callable[[], tuple[str, str]]]] = [
        ("Program", _program),
        ("Networks", _networks),
        ("Thresholds", _thresholds),
        ("Sheets and fonts", _sheets),
        ("Tesseract", _tesseract),
        ("Disk", lambda: _disk(store)),
        ("Clock", lambda: _clock(now)),
    ]
    if store is not None:
        checks += [("Store", lambda: _store(store, now)), ("Log", lambda: _log(store))]
    for about, check in checks:
        try:
            state, words = check()
        except Exception as error:  # a doctor that dies of the illness is no use
            state, words = WRONG, f"{type(error).__name__}: {error}"
        yield Finding(about, state, words)


def _program() -> tuple[str, str]:
    return WELL, f"digitise {__version__}, Python {platform.python_version()}, {platform.system()} {platform.machine()}"


def _networks() -> tuple[str, str]:
    import cv2

    from digitise.reader import characters, tally_network
    from digitise.reader.characters import MODELS

    for name in (*characters.NETWORKS, *tally_network.NETWORKS, "lines.onnx"):
        if not (MODELS / name).is_file():
            return WRONG, f"{MODELS / name} is missing; install digitise again"
        try:
            cv2.dnn.readNetFromONNX(str(MODELS / name))
        except cv2.error:
            return WRONG, f"{MODELS / name} is damaged; install digitise again"
    return WELL, "all networks load"


def _thresholds() -> tuple[str, str]:
    from digitise.reader.calibration import NEVER, shipped_acceptance

    try:
        curves = shipped_acceptance().curves
    except (OSError, ValueError, KeyError) as error:
        return WRONG, f"models/acceptance.json cannot be used ({error}); install digitise again"
    accepting = sum(curve.threshold < NEVER for curve in curves.values())
    return WELL, f"{accepting} kinds of readings may be accepted without a person"


def _sheets() -> tuple[str, str]:
    from digitise.sheets.compose import build_layouts
    from digitise.sheets.protocol import load_protocol, shipped_names
    from digitise.sheets.sheet import identity_for, sheet_pdf

    for name in shipped_names():
        protocol = load_protocol(name)
        layout = build_layouts(protocol)[0]
        sheet_pdf(protocol, [(layout, identity_for(layout, "QH7M4K", int(layout.per_transect)))])
    return WELL, f"drawn from {', '.join(shipped_names())}"


def _tesseract() -> tuple[str, str]:
    program = shutil.which("tesseract")
    if program is None:
        return LESS, "is not installed, so words are left to a person (Debian: apt-get install tesseract-ocr)"
    said = subprocess.run([program, "--list-langs"], capture_output=True, text=True, timeout=30)  # noqa: S603 - no shell
    if "eng" not in said.stdout.split():
        return LESS, "lacks its English data, so words are left to a person (Debian: apt-get install tesseract-ocr-eng)"
    return WELL, f"{program} suggests words"


def _disk(store: Path | None) -> tuple[str, str]:
    place = (store or Path()).resolve()
    while not place.is_dir():
        place = place.parent
    free_gb = shutil.disk_usage(place).free / 1e9
    try:
        with tempfile.NamedTemporaryFile(dir=place) as trial:
            trial.write(b"x" * 100_000)
            trial.flush()
    except OSError as error:
        return WRONG, f"{place} cannot be written in ({error.strerror}); choose another folder, or make room"
    if free_gb < _LEAST_FREE_GB:
        return WRONG, f"{free_gb:.1f} GB are free at {place}; make room before you add photographs"
    return WELL, f"{free_gb:.0f} GB are free at {place}"


def _clock(now: datetime) -> tuple[str, str]:
    if now.year < _OLDEST_YEAR:
        return WRONG, f"shows {now:%Y-%m-%d}, which cannot be; set it, since every entry carries its time"
    return WELL, f"shows {now:%Y-%m-%d %H:%M} UTC"


def _store(folder: Path, now: datetime) -> tuple[str, str]:
    from sqlalchemy import func, select

    from digitise.store import Store, StoreError, holds_store, no_store, schema
    from digitise.store.chain import stamp

    if not holds_store(folder):
        return WRONG, no_store(folder)
    try:
        with Store.open(folder) as store:
            progress = store.progress()
            with store.database.read() as connection:
                latest = connection.execute(select(func.max(schema.links.c.at))).scalar()
            unreachable = _unreachable(store)
            kind = "SQLite" if store.database.kind == "sqlite" else "PostgreSQL"
    except StoreError as error:
        return WRONG, str(error)
    if unreachable:
        return WRONG, f"original photographs cannot be had: {unreachable}"
    if latest and latest > stamp(now):
        return WRONG, (
            f"the last entry is of {latest}, later than this computer's clock ({stamp(now)}): the clock was put back, "
            "or was wrong then; set it. No entry is lost, their order does not rest on the clock"
        )
    return WELL, (
        f"{folder} on {kind}: {progress.photos} photographs, {progress.open} cells open; "
        "'digitise verify' checks every file and entry"
    )


def _log(folder: Path) -> tuple[str, str]:
    from digitise import log

    found = log.troubles(folder)
    if found is None:
        return WELL, "the screens have not run here yet"
    if found:
        return LESS, f"{plural(found, 'error')} in {folder / log.FILE}; send it to whoever mends this: it names nobody"
    return WELL, f"no error in {folder / log.FILE}"


def _unreachable(store) -> str:
    """Why a store's bucket does not answer; empty when it does, or when there is none."""
    from digitise.batch.remote import RemoteError

    try:
        strange = store.originals.far and store.originals.owner() != store.name
    except RemoteError as error:
        return str(error)
    return f"{store.originals.place} holds those of another store" if strange else ""
