"""Results kept beside a store: the same numbers as computed anew, made again only where something was entered since."""

import contextlib
import errno
import json
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
from kept import FLAGGED, NOW, keep, made_result, points
from pandas.testing import assert_frame_equal
from stores import enter, fish

from digitise.cli import main
from digitise.notebook import open_programme
from digitise.results import cores, kept, parts, survey_results
from digitise.results.change_tables import community_table, pooled_table
from digitise.results.kept import KeptTables, make_ahead
from digitise.results.parts import TABLES, Taken, alone
from digitise.store import Store
from digitise.store.backup import backup, restore
from digitise.store.marks import holds, mark_now, packs_since
from digitise.store.rows import as_they_came
from digitise.surveys.known_plan import keep_plan
from digitise.surveys.survey import load_surveys

PACKS = [f"QH7M4{letter}" for letter in "ABCDE"]
RAY = "fish/ray/0-10/tally"


def fill(store, packs=PACKS):
    """A site, a line and a fish sheet for each pack; the sites' dates run backwards, and the last pack has no site sheet."""
    for k, pack in enumerate(packs):
        if pack != "QH7M4E":
            site = {"site/site": f"Garden {k % 2}", "site/date": f"{2024 - k}-03-28"}
            keep(store, made_result("site", site, name=f"site{pack}", pack=pack), now=NOW)
        line = points({"BK": 12 + k, "YB": 25 - k}, x=FLAGGED)
        keep(store, made_result("substrate", line, name=f"line{pack}", pack=pack, transect=1), now=NOW)
        for t in (1, 2):
            fish = {RAY: 2 + t + k, "fish/goby/0-10/tally": FLAGGED if t == 2 else 3, "fish/none-seen": True}
            keep(store, made_result("fish", fish, name=f"fish{pack}{t}", pack=pack, transect=t), now=NOW)


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    folder = tmp_path_factory.mktemp("original") / "store"
    with Store.open(folder) as store:
        fill(store)
    return folder


@pytest.fixture
def folder(original, tmp_path):
    shutil.copytree(original, tmp_path / "store")
    return tmp_path / "store"


def computed(monkeypatch):
    """The packs that are computed from now on."""
    seen = []

    def counted(survey, **rest):
        seen.append(survey.pack)
        return survey_results(survey, **rest)

    monkeypatch.setattr(cores, "survey_results", counted)
    return seen


def tables(folder):
    with Store.open(folder) as store:
        now = KeptTables(store)
        found = {name: now.read(name) for name in TABLES}
        now.close()
        return found


def plain(frame):
    """Missing text as empty text, whole numbers as numbers."""
    return frame.astype(object).where(frame.notna(), None).map(lambda v: "" if v is None or v == "" else v)


def test_kept_tables_hold_what_the_surveys_give(folder):
    """Every table, row by row in order of date, against the objects of all surveys; twice, since the second time reads."""
    with Store.open(folder) as store:
        results = [survey_results(s) for s in load_surveys(store)]
    for found in (tables(folder), tables(folder)):
        assert list(found["surveys"]["pack"]) == ["QH7M4D", "QH7M4C", "QH7M4B", "QH7M4A", "QH7M4E"]
        for name, make in TABLES.items():
            assert len(found[name]) or name == "impacts"
            assert_frame_equal(plain(found[name]), plain(make(results)), check_dtype=False)


def test_the_second_time_nothing_is_computed(folder, monkeypatch):
    """Only read."""
    tables(folder)
    seen = computed(monkeypatch)

    tables(folder)

    assert seen == []


def test_an_entry_has_its_own_survey_computed_anew_and_no_other(folder, monkeypatch):
    """The new number is there, the other surveys' rows are as they were."""
    before = tables(folder)["density"]
    with Store.open(folder) as store:
        page = next(p.id for p in store.pages("QH7M4C") if p.sheet == "fish" and p.transect == 2)
        store.decide(page, "fish/goby/0-10/tally", value=7, state="entered", by="Anna", why="", now=NOW)
    seen = computed(monkeypatch)
    after = tables(folder)["density"]

    assert seen == ["QH7M4C"]
    goby = after[(after.pack == "QH7M4C") & (after.taxon == "goby") & (after.level == "site")].iloc[0]
    assert goby["count"] == 10
    assert_frame_equal(
        before[before.pack != "QH7M4C"].reset_index(drop=True), after[after.pack != "QH7M4C"].reset_index(drop=True)
    )


