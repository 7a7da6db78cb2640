"""The documents say what the code does. ``python tests/test_docs.py`` writes their generated tables anew."""

from __future__ import annotations

import argparse
import ast
import doctest
import importlib
import re
import shlex
import sys
import textwrap
import tomllib
from pathlib import Path

import pytest

from digitise.cli import _parser
from digitise.commands import earlier, exchanging, printing, protocols, thinning
from digitise.estimate.audit import audit_size
from digitise.reader.calibration import DELTA, DOUBTFUL, NEVER, shipped_acceptance
from digitise.reader.reasons import CELL_REASONS, PHOTO_REASONS
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.train import __main__ as train
from digitise.train.recipe import STEPS

ROOT = Path(__file__).parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "tests/benchmarks/README.md")
README, GUIDE, CHANGES, MEASURED = ((ROOT / name).read_text(encoding="utf-8") for name in DOCUMENTS)
CARD = (ROOT / "digitise" / "models" / "README.md").read_text(encoding="utf-8")
MODULES = sorted(p for folder in ("digitise", "review_app") for p in (ROOT / folder).rglob("*.py"))
GROUPS = {
    "blank": "nothing written, in a box for strokes or words",
    "code": "codes",
    "digits": "numbers, dates, times and decimals by themselves",
    "tally": "strokes that agree with the total beside them",
    "tally-alone": "strokes without such a total",
    "text": "words",
    "tick": "ticks",
    "total": "totals that agree with the strokes beside them",
}


def reasons_table() -> str:
    """Every reason in the registry as a Markdown table."""
    rows = [(r, "photograph") for r in PHOTO_REASONS] + [(r, "cell") for r in CELL_REASONS]
    lines = ["| reason | of a | what it says | what to do |", "| --- | --- | --- | --- |"]
    return "\n".join([*lines, *(f"| `{r.name}` | {of} | {r.short} | {r.advice} |" for r, of in rows)])


def acceptance_table() -> str:
    """What the shipped thresholds rest on, as a Markdown table."""
    curves = shipped_acceptance().curves
    lines = [
        "| readings | target, wrong per 1,000 | accepted on the pages tested | of these wrong | at most, per 1,000 (95 %) |",
        "| --- | --- | --- | --- | --- |",
    ]
    for group, words in GROUPS.items():
        curve = curves.get(group)
        if curve is None or curve.threshold >= NEVER:
            lines.append(f"| {words} | | none: always shown to a person | | |")
            continue
        lines.append(
            f"| {words} | {1000 * curve.target:g} | {curve.accepted:,} | {curve.errors} | {1000 * curve.bound:.1f} |"
        )
    return "\n".join(lines)


def recipe_lines() -> str:
    """The steps by which networks are made, as commands."""
    return "\n".join(["```sh", *(f"python -m digitise.train {step}" for step in STEPS), "```"])


GENERATED = {
    "reasons": ("DEVELOPERS.md", reasons_table),
    "acceptance": ("README.md", acceptance_table),
    "recipe": ("digitise/models/README.md", recipe_lines),
}


def _between(text: str, name: str) -> str:
    found = re.findall(rf"<!-- {name} -->\n(.*?)\n?<!-- /{name} -->", text, re.DOTALL)

    assert len(found) == 1, f"found {len(found)} parts marked '{name}'"
    return found[0]


def _shell_lines(text: str) -> list[str]:
    return [
        line.split("  #")[0].strip()
        for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
        for line in block.splitlines()
        if line.strip()
    ]


def _commands() -> dict[str, argparse.ArgumentParser]:
    return next(a for a in _parser()._actions if isinstance(a, argparse._SubParsersAction)).choices


def _options(parser: argparse.ArgumentParser) -> list[str]:
    """Long options of a command and of its parts; those of all commands are not `digitise`'s own."""
    inner = [a.choices.values() for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    parts = [one for choices in inner for one in choices] if parser.prog != "digitise" else []
    own = [o for a in parser._actions for o in a.option_strings if o.startswith("--") and o != "--help"]
    return [*own, *(o for one in parts for o in _options(one))]


def _name(module: Path) -> str:
    return module.relative_to(ROOT).as_posix()


def test_every_command_is_in_the_readme_which_says_where_its_options_are():
    """What each option does is told by the command itself, which `tests/test_cli.py` holds it to."""
    assert [name for name in _commands() if not re.search(rf"digitise {name}\b", README)] == []
    assert "`digitise COMMAND --help` every option" in " ".join(README.split())


def test_general_options_are_in_the_readme():
    """So are the options that belong to no command."""
    assert _options(_parser()) == ["--version"]
    assert "digitise --version" in README


def test_options_named_in_the_readme_exist():
    """An option that was renamed or removed does not live on in the text."""
    known = {o for one in (_parser(), *_commands().values()) for o in _options(one)} | {"--help"}
    known |= {"--strokes"}  # of the benchmark

    assert sorted(set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README)) - known) == []


