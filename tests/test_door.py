"""The door to a shared store: who is let in, what each role may open, how guessing is slowed, when a log-in ends."""

from __future__ import annotations

import asyncio
import io
import os
import shutil
import stat
import zipfile
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlencode

import kept
import pytest
from asgi import Browser
from kept import passphrase
from screens import line, record, screen, working_on
from starlette.applications import Starlette
from starlette.middleware import Middleware

from digitise.cli import main
from digitise.handover.prepared import Wishes
from digitise.store import Store
from review_app import routes, sending, worklist
from review_app.app import known_hosts, own_machine_only, serve, settings
from review_app.door import pages, who
from review_app.door.guard import OPEN, Guard
from review_app.door.rights import SCREENS, may, need_of
from review_app.door.sessions import IDLE, LONGEST, Sessions
from review_app.door.throttle import FREE, LONGEST_SECONDS, Throttle

HOST = "127.0.0.1:8501"
OWN = {"origin": f"http://{HOST}"}
POST = {"x-desk": "decisions"}
LATER = timedelta(seconds=1)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with three people and one sheet, made once: hashing passphrases is slow on purpose."""
    folder = tmp_path_factory.mktemp("made") / "store"
    with Store.open(folder) as one:
        kept.let_in(one)
        line(one, codes={"substrate/1": "BK"}, doubtful=("substrate/2",))
    return folder


@pytest.fixture
def store(made, tmp_path, monkeypatch):
    """A shared store of its own for each test."""
    monkeypatch.setenv(who.SHARED_VARIABLE, "yes")
    with working_on(shutil.copytree(made, tmp_path / "store")) as opened:
        yield opened


@pytest.fixture
def clock(monkeypatch):
    """The server's clock, to be set."""
    now = [kept.NOW]
    monkeypatch.setattr(worklist, "utc_now", lambda: now[0])
    return now


@pytest.fixture
def browser(store):
    return Browser(Starlette(routes=routes.routes(), middleware=[Middleware(Guard)]))


def log_in(browser, name: str, phrase: str | None = None, **extra):
    form = {"name": name, "passphrase": passphrase(name) if phrase is None else phrase, "next": "/survey"} | extra
    return browser.post("/enter", content=urlencode(form).encode(), headers=OWN)


def take(browser, headers: dict):
    """Asks for cells to decide."""
    wish = {"client": "a1b2c3d4e5f6", "by": "Keo Varn"}
    return browser.post("/desk/take", json_body=wish, headers=headers | POST)


def cookie_of(reply) -> dict[str, str]:
    return {"cookie": reply.headers["set-cookie"].partition(";")[0]}


def as_(browser, name: str) -> dict[str, str]:
    return cookie_of(log_in(browser, name))


def addresses(store: Store) -> dict[str, str]:
    """Every address that the server has, filled in so that there is something there, with its method."""
    page = store.pages()[0]
    known = {"page": str(page.id), "sha256": page.sha256, "audit": "1", "number": "1"}
    out = {}
    for route in routes.routes():
        path = route.path
        for name, value in known.items():
            path = path.replace(f"{{{name}:number}}", value).replace(f"{{{name}:str}}", value)
        assert "{" not in path
        out[path] = "POST" if route.methods == {"POST"} else "GET"
    return out


def handed_over(store: Store) -> Path:
    """The folder of one package that Ada Lind made."""
    wishes = Wishes("Reserve office", "Ada Lind", with_unsigned=True, with_unreviewed=True, evidence="none")
    return sending.hand_over(store, wishes)[0]


# Who may open what


def test_nobody_gets_anything_without_logging_in(store, browser):
    """Every address but the log-in itself: a script is told, a person is led to the log-in and back."""
    asked = addresses(store) | dict.fromkeys(["/", *(f"/{s.name}" for s in SCREENS), "/media/a.zip", "/nowhere"], "GET")
    for path, method in asked.items():
        if path in OPEN:
            continue
        reply = browser.ask(method, path, headers=POST | OWN)
        assert (reply.status_code, reply.json()["login"]) == (401, True), path
    led = browser.get("/trace?page=1&cell=a/b", headers={"accept": "text/html"})
    assert (led.status_code, led.headers["location"]) == (303, "/enter?next=/trace%3Fpage%3D1%26cell%3Da/b")