def test_a_plan_with_fewer_lines_has_its_own_survey_computed_anew(folder, tmp_path, monkeypatch):
    """What is missing follows the plan, also one that is given after the results were kept."""
    before = tables(folder)["surveys"].set_index("pack")["sheets_missing"]
    (tmp_path / "north.yaml").write_text(
        "plan: north\nprotocol: reef-transect\nsites: [{name: Amber Point, code: AP}]\n"
        "surveys: [{site: AP, transects: 2, pack: QH7M4C}, {site: AP, pack: QH7M4D}]\n"
    )
    keep_plan(folder, tmp_path / "north.yaml")
    seen = computed(monkeypatch)
    after = tables(folder)["surveys"].set_index("pack")["sheets_missing"]
    again = tables(folder)["surveys"].set_index("pack")["sheets_missing"]

    assert seen == ["QH7M4C"]
    assert after["QH7M4C"] == before["QH7M4C"] - 1
    assert (after.drop("QH7M4C") == before.drop("QH7M4C")).all()
    assert (again == after).all()


def test_an_entry_taken_back_and_a_new_page_are_seen(folder, monkeypatch):
    """Undo adds an entry too; a page of a new pack makes a new survey."""
    tables(folder)
    with Store.open(folder) as store:
        page = next(p.id for p in store.pages("QH7M4B") if p.sheet == "fish" and p.transect == 2)
        store.decide(page, "fish/goby/0-10/tally", value=7, state="entered", by="Anna", why="", now=NOW)
    tables(folder)
    with Store.open(folder) as store:
        store.undo(page, "fish/goby/0-10/tally", by="Anna", now=NOW)
        fill(store, ["QH7M4F"])
    seen = computed(monkeypatch)
    found = tables(folder)

    assert sorted(seen) == ["QH7M4B", "QH7M4F"]
    assert len(found["surveys"]) == 6
    with Store.open(folder) as store:
        anew = [survey_results(s) for s in load_surveys(store)]
    assert_frame_equal(plain(found["cover"]), plain(TABLES["cover"](anew)), check_dtype=False)


def test_a_page_given_to_another_pack_changes_both(folder, monkeypatch):
    """It leaves the one and joins the other."""
    tables(folder)
    with Store.open(folder) as store:
        page = next(p.id for p in store.pages("QH7M4A") if p.sheet == "fish" and p.transect == 2)
        store.assign(page, "QH7M4B", 3, "Anna", NOW)
    seen = computed(monkeypatch)
    found = tables(folder)["surveys"].set_index("pack")

    assert sorted(seen) == ["QH7M4A", "QH7M4B"]
    assert (found.loc["QH7M4A"].transects, found.loc["QH7M4B"].transects) == (1, 3)


def test_another_history_or_other_code_has_all_computed_anew(folder, tmp_path, monkeypatch):
    """Tables of one store beside another store's database are of no use to it; nor are those of other code."""
    tables(folder)
    with Store.open(tmp_path / "other") as store:
        fill(store, PACKS[::-1])
    shutil.copytree(folder / "results", tmp_path / "other" / "results")
    seen = computed(monkeypatch)
    tables(tmp_path / "other")
    assert sorted(seen) == PACKS
    seen.clear()
    monkeypatch.setattr(kept, "code_digest", lambda: "other code")
    tables(folder)
    assert sorted(seen) == PACKS


