"""The phones' page in a real browser: from the laptop's code to a verdict, broken uploads, a lost laptop, a phone's screen."""

from pathlib import Path

import cv2
import pytest
from browsing import LAPTOP, PHONE, WAIT_MS, axe_faults, free_port, needs_chromium, serving

from digitise.store import Store

pytestmark = needs_chromium
SAMPLES = Path(__file__).parents[1] / "sample_scans"


@pytest.fixture(scope="module")
def laptop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("beach") / "store"
    with serving(folder, free_port()) as address:
        yield address, folder


def let_in(chromium, address: str) -> str:
    """Open the way in on the laptop's page; returns the link as a phone on this machine reaches it."""
    page = chromium.new_context(**LAPTOP).new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}phones")
    page.get_by_role("button", name="Let phones in").or_(page.locator(".qr")).first.wait_for()
    if page.get_by_role("button", name="Let phones in").is_visible():
        page.get_by_role("button", name="Let phones in").click()
    page.locator(".qr").wait_for()
    shown = page.inner_text(".scan code")
    assert page.evaluate("document.querySelector('.qr').naturalWidth") > 200
    page.close()
    host = shown.split("/")[2]
    return shown.replace(host, "127.0.0.1:" + host.split(":")[1])


def opened(chromium, link: str):
    page = chromium.new_context(**PHONE).new_page()
    page.set_default_timeout(WAIT_MS)
    page.trouble = []
    page.on("pageerror", lambda error: page.trouble.append(str(error)))
    page.goto(link)
    page.locator(".survey").first.wait_for()
    return page


def covered() -> dict:
    """A photograph of a sheet with something over its middle."""
    picture = cv2.imread(str(SAMPLES / "pilot-garden-03.jpg"))
    high, wide = picture.shape[:2]
    middle, half = (int(0.45 * wide), int(0.5 * high)), (int(0.27 * wide), int(0.12 * high))
    cv2.ellipse(picture, middle, half, 20, 0, 360, (70, 90, 150), -1)
    return {"name": "covered.jpg", "mimeType": "image/jpeg", "buffer": cv2.imencode(".jpg", picture)[1].tobytes()}


