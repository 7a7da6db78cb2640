"""Work at the store stays quick however much it holds: no query of the screens looks through a table of cells.

The plans are the databases' own, for the statements that the store really sends. SQLite chooses without statistics, so
its plan for a small store is that for a large one; PostgreSQL is told to look through a table only where it must.
"""

import re
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import pytest
from kept import FLAGGED, NOW, PACK, keep, made_result
from sqlalchemy import event
from stores import GOBY, RAY, TOTAL, enter, fish

from digitise.store import queue, schema
from digitise.store.verify import verify
from digitise.surveys.survey import load_survey
from review_app.taking import Wish, take

WITH_EVERY_CELL = ("readings", "entries", "open_cells", "links", "audit_cells", "audit_answers")
OTHER = "WX3PLE"


@contextmanager
def sent_to(database):
    """Statements that go to the database within the block, each once, with parameters."""
    sent = {}

    def note(_connection, _cursor, statement, parameters, _context, many):
        sent.setdefault(statement, parameters[0] if many else parameters)

    event.listen(database.engine, "before_cursor_execute", note)
    yield sent
    event.remove(database.engine, "before_cursor_execute", note)


def plan(store, statement: str, parameters) -> str:
    """How the database goes about a statement, in its own words, a step a line."""
    with store.database.read() as connection:
        if store.database.kind == "sqlite":
            found = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
        else:
            connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
            found = connection.exec_driver_sql(f"EXPLAIN {statement}", parameters).all()
    return "\n".join(row[-1] for row in found)


def looks_through(steps: str, statement: str) -> set[str]:
    """Tables of cells that a plan looks through from one end to the other."""
    whole = set(re.findall(r"(?:Seq Scan on|SCAN) (?:TABLE )?(\w+)", steps)) & set(WITH_EVERY_CELL)
    takes_the_end = re.search(r"ORDER BY \w+\.id DESC\s+LIMIT", statement) and "TEMP B-TREE" not in steps
    return set() if takes_the_end else whole


def everyday_work(store) -> None:
    """Everything that the screens ask of a store while people work."""
    page = store.queue(limit=1)[0].page_id
    store.queue(pack=PACK), store.queue(sheet="fish", reason="unsure", limit=5)
    taken = take(store, Wish("desk-anna", "Anna"), now=NOW)["items"]
    item = store.queue(keys={(taken[0]["page"], taken[0]["cell"])})[0]
    press = {"client": "desk-anna", "seq": 1, "last_seen": item.last_entry}
    enter(store, item.page_id, item.cell, **press)
    enter(store, item.page_id, item.cell, **press)
    store.undo(item.page_id, item.cell, by="Anna", client="desk-anna", seq=2, now=NOW)
    store.leases.release(client="desk-anna")
    store.pages(), store.pages(PACK), store.page(page), store.progress(), store.progress(pack=PACK), store.photos()
    store.open_reasons(), store.open_reasons(pack=PACK)
    store.asked.ask(page, TOTAL, remark="5 or 6?", by="Anna", client="desk-anna", seq=3, now=NOW)
    store.queue(keys=store.asked.waiting(), limit=5)
    free = [(i.page_id, i.cell) for i in store.queue(limit=2)]
    store.leases.take_free(free, by="Ben", client="desk-ben", now=NOW, also_from={"desk-anna"})
    store.leases.held(now=NOW)
    store.cells(page), store.readings(page), store.entries(page), store.current(page)
    store.assign(page, PACK, 1, "Anna", NOW)
    load_survey(store, PACK)
    for one in store.queue():
        enter(store, one.page_id, one.cell)
    store.findings.accept(PACK, "missing/fish/2", reason="Storm.", by="Mira", now=NOW)
    store.findings.accepted(PACK)
    store.signoffs.sign(PACK, statement="Looked.", by="Mira", now=NOW, digest=store.signoffs.digest(PACK))
    store.signoffs.of(PACK)
    fish(store, name="late.jpg", transect=3)


def filled(store) -> None:
    fish(store, flagged=(TOTAL, GOBY))
    fish(store, name="b.jpg", transect=2, flagged=(TOTAL, RAY))
    keep(store, made_result("fish", {TOTAL: FLAGGED}, name="c.jpg", pack=OTHER))