def test_a_store_put_back_from_an_older_backup_has_its_own_results(folder, tmp_path):
    """An entry made after the backup is in no table of the restored store, even with the kept tables beside it."""
    with Store.open(folder) as store:
        backup(store, tmp_path / "copy", now=NOW)
        page = next(p.id for p in store.pages("QH7M4C") if p.sheet == "fish" and p.transect == 2)
        store.decide(page, "fish/goby/0-10/tally", value=7, state="entered", by="Anna", why="", now=NOW)
    new = tables(folder)["density"]
    restore(tmp_path / "copy", tmp_path / "back", now=NOW)
    shutil.copytree(folder / "results", tmp_path / "back" / "results")
    old = tables(tmp_path / "back")["density"]

    def count(frame):
        return frame[(frame.pack == "QH7M4C") & (frame.taxon == "goby") & (frame.level == "site")].iloc[0]["count"]

    assert (count(new), count(old)) == (10, 3)


@pytest.mark.parametrize("harm", ["state", "file", "half"])
def test_damaged_tables_are_made_again(folder, harm):
    """Whatever is missing or cannot be read."""
    before = tables(folder)["cover"]
    home = folder / "results" / "95"
    if harm == "state":
        (home / "state.json").write_text("{")
    elif harm == "file":
        next(home.glob("part-*/cover.parquet")).unlink()
    else:
        state = json.loads((home / "state.json").read_text())
        (home / "state.json").write_text(json.dumps(state | {"parts": []}))

    assert_frame_equal(tables(folder)["cover"], before)


def test_a_folder_that_cannot_be_written_to_gives_the_same_numbers(folder):
    """Here a file stands where the folder would be."""
    before = tables(folder)["cover"]
    shutil.rmtree(folder / "results")
    (folder / "results").write_text("in the way")

    assert_frame_equal(tables(folder)["cover"], before)
    assert (folder / "results").read_text() == "in the way"


def test_small_parts_are_put_together_and_stay_right(folder, monkeypatch):
    """An entry at a time leaves a part each time, until there are twelve."""
    monkeypatch.setattr(parts, "SMALL", 3)
    tables(folder)
    with Store.open(folder) as store:
        chosen = [p for p in store.pages() if p.sheet == "fish" and p.transect == 2]
    for n, page in enumerate(chosen):
        with Store.open(folder) as store:
            store.decide(page.id, "fish/goby/0-10/tally", value=n, state="entered", by="Anna", why="", now=NOW)
        found = tables(folder)
    with Store.open(folder) as store:
        anew = [survey_results(s) for s in load_surveys(store)]

    assert len(list((folder / "results" / "95").glob("part-*"))) < 3
    for name, make in TABLES.items():
        assert_frame_equal(plain(found[name]), plain(make(anew)), check_dtype=False)


def test_parts_that_another_process_put_together_are_found_again(folder):
    """What was read from is gone; the present state is looked up once more."""
    with Store.open(folder) as store:
        now = KeptTables(store)
        before = now.read("cover")
        shutil.rmtree(next((folder / "results" / "95").glob("part-*")))
        assert_frame_equal(now.read("cover"), before)


def test_a_programme_without_surveys_has_empty_tables(tmp_path):
    """With their columns."""
    with Store.open(tmp_path / "store"):
        pass
    with open_programme(tmp_path / "store") as programme:
        assert len(programme.cover()) == 0
        assert "cover_percent" in programme.cover().columns
        assert len(programme.community()) == 0
        assert programme.pairs() == []


def test_only_rows_of_a_level_can_be_asked_for_and_each_confidence_has_its_own_tables(folder):
    """Ninety percent intervals are narrower."""
    with open_programme(folder) as programme, open_programme(folder, level=0.9) as ninety:
        wide, narrow = (p.density(level="site") for p in (programme, ninety))
        community = programme.community()
    with Store.open(folder) as store:
        expected = community_table(pooled_table([survey_results(s) for s in load_surveys(store)]))

    assert set(wide["level"]) == {"site"}
    both = wide["high_per_100m2"] - narrow["high_per_100m2"]
    assert (both.dropna() > 0).all()
    assert both.notna().any()
    assert_frame_equal(plain(community), plain(expected), check_dtype=False)


