"""Results of earlier years: understood through a mapping, every problem named by its line, nothing doubtful taken."""

import datetime as dt
import time
import zipfile

import pytest

from digitise.cli import main
from digitise.earlier.keep import earlier_results, keep_table, kept_tables, read_table
from digitise.store import Store
from digitise.surveys.known_plan import keep_plan

TODAY = dt.date(2026, 3, 28)
WIDE = """
protocol: reef-transect
site: Station
date: When
date_format: "%d/%m/%Y"
sites: {Lantern Rf: Lantern Reef}
columns:
  "HC %": {cover: Hard coral}
  "Sand %": {cover: sand}
  "Dams": {count: damselfish, per_m2: 250}
"""
LONG = """
protocol: reef-transect
site: site
date: date
measure: what
value: mean
low: lower
high: upper
measures:
  live coral: {cover: Hard coral}
  rays: {count: Rays}
"""


@pytest.fixture
def read(tmp_path):
    """``read(table, mapping)``: (results, problems) of a CSV text."""

    def run(table, mapping=WIDE):
        (tmp_path / "past.csv").write_text(table, encoding="utf-8")
        (tmp_path / "past.yaml").write_text(mapping, encoding="utf-8")
        return read_table(tmp_path / "past.csv", tmp_path / "past.yaml", today=TODAY)

    return run


def words(problems):
    return [p.words for p in problems]


def test_a_wide_table_gives_covers_and_densities(read):
    """31.5 % stays 31.5; 50 fish in 250 square metres are 20 per 100; the site's old name becomes its new one."""
    results, problems = read("Station,When,HC %,Sand %,Dams\nLantern Rf,17/03/2019,31.5,12,50\n")

    assert problems == []
    assert [(r.site, str(r.day), r.label, r.is_cover, r.value, r.line) for r in results] == [
        ("Lantern Reef", "2019-03-17", "Hard coral", True, 31.5, 2),
        ("Lantern Reef", "2019-03-17", "Sand and silt", True, 12.0, 2),
        ("Lantern Reef", "2019-03-17", "Damselfish", False, 20.0, 2),
    ]


def test_an_empty_field_is_no_zero(read):
    """A blank and an NA give no result; a written 0 does."""
    results, problems = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,,NA,0\n")

    assert problems == []
    assert [(r.label, r.value) for r in results] == [("Damselfish", 0.0)]
    results, problems = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,,x,0\n", WIDE + "missing: [x]\n")
    assert (problems, [r.label for r in results]) == ([], ["Damselfish"])


def test_a_long_table_brings_its_own_limits(read):
    """Limits as the source gave them."""
    table = "site,date,what,mean,lower,upper\nA,2019-03-17,live coral,30,20,42\nA,2020-03-17,rays,1.5,,\n"
    results, problems = read(table, LONG)

    assert problems == []
    assert [(r.label, r.value, r.low, r.high, r.unit_words) for r in results] == [
        ("Hard coral", 30.0, 20.0, 42.0, "cover, %"),
        ("Rays", 1.5, None, None, "per 100 m²"),
    ]


