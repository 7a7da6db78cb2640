"""The README's pictures, made by the code from the sample photographs: ``python tests/pictures.py``.

Writes ``sheet.png``, ``photograph.jpg``, ``review.png`` and ``result.png`` into ``.pictures/``. Needs Chromium at
/usr/bin/chromium (Debian: apt-get install chromium).
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from digitise.batch.batch import keep, known_protocols, read_batch
from digitise.batch.folders import photo_files
from digitise.reader.reading import PhotoResult
from digitise.report import write_report
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import load_protocol
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf
from digitise.store import Store

HERE = Path(__file__).parents[1]
OUT = HERE / ".pictures"
SAMPLES = HERE / "sample_scans"
SHOWN = "tamarind-wall-08.jpg"  # the hardest of the sample photographs
PACK = "K7RM4X"
WIDTH_PX = 1200
CHROMIUM = {
    "executable_path": "/usr/bin/chromium",
    "args": ["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
}
# Colours for OpenCV, (blue, green, red).
MARK, READ, DOUBT = (200, 90, 20), (130, 140, 0), (40, 60, 225)


def _save(name: str, image: Image.Image, colours: int = 256) -> None:
    """Write a PNG of `WIDTH_PX` or less, reduced to a palette."""
    if image.width > WIDTH_PX:
        image = image.resize((WIDTH_PX, round(image.height * WIDTH_PX / image.width)), Image.Resampling.LANCZOS)
    image.convert("RGB").quantize(colours, dither=Image.Dither.NONE).save(OUT / name, optimize=True)


def sheet() -> None:
    """A printed fish sheet and a printed substrate sheet, side by side, each with a thin border."""
    protocol = load_protocol("reef-transect")
    pages = []
    for name in ("fish", "substrate"):
        layout = next(one for one in build_layouts(protocol) if one.sheet == name and one.paper == "A4")
        page = rasterise(sheet_pdf(protocol, [(layout, identity_for(layout, PACK, 1))]), 6)
        pages.append(cv2.copyMakeBorder(page, 4, 4, 4, 4, cv2.BORDER_CONSTANT, value=150))
    gap = np.full((pages[0].shape[0], 60), 255, np.uint8)
    _save("sheet.png", Image.fromarray(np.hstack([pages[0], gap, pages[1]])), colours=16)


def _outline(image: np.ndarray, corners: np.ndarray, colour: tuple[int, int, int], thick: int) -> None:
    points = np.round(corners * 8).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(image, [points], isClosed=True, color=colour, thickness=thick, lineType=cv2.LINE_AA, shift=3)


def photograph(result: PhotoResult) -> None:
    """A sample photograph with the marks and cells that were found drawn on, beside the same page flattened."""
    photo = cv2.imread(str(SAMPLES / result.file))
    layout, warp = result.page.layout, result.page.flattened.warp
    flagged = {r.cell for r in result.readings if r.flagged}
    for cell in layout.cells:
        x, y, w, h = cell.box_mm
        box = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
        _outline(photo, warp.photo_px(box), DOUBT if cell.id in flagged else READ, 12 if cell.id in flagged else 6)
    for mark in layout.fiducials:
        _outline(photo, warp.photo_px(np.array(mark.corners_mm)), MARK, 14)
    flat = cv2.cvtColor(result.page.image, cv2.COLOR_GRAY2BGR)
    flat = cv2.copyMakeBorder(flat, 8, 8, 8, 8, cv2.BORDER_CONSTANT, value=(150, 150, 150))
    high = 1600
    left, right = (
        cv2.resize(i, (round(i.shape[1] * high / i.shape[0]), high), interpolation=cv2.INTER_AREA)
        for i in (photo, flat)
    )
    image = np.hstack([left, np.full((high, 40, 3), 255, np.uint8), right])
    image = cv2.resize(image, (WIDTH_PX, round(high * WIDTH_PX / image.shape[1])), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(OUT / "photograph.jpg"), image, [cv2.IMWRITE_JPEG_QUALITY, 84])


@contextmanager
def _serving(folder: Path) -> Iterator[str]:
    """The review screens for a store, as the command line starts them; gives their address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "review_app", str(folder), "--port", str(port)],
        cwd=HERE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(240):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1).close()
                break
            except OSError:
                time.sleep(0.25)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait()


def _seek(page: Page) -> None:
    """Go to a written total that differs from its strokes; where there is none, to a cell with several suggestions."""
    for wanted in ("total differ", ""):
        page.wait_for_selector(".title:not(:empty)")
        while page.is_visible(".work"):
            told = page.inner_text(".why"), page.inner_text(".title"), page.locator(".choices button").count()
            if wanted in told[0] and (told[1].endswith("total") or not wanted) and told[2] > 1:
                return
            page.keyboard.press("ArrowRight")
        page.click("[data-do=again]")


def review(browser: Browser, folder: Path) -> None:
    """The review screen on a cell that the reader is not sure of."""
    with _serving(folder) as address:
        page = browser.new_page(viewport={"width": WIDTH_PX, "height": 740})
        page.goto(address)
        page.fill("#name", "Mira Tole")
        page.keyboard.press("Enter")
        _seek(page)
        page.wait_for_function(
            "() => [...document.querySelectorAll('.work .glass img, .map img')].every("
            "(i) => i.complete && i.naturalWidth)"
        )
        page.wait_for_timeout(300)
        _save("review.png", Image.open(BytesIO(page.screenshot())))
        page.close()


def name_sites(store: Store, now: datetime) -> None:
    """Enter each survey's site and date, as a person would who reads them off the site sheet."""
    manifest = json.loads((SAMPLES / "manifest.json").read_text(encoding="utf-8"))
    truth = {p["file"]: p["cells"] for p in manifest["photos"]}
    pages = [p for p in store.pages() if p.sheet == "site"]
    for page in pages:
        for seq, cell in enumerate(("site/site", "site/date"), 1):
            entries = store.entries(page.id).get(cell, [])
            store.decide(
                page.id,
                cell,
                value=truth[page.photo][cell]["value"],
                state="entered",
                by="Mira Tole",
                client=f"pictures-{page.id}",
                seq=seq,
                last_seen=entries[-1].id if entries else 0,
                now=now,
            )


def result(browser: Browser, page_file: Path) -> None:
    """The plot of percent cover at one site, from the results page."""
    page = browser.new_page(viewport={"width": 900, "height": 900}, device_scale_factor=WIDTH_PX / 860)
    page.goto(page_file.resolve().as_uri())
    figure = page.locator("figure:visible").filter(
        has=page.locator("svg[aria-label^='Percent cover at TAMARIND WALL']:visible")
    )
    _save("result.png", Image.open(BytesIO(figure.first.screenshot())), colours=96)
    page.close()


def main() -> None:
    """Make all pictures."""
    OUT.mkdir(exist_ok=True)
    sheet()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        browser = play.chromium.launch(**CHROMIUM)
        now, known = datetime.now(UTC), known_protocols()
        with Store.open(Path(folder) / "store") as store:
            for taken in read_batch(photo_files([SAMPLES]), known, wanted=True):
                keep(store, taken, known, now=now)
                if taken.name == SHOWN:
                    photograph(taken.result)
            review(browser, store.folder)
            name_sites(store, now)
            written = write_report(store, Path(folder) / "report", now=now)[0]
        result(browser, written)
        browser.close()
    for path in sorted(OUT.iterdir()):
        print(f"{path.relative_to(HERE)}: {path.stat().st_size // 1024} kB")


if __name__ == "__main__":
    main()
