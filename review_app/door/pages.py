"""The pages at the door: log in, log out, change one's passphrase. Plain forms without any script."""

from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from digitise import log
from digitise.store.people import Person, folded
from review_app import worklist
from review_app.door import who
from review_app.door.sent import body_of, from_elsewhere
from review_app.door.sessions import LONGEST
from review_app.markup import Markup, in_full, tag

CSS = Path(__file__).resolve().parents[1] / "static" / "door.css"
MOST_BODY = 4000
AT_ONCE = threading.Semaphore(2)  # a passphrase costs 64 MB of memory to look at
_POLICY = "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": _POLICY,
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
}
_WRONG = "Name and passphrase do not fit together."
_ROLE_WORDS = {
    "volunteer": "You add photographs and see whether they were read.",
    "clerk": "You plan days, add photographs, decide cells and see results.",
    "scientist": "You decide cells, draw audits, sign and hand over.",
}


def _page(title: str, *parts: Markup, status: int = 200) -> HTMLResponse:
    head = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        'content="width=device-width, initial-scale=1"><link rel="stylesheet" href="/door.css">'
    )
    body = tag("main", tag("p", "Survey sheets", class_="house"), tag("h1", title), *parts)
    return HTMLResponse(f"{head}{tag('title', f'{title} · Survey sheets')}</head><body>{body}", status, headers=HEADERS)


def _field(name: str, label: str, kind: str, complete: str, value: str = "", *, first: bool = False) -> Markup:
    more = {"autofocus": ""} if first else {}
    box = tag(
        "input", id=name, name=name, type=kind, autocomplete=complete, required="", maxlength=200, value=value, **more
    )
    return Markup(tag("label", label, for_=name) + box)


def _hidden(name: str, value: str) -> Markup:
    return tag("input", name=name, type="hidden", value=value)


def _form(action: str, button: str, *fields: Markup) -> Markup:
    return tag("form", *fields, tag("button", button, type="submit"), method="post", action=action)


def _told(sentence: str, kind: str = "bad") -> tuple[Markup, ...]:
    return (tag("p", sentence, class_=f"told {kind}", role="alert"),) if sentence else ()


def _own_path(wanted: str) -> str:
    """Where to go after logging in: a place on this server, else the first page."""
    own = wanted.startswith("/") and not wanted.startswith(("//", "/\\"))
    return wanted if own and wanted.isprintable() and not wanted.startswith(("/enter", "/desk/decisions")) else "/"


async def _sent(request: Request) -> dict[str, str] | None:
    """The form's fields; None when it came from elsewhere, is too long or makes no sense."""
    data = await body_of(request, MOST_BODY)
    if data is None or from_elsewhere(request, unnamed=True):
        return None
    try:
        fields = parse_qs(data.decode("ascii"), keep_blank_values=True, max_num_fields=10, errors="strict")
    except ValueError:
        return None
    return {name: values[0] for name, values in fields.items()}


# Logging in


def _login_page(name: str, wanted: str, sentence: str = "", status: int = 200) -> HTMLResponse:
    fields = (
        _field("name", "Your name", "text", "username", name, first=not name),
        _field("passphrase", "Passphrase", "password", "current-password", first=bool(name)),
        _hidden("next", wanted),
    )
    words = (
        "Everything you enter is kept under your name. No name or passphrase yet? Ask whoever looks after the survey."
    )
    return _page(
        "Log in", *_told(sentence), _form("/enter", "Log in", *fields), tag("p", words, class_="soft"), status=status
    )


async def _enter(request: Request) -> Response:
    if not who.is_shared():
        return RedirectResponse("/", 303)
    if request.method == "GET":
        return _login_page("", _own_path(request.query_params.get("next", "/")))
    sent = await _sent(request)
    if sent is None:
        return _login_page("", "/", "That was not understood. Log in on this page.", 400)
    return await run_in_threadpool(_log_in, request, sent)


def _log_in(request: Request, sent: dict[str, str]) -> Response:
    name, wanted = " ".join(sent.get("name", "").split())[:200], _own_path(sent.get("next", "/"))
    person, sentence, status = _checked(request, name, sent.get("passphrase", ""))
    if person is None:
        return _login_page(name, wanted, sentence, status)
    answer = RedirectResponse(wanted, 303, headers=HEADERS)
    _give_cookie(request, answer, person)
    return answer