def test_a_volunteer_reaches_no_desk_no_sign_off_and_no_download(store, browser):
    """Of all addresses only small pictures and their own account are a volunteer's."""
    volunteer = as_(browser, "Ada Lind")
    refused = {
        path
        for path, method in addresses(store).items()
        if not path.startswith("/me") and browser.ask(method, path, headers=volunteer | POST | OWN).status_code == 403
    }
    mine = {"/enter", "/door.css", "/me", "/me/out", "/me/passphrase"}
    page = store.pages()[0]
    assert set(addresses(store)) - refused == mine | {
        f"/desk/small/{page.id}/{page.sha256}",
        f"/desk/photo/{page.sha256}",
    }
    screens = [f"/{s.name}" for s in SCREENS if s.need != "volunteer"]
    assert {"/review", "/signoff", "/handover"} <= set(screens)
    for path in (*screens, "/media/a.zip"):
        shown = browser.get(path, headers=volunteer | {"accept": "text/html"})
        assert shown.status_code == 403
        assert "not for your role" in shown.text
    for path in (f"/desk/small/{page.id}/{page.sha256}", "/", "/survey"):
        assert browser.get(path, headers=volunteer).status_code not in (401, 403)


def test_a_clerk_decides_but_reaches_no_sign_off(store, browser):
    clerk = as_(browser, "Keo Varn")
    assert browser.get("/signoff", headers=clerk).status_code == 403
    assert take(browser, clerk).json()["open"] == 1
    assert browser.get("/desk/tables", headers=clerk).content.startswith(b"PK")
    assert browser.get("/signoff", headers=as_(browser, "Mira Tole")).status_code == 404  # let through to the screens


def test_a_hand_over_and_its_package_are_a_scientists_alone(store, browser):
    """A clerk is refused before it is looked for; a scientist gets the file, or a sentence where there is none."""
    packed = handed_over(store)
    clerk, scientist = as_(browser, "Keo Varn"), as_(browser, "Mira Tole")
    for path in ("/handover", "/desk/handover/1", "/desk/handover/2"):
        assert browser.get(path, headers=clerk).status_code == 403
    reply = browser.get("/desk/handover/1", headers=scientist)
    assert reply.headers["content-disposition"] == f'attachment; filename="{packed.name}.zip"'
    assert {f"{packed.name}/covering-note.pdf", f"{packed.name}/checksums.txt"} <= set(
        zipfile.ZipFile(io.BytesIO(reply.content)).namelist()
    )
    assert "no package of this hand-over" in browser.get("/desk/handover/2", headers=scientist).json()["sentence"]
    assert browser.get("/handover", headers=scientist).status_code == 404  # let through to the screens


def test_the_hand_over_screen_is_drawn_for_a_scientist_only_and_takes_the_proven_name(store, monkeypatch):
    """A menu is no lock: the page asks again who it is drawn for, and nobody hands over under another's name."""
    handed_over(store)
    monkeypatch.setattr(who, "visitor", lambda *_a, **_k: who.Visitor("Keo Varn", "clerk"))
    refused = screen("handover").run()
    assert [e.value for e in refused.error] == ["This page is not for your role."]
    assert not refused.button
    monkeypatch.setattr(who, "visitor", lambda *_a, **_k: who.Visitor("Mira Tole", "scientist"))
    at = screen("handover").run()
    assert "sender" not in {box.key for box in at.text_input}
    at.multiselect(key="packs").set_value([kept.PACK])
    at.radio(key="evidence").set_value("none")
    at.checkbox(key="unsigned").check()
    at.checkbox(key="unreviewed").check()
    next(b for b in at.button if b.label == "Make the package").click().run()
    assert not at.exception
    assert [h.by for h in store.handovers.all()] == ["Ada Lind", "Mira Tole"]


