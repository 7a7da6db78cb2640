"""Surveys and tables that lie on disk while they are exported: the same things, few of them held at once."""

import os
import tempfile
from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from kept import FLAGGED, NOW, alive, keep, made_result, made_survey, points

from digitise.commands.common import file_trouble
from digitise.exchange import tables
from digitise.exchange.content import gather
from digitise.exchange.frames import Frames
from digitise.exchange.spool import SurveySpool
from digitise.exchange.write import write_export
from digitise.handover.package import make_handover
from digitise.handover.prepared import Wishes, prepare_handover
from digitise.report import write_report
from digitise.results import survey_results
from digitise.spool import Spool, on_disk_of
from digitise.store import Store
from digitise.surveys.survey import Survey, load_surveys

PACKS = [f"QH7M{a}{b}" for a in "AB" for b in "ABCDEFGHJKMNPR"]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Surveys whose dates run backwards, each with a line and a fish sheet; cells wait on both."""
    with Store.open(tmp_path_factory.mktemp("spool") / "store") as opened:
        for k, pack in enumerate(PACKS):
            site = {"site/site": f"Garden {k % 3}", "site/date": f"{2025 - k // 12}-{12 - k % 12:02d}-28"}
            keep(opened, made_result("site", site, name=f"site{k}", pack=pack), now=NOW)
            line = points({"BK": 12 + k % 9, "YB": 10}, x=FLAGGED)
            keep(opened, made_result("substrate", line, name=f"line{k}", pack=pack), now=NOW)
            fish = {"fish/ray/0-10/tally": k, "fish/goby/0-10/tally": FLAGGED, "fish/none-seen": True}
            keep(opened, made_result("fish", fish, name=f"fish{k}", pack=pack), now=NOW)
        keep(opened, made_result("fish", {}, name="nobody's", pack=None), now=NOW)
        yield opened


def test_results_come_back_as_they_were_put_away(store):
    """All but the points and counts they were made of, each as often as it is asked for."""
    spool = SurveySpool()
    surveys = load_surveys(store)
    made = [survey_results(s) for s in surveys]
    for one in made:
        spool.put_results(one)

    for one in [*made, made[3]]:
        back = spool.results(one.survey.pack)
        assert (back.lines, back.densities, back.impacts, back.quality) == (
            one.lines,
            one.densities,
            one.impacts,
            one.quality,
        )
        assert back.survey.cells == one.survey.cells
        assert back.survey.protocol is one.survey.protocol
        assert (back.survey.fields, back.survey.findings) == (one.survey.fields, one.survey.findings)
        assert [t.fields for t in back.survey.transects] == [t.fields for t in one.survey.transects]
        assert all(t.points == {} and t.counts == () for t in back.survey.transects)


def test_what_is_gathered_comes_by_date_and_its_cells_by_page(store):
    """As surveys loaded together; cells of the page without a pack come last."""
    content = gather(store, now=NOW, with_unreviewed=True)
    expected = load_surveys(store)

    assert [r.survey.pack for r in content.results] == [s.pack for s in expected]
    assert [s.pack for s in content.surveys] == [s.pack for s in expected]
    own = [(p.id, c.cell) for p in store.pages() if not p.superseded for c in store.current(p.id).values()]
    assert [(p.id, c.cell) for p, c in content.cells] == own
    assert len(content.cells) == len(own)
    assert content.unread == sum(p.open for p in store.pages())
    assert list(content.cells)[-1][0].pack is None


def test_what_is_held_is_counted():
    with alive(Survey) as surveys:
        one, other = made_survey(), made_survey()
        assert surveys() == 2
        del one, other
        assert surveys() == 0


@pytest.mark.parametrize("formats", [("tables",), ("darwin-core", "sites"), ("workbook",)])
def test_an_export_holds_few_surveys_at_once(store, tmp_path, monkeypatch, formats):
    """However many there are; each look at one is told."""
    monkeypatch.setattr(tables, "AT_ONCE", 3)
    held, told = [], []

    def tick(total):
        told.append(total)
        held.append(surveys())

    with alive(Survey) as surveys:
        write_export(store, tmp_path, now=NOW, formats=formats, with_unreviewed=True, tick=tick)

    assert max(held) <= 3 + 3
    assert len(told) >= told[0] == max(told) >= 2 * len(PACKS)


def rows(*parts):
    frames = Frames()
    for part in parts:
        frames.add(part)
    return frames, list(frames.rows())


def test_a_table_made_in_parts_reads_as_if_it_was_made_at_once():
    """Whole numbers have a point where they would have one; what is not known is None; text stays text."""
    first = pd.DataFrame({"n": [1, 2], "x": [0.5, None], "word": ["a", None], "none": [None, None], "mixed": [3, "no"]})
    second = pd.DataFrame({"n": [None, 4], "x": [1, 2], "word": [None, None], "none": [None, 7], "mixed": [None, 5]})
    frames, found = rows(first, first.iloc[:0], second)
    whole = pd.concat([first, second.astype({"word": object})], ignore_index=True)
    expected = whole.astype(object).where(whole.notna(), None).to_dict("records")

    assert found == expected
    assert [type(r["n"]) for r in found if r["n"] is not None] == [float] * 3
    assert len(frames) == 4


def test_what_is_put_away_lies_on_the_disk_of_the_output(tmp_path, monkeypatch):
    """Beside what is there already, or in the next folder above that is; elsewhere in the usual place again."""
    places = []
    made = tempfile.TemporaryFile
    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **rest: places.append(rest["dir"]) or made(**rest))
    for out in (tmp_path, tmp_path / "new" / "folder"):
        with on_disk_of(out):
            Spool().put("key", b"value")
    Spool()

    assert places == [tmp_path, tmp_path, None]
    assert list(tmp_path.iterdir()) == []


def hand_over(store, out, *, now, packs):
    """A hand-over with report, data and workbook."""
    rest = {"with_unsigned": True, "with_unreviewed": True, "evidence": "none"}
    wishes = Wishes("Reserve office", "Ada Lind", packs=tuple(packs), **rest)
    return make_handover(store, out, prepare_handover(store, wishes, now=now, out=out), now=now)


WRITERS = {"export": partial(write_export, with_unreviewed=True), "report": write_report, "hand-over": hand_over}


@pytest.mark.parametrize("write", WRITERS.values(), ids=WRITERS)
def test_what_is_written_for_others_puts_nothing_away_elsewhere(store, tmp_path, monkeypatch, write):
    """Surveys, tables, pages and the rows of the workbook alike: there is no folder for temporary files here."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    write(store, tmp_path / "out", now=NOW, packs=PACKS[:2])

    left = [p for p in (tmp_path / "out").rglob("*") if p.name.startswith("digitise-")]
    assert left == []
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only some systems have a device that is always full")
def test_a_full_disk_is_named_by_the_folder_of_the_output(tmp_path, monkeypatch):
    """Writing into a file without a name does not tell which disk is full."""
    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **_: Path("/dev/full").open("r+b", buffering=0))  # noqa: SIM115
    with pytest.raises(OSError, match="No space left") as full, on_disk_of(tmp_path / "out"):
        Spool().put("key", b"value")
    assert file_trouble(full.value) == f"{tmp_path}: the disk is full; make room, then try again"


def test_where_nothing_may_be_written_beside_the_output_the_usual_place_serves(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    with on_disk_of(tmp_path):
        spool = Spool()
        spool.put("key", b"value")
        assert spool.get("key") == b"value"
    assert list(tmp_path.iterdir()) == []
