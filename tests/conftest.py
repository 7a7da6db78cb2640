"""Shared by the tests of the reading side: layouts, flat pages, and one simulated photograph of every sheet.

The simulated hands and cameras are the product's own (`digitise.simulate`), so the truth of every mark and of every
millimetre is known; they are no evidence about real phones or real handwriting.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from functools import lru_cache

import browsing
import cv2
import numpy as np
import pytest
from hypothesis import settings
from postgresql import Server
from stores import Kept

from digitise.pages.flatten import FLAT_PX_PER_MM, Flattened, Warp, grid_shape
from digitise.pages.page import Page, register
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.sheets.sheet import Identity, identity_for, rasterise, sheet_pdf
from digitise.simulate.answers import Mess, answers_from_values, random_answers
from digitise.simulate.camera import Camera
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.pencil import Pencil
from digitise.simulate.take import Taken, filled, take
from digitise.store import Store

settings.register_profile("repeatable", deadline=None, derandomize=True)  # the same examples on every machine
settings.load_profile("repeatable")

FRAME = {"width_px": 2250, "height_px": 3000}
CLEAR = Camera(**FRAME, rotation_deg=2.0, tilt_deg=8.0, curl_mm=2.0)
chromium = browsing.chromium  # a fixture for every file
# Started in the background, tests ignore Ctrl+C, and so would the programs they start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

TIDY = Mess(struck=0, overwritten=0, erased_rewritten=0, ditto=0, overrun=0, unreadable=0, miscount=0, total_blank=0)
PENCIL = Pencil(width_mm=0.6, darkness=0.75)
PACK = "QH7M4K"


@lru_cache(maxsize=1)
def _protocol() -> Protocol:
    return load_protocol("reef-transect")


def _layout(sheet: str, paper: str = "A4") -> Layout:
    return next(one for one in build_layouts(_protocol()) if (one.sheet, one.paper) == (sheet, paper))


def _photographed(sheet: str, *, paper: str = "A4", camera: Camera = CLEAR, seed: int = 11, answers=None) -> Taken:
    rng = np.random.default_rng([seed, len(sheet)])
    one = _layout(sheet, paper)
    if answers is None:
        answers = random_answers(one.to_json(), rng, mess=TIDY)
    identity = identity_for(one, PACK, int(one.per_transect))
    hand = DrawnHand(drawn_style(np.random.default_rng(5)))
    return take(_protocol(), one, answers, hand, rng, camera=camera, pencil=PENCIL, identity=identity, sloppiness=0.15)


@lru_cache(maxsize=8)
def _photograph(sheet: str, paper: str = "A4") -> Taken:
    return _photographed(sheet, paper=paper)


@lru_cache(maxsize=8)
def _registered(sheet: str, paper: str = "A4") -> Page:
    page = register(_photograph(sheet, paper).gray(), build_layouts(_protocol()))
    assert page, page
    return page


def _flat_scale(raster: np.ndarray, one: Layout) -> np.ndarray:
    """A page's raster at exactly `FLAT_PX_PER_MM`, on paper of grey value 235."""
    size = tuple(round(v * FLAT_PX_PER_MM) for v in one.page_size_mm)
    return np.round(cv2.resize(raster, size, interpolation=cv2.INTER_AREA) * (235 / 255)).astype(np.uint8)


@lru_cache(maxsize=8)
def _printed(sheet: str, paper: str) -> np.ndarray:
    one = _layout(sheet, paper)
    pages = [(one, identity_for(one, PACK, int(one.per_transect)))]
    flat = _flat_scale(rasterise(sheet_pdf(_protocol(), pages), 2 * FLAT_PX_PER_MM), one)
    flat.setflags(write=False)
    return flat


def _page_of(one: Layout, image: np.ndarray, identity: Identity | None = None) -> Page:
    warp = Warp(np.diag([8.0, 8.0, 1.0]), np.zeros((*grid_shape(one.page_size_mm), 2), np.float32))
    return Page(one, identity, image, Flattened(image, warp, 0.1, 1.0), FLAT_PX_PER_MM, 0.2, frozenset())


def _written(sheet: str, values: dict, marks: dict | None = None, *, seed: int = 3, hand: int = 5) -> Page:
    one = _layout(sheet)
    rng = np.random.default_rng(seed)
    answers = answers_from_values(one.to_json(), values, marks)
    writer = DrawnHand(drawn_style(np.random.default_rng(hand)))
    canvas, _ = filled(_protocol(), one, answers, writer, rng, pencil=PENCIL, sloppiness=0.15)
    return _page_of(one, _flat_scale(canvas, one))


@pytest.fixture(scope="session")
def reef() -> Protocol:
    """The shipped protocol."""
    return _protocol()


@pytest.fixture(scope="session")
def layouts() -> tuple[Layout, ...]:
    """Every page of the shipped protocol on both papers."""
    return build_layouts(_protocol())


@pytest.fixture(scope="session")
def layout() -> Callable[..., Layout]:
    """``layout(sheet, paper="A4")``: one page of the shipped protocol."""
    return _layout


@pytest.fixture(scope="session")
def photographed() -> Callable[..., Taken]:
    """``photographed(sheet, paper=, camera=, seed=, answers=)``: a fresh simulated photograph, 2250 x 3000."""
    return _photographed


@pytest.fixture(scope="session")
def photograph() -> Callable[..., Taken]:
    """``photograph(sheet, paper="A4")``: one clear photograph of a sheet, made once."""
    return _photograph


@pytest.fixture(scope="session")
def registered() -> Callable[..., Page]:
    """``registered(sheet, paper="A4")``: the page found in `photograph`, made once."""
    return _registered


@pytest.fixture(scope="session")
def printed() -> Callable[..., np.ndarray]:
    """``printed(sheet, paper="A4")``: an empty printed page at flat scale on grey paper; copy it to write on it."""
    return lambda sheet, paper="A4": _printed(sheet, paper)


@pytest.fixture(scope="session")
def page_of() -> Callable[..., Page]:
    """``page_of(layout, image)``: a flat image as a `Page`, as if photographed perfectly."""
    return _page_of


@pytest.fixture(scope="session")
def written() -> Callable[..., Page]:
    """``written(sheet, values, marks, seed=, hand=)``: a filled page without any camera; other cells blank."""
    return _written


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[Server]:
    """A real PostgreSQL on loopback; where there can be none, the tests that need it are skipped and say why."""
    server = Server()
    try:
        server.start()
    except OSError as error:
        server.stop()
        pytest.skip(f"PostgreSQL could not be tested: {error}")
    yield server
    server.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request, tmp_path) -> Kept:
    """Where a store is to be, on each of the two databases, its tables made already in PostgreSQL."""
    if request.param == "sqlite":
        return Kept(tmp_path / "kept")
    return Kept(tmp_path / "kept", request.getfixturevalue("postgresql_server").prepared())


@pytest.fixture
def store(where) -> Iterator[Store]:
    """An open store, on each of the two databases."""
    with where.open() as opened:
        yield opened


@pytest.fixture(scope="session")
def bucket_server() -> Iterator:
    """A server that speaks S3, for the whole run; started by the first test that asks for a bucket."""
    from buckets import BucketServer

    server = BucketServer()
    yield server
    server.stop()


@pytest.fixture
def bucket(bucket_server, monkeypatch):
    """An empty bucket, and in the environment what is needed to reach it."""
    for name, value in bucket_server.environment().items():
        monkeypatch.setenv(name, value)
    return bucket_server.new()