def test_a_finding_is_accepted_by_who_may_decide_under_the_proven_name(store, monkeypatch):
    """A volunteer's Survey screen has no findings, no board and no form; a clerk's has no box for a name."""
    monkeypatch.setattr(who, "visitor", lambda *_a, **_k: who.Visitor("Ada Lind", "volunteer"))
    at = screen("survey").run()
    assert not at.exception
    assert not at.text_area
    monkeypatch.setattr(who, "visitor", lambda *_a, **_k: who.Visitor("Keo Varn", "clerk"))
    at = screen("survey").run()
    assert not [box.key for box in at.text_input if box.key.startswith("let-by")]
    next(box for box in at.text_area if box.key.startswith("why-")).input("The line was lost.")
    next(b for b in at.button if b.label == "Keep this decision").click().run()
    assert not at.exception
    assert [one.by for one in store.findings.accepted(kept.PACK).values()] == ["Keo Varn"]


def test_an_address_that_nobody_named_is_open_to_nobody(store, browser):
    """A new route without a line in the table of rights is refused to everybody, so it cannot be forgotten."""
    scientist = as_(browser, "Mira Tole")
    assert browser.get("/desk/brand-new", headers=scientist).status_code == 403
    assert browser.get("/digitise.db", headers=scientist).status_code == 403
    assert browser.get("/_stcore/metrics", headers=scientist).status_code == 403
    assert [p for p in addresses(store) if need_of(p) == "nobody" and p not in OPEN] == []


@pytest.mark.parametrize(
    ("role", "need", "allowed"),
    [
        ("volunteer", "volunteer", True),
        ("volunteer", "clerk", False),
        ("clerk", "volunteer", True),
        ("clerk", "scientist", False),
        ("scientist", "clerk", True),
        ("gone", "volunteer", False),
        ("king", "volunteer", False),
        ("scientist", "nobody", False),
    ],
)
def test_a_role_may_do_what_those_before_it_may(role, need, allowed):
    assert may(role, need) is allowed


def opening(app, headers: dict[str, str]) -> list[str]:
    """What a server is told when a browser opens the screens' connection."""
    sent = []

    async def receive():
        return {"type": "websocket.connect"}

    async def send(message):
        sent.append(message["type"])

    listed = [(k.encode(), v.encode()) for k, v in ({"host": HOST} | headers).items()]
    scope = {"type": "websocket", "path": "/_stcore/stream", "headers": listed, "query_string": b"", "scheme": "ws"}
    asyncio.run(Guard(app)(scope, receive, send))
    return sent


async def accepting(_scope, _receive, send):
    await send({"type": "websocket.accept"})


def test_the_screens_own_connection_is_refused_without_a_log_in(store, browser):
    """The screens are drawn over a web socket; it is shut before it opens."""
    assert opening(accepting, OWN) == ["websocket.close"]
    assert opening(accepting, OWN | as_(browser, "Ada Lind")) == ["websocket.accept"]


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "http://127.0.0.1:9999", "null", "http://localhost:8501", "http://[x"]
)
def test_no_other_page_opens_the_screens_connection_with_somebodys_cookie(store, browser, monkeypatch, origin):
    """A page on another port is another site, though browsers send it the cookie; so too where nobody logs in."""
    cookie = as_(browser, "Mira Tole")
    assert opening(accepting, cookie | {"origin": origin}) == ["websocket.close"]
    monkeypatch.setenv(who.SHARED_VARIABLE, "")
    assert opening(accepting, {"origin": origin}) == ["websocket.close"]
    assert opening(accepting, OWN) == ["websocket.accept"]


def test_a_body_that_never_comes_to_its_end_is_nobodys_fault(store, browser):
    """Whoever sends half a form and goes away leaves no trace of an error in the server's log."""

    async def half():
        sent = []
        parts = iter([{"type": "http.request", "body": b"na", "more_body": True}, {"type": "http.disconnect"}])

        async def receive():
            return next(parts)

        async def send(message):
            sent.append(message)

        scope = {"type": "http", "method": "POST", "path": "/enter", "query_string": b"", "scheme": "http"}
        scope |= {"headers": [(b"host", HOST.encode()), (b"origin", OWN["origin"].encode())], "root_path": ""}
        await browser.app(scope, receive, send)
        return sent[0]["status"]

    assert asyncio.run(half()) == 400


# Names


