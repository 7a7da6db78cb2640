"""What several test files share: the calculators' cases with their sources, and laws of a count."""

import json
import math
from pathlib import Path

import pytest
from hypothesis import strategies as st

CASES = json.loads((Path(__file__).parent / "data" / "science_cases.json").read_text())["cases"]


def cases(*functions):
    """The shared cases of these functions, by id."""
    found = [pytest.param(c, id=c["id"]) for c in CASES if c["function"] in functions]
    assert found
    return pytest.mark.parametrize("case", found)


def the_case(name):
    """The shared case of this id."""
    return next(c for c in CASES if c["id"] == name)


def close(expected, case):
    return pytest.approx(expected, abs=case["tolerance"], rel=0)


@st.composite
def pmfs(draw):
    """A law over a few counts up to 12."""
    weights = draw(st.dictionaries(st.integers(0, 12), st.floats(0.01, 1), min_size=1, max_size=5))
    total = math.fsum(weights.values())
    return {k: w / total for k, w in weights.items()}