def test_transects_become_their_mean_with_its_t_interval(read):
    """25, 30 and 35 %: mean 30, SE 5/sqrt(3), t(0.975, 2) = 4.303, so 17.6 to 42.4."""
    mapping = WIDE + "transect: Line\n"
    rows = "".join(f"A,17/03/2019,{v},,,{n}\n" for n, v in enumerate((25, 30, 35), 1))
    results, problems = read("Station,When,HC %,Sand %,Dams,Line\n" + rows, mapping)
    (one,) = results

    assert problems == []
    assert (one.value, one.low, one.high, one.transects) == pytest.approx((30.0, 17.58, 42.42, 3), abs=0.01)


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        (",17/03/2019,1,1,1", "line 2, Station: empty, expected the site's name"),
        ("A,2019-03-17,1,1,1", "line 2, When: found '2019-03-17', expected a date of the form %d/%m/%Y"),
        ("A,31/02/2019,1,1,1", "line 2, When: found '31/02/2019', expected a date of the form %d/%m/%Y"),
        ("A,17/03/2031,1,1,1", "line 2, When: 2031-03-17 is not between 1950-01-01 and 2026-03-28"),
        ("A,17/03/2019,131,1,1", "line 2, HC %: 131 is no percentage; expected 0 to 100"),
        ("A,17/03/2019,ca. 30,1,1", "line 2, HC %: found 'ca. 30', expected a number or nothing"),
        (
            'A,17/03/2019,"3,5",1,1',
            """line 2, HC %: found '3,5', expected a number or nothing; if ',' marks decimals in the whole table, write decimal: "," into the mapping""",
        ),
        ('A,17/03/2019,1,1,"1,500"', "line 2, Dams: found '1,500', expected a number or nothing"),
        ("A,17/03/2019,1,1,-4", "line 2, Dams: -4 is negative; expected 0 or more"),
        ("A,17/03/2019,nan,1,1", "line 2, HC %: found 'nan', expected a number or nothing"),
        ("A,17/03/2019,1,1,1e300", "line 2, Dams: 1e+300 is no count; expected 1e+09 at most"),
        ("A\0,17/03/2019,1,1,1", "line 2, Station: a character that cannot be seen (U+0000); delete it"),
    ],
)
def test_every_doubtful_field_is_named_by_line_and_column(read, row, problem):
    """And the row is not taken."""
    results, problems = read(f"Station,When,HC %,Sand %,Dams\n{row}\n")

    assert words(problems) == [problem]
    assert results == []


def test_all_problems_of_a_table_are_listed_at_once(read):
    """Three bad lines of four, and the good one is still understood."""
    table = "Station,When,HC %,Sand %,Dams\nA,x,1,1,1\nA,17/03/2019,30,1,1\nA,18/03/2019,y,z,1\n,19/03/2019,1,1,1\n"
    results, problems = read(table)

    assert [p.line for p in problems] == [2, 4, 4, 5]
    assert {r.line for r in results} == {3}


def test_the_same_number_twice_is_a_problem(read):
    """One survey in two lines without a column of transects."""
    _, problems = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,,\nA,17/03/2019,31,,\n")

    assert words(problems) == [
        "line 3, HC %: A on 2019-03-17 has this already in line 2; if these are transects, name their column as 'transect'"
    ]


def test_categories_beyond_100_percent_and_values_outside_their_limits_are_problems(read):
    """60 + 60 %; 50 between 20 and 42."""
    two = WIDE.replace('"HC %": {cover: Hard coral}', '"HC %": {cover: rubble}')
    _, over = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,60,60,1\n", two)
    _, outside = read("site,date,what,mean,lower,upper\nA,2019-03-17,live coral,50,20,42\n", LONG)

    _, odd = read("site,date,what,mean,lower,upper\nA,2019-03-17,live coral,30,c. 20,42\n", LONG)

    assert words(odd) == ["line 2, lower: found 'c. 20', expected a number or nothing"]
    assert words(over) == ["line 2, covers: the categories add up to 120 %, more than 100"]
    long = LONG.replace("cover: Hard coral", "cover: rubble") + "  sand: {cover: sand}\n"
    table = "site,date,what,mean,lower,upper\nA,2019-03-17,live coral,60,,\nA,2019-03-17,sand,60,,\n"
    assert words(read(table, long)[1]) == words(over)
    assert words(outside) == ["line 2, mean: 50 does not lie between its limits 20 and 42"]
    _, above = read("site,date,what,mean,lower,upper\nA,2019-03-17,live coral,50,60,\n", LONG)
    assert words(above) == ["line 2, mean: 50 does not lie between its limits 60 and none"]


def test_a_measure_that_the_mapping_does_not_know_is_a_problem(read):
    """A typing slip does not lose a row in silence."""
    _, problems = read("site,date,what,mean,lower,upper\nA,2019-03-17,live corl,50,,\n", LONG)

    assert words(problems) == ["line 2, what: found 'live corl', which is not in the mapping's measures"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ("Hard coral", "Hard corral"),
            "'HC %': protocol reef-transect has no category or group 'Hard corral'; did you mean",
        ),
        (("count: damselfish", "count: whale"), "'Dams': protocol reef-transect has no counted row 'whale'; it has"),
        (("site: Station", "site: Place"), "row 1: found no column 'Place'; the columns are 'Station', 'When'"),
        (("site: Station", "siet: Station"), "siet: this key is not known"),
        (("columns:", "measure: x\ncolumns:"), "expected either 'columns'"),
        (("per_m2: 250", "per_m2: 0"), "columns.Dams.per_m2: found 0, expected more than 0"),
    ],
)
def test_mistakes_in_the_mapping_are_named(read, change, said):
    """With what there is, or the nearest name."""
    with pytest.raises(ValueError, match="past") as error:
        read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,1,1\n", WIDE.replace(*change))

    assert said in str(error.value)