def test_decisions_carry_the_name_of_whoever_is_logged_in_and_no_other(store, browser):
    page = store.pages()[0].id
    clerk = as_(browser, "Keo Varn") | POST
    other = record(store, page, "substrate/2", "enter", "BK", by="Mira Tole")
    own = other | {"by": "Keo Varn", "seq": 2}

    refused, stored = browser.post("/desk/decisions", json_body={"records": [other, own]}, headers=clerk).json()[
        "results"
    ]

    assert (refused["ok"], stored["ok"]) == (False, True)
    assert "decided by Mira Tole, and you are logged in as Keo Varn" in refused["sentence"]
    assert [e.by for e in store.entries(page)["substrate/2"]] == ["Keo Varn"]


# Logging in


def test_the_cookie_is_closed_to_scripts_and_other_sites_and_only_its_hash_is_kept(store, browser):
    reply = log_in(browser, "Keo Varn")
    cookie = reply.headers["set-cookie"]
    secret = cookie.partition("=")[2].partition(";")[0]

    assert (reply.status_code, reply.headers["location"]) == (303, "/survey")
    assert {"HttpOnly", "SameSite=lax", "Path=/"} <= {p.strip() for p in cookie.split(";")}
    assert secret not in (store.folder / "sessions.json").read_text()
    assert stat.S_IMODE((store.folder / "sessions.json").stat().st_mode) == 0o600


@pytest.mark.parametrize("name", ["Keo Varn", "Nobody Here", "", "Keo Varn\x00", "x" * 5000])
def test_a_wrong_name_and_a_wrong_passphrase_get_the_same_answer(store, browser, name):
    reply = log_in(browser, name, "not this one")
    assert reply.status_code in (403, 400)
    assert "set-cookie" not in reply.headers
    assert ("do not fit together" in reply.text) is (len(name) < 1000)


def test_guessing_is_slowed_and_the_wait_grows(store, browser, clock):
    """Five wrong tries are free; then even the right passphrase has to wait, and afterwards it is taken."""
    for _ in range(FREE["name"]):
        assert log_in(browser, "Keo Varn", "wrong").status_code == 403
    slowed = log_in(browser, "Keo Varn")
    assert slowed.status_code == 429
    assert "Wait 5 seconds" in slowed.text
    assert log_in(browser, "Mira Tole").status_code == 303  # others are not held up
    clock[0] += timedelta(seconds=6)
    assert log_in(browser, "Keo Varn", "wrong").status_code == 403
    clock[0] += timedelta(seconds=6)
    assert log_in(browser, "Keo Varn").status_code == 429  # ten seconds now
    clock[0] += timedelta(seconds=6)
    assert log_in(browser, "Keo Varn").status_code == 303
    assert log_in(browser, "Keo Varn", "wrong").status_code == 403  # forgotten after a right one


def test_another_spelling_of_a_name_is_the_same_name_and_gets_no_tries_of_its_own(store, browser, clock):
    """Entries carry the name as it was given first."""
    for _ in range(FREE["name"]):
        assert log_in(browser, "KEO VARN", "wrong").status_code == 403
    assert log_in(browser, "keo  varn", passphrase("Keo Varn")).status_code == 429
    clock[0] += timedelta(seconds=6)
    reply = log_in(browser, "keo  varn", passphrase("Keo Varn"))
    assert reply.status_code == 303
    assert "Keo Varn" in browser.get("/me", headers=cookie_of(reply)).text
    assert log_in(browser, "Keo Varn", "wrong").status_code == 403


def test_many_names_tried_from_one_address_are_slowed_too(store):
    throttle, now = Throttle(store.tries), kept.NOW
    for i in range(FREE["from"]):
        assert throttle.seconds_left([("name", f"n{i}"), ("from", "10.0.0.9")], now=now) == 0
        throttle.wrong([("name", f"n{i}"), ("from", "10.0.0.9")], now=now)
    assert throttle.seconds_left([("name", "new"), ("from", "10.0.0.9")], now=now) == 5
    assert throttle.seconds_left([("name", "new"), ("from", "10.0.0.8")], now=now) == 0
    for _ in range(50):
        throttle.wrong([("from", "10.0.0.9")], now=now)
    assert throttle.seconds_left([("from", "10.0.0.9")], now=now) == LONGEST_SECONDS
    assert throttle.seconds_left([("from", "10.0.0.9")], now=now - timedelta(days=1)) == LONGEST_SECONDS
    assert throttle.seconds_left([("from", "10.0.0.9")], now=now + timedelta(hours=2)) == 0


