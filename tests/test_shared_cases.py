"""Every shared case with a known answer is held against the code by a test."""

import ast
from pathlib import Path

from shared_cases import CASES

WHOLE = 142  # cases C001 to C142


def _asked_for():
    """Names that the test files hand to `cases` and `the_case`, constants of their own module included."""
    found = set()
    for path in Path(__file__).parent.glob("test_*.py"):
        tree = ast.parse(path.read_text())
        constants = {
            target.id: [n.value for n in ast.walk(node.value) if isinstance(n, ast.Constant)]
            for node in tree.body
            if isinstance(node, ast.Assign)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for call in ast.walk(tree):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in ("cases", "the_case"):
                for given in call.args:
                    if isinstance(given, ast.Starred):
                        found.update(constants[given.value.id])
                    elif isinstance(given, ast.Constant):
                        found.add(given.value)
    return found


def test_no_case_is_missing_and_none_is_there_twice():
    """C001 to C142, in order."""
    assert [c["id"] for c in CASES] == [f"C{i:03}" for i in range(1, WHOLE + 1)]


def test_every_case_is_asked_for_by_a_test():
    """By its function or by its id; a case that nothing asks for fails here by name."""
    asked = _asked_for()

    assert [c["id"] for c in CASES if c["function"] not in asked and c["id"] not in asked] == []


def test_every_case_says_what_is_expected_and_where_from():
    """An answer, a tolerance, and a source in words."""
    for case in CASES:
        assert case["inputs"], case["id"]
        assert case["expected"] is not None, case["id"]
        assert case["tolerance"] >= 0, case["id"]
        assert len(case["source"]) > 10, case["id"]
