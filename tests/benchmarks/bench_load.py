"""The real app while many work at once: ``python tests/benchmarks/bench_load.py``; a few minutes.

The server runs as ``digitise review`` starts it. Volunteers send sample photographs over the phones' way in, in pieces
and asking for verdicts as the phones' page does; clerks take cells, look at their pages and decide them, as the desk
does. Every request is timed. While they work, what waits to be read is counted and the memory of the server with all
its processes is looked at (Linux tells it). At the end everything must be there once, and nothing else.
"""

from __future__ import annotations

import argparse
import hashlib
import http.client
import json
import os
import platform
import random
import secrets
import socket
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import hands
from browsing import free_port, serving

from digitise.store import Store
from digitise.store.verify import verify
from review_app.beach import link
from review_app.routes import WRITE_HEADER

PIECE = 512 * 1024  # as in beach.js
LOOK_S = 0.5
SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
THINK_S = (0.6, 2.0)  # a clerk with one cell


class Timed:
    """Requests of one person over one connection, and how long each kind took, in seconds, for all people."""

    seconds: ClassVar[defaultdict[str, list[float]]] = defaultdict(list)
    troubles: ClassVar[list[str]] = []

    def __init__(self, port: int) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)

    def ask(self, kind: str, method: str, path: str, body: bytes | None = None, **headers: str) -> bytes:
        """One request; an answer that is none or an error is a trouble."""
        started = time.perf_counter()
        self._connection.request(method, path, body, headers)
        answer = self._connection.getresponse()
        data = answer.read()
        self.seconds[kind].append(time.perf_counter() - started)
        if answer.status != 200:
            self.troubles.append(f"{kind}: {answer.status} {data[:200]!r}")
        return data


def volunteer(port: int, secret: str, photos: list[bytes], until: float) -> None:
    """Send photographs one after another, then wait until there is a verdict on each, or patience has an end."""
    phone, sent = Timed(port), []
    for number, photo in enumerate(photos):
        upload = secrets.token_hex(12)
        started, have = time.perf_counter(), 0
        while have < len(photo):
            ask = f"/b/{secret}/part/{upload}?at={have}&size={len(photo)}&name=photo-{number}.jpg"
            have = json.loads(phone.ask("a piece of a photograph", "POST", ask, photo[have : have + PIECE]))["have"]
        phone.seconds["a photograph, sent and kept"].append(time.perf_counter() - started)
        sent.append((hashlib.sha256(photo).hexdigest(), time.perf_counter()))
        _look(phone, secret, sent)
    while sent and time.monotonic() < until:
        time.sleep(LOOK_S)
        _look(phone, secret, sent)


def _look(phone: Timed, secret: str, sent: list[tuple[str, float]]) -> None:
    asked = ",".join(sha256 for sha256, _ in sent)
    told = json.loads(phone.ask("state of the photographs", "GET", f"/b/{secret}/state?photos={asked}"))["photos"]
    for one in [s for s in sent if told.get(s[0], {"kind": "wait"})["kind"] != "wait"]:
        phone.seconds["from kept to verdict"].append(time.perf_counter() - one[1])
        sent.remove(one)


def clerk(port: int, number: int, over: threading.Event) -> None:
    """Decide cells until `over`: take some, look at the page of each, type a number."""
    desk, rng, seq, client = Timed(port), random.Random(number), 0, f"desk-{number:08d}"
    own = {"content-type": "application/json", WRITE_HEADER[0]: WRITE_HEADER[1]}
    by = f"Clerk {number}"
    while not over.is_set():
        wish = json.dumps({"client": client, "by": by}).encode()
        items = json.loads(desk.ask("more cells for a clerk", "POST", "/desk/take", wish, **own))["items"]
        for item in items[:10]:
            if over.is_set():
                return
            desk.ask("a page for a clerk", "GET", f"/desk/page/{item['page']}/{item['sha256']}")
            time.sleep(rng.uniform(*THINK_S))
            seq += 1
            record = {k: item[k] for k in ("page", "sha256", "cell", "last")} | {"client": client, "seq": seq, "by": by}
            record |= {"action": "illegible", "value": None}  # whatever kind of cell it is
            sent = json.dumps({"records": [record]}).encode()
            desk.ask("a decision", "POST", "/desk/decisions", sent, **own)


