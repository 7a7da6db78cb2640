"""What the project rests on: ranges for the library, exact releases with hashes for an installation, licences, audits."""

import ast
import importlib.metadata
import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
LOCK = (ROOT / ".ci" / "requirements.lock").read_text(encoding="utf-8")
FAR_LOCK = (ROOT / ".ci" / "far.lock").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
RANGES = PROJECT["project"]["dependencies"]
EXTRAS = PROJECT["project"]["optional-dependencies"]
FOR_USE = [Requirement(r) for r in RANGES + EXTRAS["postgresql"] + EXTRAS["shared"]]
FAR_AWAY = [Requirement(r) for r in EXTRAS["cluster"]]  # with those of the extra bucket; in a lock file of their own
# Licences that let a programme use the tool for nothing and pass it on.
FREE = re.compile(
    r"MIT|BSD|Apache|Python Software Foundation|PSF|Mozilla Public License 2|MPL-2\.0|LGPL-3\.0|HPND|ISC|Zlib|CC0"
)


def locked(text: str = LOCK + FAR_LOCK) -> dict[str, str]:
    """Releases in the lock files, by name."""
    return dict(re.findall(r"^([a-z0-9-]+)==(\S+) \\$", text, re.MULTILINE))


def licence(name: str) -> str:
    """What an installed package says its licence is."""
    meta = importlib.metadata.metadata(name)
    classes = [c.split("::")[-1].strip() for c in meta.get_all("Classifier", []) if c.startswith("License")]
    return meta.get("License-Expression") or "; ".join(classes) or (meta.get("License") or "")


@pytest.mark.parametrize(("one", "text"), [*((r, LOCK) for r in FOR_USE), *((r, FAR_LOCK) for r in FAR_AWAY)])
def test_every_dependency_is_locked_within_its_range(one, text):
    """The lock files cannot lag behind a range that was raised."""
    assert one.specifier.contains(locked(text)[canonicalize_name(one.name)], prereleases=True)


def test_the_extras_for_buckets_are_part_of_those_for_clusters_and_no_package_is_locked_twice():
    """So that both files can be installed together, or the first alone."""
    assert set(EXTRAS["bucket"]) <= set(EXTRAS["cluster"])
    assert locked(LOCK).keys() & locked(FAR_LOCK).keys() == set()


def test_everything_that_a_locked_package_needs_is_locked_too():
    """As far as these releases are installed here: pip would refuse to install a part of the list without hashes."""
    lacking = [one for text in (LOCK, LOCK + FAR_LOCK) for one in _lacking(locked(text))]

    assert len(locked(LOCK)) > 60
    assert lacking == []


def _lacking(names: dict[str, str]) -> list[str]:
    lacking = []
    for name, release in names.items():
        try:
            same = importlib.metadata.version(name) == release
        except importlib.metadata.PackageNotFoundError:
            continue
        needs = importlib.metadata.requires(name) if same else None  # another release may need other packages
        for text in needs or ():
            need = Requirement(text)
            if (need.marker is None or need.marker.evaluate({"extra": ""})) and canonicalize_name(
                need.name
            ) not in names:
                lacking.append(f"{name} needs {need}")
    return lacking


def test_every_locked_release_has_hashes_and_no_host():
    """SHA-256 of its files; where they come from is for whoever installs to say."""
    entries = re.split(r"^(?=[a-z0-9-]+==)", LOCK + FAR_LOCK, flags=re.MULTILINE)[1:]

    assert len(entries) == len(locked())
    assert [e.split()[0] for e in entries if not re.search(r"--hash=sha256:[0-9a-f]{64}\b", e)] == []
    assert re.findall(r"https?:|file:|--(?:extra-)?index|--find-links", LOCK + FAR_LOCK) == []


def test_every_range_has_a_lower_bound():
    """A release older than any that was tried is never taken."""
    assert [str(r) for r in FOR_USE + FAR_AWAY if not any(s.operator == ">=" for s in r.specifier)] == []