@pytest.mark.parametrize("line", [line for line in _shell_lines(README) if line.startswith("digitise ")])
def test_commands_in_the_readme_are_taken_by_the_real_parser(line):
    """A line that a reader copies is understood, and the sample photographs it names are there."""
    words = shlex.split(line)[1:]

    assert _parser().parse_args(words).command == words[0]
    assert [w for w in words if w.startswith("sample_scans") and not (ROOT / w).exists()] == []


def test_every_command_but_the_demo_has_a_line_to_copy():
    """`make demo` stands for the demo."""
    shown = {line.split()[1] for line in _shell_lines(README) if line.startswith("digitise ")}

    assert shown == set(_commands()) - {"demo"}


def test_make_targets_in_the_documents_exist_and_each_is_documented():
    """What the documents say of `make` and what the Makefile can do are the same."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.search(r"^\.PHONY: (.+)$", makefile, re.MULTILINE)[1].split())
    named = set(re.findall(r"(?:`|^)make ([a-z]+)", README + GUIDE, re.MULTILINE))

    assert named == targets
    assert targets <= set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE))


@pytest.mark.parametrize("name", GENERATED)
def test_generated_tables_in_the_documents_are_up_to_date(name):
    """They are what the code says; ``python tests/test_docs.py`` writes them anew."""
    document, make = GENERATED[name]

    assert _between((ROOT / document).read_text(encoding="utf-8"), name) == make()


def test_each_group_of_readings_has_words_for_the_readme():
    """A new group of readings cannot be left out of the table of thresholds."""
    groups = {name.removesuffix(DOUBTFUL) for name in shipped_acceptance().curves}

    assert groups <= set(GROUPS)


def test_figures_say_that_nothing_real_was_read():
    """Accuracy is never shown without where it comes from."""
    assert "simulated" in _between(README, "figures")
    assert "So far everything has been shown on simulated photographs only." in README


def test_the_readme_says_how_many_audited_cells_a_threshold_takes():
    """As many as `digitise calibrate` asks for, for each error rate that a shipped threshold stands for."""
    targets = {c.target for c in shipped_acceptance().curves.values() if c.threshold < NEVER}
    asked = {f"{audit_size(target, DELTA / 2):,}" for target in targets}

    assert len(asked) == 2
    assert [number for number in asked if f"some {number}" not in README] == []


def test_every_folder_of_modules_is_in_the_guides_table():
    """A newcomer finds each folder in DEVELOPERS.md, with the modules to begin with."""
    rows = {row[0].strip("`"): row[2] for row in _rows_of("folder")}
    inside = {m.relative_to(ROOT / "digitise").parts for m in MODULES if m.is_relative_to(ROOT / "digitise")}

    assert set(rows) == {f"digitise/{parts[0]}/" for parts in inside if len(parts) > 1} | {"review_app/"}
    for folder, begin in rows.items():
        assert [m for m in re.findall(r"`([\w/]+\.py)`", begin) if not (ROOT / folder / m).exists()] == []


def test_tests_named_in_the_guide_exist():
    """A claim that names its proof names one that is there."""
    defined = {
        n for p in (ROOT / "tests").glob("test_*.py") for n in re.findall(r"def (test_\w+)", p.read_text("utf-8"))
    }
    named = set(re.findall(r"`(test_\w+)`", GUIDE))

    assert len(named) > 20
    assert sorted(named - defined) == []


def _rows_of(first: str) -> list[list[str]]:
    """Rows of the guide's table whose first column has this head, as cells."""
    found = re.search(rf"^\| {re.escape(first)} \|.*\n\| --- .*\n((?:\|.*\n)+)", GUIDE, re.MULTILINE)
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in found[1].splitlines()]


@pytest.mark.parametrize(("first", "least"), [("who", 12), ("ALCOA+", 9), ("ASVS", 20)])
def test_every_line_about_safety_names_its_mechanism_and_its_proof(first, least):
    """A mechanism in words, and a test by name or file: a line without a proof is a wish."""
    rows = _rows_of(first)

    assert len(rows) >= least
    assert [row for row in rows if not all(row)] == []
    assert [row[0] for row in rows if not re.search(r"`(?:test_\w+|tests/test_\w+\.py)`", row[-1])] == []


def test_every_principle_of_data_integrity_has_its_line():
    """The nine of ALCOA+, in their order."""
    principles = "attributable legible contemporaneous original accurate complete consistent enduring available"

    assert [row[0] for row in _rows_of("ALCOA+")] == principles.split()