def test_a_mark_names_the_packs_that_were_added_to(folder):
    """None at first, then that of the page entered on; a mark of another store does not hold."""
    with Store.open(folder) as store, store.database.read() as connection:
        mark = mark_now(connection)
        assert packs_since(connection, mark) == set()
        assert holds(connection, mark)
    with Store.open(folder) as store:
        page = store.pages("QH7M4D")[-1]
        cell = next(c for c in store.current(page.id).values() if c.state == "unread")
        store.decide(page.id, cell.cell, value=None, state="illegible", by="Anna", why="", now=NOW)
        with store.database.read() as connection:
            assert packs_since(connection, mark) == {"QH7M4D"}
            assert holds(connection, mark)
            assert mark_now(connection) != mark


def test_marks_hold_on_either_database(where):
    """Entries, undo and pages given to another pack are seen in SQLite and PostgreSQL alike."""
    with where.open() as store:
        page, other = fish(store), fish(store, name="two.jpg", transect=2)
        with store.database.read() as connection:
            mark = mark_now(connection)
            assert packs_since(connection, mark) == set()
            assert holds(connection, mark)
        enter(store, page)
        with store.database.read() as connection:
            assert packs_since(connection, mark) == {"QH7M4K"}
            later = mark_now(connection)
        store.assign(other, "QH7M4B", 2, "Anna", NOW)
        with store.database.read() as connection:
            assert packs_since(connection, later) == {"QH7M4K", "QH7M4B"}
            assert holds(connection, mark)
        assert set(KeptTables(store).read("surveys")["pack"]) == {"QH7M4K", "QH7M4B"}


def test_packs_come_in_the_order_of_their_pages_and_pages_stay_where_they_were_at_a_mark(where):
    """A page given to another pack, and one that came later, change nothing of what is asked as of before."""
    with where.open() as store:
        page, other = fish(store), fish(store, name="two.jpg", transect=2)
        then = store.mark()
        store.assign(other, "QH7M4B", 2, "Anna", NOW)
        fish(store, name="three.jpg", transect=3)

        assert store.packs() == as_they_came(store.pages()) == ["QH7M4K", "QH7M4B"]
        assert [p.id for p in store.pages_of(["QH7M4K"], then)] == [page, other]
        assert store.pages_of(["QH7M4B"], then) == []
        assert [p.id for p in store.pages_of(["QH7M4B"], store.mark())] == [other]


def test_words_that_rows_share_are_held_once_and_a_level_is_read_alone(folder):
    """Of a table of four surveys and more; the rows of a level are those of the whole table."""
    tables(folder)
    with Store.open(folder) as store:
        found = KeptTables(store)
        whole, site = found.read("density"), found.read("density", level="site")
    for name in ("pack", "label", "method", "note"):
        assert len({id(word) for word in whole[name]}) == whole[name].nunique() < len(whole)
    assert_frame_equal(site, whole[whole["level"] == "site"].reset_index(drop=True))


def test_tables_are_made_ahead_so_that_the_first_question_computes_nothing(folder, monkeypatch):
    """In a store of any size, and only what is new."""
    with Store.open(folder) as store:
        make_ahead(store)
        fill(store, ["QH7M4F"])
        seen = computed(monkeypatch)
        make_ahead(store)
    assert seen == ["QH7M4F"]
    seen.clear()

    assert len(tables(folder)["surveys"]) == len(PACKS) + 1
    assert seen == []


def test_work_that_was_interrupted_goes_on_where_it_stopped(folder, monkeypatch):
    """What an earlier run wrote is kept; only the other surveys are computed, and what was entered on since."""
    expected = tables(folder)
    shutil.rmtree(folder / "results")
    monkeypatch.setattr(parts, "AT_ONCE", 2)

    def broken(store, packs, home, level, made=cores._made):
        if "QH7M4C" in packs:
            raise KeyboardInterrupt
        return made(store, packs, home, level)

    with monkeypatch.context() as patch, Store.open(folder) as store:
        patch.setattr(cores, "_made", broken)
        with pytest.raises(KeyboardInterrupt):
            make_ahead(store)
        page = next(p.id for p in store.pages("QH7M4A") if p.sheet == "fish" and p.transect == 2)
        store.decide(page, "fish/goby/0-10/tally", value=0, state="entered", by="Anna", why="", now=NOW)
        store.undo(page, "fish/goby/0-10/tally", by="Anna", now=NOW)
    seen = computed(monkeypatch)
    found = tables(folder)

    assert seen == ["QH7M4A", "QH7M4C", "QH7M4D", "QH7M4E"]
    for name in TABLES:
        assert_frame_equal(found[name], expected[name])