def test_the_guide_lists_what_the_project_needs_with_licences():
    """Each direct dependency, and the licence that its package names itself."""
    rows = dict(re.findall(r"^\| `([\w.-]+)` \| ([^|]+?) \| [^|]+ \|$", GUIDE, re.MULTILINE))

    assert set(rows) == {r.name for r in FOR_USE + FAR_AWAY}
    said = {name: licence(name) for name in rows}
    assert {n: (rows[n], said[n]) for n in rows if not _same(rows[n], said[n])} == {}


def _same(listed: str, said: str) -> bool:
    """Whether a package's own words name each licence that is listed, such as BSD-3-Clause by "BSD License"."""
    return all(re.sub(r"[-\s].*", "", one).lower() in said.lower() for one in re.split(r" and | or ", listed))


def test_every_locked_package_is_free_to_use_and_pass_on():
    """Installed ones say so themselves."""
    unknown = {}
    for name in locked():
        try:
            said = licence(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        if not FREE.search(said):
            unknown[name] = said

    assert unknown == {}


NEVER = [
    "eval",
    "exec",
    "compile",
    "__import__",
    "os.system",
    "os.popen",
    "pickle.load",
    "pickle.loads",
    "marshal.loads",
    "yaml.load",
    "yaml.unsafe_load",
    "yaml.full_load",
    "pd.read_pickle",
]
_SPOOLED = "from a file without a name, which this process wrote a moment ago and nobody else can open"
SAFE_HERE = {
    ("digitise/spool.py", "pickle.loads"): _SPOOLED,
    ("digitise/exchange/spool.py", "marshal.loads"): _SPOOLED,
    ("digitise/batch/cluster.py", "pickle.loads"): "from the cluster's own scheduler, which runs what it likes anyway",
}


def test_nothing_that_was_typed_or_kept_is_ever_run():
    """No evaluation, no unpickling, no unsafe YAML, no arrays of objects, no shell, but where it is said why."""
    found = set()
    for path in (p for folder in ("digitise", "review_app") for p in (ROOT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                given = {k.arg: ast.unparse(k.value) for k in node.keywords}
                if (name := ast.unparse(node.func)) in NEVER or "True" in (
                    given.get("shell"),
                    given.get("allow_pickle"),
                ):
                    found.add((path.relative_to(ROOT).as_posix(), name))

    assert found == set(SAFE_HERE)


_NOT_IN_USE = {"simulate", "train", "demo"}  # what is drawn by program, and what learns from it


@pytest.mark.parametrize(
    ("package", "but", "never"),
    [
        ("digitise", _NOT_IN_USE, ("digitise.simulate", "digitise.train")),
        ("review_app", set(), ("digitise.simulate", "digitise.train")),
        ("digitise", set(), ("review_app",)),
    ],
)
def test_no_module_imports_what_it_must_run_without(package, but, never):
    """What reads and keeps real sheets needs neither simulator nor training, and nothing below the screens needs them."""
    found = set()
    for path in (ROOT / package).rglob("*.py"):
        if path.relative_to(ROOT / package).parts[0] in but:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            found |= {(path.name, n) for n in names if f"{n}.".startswith(tuple(f"{one}." for one in never))}

    assert found == set()


def test_whatever_the_audit_of_the_code_lets_pass_has_a_reason():
    """Beside the line, or beside the rule in pyproject.toml."""
    lines = [
        (path.name, line)
        for folder in ("digitise", "review_app")
        for path in (ROOT / folder).rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"# nosec|# noqa: S\d", line)
    ]
    rules = re.search(r"\[tool\.bandit\]\nskips = \[\n(.*?)\n\]", (ROOT / "pyproject.toml").read_text(), re.DOTALL)[1]

    assert len(lines) >= 8
    assert [one for one in lines if not re.search(r"# (?:noqa: S\d+ - )?\w[^#]{6,}(?:# nosec|$)", one[1])] == []
    assert [
        rule for rule in rules.splitlines() if not re.fullmatch(r'(?:  ?"B\d{3}",)+  # .{20,}', rule.strip() and rule)
    ] == []
    assert [rule for rule in PROJECT["tool"]["bandit"]["skips"] if rule not in rules] == []