def watch(folder: Path, over: threading.Event, seen: dict[str, list]) -> None:
    """Look at memory and at what waits, once a second."""
    while not over.wait(1.0):
        seen["MB"].append(sum(_megabytes(p) for p in _family(os.getpid())[1:]))
        with Store.open(folder) as store:
            seen["waiting"].append(sum(p.status == "waiting" for p in store.photos()))


def _family(process: int) -> list[int]:
    found = [process]
    for one in found:
        try:
            tasks = [p.read_text().split() for p in Path(f"/proc/{one}/task").glob("*/children")]
        except OSError:
            continue
        found += [int(child) for children in tasks for child in children]
    return found


def _megabytes(process: int) -> float:
    """Memory of a process, with what it shares counted by its share."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("Pss:"))


def reached(port: int) -> None:
    """Wait until the server lets phones in."""
    end = time.monotonic() + 120
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=5).close()
            return
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


def together(works: list[Callable[[], None]]) -> list[threading.Thread]:
    """All at once, each in a thread; what breaks one is a trouble."""

    def kept(work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:
            Timed.troubles.append(f"{type(error).__name__}: {error}")

    threads = [threading.Thread(target=kept, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    return threads


def printed(seen: dict[str, list], seconds: float, volunteers: int, photos: int) -> None:
    """Figures as a Markdown table."""
    read = len(Timed.seconds["from kept to verdict"])
    print(f"{volunteers * photos} photographs sent, {read} read in {seconds:.0f} s, {read / seconds:.2f} a second\n")
    print("| | how many | median, s | 90 % | 99 % | longest |\n| --- | --- | --- | --- | --- | --- |")
    for kind, times in Timed.seconds.items():
        ranked = sorted(times)
        at = [ranked[min(len(ranked) - 1, int(share * len(ranked)))] for share in (0.5, 0.9, 0.99)]
        print(f"| {kind} | {len(times)} | " + " | ".join(f"{s:.2f}" for s in (*at, ranked[-1])) + " |")
    print(f"\nWaiting to be read: {max(seen['waiting'], default=0)} at most.")
    print(f"Memory of the server: {min(seen['MB']):.0f} MB at first, {max(seen['MB']):.0f} MB at most.")


def main() -> None:
    """Parse, print the machine, run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--volunteers", type=int, default=20)
    parser.add_argument("--photos", type=int, default=8, help="of each volunteer")
    parser.add_argument("--clerks", type=int, default=5)
    parser.add_argument("--minutes", type=float, default=30, help="wait no longer for verdicts")
    args = parser.parse_args()
    machine = f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {platform.platform()}"
    print(f"{datetime.now(UTC):%Y-%m-%d}, {machine}; {args.volunteers} volunteers, {args.clerks} clerks")
    samples = sorted(SAMPLES.glob("*.jpg"))
    wanted = [
        [samples[(v + n) % len(samples)].read_bytes() + f"{v}-{n}".encode() for n in range(args.photos)]
        for v in range(args.volunteers)
    ]
    with tempfile.TemporaryDirectory() as place:
        folder, beach = Path(place) / "store", free_port()
        with Store.open(folder) as store:
            hands.fill(store, 4000)
        given = link.make(folder, beach, now=datetime.now(UTC))
        port, over, seen = free_port(), threading.Event(), {"MB": [], "waiting": []}
        with serving(folder, port):
            reached(port)
            reached(beach)
            started, until = time.perf_counter(), time.monotonic() + 60 * args.minutes
            others = together([lambda n=n: clerk(port, n, over) for n in range(args.clerks)])
            others += together([lambda: watch(folder, over, seen)])
            for thread in together([lambda one=one: volunteer(beach, given.secret, one, until) for one in wanted]):
                thread.join()
            seconds = time.perf_counter() - started
            over.set()
            for thread in others:
                thread.join()
        printed(seen, seconds, args.volunteers, args.photos)
        with Store.open(folder) as store:
            kept = {p.sha256 for p in store.photos()}
            lacking = sum(hashlib.sha256(p).hexdigest() not in kept for one in wanted for p in one)
            wrong = verify(store).problems
    print(
        f"Photographs lacking: {lacking}. Answers that were errors: {len(Timed.troubles)}. Wrong in the store: {len(wrong)}."
    )
    for one in (*Timed.troubles[:10], *wrong[:10]):
        print(f"- {one}")


if __name__ == "__main__":
    main()