def test_everyday_work_looks_through_no_table_of_cells(store):
    """Not one of the statements, on either database."""
    filled(store)
    with sent_to(store.database) as sent:
        everyday_work(store)
    planned = {s: plan(store, s, p) for s, p in sent.items() if s.startswith(("SELECT", "UPDATE", "DELETE"))}

    assert len(planned) > 40
    assert {s: steps for s, steps in planned.items() if looks_through(steps, s)} == {}


def test_the_check_of_plans_sees_a_search_without_an_index(store):
    """Entries by their time have no index; links from the end need none."""
    filled(store)
    last = "SELECT links.id FROM links ORDER BY links.id DESC LIMIT 1"
    slow = "SELECT entries.id FROM entries WHERE entries.at = 'x'"

    assert looks_through(plan(store, slow, ()), slow) == {"entries"}
    assert looks_through(plan(store, last, ()), last) == set()


def test_every_index_serves_everyday_work(store):
    """An index that no statement uses would only slow writing down; those that keep rows apart serve by that."""
    filled(store)
    with sent_to(store.database) as sent:
        everyday_work(store)
    plans = "\n".join(plan(store, s, p) for s, p in sent.items() if s.startswith(("SELECT", "UPDATE", "DELETE")))
    indexes = {index.name for table in schema.metadata.tables.values() for index in table.indexes}

    assert len(indexes) >= 5
    assert {name for name in indexes if name not in plans} == set()


@pytest.mark.parametrize("limit", [1, 2, 3, 4, 5, 99])
def test_a_limited_queue_is_the_beginning_of_the_whole_one(store, limit):
    """Over several pages, with and without a reason, whichever pages are looked into."""
    filled(store)
    whole = store.queue()

    assert len(whole) == 5
    assert store.queue(limit=limit) == whole[:limit]
    assert store.queue(limit=limit, reason="unsure") == whole[:limit]
    assert store.queue(limit=limit, reason="crossed-out") == []


def test_a_queue_among_cells_that_are_named_has_those_of_them_that_wait(store):
    """In working order; a cell that is decided, or that there is none of, is not in it."""
    filled(store)
    whole = store.queue()
    keys = {(i.page_id, i.cell) for i in (whole[3], whole[1])} | {(whole[0].page_id, "fish/none-seen"), (99, TOTAL)}

    assert store.queue(keys=keys) == [whole[1], whole[3]]
    assert store.queue(keys=keys, limit=1) == [whole[1]]
    assert store.queue(keys=keys, reason="crossed-out") == store.queue(keys=set()) == []


def test_reasons_are_counted_as_the_queue_has_them(store):
    """Of one pack, of one sheet and of all; a cell of no doubt that was opened again has none."""
    filled(store)
    store.undo(store.pages(PACK)[0].id, "fish/none-seen", by="Anna", now=NOW)
    assert len(store.queue()) == 6
    for which in ({}, {"pack": PACK}, {"pack": OTHER}, {"sheet": "fish"}, {"sheet": "site"}):
        counted = Counter(name for item in store.queue(**which) for name in item.reason_names)
        assert store.open_reasons(**which) == counted
    assert store.open_reasons() == {"unsure": 5}


def test_a_limited_queue_looks_only_into_the_pages_it_needs(store, monkeypatch):
    """One cell of three pages: one page; three cells: the first page has two, so two pages."""
    filled(store)
    asked = []
    honest = queue.open_readings
    monkeypatch.setattr(queue, "open_readings", lambda pages: asked.append(len(pages)) or honest(pages))

    store.queue(limit=1)
    store.queue(limit=3)
    assert asked == [1, 2]


def test_the_benchmarks_large_store_is_a_whole_one(store, monkeypatch):
    """What it times is a store as the tool would have made it: links, photographs, pictures, counts, many packs."""
    monkeypatch.syspath_prepend(Path(__file__).parent / "benchmarks")
    import bench_store

    flagged = dict.fromkeys((TOTAL, RAY, GOBY), FLAGGED)
    keep(store, made_result("fish", flagged, name="0.jpg", pack=bench_store.pack_name(0)))
    bench_store.multiply(store, 53 * 12)

    assert verify(store).problems == ()
    assert (len(store.pages()), len(store.packs()), len(store.queue())) == (12, 4, 36)
    timed = bench_store.queries(store)
    assert {"all pages, the first time", "survey for results", "find a cell and decide it"} <= set(timed)
    assert min(timed.values()) >= 0
    assert verify(store).problems == ()