def test_any_number_of_programs_gives_the_same_tables(folder, monkeypatch):
    """One, three, and three that cannot even be started: what they leave this one does."""
    monkeypatch.setattr(parts, "AT_ONCE", 1)
    monkeypatch.setattr(cores, "ENOUGH", 1)
    found = []
    for jobs, python in ((1, sys.executable), (3, sys.executable), (3, "/nowhere/python"), (3, "/bin/false")):
        monkeypatch.setattr(sys, "executable", python)
        seen = computed(monkeypatch)
        shutil.rmtree(folder / "results", ignore_errors=True)
        with Store.open(folder) as store:
            found.append({name: KeptTables(store, jobs=jobs).read(name) for name in TABLES})
        monkeypatch.undo()
        monkeypatch.setattr(parts, "AT_ONCE", 1)
        monkeypatch.setattr(cores, "ENOUGH", 1)
        assert sorted(seen) == ([] if (jobs, python) == (3, sys.executable) else PACKS)

    for other in found[1:]:
        for name in TABLES:
            assert_frame_equal(other[name], found[0][name])


def test_a_program_that_breaks_down_leaves_the_rest_to_the_others(folder, tmp_path, monkeypatch):
    """Only what it had at that moment is left to this one."""
    python = tmp_path / "python"
    python.write_text(f'#!/bin/sh\nmkdir "{tmp_path}/first" 2>/dev/null && exit 1\nexec "{sys.executable}" "$@"\n')
    python.chmod(0o755)
    monkeypatch.setattr(parts, "AT_ONCE", 1)
    monkeypatch.setattr(cores, "ENOUGH", 1)
    monkeypatch.setattr(sys, "executable", str(python))
    seen = computed(monkeypatch)
    with Store.open(folder) as store:
        assert len(KeptTables(store, jobs=2).read("surveys")) == len(PACKS)
    assert len(seen) == 1


def test_programs_find_the_store_on_either_database(where, monkeypatch):
    """On PostgreSQL by its address, also when this program was given it otherwise: nothing is left to this one."""
    monkeypatch.setattr(parts, "AT_ONCE", 1)
    monkeypatch.setattr(cores, "ENOUGH", 1)
    with where.open() as store:
        fish(store)
        store.assign(fish(store, name="two.jpg", transect=2), "QH7M4B", 2, "Anna", NOW)
        seen = computed(monkeypatch)
        found = KeptTables(store, jobs=2).read("surveys")
    assert (set(found["pack"]), seen) == ({"QH7M4K", "QH7M4B"}, [])


