"""Screens without a browser: the store that they work on, pages with doubtful cells, what a key press sends, what is shown."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import kept
import pytest
from streamlit.testing.v1 import AppTest

import review_app
from digitise.pages.photo import decode_photo
from digitise.reader.read import READER_VERSION
from digitise.reader.reading import PhotoResult, Reading, sentence
from digitise.store import Store
from review_app import decisions, worklist

APP = Path(review_app.__file__).parent
CLIENT = "a1b2c3d4e5f6"


@contextmanager
def working_on(folder: Path) -> Iterator[Store]:
    """The store in `folder`, as the one that the screens work on."""
    worklist._opened.cache_clear()
    worklist.use_folder(folder)
    yield worklist.open_store()
    worklist._opened.cache_clear()


@pytest.fixture
def store(tmp_path):
    """An empty store that the screens work on; a file of tests takes it by `store = screens.store`."""
    with working_on(tmp_path) as opened:
        yield opened


# What is kept


def unsure(result: PhotoResult, cells, *, value, reasons=("unsure",)) -> PhotoResult:
    """The result with these cells in doubt."""
    return replace(
        result,
        readings=tuple(
            Reading(r.cell, r.kind, value, 0.8, True, ((value, 0.8),), reasons, 0.8) if r.cell in cells else r
            for r in result.readings
        ),
    )


def line(store: Store, *, codes: dict, doubtful=(), reasons=("unsure",), value="BK") -> int:
    """A substrate sheet, some cells of it in doubt; its page."""
    made = kept.made_result("substrate", codes, name="line.jpg")
    return kept.keep(store, unsure(made, doubtful, value=value, reasons=reasons))


def refuse(store: Store) -> None:
    """One photograph that has to be taken again."""
    data = kept.photo_of("glare")
    store.keep_photo(data, "glare.jpg", now=kept.NOW)
    result = PhotoResult(
        "glare.jpg",
        decode_photo(data, "glare.jpg").sha256,
        "retake",
        (sentence("glare", "12 cells at the upper left cannot be seen"),),
    )
    store.record(result, None, now=kept.NOW, reader_version=READER_VERSION)


# What a browser sends


def record(store: Store, page: int, cell: str, action: str, value=None, *, seq: int = 1, **extra) -> dict:
    """What a browser sends for one key press."""
    entries = store.entries(page).get(cell, [])
    return {
        "client": CLIENT,
        "seq": seq,
        "page": page,
        "sha256": store.page(page).sha256,
        "cell": cell,
        "by": "Mira Tole",
        "last": entries[-1].id if entries else 0,
        "action": action,
        "value": value,
        **extra,
    }


def send(store: Store, one) -> dict:
    """What the store answers to one record."""
    return decisions.answer(store, one, now=kept.NOW)


# What is shown


def screen(name: str) -> AppTest:
    """One screen alone, not yet run, so that its address can be set."""
    return AppTest.from_file(str(APP / "views" / f"{name}.py"), default_timeout=60)


def opened(page: str = "") -> AppTest:
    """The whole app, on this screen."""
    at = AppTest.from_file(str(APP / "main.py"), default_timeout=30).run()
    return at.switch_page(f"views/{page}.py").run() if page else at


def words(at: AppTest) -> str:
    """Everything a page shows, as one text."""
    told = (*at.markdown, *at.error, *at.warning, *at.success)
    return " ".join([*(e.proto.body for e in at.get("html")), *(e.value for e in told)])