def test_from_the_code_to_a_verdict_with_the_place_marked(chromium, laptop):
    """A good, a lit and a broken photograph, all at once: each has its verdict; the survey says what is missing."""
    address, folder = laptop
    page = opened(chromium, let_in(chromium, address))
    broken = {"name": "<b>no.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}
    page.set_input_files("#choose", [SAMPLES / "pilot-garden-03.jpg", SAMPLES / "pilot-garden-04.jpg"])
    page.set_input_files("#choose", [broken, covered()])
    page.locator(".photo.good").wait_for()
    page.locator(".photo.bad >> nth=2").wait_for()

    assert "Read: Invertebrate belt and impacts, transect 1, pack T4HW9C" in page.inner_text(".photo.good")
    lit = page.locator(".photo.bad", has_text="pilot-garden-04").first
    assert "Tilt the sheet away from the light" in lit.inner_text()
    assert lit.locator("svg polygon").count() >= 2
    under = page.locator(".photo.bad", has_text="covered.jpg")
    assert "at the middle right and centre cannot be seen" in under.inner_text()
    assert under.locator("svg polygon").count() >= 2
    assert page.locator(".photo.bad.small", has_text="<b>no.jpg").count() == 1
    assert "1 of 10 sheets in, 9 missing" in page.inner_text(".survey")
    assert "3 photographs to take again, 1 read." in page.inner_text("#line")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    heights = page.eval_on_selector_all(
        ".go span, button, summary", "all => all.map((b) => b.getBoundingClientRect().height)"
    )
    assert min(heights) >= 48
    assert axe_faults(page) == []
    with page.expect_response(lambda one: one.request.method == "POST" and one.json().get("sha256")):
        page.set_input_files("#choose", [SAMPLES / "pilot-garden-03.jpg"])  # sent before: it stands there once
    page.locator(".photo >> nth=4").wait_for(state="detached")
    under.get_by_role("button", name="Take it off this list").click()
    page.locator(
        "#line", has_text="2 photographs to take again, 1 read. 9 sheets of pack T4HW9C still missing"
    ).wait_for()
    assert page.locator(".photo").count() == 3
    assert page.trouble == []
    with Store.open(folder) as store:
        names = sorted(p.name for p in store.photos())
    assert names == ["<b>no.jpg", "covered.jpg", "pilot-garden-03.jpg", "pilot-garden-04.jpg"]


def test_a_file_that_shows_nothing_is_refused_in_words_without_a_broken_picture(chromium, laptop):
    address, _ = laptop
    page = opened(chromium, let_in(chromium, address))
    page.set_input_files("#choose", {"name": "empty.jpg", "mimeType": "image/jpeg", "buffer": b""})
    page.locator(".photo.bad", has_text="This file is empty.").wait_for()
    page.locator(".photo.bad img").wait_for(state="hidden")
    page.get_by_role("button", name="Take it off this list").tap()
    page.locator("#mine").wait_for(state="hidden")
    assert page.trouble == []


def test_an_upload_cut_in_the_middle_goes_on_after_a_reload(chromium, laptop):
    """The second piece never arrives and the page is closed: opened again it sends only what is missing."""
    address, folder = laptop
    link = let_in(chromium, address)
    page = opened(chromium, link)
    data = (SAMPLES / "tamarind-wall-02.jpg").read_bytes()
    assert len(data) > 512 * 1024
    page.route("**/part/*at=524288*", lambda route: route.abort())
    page.set_input_files("#choose", [SAMPLES / "tamarind-wall-02.jpg"])
    page.locator("#line.bad").wait_for()
    assert "1 photograph still to send. It is kept in this phone" in page.inner_text("#line")
    assert "Waits in this phone" in page.inner_text(".photo")
    page.unroute("**/part/*at=524288*")
    sent = []
    page.on("request", lambda r: sent.append(r.url.split("at=")[1].split("&")[0]) if r.method == "POST" else None)
    page.reload()
    page.locator(".photo.good").wait_for()
    assert sent == ["524288"]
    with Store.open(folder) as store:
        kept = next(p for p in store.photos() if p.name == "tamarind-wall-02.jpg")
        assert store.original(kept.sha256) == data
    page.reload()  # what was sent is still listed, with its verdict
    page.locator(".photo.good").wait_for()
    assert page.trouble == []


def test_a_laptop_that_goes_away_is_said_and_what_was_chosen_meanwhile_is_sent_later(chromium, tmp_path):
    """The server stops, a photograph is chosen, the server starts again with the same link: it arrives by itself."""
    folder, port = tmp_path / "store", free_port()
    with serving(folder, port) as address:
        page = opened(chromium, let_in(chromium, address))
    page.set_input_files("#choose", [SAMPLES / "tamarind-wall-03.jpg"])
    page.locator("#line.bad").wait_for()
    assert "No connection to the laptop." in page.inner_text("#line")
    assert page.inner_text("#line").endswith(
        "If the laptop is on another network now, scan its new code and choose the photograph again."
    )
    with serving(folder, port):
        page.locator(".photo.good").wait_for()
        with Store.open(folder) as store:
            assert [p.name for p in store.photos()] == ["tamarind-wall-03.jpg"]
    assert page.trouble == []


def test_a_laptop_at_another_address_finds_nothing_waiting_so_the_page_says_what_to_do(chromium, tmp_path):
    """A browser keeps things by address: the same laptop by another name stands for one that has moved."""
    folder, port = tmp_path / "store", free_port()
    with serving(folder, port) as address:
        link = let_in(chromium, address)
        page = opened(chromium, link)
        page.route("**/part/**", lambda route: route.abort())
        page.set_input_files("#choose", [SAMPLES / "tamarind-wall-03.jpg", SAMPLES / "tamarind-wall-02.jpg"])
        page.locator("#line.bad").wait_for()
        other = page.context.new_page()
        other.goto(link.replace("127.0.0.1", "localhost"))
        other.locator(".survey").first.wait_for()

        assert (page.locator(".photo").count(), other.locator(".photo").count()) == (2, 0)
        assert page.inner_text("#line").endswith(
            "If the laptop is on another network now, scan its new code and choose them again."
        )


def test_a_link_that_was_shut_says_so_on_the_open_page_and_on_a_new_one(chromium, laptop):
    address, _ = laptop
    link = let_in(chromium, address)
    phone = opened(chromium, link)
    page = chromium.new_context(**LAPTOP).new_page()
    page.goto(f"{address}phones")
    page.get_by_role("button", name="Shut it now").click()
    page.get_by_role("button", name="Let phones in").wait_for()
    phone.set_input_files("#choose", [SAMPLES / "tamarind-wall-01.jpg"])
    phone.locator("#line.bad").wait_for()
    page.get_by_role("button", name="Let phones in").click()
    page.locator(".qr").wait_for()
    port = page.inner_text(".scan code").split("/")[2].split(":")[1]
    phone.goto(f"http://127.0.0.1:{port}/b/{link.rpartition('/')[2]}")  # open again, but with another secret
    assert "This link has ended" in phone.inner_text("h1")
