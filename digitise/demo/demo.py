"""The first minute: sheets, photographs, readings, results and the review screens, on the sample photographs."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from digitise.adapt.evaluate import judge, read_truth, report
from digitise.batch.batch import keep, known_protocols, read_batch, summary
from digitise.batch.folders import photo_files
from digitise.exchange.write import write_export
from digitise.reader.text import engine_present
from digitise.report import write_report
from digitise.sheets.protocol import load_protocol
from digitise.sheets.sheet import write_sheets
from digitise.store import Store


def _free_port(wanted: int) -> int:
    for port in range(wanted, wanted + 50):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise ValueError(f"no free port from {wanted} to {wanted + 49}; name another with --port")


def _start_app(store: Path, out: Path, port: int) -> tuple[str, int]:
    """Start the review screens by themselves; (address, process id) once they answer."""
    port = _free_port(port)
    log = (out / "review.log").open("wb")
    process = subprocess.Popen(  # noqa: S603 - our own program, no shell
        [sys.executable, "-m", "review_app", str(store), "--port", str(port)],
        stdin=subprocess.DEVNULL,
        stdout=log,
        stderr=log,
        start_new_session=True,
    )
    address = f"http://127.0.0.1:{port}"
    for _ in range(240):
        if process.poll() is not None:
            raise ValueError(f"the review screens stopped at once; see {out / 'review.log'}")
        try:
            with urllib.request.urlopen(address, timeout=2):  # our own loopback address  # nosec B310
                (out / "review.pid").write_text(f"{process.pid}\n")
                return address, process.pid
        except OSError:
            time.sleep(0.25)
    process.terminate()
    raise ValueError(f"the review screens did not answer within a minute; see {out / 'review.log'}")


def _read_into(store: Store, photos: Path, say: Callable[[str], None]) -> list:
    files, known, results = photo_files([photos]), known_protocols(), []
    begin = time.monotonic()
    for number, taken in enumerate(read_batch(files, known, wanted=True), 1):
        keep(store, taken, known, now=datetime.now(UTC))
        results.append(taken.result)
        say(f"   [{number:2d}/{len(files)}] {summary(taken.result)}")
    say(f"   {len(results)} photographs in {time.monotonic() - begin:.1f} s, starting the processes included.")
    return results


def run_demo(out: Path, *, photos: Path, app: bool, port: int, say: Callable[[str], None]) -> int:
    """Run the whole way into the folder `out`; returns an exit code.

    Raises
    ------
    ValueError
        The sample photographs are missing, or the review screens could not be started.
    """
    if not photos.is_dir():
        raise ValueError(
            f"{photos}: the sample photographs are not here; run this in the project's folder, or name them "
            "with --photos"
        )
    for part in ("store", "report", "export", "sheets"):
        shutil.rmtree(out / part, ignore_errors=True)
    out.mkdir(parents=True, exist_ok=True)
    say("1. Print: one pack of sheets from the protocol 'reef-transect'")
    protocol = load_protocol("reef-transect")
    written = write_sheets(protocol, out / "sheets", papers=("A4",), packs=1)
    say(f"   {len(written)} pages, for printing together: {out / 'sheets' / 'print' / 'a4.pdf'}")
    say(f"2. Read: the photographs in {photos} (simulated: two invented surveys)")
    if not engine_present():
        say("   Tesseract is not installed, so words (names, remarks) have one suggestion only, by our own reader.")
    with Store.open(out / "store") as store:
        results = _read_into(store, photos, say)
        if (photos / "manifest.json").is_file():
            truth = read_truth(photos / "manifest.json")
            judged = [j for r in results if r.sha256 in truth for j in judge(r.readings, truth[r.sha256].cells)]
            say("3. Against the truth (known, because the photographs are simulated)")
            say("   " + report(judged, results).replace("\n", "\n   "))
        progress = store.progress()
        say(f"4. Results while {progress.open} cells still wait for a person")
        pages = write_report(store, out / "report", now=datetime.now(UTC))
        exported = write_export(store, out / "export", now=datetime.now(UTC), with_unreviewed=True)
    say(f"   {exported.sentence}")
    say("")
    if app:
        address, pid = _start_app(out / "store", out, port)
        say(f"Review screens: {address}   (stop them with: kill {pid})")
    say(f"Report:         {pages[0]}   (for paper: {pages[1]})")
    return 0


def run_season(out: Path, *, photos: Path, app: bool, port: int, say: Callable[[str], None]) -> int:
    """Make the demonstration season in ``out/season`` and show it; returns an exit code.

    Raises
    ------
    ValueError
        The sample photographs are missing, the folder holds another store, or the screens could not be started.
    """
    from digitise.demo.season import build_season

    say("An invented programme: seven sites, three years, one survey day read from photographs, the rest set in type")
    begin = time.monotonic()
    made = build_season(out / "season", photos=photos, say=say)
    took = f"{time.monotonic() - begin:.0f} s"
    say(f"{made.surveys} surveys on {made.pages} sheets in {took}. Everything in it is invented.")
    say("")
    if app:
        address, pid = _start_app(made.store, out, port)
        say(f"Review screens: {address}   (stop them with: kill {pid})")
    say(f"Store:          {made.store}")
    say(f"Hand-over:      {made.package / 'covering-note.html'}")
    say(f"Now try:        digitise season --store {made.store}")
    return 0
