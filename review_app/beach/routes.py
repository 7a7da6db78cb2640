"""What phones may ask for, below ``/b/SECRET/``: the page, its state, pieces of photographs, small pictures."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from digitise.store import Store
from review_app import intake, pictures, worklist
from review_app.beach import link, parts, verdicts
from review_app.door.sent import body_of
from review_app.troubles import Troubles

STATIC = Path(__file__).resolve().parents[1] / "static"
MOST_ASKED = 400
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' blob: data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_PLAIN = {"x-content-type-options": "nosniff", "referrer-policy": "no-referrer", "content-security-policy": _POLICY}
_FRESH = _PLAIN | {"cache-control": "no-store"}
_OVER = "This link has ended. Ask at the laptop for a new code; photographs not sent yet stay in this phone."


def _html(name: str) -> str:
    return (STATIC / name).read_text(encoding="utf-8")


def _guarded(answer: Callable[[Store, Request], Response]) -> Callable:
    """Only with a link that is good; work runs off the event loop."""

    @functools.wraps(answer)
    async def endpoint(request: Request) -> Response:
        store = worklist.open_store()
        given = link.kept(store.folder, now=worklist.utc_now())
        if given is None or not given.good(request.path_params["secret"], now=worklist.utc_now()):
            if request.url.path.count("/") > 2:
                return JSONResponse({"sentence": _OVER}, 403, headers=_FRESH)
            return HTMLResponse(_html("beach-over.html"), 403, headers=_FRESH)
        if request.method == "POST":
            request.state.data = await body_of(request, parts.MAX_PIECE)
        return await run_in_threadpool(answer, store, request)

    return endpoint


def _page(_store: Store, _request: Request) -> Response:
    return HTMLResponse(_html("beach.html"), headers=_FRESH)


def _state(store: Store, request: Request) -> Response:
    wanted = request.query_params.get("photos", "").split(",")[:MOST_ASKED]
    intake.start(store)
    return JSONResponse(verdicts.state(store, wanted), headers=_FRESH)


def _number(text: str | None) -> int:
    if text is None or not text.isascii() or not text.isdigit() or len(text) > 9:
        raise parts.NotTaken("The piece was not understood; reload the page.")
    return int(text)


def _part(store: Store, request: Request) -> Response:
    upload, ask = request.path_params["upload"], request.query_params
    try:
        if request.method == "GET":
            return JSONResponse({"have": parts.have(store, upload)}, headers=_FRESH)
        piece = request.state.data
        if piece is None:
            raise parts.NotTaken("The piece was too large; reload the page.")
        at, size, name = _number(ask.get("at")), _number(ask.get("size")), ask.get("name", "")
        here, digest = parts.add(store, upload, piece, at=at, size=size, name=name, now=worklist.utc_now())
    except parts.NotTaken as error:
        return JSONResponse({"sentence": str(error)}, 400, headers=_FRESH)
    if digest:
        intake.start(store)
    return JSONResponse({"have": here, "sha256": digest}, headers=_FRESH)


def _picture(make: Callable[[Store, Request], bytes]) -> Callable[[Store, Request], Response]:
    def answer(store: Store, request: Request) -> Response:
        try:
            data = make(store, request)
        except (ValueError, OSError):
            return JSONResponse({"sentence": "There is no such picture."}, 404, headers=_FRESH)
        return Response(data, media_type="image/jpeg", headers=_PLAIN | {"cache-control": "private, max-age=3600"})

    return answer


def _small_page(store: Store, request: Request) -> bytes:
    return pictures.small_page(store, request.path_params["page"], pictures.MIDDLE_PX)


def _small_photo(store: Store, request: Request) -> bytes:
    return pictures.small_photo(store, request.path_params["sha256"], pictures.MIDDLE_PX)


def _file(name: str, kind: str) -> Route:
    async def endpoint(_request: Request) -> Response:
        return FileResponse(STATIC / name, media_type=kind, headers=_FRESH)

    return Route(f"/b/{name}", endpoint)


def app() -> Starlette:
    """The application that is served on the network: these addresses and no others."""
    return Starlette(
        middleware=[Middleware(Troubles)],
        routes=[
            _file("beach.css", "text/css"),
            _file("beach.js", "text/javascript"),
            Route("/b/{secret:str}", _guarded(_page)),
            Route("/b/{secret:str}/state", _guarded(_state)),
            Route("/b/{secret:str}/part/{upload:str}", _guarded(_part), methods=["GET", "POST"]),
            Route("/b/{secret:str}/page/{page:number}", _guarded(_picture(_small_page))),
            Route("/b/{secret:str}/photo/{sha256:str}", _guarded(_picture(_small_photo))),
        ],
    )