def test_a_restart_forgets_no_wrong_try_and_the_store_holds_nothing_that_was_typed(tmp_path):
    """Somebody typed their passphrase as their name: it is not in the file."""
    typed = [("name", "seven grey herons")]
    for _ in range(FREE["name"]):
        with Store.open(tmp_path / "own") as opened:
            Throttle(opened.tries).wrong(typed, now=kept.NOW)
    with Store.open(tmp_path / "own") as opened:
        assert Throttle(opened.tries).seconds_left(typed, now=kept.NOW) == 5
        Throttle(opened.tries).right(typed[0])
        assert Throttle(opened.tries).seconds_left(typed, now=kept.NOW) == 0
    assert all(b"grey herons" not in p.read_bytes() for p in (tmp_path / "own").iterdir() if p.is_file())


@pytest.mark.parametrize(
    ("wanted", "goes"),
    [
        ("/trace?page=1&cell=a/b", "/trace?page=1&cell=a/b"),
        ("//evil.example/x", "/"),
        ("/\\evil.example", "/"),
        ("//[evil.example", "/"),
        ("https://evil.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/enter?next=/", "/"),
        ("/a\nset-cookie: b=c", "/"),
        ("", "/"),
    ],
)
def test_logging_in_leads_to_this_server_only(store, browser, wanted, goes):
    assert log_in(browser, "Keo Varn", next=wanted).headers["location"] == goes


@pytest.mark.parametrize("headers", [{}, {"origin": "http://evil.example"}, {"origin": "null"}])
def test_a_form_of_another_site_logs_nobody_in_or_out(store, browser, headers):
    form = urlencode({"name": "Keo Varn", "passphrase": passphrase("Keo Varn")}).encode()
    assert browser.post("/enter", content=form, headers=headers).status_code == 400
    clerk = as_(browser, "Keo Varn")
    browser.post("/me/out", headers=clerk | headers)
    assert take(browser, clerk).status_code == 200


def test_what_a_page_at_the_door_may_do_is_closed(store, browser):
    reply = browser.get("/enter?next=/%22%3E%3Cscript%3Ealert(1)%3C/script%3E")
    assert "<script" not in reply.text
    policy = reply.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "frame-ancestors 'none'" in policy
    assert "script-src" not in policy
    assert log_in(browser, '"><script>', "wrong").text.count("<script") == 0


# When a log-in ends


def test_a_log_in_ends_when_nothing_is_asked_for_and_at_the_latest_after_half_a_day(store, browser, clock):
    clerk = as_(browser, "Keo Varn")
    clock[0] += IDLE - LATER
    assert take(browser, clerk).status_code == 200
    clock[0] += IDLE - LATER
    assert take(browser, clerk).status_code == 200
    clock[0] += IDLE + LATER
    assert take(browser, clerk).status_code == 401

    clerk, began = as_(browser, "Keo Varn"), clock[0]
    while clock[0] + IDLE - LATER < began + LONGEST:
        clock[0] += IDLE - LATER
        assert take(browser, clerk).status_code == 200
    clock[0] = began + LONGEST
    assert take(browser, clerk).status_code == 401


def test_logging_out_ends_the_log_in_on_the_server(store, browser):
    clerk = as_(browser, "Keo Varn")
    assert browser.post("/me/out", headers=clerk | OWN).headers["location"] == "/enter"
    assert take(browser, clerk).status_code == 401


def test_whoever_is_gone_or_gets_another_role_or_passphrase_notices_at_once(store, browser):
    clerk, scientist = as_(browser, "Keo Varn"), as_(browser, "Mira Tole")
    store.people.set("Keo Varn", role="volunteer", by="Setup", now=kept.NOW)
    assert take(browser, clerk).status_code == 403
    store.people.set("Keo Varn", role="gone", by="Setup", now=kept.NOW)
    assert take(browser, clerk).status_code == 401
    store.people.set("Mira Tole", role="scientist", by="Setup", now=kept.NOW, passphrase="another one entirely")  # noqa: S106
    assert take(browser, scientist).status_code == 401