def test_programs_at_work_at_once_spoil_nothing(folder, tmp_path):
    """Four that ask while entries are made: every answer is whole, and the last is right."""
    code = (
        "import sys, digitise\n"
        "for _ in range(6):\n"
        "    with digitise.open(sys.argv[1]) as p:\n"
        "        assert len(p.surveys()) == 5 and len(set(p.cover()['pack'])) == 5\n"
    )
    run = [sys.executable, "-c", code, str(folder)]
    asking = [subprocess.Popen(run, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    with Store.open(folder) as store:
        chosen = [p for p in store.pages() if p.sheet == "fish" and p.transect == 2]
        for n in range(12):
            page = chosen[n % len(chosen)].id
            store.decide(page, "fish/goby/0-10/tally", value=n, state="entered", by="Anna", why="", now=NOW)
            make_ahead(store)
    for one in asking:
        assert (one.communicate(timeout=300)[1], one.returncode) == ("", 0)
    found = tables(folder)
    with Store.open(folder) as store:
        anew = [survey_results(s) for s in load_surveys(store)]
    for name, make in TABLES.items():
        assert_frame_equal(plain(found[name]), plain(make(anew)), check_dtype=False)
    home = folder / "results" / "95"
    assert {p.name for p in home.glob("part-*")} == set(json.loads((home / "state.json").read_text())["parts"])


def test_what_another_program_makes_is_left_to_it_or_waited_for(folder):
    """Who makes ahead goes on at once; who asks has the answer when the other is done."""
    home = folder / "results" / "95"
    home.mkdir(parents=True)
    with Store.open(folder) as store, ThreadPoolExecutor(1) as pool:
        with alone(home):
            make_ahead(store)
            assert not list(home.glob("part-*"))
            with pytest.raises(Taken):
                KeptTables(store).bring_up_to_date()
            asked = pool.submit(KeptTables(store).read, "surveys")
            with pytest.raises(TimeoutError):
                asked.result(timeout=0.5)
        assert len(asked.result(timeout=60)) == len(PACKS)


@pytest.mark.parametrize("looks", [True, False])
def test_who_waits_is_told_where_somebody_looks(folder, monkeypatch, capsys, looks):
    """In a notebook as at a terminal: how far it is, or that another program is at work; nothing into a file."""
    monkeypatch.setattr(kept, "SHOW_AFTER_S", 0.0)
    if looks:
        monkeypatch.setitem(sys.modules, "ipykernel", sys)
    else:
        monkeypatch.delitem(sys.modules, "ipykernel", raising=False)
    home = folder / "results" / "95"
    home.mkdir(parents=True)
    with Store.open(folder) as store, ThreadPoolExecutor(1) as pool:
        with alone(home):
            asked = pool.submit(KeptTables(store).read, "surveys")
            with pytest.raises(TimeoutError):
                asked.result(timeout=0.5)
        asked.result(timeout=60)
    said = capsys.readouterr().err
    assert [words in said for words in ("Another program works these results out", "Results:")] == [looks, looks]


def test_accounts_that_share_a_store_share_its_tables(folder):
    """Files have the rights that every new file gets: here of a group that may write."""
    usual = os.umask(0o002)
    try:
        tables(folder)
    finally:
        os.umask(usual)
    paths = list((folder / "results").rglob("*"))
    assert any(p.is_dir() for p in paths)
    assert any(p.suffix == ".parquet" for p in paths)
    for path in paths:
        assert path.stat().st_mode & 0o777 == (0o775 if path.is_dir() else 0o664), path


def test_a_file_cut_short_is_noticed(folder):
    """As after a power loss: the tables are made again."""
    before = tables(folder)["cover"]
    file = next((folder / "results" / "95").glob("part-*/cover.parquet"))
    file.write_bytes(file.read_bytes()[:100])

    assert_frame_equal(tables(folder)["cover"], before)


@pytest.mark.parametrize("name", ["surveys/printed_on.py", "estimate/uneven.py", "reader/counts.py"])
def test_other_code_has_another_digest(tmp_path, monkeypatch, name):
    """Wherever numbers come from: also where it is said which pages count."""
    for folder in ("estimate", "results", "surveys", "reader", "sheets"):
        shutil.copytree(kept._PACKAGE / folder, tmp_path / folder)
    before = kept.code_digest()
    monkeypatch.setattr(kept, "_PACKAGE", tmp_path)
    assert kept.code_digest() == before
    (tmp_path / name).write_text("other = True\n")
    assert kept.code_digest() != before


def test_tables_that_find_no_room_are_left_for_whoever_asks(folder, monkeypatch):
    """A full disk does not make a failure of a run that has kept everything it read."""

    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(cores, "written", full)
    with Store.open(folder) as store:
        make_ahead(store)
        with contextlib.closing(KeptTables(store)) as found, pytest.raises(OSError, match="No space"):
            found.read("surveys")


def test_results_that_cannot_be_computed_end_no_command_but_the_one_that_asks_for_them(folder, monkeypatch, capsys):
    """What was read is kept; the sentence is for whoever wants the numbers."""

    def lost(*_, **__):
        raise ValueError("reef-transect 1: its layout is lost")

    monkeypatch.setattr(cores, "survey_results", lost)
    with Store.open(folder) as store:
        assert not make_ahead(store)
        with contextlib.closing(KeptTables(store)) as found, pytest.raises(ValueError, match="its layout is lost"):
            found.read("surveys")


def test_levels_that_hardly_differ_have_tables_of_their_own(folder):
    """Nobody is given intervals of another level than asked for, however near."""
    near = 0.950000001
    with Store.open(folder) as store, contextlib.closing(KeptTables(store, level=0.95)) as usual:
        usual.read("cover")
        with contextlib.closing(KeptTables(store, level=near)) as other:
            assert other.waiting == len(PACKS)
            assert set(other.read("surveys")["pack"]) == set(PACKS)
    assert sorted(p.name for p in (folder / "results").iterdir()) == ["95", "95.0000001"]


def test_a_store_on_a_full_disk_still_gives_its_numbers(folder, monkeypatch):
    """They are worked out elsewhere."""
    before = tables(folder)["cover"]
    shutil.rmtree(folder / "results")

    def full(home, made, written=parts.written):
        if home.is_relative_to(folder):
            raise OSError(errno.ENOSPC, "No space left on device")
        return written(home, made)

    monkeypatch.setattr(cores, "written", full)
    assert_frame_equal(tables(folder)["cover"], before)


def test_a_disk_that_becomes_full_keeps_nothing_half_written(folder, monkeypatch):
    """However often it is tried: people's entries need the room. The part that was finished stays."""
    monkeypatch.setattr(parts, "AT_ONCE", 1)
    home, files = folder / "results" / "95", []

    def filling(frame, path, write=parts.write_rows):
        files.append(path)
        write(frame, path)
        if len(files) > len(TABLES) + 2:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(parts, "write_rows", filling)
    with Store.open(folder) as store:
        assert [make_ahead(store), make_ahead(store)] == [False, False]
        assert KeptTables(store).waiting == len(PACKS) - 1
    assert len(list(home.glob("part-*"))) == 1
    assert not list(home.glob("state-*"))


@pytest.mark.parametrize("what", ["export", "report", "restore", "import"])
def test_commands_after_which_results_are_ready(folder, tmp_path, capsys, monkeypatch, what):
    """Wherever surveys come in, and where a store is opened that a new version has not seen; what was done is told before."""
    told = []
    monkeypatch.setattr(kept, "make_ahead", lambda store: told.append(capsys.readouterr().err) or make_ahead(store))
    store, out = ["--store", str(folder)], ["--out", str(tmp_path / "out")]
    made = folder
    if what == "export":
        assert main(["export", *store, *out, "--with-unreviewed"]) == 0
    elif what == "report":
        assert main(["report", *store, *out, "--pack", PACKS[0]]) == 0
    else:
        made = tmp_path / "second"
        first = ["backup", *store] if what == "restore" else ["export", *store, "--as", "evidence", "--with-unreviewed"]
        assert main([*first, *out]) == 0
        source = tmp_path / "out" if what == "restore" else tmp_path / "out" / "evidence"
        assert main([what, str(source), "--store", str(made)]) == 0
    with Store.open(made) as opened:
        assert KeptTables(opened).waiting == 0
    words = {"export": "5 surveys", "report": "Report: ", "restore": "as they were left", "import": "taken into"}
    assert words[what] in told[-1]


def test_ctrl_c_while_results_are_made_ahead_undoes_nothing(folder, tmp_path, monkeypatch):
    """What was asked for is done; the rest is left to whoever asks."""

    def stopped(*_given, **_rest):
        raise KeyboardInterrupt

    monkeypatch.setattr(cores, "survey_results", stopped)
    assert main(["export", "--store", str(folder), "--out", str(tmp_path / "out"), "--with-unreviewed"]) == 0
    assert (tmp_path / "out" / "tables" / "cover.csv").is_file()