def test_a_workbook_is_read_with_its_own_dates_and_title_rows(tmp_path):
    """Two title rows, a date cell, a number cell, another worksheet first."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.create_sheet("Cover")
    for row in (
        ["Results"],
        [],
        ["Station", "When", "HC %", "Sand %", "Dams"],
        ["A", dt.datetime(2019, 3, 17), 30.5, None, 5],
    ):
        sheet.append(row)
    book.save(tmp_path / "past.xlsx")
    (tmp_path / "past.yaml").write_text(WIDE + "worksheet: Cover\nheader_row: 3\n")
    results, problems = read_table(tmp_path / "past.xlsx", tmp_path / "past.yaml", today=TODAY)

    assert problems == []
    assert [(r.label, r.value, r.line) for r in results] == [("Hard coral", 30.5, 4), ("Damselfish", 2.0, 4)]


def test_one_site_in_capitals_and_in_small_letters_is_one_site(read, tmp_path):
    """Two lines of one survey are its mean and no two surveys; the old name is found in capitals too; nothing twice."""
    table = "Station,When,T,HC %,Sand %,Dams\nLantern Reef,17/03/2019,1,10,,\nLANTERN RF,17/03/2019,2,20,,\n"
    results, problems = read(table, WIDE + "transect: T\n")
    _, repeated = read("Station,When,HC %,Sand %,Dams\nA b,17/03/2019,10,,\nA  B,17/03/2019,20,,\n")
    keep_table(tmp_path / "s", tmp_path / "past.csv", tmp_path / "past.yaml", results, at="2026-03-28T09:30:00Z")
    again, _ = read("Station,When,HC %,Sand %,Dams\nLANTERN REEF,17/03/2019,15,,\n")

    assert problems == []
    assert [(r.site, r.value, r.transects) for r in results] == [("Lantern Reef", 15.0, 2)]
    assert [p.line for p in repeated] == [3]
    with pytest.raises(ValueError, match="was taken in before"):
        keep_table(tmp_path / "s", tmp_path / "past.csv", tmp_path / "past.yaml", again, at="2026-03-28T09:30:00Z")


def test_a_site_by_its_code_is_the_planned_one(read, tmp_path):
    """As on sheets: the report joins it with the surveys of that name, and it is not taken in a second time by name."""
    (tmp_path / "north.yaml").write_text(
        "plan: north\nprotocol: reef-transect\nsites: [{name: Amber Point, code: AP}]\nsurveys: [{site: AP}]\n"
    )
    keep_plan(tmp_path / "s", tmp_path / "north.yaml")
    files = (tmp_path / "past.csv", tmp_path / "past.yaml")
    results, _ = read("Station,When,HC %,Sand %,Dams\nap,17/03/2019,30,,\n")
    keep_table(tmp_path / "s", *files, results, at="2026-03-28T09:30:00Z")
    again, _ = read("Station,When,HC %,Sand %,Dams\nAmber Point,17/03/2019,31,,\n")

    assert [r.site for r in earlier_results(tmp_path / "s")] == ["Amber Point"]
    with pytest.raises(ValueError, match="was taken in before"):
        keep_table(tmp_path / "s", *files, again, at="2026-03-28T09:30:00Z")


def test_a_total_of_the_protocol_can_be_taken_in(read):
    """The report draws totals along time as it does groups; they overlap, so that they are no part of a sum."""
    mapping = WIDE.replace("cover: sand", "cover: Total live cover")
    results, problems = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,60,80,\n", mapping)

    assert problems == []
    assert [(r.label, r.value) for r in results] == [("Hard coral", 60.0), ("Total live cover", 80.0)]


def test_a_decimal_comma_between_commas_is_no_number_cut_off(read):
    """A line with more values than there are columns: which of them belongs where cannot be told."""
    with pytest.raises(ValueError, match="line 3: 6 values under 5 columns; put a value that holds ',' in quotes"):
        read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,,\nB,17/03/2019,12,5,,\n")
    with pytest.raises(ValueError, match="line 3: 7 values under 6 columns"):  # a heading of two lines
        read('Station,When,HC %,Sand %,Dams,"Who\nsaw it"\nB,17/03/2019,12,5,,,\n')
    results, _ = read("Station,When,HC %,Sand %,Dams,\nA,17/03/2019,30,,,\n")

    assert [r.value for r in results] == [30.0]


def test_percent_formats_and_formulas_are_read_as_the_spreadsheet_shows_them(tmp_path):
    """0.35 as "35%" is 35 %; a format with a printed sign leaves 30 alone; a formula without a result is no gap, one whose
    result is an empty text is.
    """
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.append(["Station", "When", "HC %", "Sand %", "Dams"])
    sheet.append(["A", dt.datetime(2019, 3, 17), 0.35, 30, None])
    sheet.append(["B", dt.datetime(2019, 3, 17), "=10+5", None, None])
    sheet.append(["C", dt.datetime(2019, 3, 17), None, '=IF(C4>50,1,"")', None])
    sheet["C2"].number_format, sheet["D2"].number_format = "0.0%", '0.0"%"'
    book.save(tmp_path / "made.xlsx")
    with zipfile.ZipFile(tmp_path / "made.xlsx") as made, zipfile.ZipFile(tmp_path / "past.xlsx", "w") as past:
        for name in made.namelist():  # a spreadsheet program says of an empty text that it is one
            past.writestr(name, made.read(name).replace(b'<c r="D4">', b'<c r="D4" t="str">'))
    (tmp_path / "past.yaml").write_text(WIDE)
    results, problems = read_table(tmp_path / "past.xlsx", tmp_path / "past.yaml", today=TODAY)

    assert [(r.label, r.value) for r in results] == [("Hard coral", 35.0), ("Sand and silt", 30.0)]
    (only,) = words(problems)
    assert only.startswith("line 3, HC %: found '=10+5', expected a number or nothing; the file holds a formula")


def test_semicolons_and_decimal_commas_are_understood_when_said(read):
    """As spreadsheets in much of the world write CSV."""
    results, problems = read("Station;When;HC %;Sand %;Dams\nA;17/03/2019;30,5;;\n", WIDE + 'decimal: ","\n')

    assert problems == []
    assert results[0].value == 30.5


def test_a_title_above_the_columns_does_not_tell_how_they_are_parted(read):
    """Its commas are no columns' commas."""
    table = "Results of 2019, by us, all\nStation;When;HC %;Sand %;Dams\nA;17/03/2019;30;12;\n"
    results, problems = read(table, WIDE + "header_row: 2\n")

    assert (problems, [r.value for r in results]) == ([], [30.0, 12.0])


