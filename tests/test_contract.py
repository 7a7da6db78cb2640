"""What other people's scripts hold on to: the layout file, the result file, and the names of reasons.

The golden files ``tests/data/layout_contract.json`` and ``result_contract.json`` pin keys, types and versions. More
keys may come; these stay.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import digitise
from digitise.pages.page import NotRegistered
from digitise.pages.photo import decode_photo
from digitise.reader.read import read_decoded, read_page
from digitise.reader.reading import RESULT_VERSION, PhotoResult, sentence
from digitise.reader.reasons import CELL_REASONS, PHOTO_REASONS, REASONS
from digitise.sheets.layout import LAYOUT_VERSION

DATA = Path(__file__).parent / "data"
LAYOUT = json.loads((DATA / "layout_contract.json").read_text(encoding="utf-8"))
RESULT = json.loads((DATA / "result_contract.json").read_text(encoding="utf-8"))
CODE = [Path(digitise.__file__).parent, Path(digitise.__file__).parent.parent / "review_app"]


def _is(value, kind) -> bool:
    """Whether a JSON value is of a kind of the golden files."""
    if isinstance(kind, list):
        return isinstance(value, list) and len(value) == len(kind) and all(map(_is, value, kind))
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return {
        "integer": isinstance(value, int) and not isinstance(value, bool),
        "number": number,
        "string": isinstance(value, str),
        "boolean": isinstance(value, bool),
        "null": value is None,
        "list": isinstance(value, list),
        "strings": isinstance(value, list) and all(isinstance(v, str) for v in value),
        "boxes": isinstance(value, list) and bool(value) and all(_is(v, ["number"] * 4) for v in value),
    }[kind]


def _unlike(found: dict, pinned: dict) -> list[str]:
    return [k for k, kind in pinned.items() if k not in found or not _is(found[k], kind)]


def _strict(data) -> dict:
    """What a strict JSON reader makes of it: no NaN, no infinity."""

    def refuse(name: str):
        raise AssertionError(f"{name} is no JSON")

    return json.loads(json.dumps(data, ensure_ascii=False), parse_constant=refuse)


# --- layout ----------------------------------------------------------------------------------------------


def test_layout_files_keep_their_keys_and_types(layouts) -> None:
    """Every page of the shipped protocol on both papers."""
    assert LAYOUT_VERSION == LAYOUT["layout_version"] == 1
    for one in layouts:
        data = _strict(one.to_json())
        assert _unlike(data, LAYOUT["file"]) == []
        for cell in data["cells"]:
            assert _unlike(cell, LAYOUT["cell"]) == [], cell["id"]
            assert _unlike(cell, LAYOUT["kinds"][cell["kind"]]) == [], cell["id"]
            boxes = LAYOUT["boxes_of_kind"].get(cell["kind"])
            assert boxes in (None, len(cell.get("characters_mm", ())))
            if cell["kind"] == "code":
                assert {len(c) for c in cell["choices"]} == {len(cell["characters_mm"])}
            if cell["kind"] == "decimal":
                assert cell["format"].replace(".", "") == "#" * len(cell["characters_mm"])


def test_every_kind_of_cell_is_pinned(layouts) -> None:
    """The shipped sheets use all eight kinds, so that the test above has seen each."""
    assert {c.kind for one in layouts for c in one.cells} == set(LAYOUT["kinds"]) == set(RESULT["values"])


def test_ids_stay_between_printings(layout) -> None:
    """Ids that scripts name, typed out: a change breaks them and needs a new protocol version."""
    expected = {
        "site": [
            "site/date",
            "site/time",
            "site/latitude",
            "site/north-south",
            "site/depth",
            "site/sun",
            "site/remarks",
        ],
        "fish": [
            "fish/start",
            "fish/damselfish/0-10/tally",
            "fish/damselfish/0-10/total",
            "fish/ray/10-20/total",
            "fish/none-seen",
        ],
        "invertebrate": [
            "invertebrate/bleached-percent/0-10/percent",
            "invertebrate/anchor-damage/0-10/tick",
            "invertebrate/litter/10-20/tally",
            "invertebrate/none-seen",
        ],
        "substrate": ["substrate/0.5", "substrate/1", "substrate/10.5", "substrate/20", "substrate/observer"],
    }

    assert {s: [i for i in ids if i not in layout(s).by_id] for s, ids in expected.items()} == {s: [] for s in expected}


# --- results ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def results(registered, layout) -> list[PhotoResult]:
    """Every status: two read pages, a page to be taken again, a picture without a sheet, a file that is none."""
    pages = [registered(s) for s in ("site", "invertebrate")]
    return [
        *(PhotoResult(f"{p.layout.sheet}.jpg", "0" * 64, "read", (), p, None, read_page(p)) for p in pages),
        PhotoResult(
            "blur.jpg",
            "1" * 64,
            "retake",
            (sentence("blurred", "x"),),
            failure=NotRegistered("blurred", "x", layout("fish")),
        ),
        PhotoResult(
            "beach.jpg", "2" * 64, "unreadable", (sentence("no-sheet"),), failure=NotRegistered("no-sheet", "", None)
        ),
        read_decoded(decode_photo(b"words", "words.jpg"), ()),
    ]


def test_results_keep_their_keys_and_types(results, layout) -> None:
    """Files, statuses, readings and candidates; a recognised page says which it is, read or not."""
    assert RESULT_VERSION == RESULT["result_version"] == 1
    seen = set()
    for result in results:
        data = _strict(result.to_json())
        seen.add(data["status"])
        assert _unlike(data, RESULT["photo"]) == []
        assert re.fullmatch("[0-9a-f]{64}", data["sha256"])
        assert bool(data["reasons"]) == (data["status"] != "read")
        assert bool(data["readings"]) == (data["status"] == "read")
        if data["status"] != "unreadable":
            assert _unlike(data, RESULT["recognised_photo"]) == []
        if data["status"] == "read":
            assert _unlike(data, RESULT["read_photo"]) == []
        for reading in data["readings"]:
            kinds = RESULT["values"][layout(data["sheet"]).by_id[reading["cell"]].kind]
            assert _unlike(reading, RESULT["reading"]) == []
            assert 0 <= reading["confidence"] <= 1
            for value, p in [(reading["value"], 0.5), *reading["candidates"]]:
                assert any(_is(value, kind) for kind in kinds), reading
                assert 0 <= p <= 1
    assert seen == set(RESULT["statuses"])


def test_a_read_page_has_a_reading_for_every_cell(results) -> None:
    """In the layout's order, flagged or not."""
    for result in results[:2]:
        assert [r.cell for r in result.readings] == [c.id for c in result.page.layout.cells]


