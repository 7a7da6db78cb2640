"""The README's pictures, made by the code: ``python tests/pictures.py`` writes them into ``.pictures/``."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
from playwright.sync_api import sync_playwright

from digitise.batch import keep, known_protocols, photo_files, read_batch
from digitise.compose import build_layouts
from digitise.protocol import load_protocol
from digitise.results import write_results
from digitise.sheet import identity_for, rasterise, sheet_pdf
from digitise.store import Store

HERE = Path(__file__).parents[1]
OUT = HERE / ".pictures"
SAMPLES = HERE / "sample_scans"
CHROMIUM = {"executable_path": "/usr/bin/chromium",
            "args": ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]}


def _save(name: str, image: np.ndarray, width: int) -> None:
    height = int(image.shape[0] * width / image.shape[1])
    small = cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(OUT / name), small, [cv2.IMWRITE_PNG_COMPRESSION, 9])


def sheet() -> None:
    """A printed fish sheet with a thin border."""
    protocol = load_protocol("reef-transect")
    layout = next(one for one in build_layouts(protocol) if one.sheet == "fish" and one.paper == "A4")
    page = rasterise(sheet_pdf(protocol, [(layout, identity_for(layout, "K7RM4X", 1))]), 6)
    _save("sheet.png", cv2.copyMakeBorder(page, 3, 3, 3, 3, cv2.BORDER_CONSTANT, value=150), 760)


def photograph(store: Store) -> None:
    """A sample photograph and, beside it, the same page flattened."""
    photo = cv2.imread(str(SAMPLES / "tamarind-wall-08.jpg"))
    row = next(p for p in store.pages() if p.photo == "tamarind-wall-08.jpg")
    flat = cv2.imdecode(np.frombuffer(store.page_image(row.id), np.uint8), cv2.IMREAD_COLOR)
    high = 1000
    parts = [cv2.resize(i, (int(i.shape[1] * high / i.shape[0]), high), interpolation=cv2.INTER_AREA) for i in (photo, flat)]
    gap = np.full((high, 24, 3), 255, np.uint8)
    image = np.hstack([parts[0], gap, parts[1]])
    cv2.imwrite(str(OUT / "photograph.jpg"), image, [cv2.IMWRITE_JPEG_QUALITY, 82])


def _serve(folder: Path) -> tuple[subprocess.Popen, str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen([sys.executable, "-m", "review_app", str(folder), "--port", str(port)], cwd=HERE,
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=os.environ)
    address = f"http://127.0.0.1:{port}"
    for _ in range(120):
        try:
            urllib.request.urlopen(address, timeout=2).close()
            return process, address
        except OSError:
            time.sleep(0.5)
    raise RuntimeError("the review screens did not start")


def screens(folder: Path, results: Path) -> None:
    """The review screen on a tally, and the cover plot of the results page."""
    process, address = _serve(folder)
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(**CHROMIUM)
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            page.goto(address)
            page.wait_for_timeout(9000)
            page.get_by_label("Your name").fill("Mira Tole")
            page.get_by_text("Start", exact=True).click()
            page.wait_for_timeout(2500)
            page.screenshot(path=str(OUT / "review.png"))
            page.set_viewport_size({"width": 1000, "height": 900})
            page.goto(results.resolve().as_uri())
            page.wait_for_timeout(500)
            page.locator("figure:visible").nth(2).screenshot(path=str(OUT / "result.png"))
            browser.close()
    finally:
        process.terminate()
        process.wait()


def main() -> None:
    """Make all pictures."""
    OUT.mkdir(exist_ok=True)
    sheet()
    with tempfile.TemporaryDirectory() as folder:
        now = datetime.now(UTC)
        known, files = known_protocols(), photo_files([SAMPLES])
        with Store.open(Path(folder) / "store") as store:
            for path, result in zip(files, read_batch(files, known), strict=True):
                keep(store, path, result, known, now=now)
            photograph(store)
            results = write_results(store, Path(folder) / "results", now=now)[0]
        screens(Path(folder) / "store", results)


if __name__ == "__main__":
    main()