@pytest.mark.parametrize("name", DOCUMENTS)
def test_files_named_in_the_documents_exist(name):
    """No path in the text, no link and no picture leads nowhere."""
    text = (ROOT / name).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)\s]+)\)", text) if not link.startswith(("http", "#"))]
    paths = re.findall(r"`((?:digitise|review_app|tests|sample_scans|\.ci|\.pictures)/[\w./-]*)`", text)
    paths += re.findall(r"python ((?:tests|\.ci)/[\w./-]+)", text)

    assert [p for p in (*links, *paths) if not (ROOT / p).exists()] == []


def test_links_inside_the_readme_lead_to_its_headings():
    """A heading that was renamed leaves no link behind that leads nowhere."""
    headings = re.findall(r"^#+ (.+)$", README, re.MULTILINE)
    places = {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in headings}
    links = re.findall(r"\]\(#([^)]+)\)", README)

    assert len(links) > 20
    assert [link for link in links if link not in places] == []


def test_the_readme_opens_with_one_paragraph_and_four_pictures():
    """What the tool is for comes before how it is used."""
    opening = README.split("## ")[0]
    pictures = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", opening)
    paragraph = opening.split("\n\n")[1]

    assert paragraph.startswith("Volunteer divers")
    assert {p.name for p in (ROOT / ".pictures").iterdir()} == {Path(path).name for _, path in pictures}
    assert len(pictures) == 4
    assert all(len(words) > 20 for words, _ in pictures)
    assert [path for _, path in pictures if (ROOT / path).stat().st_size > 400_000] == []


def _keys(model: type, seen: set[type]) -> set[str]:
    """Keys of a protocol file: names of the model's fields and of every model inside."""
    if model in seen:
        return set()
    seen.add(model)
    inner = re.findall(
        r"\b([A-Z]\w+(?:Spec|Sheet))\b", " ".join(str(f.annotation) for f in model.model_fields.values())
    )
    module = sys.modules[Protocol.__module__]
    return set(model.model_fields).union(*(_keys(getattr(module, name), seen) for name in inner))


def test_every_key_of_a_protocol_file_is_explained_by_the_command():
    """Somebody who writes a protocol finds every key in ``digitise protocol --help``."""
    keys = _keys(Protocol, set())

    assert {"protocol", "segments", "categories", "width_mm", "captions"} <= keys
    assert [k for k in sorted(keys) if not re.search(rf"\b{k}\b", protocols.KEYS)] == []


@pytest.fixture
def shown(tmp_path):
    """Writes the file that a command's help shows, its indented lines, as somebody copies it."""

    def write(text: str) -> Path:
        lines = [line for line in text.splitlines() if line.startswith("  ")]
        path = tmp_path / "shown.yaml"
        path.write_text(textwrap.dedent("\n".join(lines)), encoding="utf-8")
        return path

    return write


def test_the_plan_shown_by_prepare_can_be_used_as_it_stands(shown):
    """Somebody who copies it gets a plan that fits its protocol, with nothing to mend."""
    from digitise.surveys.plan import fit_problems, load_plan, plan_notes

    plan = load_plan(shown(printing.PLAN))
    protocol = load_protocol(plan.protocol)

    assert fit_problems(plan, protocol) == []
    assert list(plan_notes(plan, protocol)) == []


def test_the_other_files_shown_by_commands_can_be_used_as_they_stand(shown):
    """The mapping of ``earlier``, what ``export`` publishes with the data, the policy of ``thin``: with every key."""
    from digitise.earlier.mapping import Mapping, load_mapping
    from digitise.exchange.about import About, load_about
    from digitise.store.retention import Policy, load_policy

    _, targets = load_mapping(shown(earlier.MAPPING))
    about = load_about(shown(exchanging.ABOUT))
    policy = load_policy(shown(thinning.POLICY))

    assert {t.label for t in targets.values()} == {"Hard coral", "Damselfish"}
    assert about.names["goby"].scientific_name == "Gobiiformes"
    assert policy.refused_years == 1
    for model, text in ((Mapping, earlier.MAPPING), (About, exchanging.ABOUT), (Policy, thinning.POLICY)):
        assert [k for k in model.model_fields if not re.search(rf"\b{k}\b", text)] == []