def _checked(request: Request, name: str, passphrase: str) -> tuple[Person | None, str, int]:
    """The person when the passphrase is theirs, else None, why in a sentence, and the status; guessing is slowed."""
    door, now = who.door_of(worklist.open_store()), worklist.utc_now()
    keys = (("name", folded(name)), ("from", request.client.host if request.client else ""))
    with AT_ONCE:
        wait = door.throttle.seconds_left(keys, now=now)
        if wait:
            log.note("log-in", right=False, wait=wait)
            return None, f"Too many wrong tries. Wait {_wait_words(wait)}, then try again.", 429
        person = door.store.people.check(name, passphrase)
        if person is None:
            door.throttle.wrong(keys, now=now)
            log.note("log-in", right=False, wait=0)
            return None, _WRONG, 403
    door.throttle.right(keys[0])
    return person, "", 200


def _wait_words(seconds: int) -> str:
    return f"{seconds} seconds" if seconds <= 90 else f"{-(-seconds // 60)} minutes"


def _give_cookie(request: Request, answer: Response, person: Person) -> None:
    door = who.door_of(worklist.open_store())
    answer.set_cookie(
        door.cookie,
        door.sessions.begin(person, now=worklist.utc_now()),
        max_age=int(LONGEST / timedelta(seconds=1)),
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
        path="/",
    )


# Somebody who is logged in


def not_yours(person: who.Visitor) -> HTMLResponse:
    """What somebody sees who may not open a page."""
    words = f"You are logged in as {person.name}, {person.role}. {_ROLE_WORDS[person.role]}"
    return _page("This page is not for your role", tag("p", words), tag("p", tag("a", "Go on", href="/")), status=403)


def _me_page(person: who.Visitor, sentence: str = "", kind: str = "bad", status: int = 200) -> HTMLResponse:
    fields = (
        _field("old", "The passphrase you have now", "password", "current-password"),
        _field("new", "A new one, of 10 letters or more", "password", "new-password"),
    )
    return _page(
        person.name,
        tag("p", f"{person.role[:1].upper()}{person.role[1:]}. {_ROLE_WORDS[person.role]}"),
        *_told(sentence, kind),
        _form("/me/out", "Log out"),
        tag("h2", "Change your passphrase"),
        _form("/me/passphrase", "Change it", *fields),
        tag("p", tag("a", "Back to the survey", href="/")),
        status=status,
    )


async def _me(request: Request) -> Response:
    person = await run_in_threadpool(who.behind, request)
    return _me_page(person) if person and person.name else RedirectResponse("/", 303)


async def _out(request: Request) -> Response:
    if await _sent(request) is None:
        return RedirectResponse("/me", 303)
    door = who.door_of(worklist.open_store())
    secret = request.cookies.get(door.cookie, "")
    await run_in_threadpool(door.sessions.end, secret, now=worklist.utc_now())
    answer = RedirectResponse("/enter", 303, headers=HEADERS)
    answer.delete_cookie(door.cookie, path="/")
    return answer


async def _passphrase(request: Request) -> Response:
    person = await run_in_threadpool(who.behind, request)
    sent = await _sent(request)
    if person is None or not person.name or sent is None:
        return RedirectResponse("/me", 303)
    return await run_in_threadpool(_change, request, person, sent)


def _change(request: Request, person: who.Visitor, sent: dict[str, str]) -> Response:
    known, sentence, status = _checked(request, person.name, sent.get("old", ""))
    if known is None:
        return _me_page(person, sentence.replace(_WRONG, "That is not the passphrase you have now."), status=status)
    store = who.door_of(worklist.open_store()).store
    try:
        with AT_ONCE:
            changed = store.people.change_passphrase(known.name, sent.get("new", ""), now=worklist.utc_now())
    except ValueError as error:
        return _me_page(person, in_full(error), status=400)
    answer = _me_page(person, "Changed. You are logged out everywhere else.", "good")
    _give_cookie(request, answer, changed)
    return answer


async def _css(_request: Request) -> Response:
    return Response(CSS.read_text(encoding="utf-8"), media_type="text/css", headers=HEADERS)


def routes() -> list[Route]:
    """The addresses at the door."""
    return [
        Route("/enter", _enter, methods=["GET", "POST"]),
        Route("/door.css", _css),
        Route("/me", _me),
        Route("/me/out", _out, methods=["POST"]),
        Route("/me/passphrase", _passphrase, methods=["POST"]),
    ]