def test_a_table_without_a_value_is_a_sentence(read):
    """Only the columns' names, or nothing below them: another worksheet is meant, or another file."""
    for rows in ("", "A,17/03/2019,,,\n"):
        with pytest.raises(ValueError, match=r"past\.csv: holds no value that the mapping names; .* below row 1"):
            read("Station,When,HC %,Sand %,Dams\n" + rows)


def test_a_nought_has_no_minus(read):
    results, _ = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,-0,,\n")

    assert str(results[0].value) == "0.0"


def test_hostile_files_are_sentences(tmp_path):
    """Not a workbook, not UTF-8, no file."""
    (tmp_path / "past.yaml").write_text(WIDE)
    (tmp_path / "a.xlsx").write_bytes(b"PK no zip")
    (tmp_path / "b.csv").write_bytes(b"Station\xff\n")
    for name, said in (
        ("a.xlsx", "not readable as an Excel workbook"),
        ("b.csv", "byte 7 is not UTF-8"),
        ("c", "no such file"),
    ):
        with pytest.raises(ValueError, match=said):
            read_table(tmp_path / name, tmp_path / "past.yaml", today=TODAY)


def test_a_workbook_that_is_damaged_inside_is_a_sentence(tmp_path):
    """Cut in its worksheet, in its list of worksheets, or a number that is none."""
    from openpyxl import Workbook

    (tmp_path / "past.yaml").write_text(WIDE)
    book = Workbook()
    for row in (["Station", "When", "HC %", "Sand %", "Dams"], ["A", dt.datetime(2019, 3, 17), 30.5, 12, 5]):
        book.active.append(row)
    book.save(tmp_path / "past.xlsx")
    for inside, spoil in (
        ("xl/worksheets/sheet1.xml", lambda data: data[: len(data) // 2]),
        ("xl/workbook.xml", lambda data: data[: len(data) // 2]),
        ("xl/worksheets/sheet1.xml", lambda data: data.replace(b">30.5<", b">thirty<")),
    ):
        with zipfile.ZipFile(tmp_path / "past.xlsx") as whole, zipfile.ZipFile(tmp_path / "cut.xlsx", "w") as cut:
            for name in whole.namelist():
                cut.writestr(name, spoil(whole.read(name)) if name == inside else whole.read(name))
        with pytest.raises(ValueError, match=r"cut\.xlsx: not readable as an Excel workbook"):
            read_table(tmp_path / "cut.xlsx", tmp_path / "past.yaml", today=TODAY)


def test_results_are_kept_once_and_never_twice(read, tmp_path):
    """The same table again changes nothing; another table with the same survey is refused with its line."""
    results, _ = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,12,1\n")
    files = (tmp_path / "past.csv", tmp_path / "past.yaml")
    first = keep_table(tmp_path / "s", *files, results, at="2026-03-28T09:30:00Z")

    assert earlier_results(tmp_path / "s") == sorted(results, key=lambda r: r.label)
    assert keep_table(tmp_path / "s", *files, results, at="2027-01-01T00:00:00Z") == first
    again, _ = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,31,,\n")
    with pytest.raises(
        ValueError, match=r"line 2: Hard coral of A on 2019-03-17 was taken in before, from line 2 of past.csv"
    ):
        keep_table(tmp_path / "s", *files, again, at="2026-03-28T09:30:00Z")


def test_kept_results_that_were_damaged_come_back_with_their_table(read, tmp_path):
    """The sentence says to take the table in again; that mends them."""
    results, _ = read("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,12,1\n")
    files = (tmp_path / "past.csv", tmp_path / "past.yaml")
    kept = keep_table(tmp_path / "s", *files, results, at="2026-03-28T09:30:00Z")
    whole = kept.read_bytes()
    kept.write_bytes(whole[:100])
    with pytest.raises(ValueError, match="take the table in again"):
        earlier_results(tmp_path / "s")
    keep_table(tmp_path / "s", *files, results, at="2026-03-28T09:30:00Z")

    assert kept.read_bytes() == whole


def test_the_command_lists_problems_takes_nothing_and_says_so(tmp_path, capsys):
    """Exit 1 with a problem; a dry run prints the results and keeps nothing; then they are taken in."""
    table, mapping, store = tmp_path / "past.csv", tmp_path / "past.yaml", tmp_path / "store"
    Store.open(store).close()
    mapping.write_text(WIDE)
    table.write_text("Station,When,HC %,Sand %,Dams\nA,17/03/2019,300,12,1\n")
    line = ["earlier", str(table), "--mapping", str(mapping), "--store", str(store)]

    assert main(line) == 1
    assert "line 2, HC %: 300 is no percentage" in capsys.readouterr().err
    table.write_text("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,12,1\n")
    assert main([*line, "--dry-run"]) == 0
    assert capsys.readouterr().out.startswith("A\t2019-03-17\tHard coral\t30.0 cover, %\n")
    assert earlier_results(store) == []
    table.write_text("Station,When,HC %,Sand %,Dams\nA,17/03/2019,0.3,0.012,0.1\n")
    assert main([*line, "--dry-run"]) == 0
    said = capsys.readouterr()
    assert "no cover is above 1 %. If these are shares of 1" in said.err
    assert [row.split("\t")[3] for row in said.out.splitlines()] == ["0.3 cover, %", "0.01 cover, %", "0.04 per 100 m²"]
    table.write_text("Station,When,HC %,Sand %,Dams\nA,17/03/2019,30,12,1\n")
    assert main(line) == 0
    assert "no cover is above" not in capsys.readouterr().err
    assert len(earlier_results(store)) == 3


def test_a_table_taken_in_with_the_wrong_mapping_is_taken_back_and_taken_in_again(tmp_path, capsys):
    """Days and months mixed up would else stand beside the right dates for ever. Nothing is thrown away."""
    table, mapping, store = tmp_path / "past.csv", tmp_path / "past.yaml", tmp_path / "store"
    Store.open(store).close()
    table.write_text("Station,When,HC %,Sand %,Dams\nA,03/04/2019,30,12,1\n")
    line = ["earlier", str(table), "--mapping", str(mapping), "--store", str(store)]
    mapping.write_text(WIDE.replace("%d/%m/%Y", "%m/%d/%Y"))
    assert main(line) == 0
    table.write_text(table.read_text() + "B,03/04/2019,30,12,1\n")
    assert main(line) == 2
    assert f"or take that table back: digitise earlier --store {store} --list" in capsys.readouterr().err

    at = ["earlier", "--store", str(store)]
    assert main([*at, "--list"]) == 0
    assert capsys.readouterr().out.endswith("UTC  past.csv: 3 results of 1 survey\n")
    assert main([*at, "--take-back", "2"]) == 2
    assert "--take-back: found 2, and --list has 1 table" in capsys.readouterr().err
    assert main([*at, "--take-back", "1"]) == 0
    assert earlier_results(store) == kept_tables(store) == []
    assert len(list((store / "earlier").iterdir())) == 1
    mapping.write_text(WIDE)
    assert main(line) == 0
    assert {r.day for r in earlier_results(store)} == {dt.date(2019, 4, 3)}
    assert main([*at, "--take-back", "1"]) == main(line) == 0  # the same again, after all
    assert len(earlier_results(store)) == 6
    assert main(at) == 2
    assert "name a table and its --mapping" in capsys.readouterr().err


def test_a_site_that_the_store_does_not_know_is_told_since_no_report_shows_it(tmp_path, capsys):
    """A misspelt site would be missing from the report, and nobody would know; a planned one is known."""
    table, mapping, store = tmp_path / "past.csv", tmp_path / "past.yaml", tmp_path / "store"
    Store.open(store).close()
    mapping.write_text(WIDE)
    line = ["earlier", str(table), "--mapping", str(mapping), "--store", str(store)]
    table.write_text("Station,When,HC %,Sand %,Dams\nA,17/03/2018,30,12,1\n")
    assert main(line) == 0
    assert "Note" not in capsys.readouterr().err  # the first there, before any survey
    (store / "plans").mkdir()
    plan = "plan: days\nprotocol: reef-transect\nsites: [{name: Lantern Reef, code: LR}]\nsurveys: [{site: LR}]\n"
    (store / "plans" / "days.yaml").write_text(plan)
    table.write_text(
        "Station,When,HC %,Sand %,Dams\nLANTERN REEF,17/03/2019,30,12,1\nLantern Reaf,17/03/2019,30,12,1\n"
    )
    assert main(line) == 0
    (note,) = [one for one in capsys.readouterr().err.splitlines() if one.startswith("Note")]
    assert note.startswith("Note: Lantern Reaf: no survey and no plan in ")


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system sets no time zone for a program alone")
def test_today_is_the_day_where_the_program_runs(tmp_path, monkeypatch):
    """In the east, where it is tomorrow already, a survey of today lies in no future."""
    monkeypatch.setenv("TZ", "EAST-23:59")
    time.tzset()
    try:
        day = dt.datetime.now().astimezone().date()
        (tmp_path / "past.yaml").write_text(WIDE)
        (tmp_path / "past.csv").write_text(f"Station,When,HC %,Sand %,Dams\nA,{day:%d/%m/%Y},30,12,1\n")
        line = ["earlier", str(tmp_path / "past.csv"), "--mapping", str(tmp_path / "past.yaml"), "--dry-run"]
        assert main(line) == 0
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_kept_file_changed_by_hand_is_refused(tmp_path):
    """It would be drawn as if it had been checked."""
    (tmp_path / "earlier").mkdir()
    for text in ("[]", '{"results": [{"site": "A"}]}', "{"):
        (tmp_path / "earlier" / "x.json").write_text(text)
        with pytest.raises(ValueError, match="not readable as kept earlier results"):
            earlier_results(tmp_path)