def _training(step: str, capsys: pytest.CaptureFixture, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(sys, "argv", ["python -m digitise.train", step, "--help"])
    with pytest.raises(SystemExit):
        train.main()
    return capsys.readouterr().out


def test_training_commands_in_guide_and_model_card_exist_with_their_options(capsys, monkeypatch):
    """Steps and options of training are those that the program knows."""
    shown = [line for line in _shell_lines(GUIDE) + _shell_lines(CARD) if line.startswith("python -m digitise.train ")]
    lines = [shlex.split(line)[3:] for line in shown]

    assert {line[0] for line in lines} == {"recipe", "trace", "harvest", "fit", "check", "calibrate"}
    for step, *rest in lines:
        known = _training(step, capsys, monkeypatch)
        assert [o for o in rest if o.startswith("--") and f"{o} " not in known and f"{o}\n" not in known] == []


def test_the_model_card_names_every_network_and_its_data():
    """Whoever gets the networks gets their licence's attribution and their weaknesses."""
    assert [p.name for p in (ROOT / "digitise" / "models").glob("*.onnx") if f"`{p.name}`" not in CARD] == []
    assert all(w in CARD for w in ("10.5281/zenodo.1195803", "Creative Commons Attribution 4.0", "## Known weaknesses"))
    assert len(re.findall(r"<!-- figures -->\n.+?\n<!-- /figures -->", CARD, re.DOTALL)) == 1
    assert "`digitise/models/README.md`" in GUIDE


def test_the_changelog_tells_of_this_version():
    """The newest release is the version that the code gives, with the sections Added and Numbers."""
    from digitise import __version__

    entries = re.split(r"^## ", CHANGES, flags=re.MULTILINE)[1:]
    newest = next(entry for entry in entries if not entry.startswith("Unreleased"))

    assert newest.startswith(f"{__version__} - ")
    assert re.findall(r"^### (.+)$", newest, re.MULTILINE) == ["Added", "Numbers"]


def test_extras_named_in_the_guide_exist():
    """`pip install` lines name extras that the package has."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]

    assert set(re.findall(r"\.\[(\w+)\]", README + GUIDE)) <= set(extras)


@pytest.mark.parametrize("module", [m for m in MODULES if ">>> " in m.read_text("utf-8")], ids=_name)
def test_examples_in_docstrings_are_true(module):
    """Run as written."""
    found = doctest.testmod(importlib.import_module(".".join(module.relative_to(ROOT).with_suffix("").parts)))

    assert (found.failed, found.attempted > 0) == (0, True)


def _public(tree: ast.Module) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Public functions of a module, and public methods of its public classes."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    classes = [n for n in tree.body if isinstance(n, ast.ClassDef) and not n.name.startswith("_")]
    found = [*tree.body, *(n for one in classes for n in one.body)]
    return [n for n in found if isinstance(n, kinds) and not n.name.startswith("_")]


def _raised(function: ast.AST) -> set[str]:
    """Names of errors that a function itself raises; what it raises again is not among them."""
    raised = (n.exc for n in ast.walk(function) if isinstance(n, ast.Raise) and n.exc is not None)
    return {ast.unparse(e.func if isinstance(e, ast.Call) else e).rpartition(".")[2] for e in raised}


@pytest.mark.parametrize("module", [m for m in MODULES if m.parent.name != "reader"], ids=_name)
def test_every_public_function_names_the_errors_that_it_raises(module):
    """Whoever calls it need not read its body; `StoreError` is a `ValueError`, so either name will do."""
    lacking = []
    for function in _public(ast.parse(module.read_text(encoding="utf-8"))):
        words = ast.get_docstring(function) or ""
        told = words.replace("ValueError", "ValueError StoreError")
        lacking += [f"{function.name}: {e}" for e in _raised(function) if e[0].isupper() and e not in told]

    assert lacking == []


def test_nothing_names_a_place_on_somebodys_machine_or_a_package_index():
    """Texts and code hold on any machine: no home or work folders, no addresses of package indexes."""
    folders = "|".join(("home", "root", "work", "Users", "mnt"))
    indexes = "|".join(
        a + b for a, b in (("py", "pi"), ("python", "hosted"), ("index", "-url"))
    )  # not named here either
    forbidden = re.compile(rf"(?<![\w.])/(?:{folders})/|\.\./{'sha' + 'red'}|{indexes}")
    kinds = {".py", ".md", ".yaml", ".json", ".toml", ".js", ".css", ".html", ""}
    parts = [ROOT / p for p in ("digitise", "review_app", "tests", ".ci")]
    files = [p for part in parts for p in part.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    files += [p for p in ROOT.iterdir() if p.is_file() and p.name != ".git"]
    texts = {p: p.read_text(encoding="utf-8") for p in files if p.suffix in kinds and p != Path(__file__)}

    assert len(texts) > 100
    assert [f"{_name(p)}: {found[0]}" for p, text in texts.items() if (found := forbidden.search(text))] == []


def write_generated() -> None:
    """Write the generated tables into their documents."""
    for name, (document, make) in GENERATED.items():
        text = (ROOT / document).read_text(encoding="utf-8")
        _between(text, name)
        before, _, rest = text.partition(f"<!-- {name} -->\n")
        made = f"{before}<!-- {name} -->\n{make()}\n<!-- /{name} -->" + rest.partition(f"<!-- /{name} -->")[2]
        (ROOT / document).write_text(made, encoding="utf-8")


if __name__ == "__main__":
    write_generated()
