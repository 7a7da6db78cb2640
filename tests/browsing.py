"""The real server and a real browser for tests: start one, open a page, wait until everything is stored.

Needs Chromium at /usr/bin/chromium (Debian: apt-get install chromium); tests are skipped where there is none.
"""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import kept
import pytest

from digitise.reader.reading import Reading
from digitise.store import Store

CHROMIUM = Path("/usr/bin/chromium")
needs_chromium = pytest.mark.skipif(
    not CHROMIUM.exists(), reason="Chromium is not installed at /usr/bin/chromium (Debian: apt-get install chromium)"
)
WAIT_MS = 120_000  # a moment; half a minute was seen on a busy machine of two slow cores
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
LAPTOP = {"viewport": {"width": 1366, "height": 768}}


@contextmanager
def serving(folder: Path, port: int, *options: str):
    """The real server, as the command line starts it."""
    environment = os.environ | {"PYTHONWARNINGS": "ignore"}
    process = subprocess.Popen(
        [sys.executable, "-m", "review_app", str(folder), "--port", str(port), *options],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
    )
    try:
        until_it_answers(process, port)
        yield f"http://127.0.0.1:{port}/"
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(60)
        finally:
            process.kill()
            process.wait()


def until_it_answers(process: subprocess.Popen, port: int) -> None:
    end = time.monotonic() + 90  # it takes two seconds, and many more where the machine is busy
    while time.monotonic() < end:
        try:
            with urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=5):
                return
        except (URLError, OSError):
            assert process.poll() is None, "the server ended at once"
            time.sleep(0.1)
    raise AssertionError("the server did not answer within 90 seconds")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="module")
def chromium():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        yield browser
        browser.close()


def doubtful(cell, *, value, others=(), reasons=("unsure",)) -> Reading:
    candidates = ((value, 0.6), *((o, 0.2) for o in others))
    return Reading(cell.id, cell.kind, value, 0.6, True, candidates, reasons, 0.6)


def fill_store(folder: Path) -> tuple[int, int]:
    """A fish sheet with three doubtful cells and a substrate sheet with forty; returns the page ids."""
    fish = kept.made_result("fish", {}, name="fish.jpg")
    wanted = {
        "fish/observer": {"value": "KEO VARM", "reasons": ("free-text",)},
        "fish/damselfish/0-10/tally": {"value": 7, "others": (8, 6)},
        "fish/goby/0-10/tally": {"value": None, "reasons": ("crossed-out",)},
    }
    cells = kept.layout("fish").by_id
    fish = replace(
        fish,
        readings=tuple(doubtful(cells[r.cell], **wanted[r.cell]) if r.cell in wanted else r for r in fish.readings),
    )
    line = kept.made_result("substrate", {}, name="line.jpg")
    cells = kept.layout("substrate").by_id
    line = replace(
        line,
        readings=tuple(
            doubtful(cells[r.cell], value="BK", others=("CF", "FA", "YB", None)) if r.kind == "code" else r
            for r in line.readings
        ),
    )
    with Store.open(folder) as store:
        return kept.keep(store, fish), kept.keep(store, line)


def entered(folder: Path, page_id: int) -> dict:
    """Cell to (state, value, who) of what people entered."""
    with Store.open(folder) as store:
        return {
            c: (rows[-1].state, rows[-1].value, rows[-1].by)
            for c, rows in store.entries(page_id).items()
            if rows[-1].by != "rule"
        }


def new_page(context):
    """A page that waits long enough; its `trouble` lists script errors."""
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.trouble = []
    page.on("pageerror", lambda error: page.trouble.append(str(error)))
    return page


def open_at(context, address: str):
    page = new_page(context)
    page.goto(address)
    return page


def log_in(page, name: str) -> None:
    page.fill("#name", name)
    page.fill("#passphrase", kept.passphrase(name))
    page.keyboard.press("Enter")


def open_desk(context, address: str, *, name: str = "Mira Tole", order: str = "sheet", seen: bool = True):
    """The review page in an order of cells, with the reviewer's name given, `seen` with the first picture there.

    Its `trouble` also lists what the content policy stopped, and requests to other machines.
    """
    page = new_page(context)
    page.on("console", lambda said: page.trouble.append(said.text) if "Content Security Policy" in said.text else None)
    page.on(
        "request",
        lambda r: (
            page.trouble.append(r.url)
            if not r.url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:"))
            else None
        ),
    )
    page.goto(f"{address}?order={order}")
    page.wait_for_selector("#name, .title:not(:empty)")
    if page.is_visible("#name"):
        page.fill("#name", name)
        page.keyboard.press("Enter")
    page.wait_for_selector(".title:not(:empty)")
    if seen:
        pictured(page)
    return page


def pictured(page) -> None:
    """Until the picture of what is to be decided is there: what nobody can see is not decided."""
    page.locator(":is(.near, .flat, .lens):not(.coming) img[src]").first.wait_for()


def arrive(page, label: str) -> None:
    """Until the desk shows this cell and its picture."""
    page.locator(".title").filter(has_text=re.compile(f"^{re.escape(label)}$")).wait_for()
    pictured(page)


def settle(page) -> None:
    """Until nothing waits in this browser to be stored."""
    until_true(page, lambda: not kept_here(page))


def kept_here(page) -> list[dict]:
    """What the browser keeps until the server has answered for it."""
    return page.evaluate(
        """async () => {
        if (!(await indexedDB.databases()).some((d) => d.name === 'desk')) return [];
        const done = (asked) => new Promise((yes) => { asked.onsuccess = () => yes(asked.result); });
        const database = await done(indexedDB.open('desk'));
        const found = await done(database.transaction('out').objectStore('out').getAll());
        database.close();
        return found;
        }"""
    )


def drawn(page) -> None:
    """Until the page knows the name that the browser tells it, where it asks for one, and all of it is drawn."""
    page.wait_for_function(
        """() => document.querySelector('[data-test-script-state=notRunning]') && !document.querySelector('[data-stale=true]')
        && ![...document.querySelectorAll('*')].some((e) => e.shadowRoot?.querySelector('[data-known=false]'))"""
    )


def until_true(page, asked) -> None:
    """Until `asked()`, a question to the page or about what it did, is true."""
    for _ in range(WAIT_MS // 50):
        if asked():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it did not come true")


def filled(page) -> None:
    """Until the desk has asked for more cells and has them."""
    until_true(page, lambda: page.locator(".desk").evaluate("(d) => d.desk && d.desk.loaded && !d.desk.filling"))


def axe_faults(page) -> list[str]:
    """WCAG 2.2 A and AA faults that axe-core finds on the page, one line each."""
    import axe_core_python

    page.evaluate((Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = page.evaluate("tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", tags)
    return [f"{v['id']}: {n['html'][:160]}" for v in found["violations"] for n in v["nodes"]]