def test_one_changes_ones_own_passphrase_and_stays_logged_in_here_only(store, browser):
    here, elsewhere = as_(browser, "Keo Varn"), as_(browser, "Keo Varn")

    def change(old: str, new: str):
        return browser.post("/me/passphrase", content=urlencode({"old": old, "new": new}).encode(), headers=here | OWN)

    assert "not the passphrase you have now" in change("wrong one", "ten fathoms deep").text
    assert "The passphrase has 5 characters, expected 10" in change(passphrase("Keo Varn"), "short").text
    changed = change(passphrase("Keo Varn"), "ten fathoms deep")
    assert "Changed" in changed.text
    assert take(browser, cookie_of(changed)).status_code == 200
    assert take(browser, elsewhere).status_code == 401
    assert log_in(browser, "Keo Varn").status_code == 403
    assert log_in(browser, "Keo Varn", "ten fathoms deep").status_code == 303


@pytest.mark.parametrize(("role", "status"), [("gone", 400), ("volunteer", 200)])
def test_who_loses_a_role_while_they_change_their_passphrase_has_lost_it(store, browser, monkeypatch, role, status):
    """A new passphrase gives back nothing that was taken in the same moment."""
    here, checked = as_(browser, "Keo Varn"), pages._checked

    def taken_meanwhile(*request):
        found = checked(*request)
        store.people.set("Keo Varn", role=role, by="Setup", now=kept.NOW)
        return found

    monkeypatch.setattr(pages, "_checked", taken_meanwhile)
    form = urlencode({"old": passphrase("Keo Varn"), "new": "ten fathoms deep"}).encode()

    assert browser.post("/me/passphrase", content=form, headers=here | OWN).status_code == status
    assert store.people.named("Keo Varn").role == role


def test_a_disk_that_takes_no_file_keeps_nobody_out(store, browser, clock):
    """Who is logged in goes on, others come in, and who has logged out is out after a restart too."""
    clerk = as_(browser, "Keo Varn")
    (store.folder / "sessions.new").mkdir()  # stands where the file is written
    clock[0] += timedelta(minutes=2)
    assert take(browser, clerk).status_code == 200
    other = as_(browser, "Mira Tole")
    assert take(browser, other).status_code == 200

    assert browser.post("/me/out", headers=clerk | OWN).status_code == 303
    assert take(browser, clerk).status_code == 401
    secret = clerk["cookie"].partition("=")[2]
    assert Sessions(store).person(secret, now=clock[0]) is None


def test_a_restart_logs_nobody_out_and_a_damaged_file_everybody(store, clock):
    first = Sessions(store)
    secret = first.begin(store.people.named("Keo Varn"), now=kept.NOW)
    assert Sessions(store).person(secret, now=kept.NOW).name == "Keo Varn"
    assert Sessions(store).person("another", now=kept.NOW) is None
    for damage in ("", "[]", '{"a": 5}', '{"a": {"name": "x", "mark": "", "began": "2026", "seen": "x"}}', "\x00"):
        (store.folder / "sessions.json").write_text(damage)
        assert Sessions(store).person(secret, now=kept.NOW) is None


def test_a_cookie_that_makes_no_sense_is_nobody(store, browser):
    for cookie in ("", "a=b", "desk_=;;;", f"{who.door_of(store).cookie}=", "=" * 9000, "a\x00b=c"):
        assert take(browser, {"cookie": cookie}).status_code == 401


@pytest.mark.parametrize("theirs", ['look={"wide": 1}', "a b=c", "no-value", "x=\xe9"])
def test_a_cookie_of_another_program_on_the_same_host_hides_ours_from_nobody(store, browser, theirs):
    """Browsers send all that they have for a host, whatever its port, in one header."""
    clerk = as_(browser, "Keo Varn")
    assert take(browser, {"cookie": f"{theirs}; {clerk['cookie']}"}).status_code == 200


# Starting


def test_other_machines_are_never_served_without_a_log_in(tmp_path, monkeypatch):
    """With an address that others reach people always log in; with nobody who can, the server does not start."""
    monkeypatch.setenv(who.SHARED_VARIABLE, "")
    worklist._opened.cache_clear()
    with pytest.raises(ValueError, match="nobody can log in yet; add people first"):
        serve(tmp_path / "new", host="0.0.0.0")  # noqa: S104
    assert who.is_shared()
    with pytest.raises(ValueError, match="nobody can log in yet"):
        serve(tmp_path / "new", shared=True)
    assert [own_machine_only(h) for h in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "10.0.0.5", "reef.example")] == [  # noqa: S104
        True,
        True,
        True,
        False,
        False,
        False,
    ]
    worklist._opened.cache_clear()