def test_values_of_dates_and_times_are_iso_8601(results) -> None:
    """``YYYY-MM-DD`` and ``HH:MM``."""
    patterns = {"date": r"\d{4}-\d{2}-\d{2}", "time": r"\d{2}:\d{2}"}
    found = [r for result in results for r in result.readings if r.kind in patterns and r.value is not None]

    assert found
    assert all(re.fullmatch(patterns[r.kind], r.value) for r in found)


def test_an_empty_sheet_is_null_and_false(layout, printed, page_of) -> None:
    """Nothing written: a blank tally, number, code, date, decimal and text is null, an empty tick box false."""
    for sheet in ("site", "invertebrate", "substrate"):
        for reading in read_page(page_of(layout(sheet), printed(sheet))):
            expected = False if reading.kind == "tick" else None
            assert reading.to_json()["value"] is expected, reading.cell


# --- reasons ---------------------------------------------------------------------------------------------


def _modules() -> Iterator[tuple[Path, ast.Module]]:
    for folder in CODE:
        for path in sorted(folder.rglob("*.py")):
            if path.name != "reasons.py":
                yield path, ast.parse(path.read_text(encoding="utf-8"))


def _words(node: ast.AST | None) -> Iterator[str]:
    """String constants in an expression, but those of nested calls and comparisons, and of formatted text."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.Tuple | ast.BinOp | ast.IfExp | ast.Starred):
        for part in ast.iter_child_nodes(node):
            if node.__class__ is not ast.IfExp or part is not node.test:
                yield from _words(part)


def _argument(call: ast.Call, place: int, name: str) -> ast.AST | None:
    named = [k.value for k in call.keywords if k.arg == name]
    return named[0] if named else call.args[place] if len(call.args) > place else None


REASON_OF = {
    "NotAPhoto": (2, "reason"),
    "NotRegistered": (0, "reason"),
    "Decoded": (3, "reasons"),
    "sentence": (0, "reason"),
    "replace": (9, "reasons"),
}


def _named_reasons(tree: ast.Module) -> set[str]:
    """Reasons given in calls that take one, or in assignments to names such as ``reasons``."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in REASON_OF:
            found |= set(_words(_argument(node, *REASON_OF[node.func.id])))
        elif isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if any(isinstance(t, ast.Name) and t.id in ("reason", "reasons", "gap", "wrong") for t in targets):
                found |= set(_words(node.value))
    return found


def test_every_reason_given_in_the_code_is_in_the_registry() -> None:
    """No photograph and no cell is refused for a reason that has no words."""
    given = {f"{path.parent.name}/{path.name}": _named_reasons(tree) for path, tree in _modules()}

    assert {name: sorted(r for r in reasons if r and r not in REASONS) for name, reasons in given.items()} == {
        n: [] for n in given
    }
    parsers = next(tree for path, tree in _modules() if path.name == "fields.py")
    ends = [n.value.elts[-1] for n in ast.walk(parsers) if isinstance(n, ast.Return) and isinstance(n.value, ast.Tuple)]
    assert {word for end in ends for word in _words(end)} == {"gap", "impossible"}
    givers = {"pages/photo", "pages/page", *(f"reader/{name}" for name in ("read", "counts", "fields", "text"))}
    assert {f"{name}.py" for name in givers} <= {n for n, reasons in given.items() if reasons}


def test_every_reason_in_the_registry_is_given_somewhere() -> None:
    """A reason that no code gives is taken out, so that the manual's table tells the truth."""
    strings = {
        n.value
        for _, tree in _modules()
        for n in ast.walk(tree)
        if isinstance(n, ast.Constant) and isinstance(n.value, str)
    }

    assert sorted(set(REASONS) - strings) == []


@pytest.mark.parametrize("reason", [*PHOTO_REASONS, *CELL_REASONS], ids=lambda r: r.name)
def test_every_reason_has_words_and_advice(reason) -> None:
    """A short text without its full stop, and a sentence of advice; together they read as two sentences."""
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", reason.name)
    assert re.fullmatch(r"[A-Z].*[^.]", reason.short)
    assert re.fullmatch(r"[A-Z].*\.", reason.advice)
    assert sentence(reason.name) == f"{reason.short}. {reason.advice}"
    assert sentence(reason.name, "at the lower left") == f"{reason.short}: at the lower left. {reason.advice}"


def test_names_of_reasons_are_unique() -> None:
    assert len(REASONS) == len(PHOTO_REASONS) + len(CELL_REASONS)
