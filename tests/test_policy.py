"""What the real server lets a browser do with its pages. That the screens work under it, the browser tests show."""

import base64
import hashlib
import re
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import kept
import pytest
from browsing import free_port, serving

from digitise.store import Store
from review_app.policy import page_policy


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    """The server of a store with one sheet."""
    folder = tmp_path_factory.mktemp("policy") / "store"
    with Store.open(folder) as store:
        kept.keep(store, kept.made_result("fish", {}, name="a.jpg"))
    with serving(folder, free_port()) as address:
        yield address


def answer(address: str):
    """Headers and text of what a browser gets, also of a refusal."""
    try:
        asked = Request(address, headers={"accept": "text/html", "accept-encoding": "gzip"})  # noqa: S310 - as below
        with urlopen(asked, timeout=20) as reply:  # noqa: S310 - the server just started
            return reply.headers, reply.read().decode("utf-8", "replace")
    except HTTPError as refused:
        return refused.headers, refused.read().decode("utf-8", "replace")


def rules_of(policy: str) -> dict[str, str]:
    return dict(part.strip().split(" ", 1) for part in policy.split(";"))


def test_the_page_lets_no_script_of_others_run_and_takes_nothing_from_elsewhere(server):
    """Everything comes from this server; of scripts in the page, only Streamlit's and the one that tells the name."""
    headers, text = answer(server)
    rules = rules_of(headers["content-security-policy"])

    assert headers["content-type"].startswith("text/html")
    assert rules["default-src"] == rules["object-src"] == rules["worker-src"] == "'none'"
    assert rules["connect-src"] == rules["frame-src"] == rules["frame-ancestors"] == rules["form-action"] == "'self'"
    assert "unsafe" not in rules["script-src"]
    assert "http" not in headers["content-security-policy"]
    inline = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    hashes = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in inline]
    assert rules["script-src"].split()[2:] == [f"'sha256-{one}'" for one in hashes]


@pytest.mark.parametrize(
    "path", ["", "desk/groups", "desk/photo/x", "desk/nowhere", "static/nowhere.js", "_stcore/health"]
)
def test_every_answer_is_what_it_says_and_framed_by_nobody_else(server, path):
    """Also refusals, and what Streamlit answers by itself."""
    headers, _ = answer(server + path)

    assert (headers["x-content-type-options"], headers["x-frame-options"]) == ("nosniff", "SAMEORIGIN")
    assert headers["referrer-policy"] == "no-referrer"


def test_a_page_with_a_policy_of_its_own_keeps_it(server):
    """The report may do less than the page around it, and runs no script at all."""
    headers, _ = answer(f"{server}desk/results?pack={kept.PACK}")

    assert headers.get_all("content-security-policy") != [page_policy()]
    assert "script-src" not in rules_of(headers["content-security-policy"])