def test_behind_a_web_server_its_name_is_known_people_log_in_and_the_cookie_is_for_tls_only(
    store, browser, monkeypatch
):
    """Any other name is refused, and a cookie given over https goes over https alone."""
    assert known_hosts("127.0.0.1", "reef.example") == ["127.0.0.1", "localhost", "reef.example"]
    assert settings(name="reef.example")["server.allowedHosts"] == known_hosts("127.0.0.1", "reef.example")
    assert "*" not in known_hosts("0.0.0.0", "reef.example")  # noqa: S104
    assert "Secure" not in log_in(browser, "Keo Varn").headers["set-cookie"]
    monkeypatch.setattr(browser, "scheme", "https")
    assert "Secure" in log_in(browser, "Keo Varn").headers["set-cookie"]
    monkeypatch.setenv(who.SHARED_VARIABLE, "")
    with pytest.raises(ValueError, match="nobody can log in yet"):
        serve(store.folder.parent / "new", name="reef.example")


def test_alone_at_ones_own_machine_nobody_logs_in(tmp_path, monkeypatch):
    monkeypatch.setenv(who.SHARED_VARIABLE, "")
    worklist._opened.cache_clear()
    worklist.use_folder(tmp_path)
    browser = Browser(Starlette(routes=routes.routes(), middleware=[Middleware(Guard)]))
    assert take(browser, {}).json()["open"] == 0
    assert browser.get("/enter").headers["location"] == "/"
    assert browser.get("/me").headers["location"] == "/"
    worklist._opened.cache_clear()


# The command


def run(monkeypatch, capsys, *arguments, typed: str = "") -> tuple[int, str, str]:
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    code = main(["people", *arguments])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_the_command_adds_lists_and_removes_people(tmp_path, monkeypatch, capsys):
    folder = tmp_path / "store"
    Store.open(folder).close()
    here = ("--store", str(folder))
    assert run(monkeypatch, capsys, *here)[2].strip() == "Nobody may log in yet."
    added = run(monkeypatch, capsys, *here, "--add", "Mira Tole", "--role", "clerk", typed="a long enough one\n")
    assert added[:2] == (0, "Mira Tole\tclerk\n")
    raised = run(monkeypatch, capsys, *here, "--add", "Mira Tole", "--role", "scientist", "--keep-passphrase")
    assert raised[:2] == (0, "Mira Tole\tscientist\n")
    with Store.open(folder) as one:
        assert one.people.check("Mira Tole", "a long enough one").role == "scientist"
    lowered = run(monkeypatch, capsys, *here, "--add", "mira tole", "--role", "clerk", "--keep-passphrase")
    assert lowered == (0, "Mira Tole\tclerk\n", "'mira tole' is known here as Mira Tole.\n")
    assert run(monkeypatch, capsys, *here, "--remove", "MIRA TOLE")[1] == "Mira Tole\tgone\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--add", "Ben"), "--add and --role belong together"),
        (("--add", " ", "--role", "clerk"), "no name is given; write who does this"),
        (("--remove", ""), "nobody of the name ''"),
        (("--role", "clerk"), "--add and --role belong together"),
        (("--add", "Ben", "--role", "clerk"), "expected 10 to 200"),
        (("--add", "Ben", "--role", "clerk", "--keep-passphrase"), "no passphrase to keep"),
        (("--remove", "Ben"), "nobody of the name 'Ben'"),
    ],
)
def test_the_command_refuses_in_words(tmp_path, monkeypatch, capsys, arguments, words):
    Store.open(tmp_path).close()
    code, _, err = run(monkeypatch, capsys, "--store", str(tmp_path), *arguments, typed="short\n")
    assert code == 2
    assert words in err


def test_no_page_at_the_door_needs_anything_from_elsewhere():
    text = pages.CSS.read_text(encoding="utf-8")
    assert "http" not in text
    assert "url(" not in text
    assert os.path.sep not in pages.CSS.name
