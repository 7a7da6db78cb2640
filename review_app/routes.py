"""The desk's own addresses beside the pages: cells, pictures, decisions.

Reading needs nothing but the same origin. Writing needs a header that other sites cannot send unasked, JSON of limited
size, and the store's own checks.
"""

from __future__ import annotations

import json
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from digitise import log
from digitise.store import Store
from review_app import alike, auditing, decisions, pictures, reports, sending, taking, tracing, whole, worklist
from review_app.door import pages as door
from review_app.door import who
from review_app.door.sent import body_of, from_elsewhere
from review_app.markup import tag

MAX_BODY = 1_000_000
WRITE_HEADER = ("x-desk", "decisions")
_PLAIN = {"x-content-type-options": "nosniff", "content-security-policy": "default-src 'none'; sandbox"}
_REPORT = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
    "sandbox allow-same-origin allow-popups allow-popups-to-escape-sandbox"  # a page opened from it may run its scripts
)
_KEEP = _PLAIN | {"cache-control": "private, max-age=86400"}
_FRESH = _PLAIN | {"cache-control": "no-store"}


def _refuse(status: int, sentence: str) -> JSONResponse:
    return JSONResponse({"sentence": sentence}, status, headers=_FRESH)


def _groups(request: Request) -> Response:
    store, pack = worklist.open_store(), request.query_params.get("pack", "")[:80]
    return JSONResponse({"groups": alike.groups(store, pack)}, headers=_FRESH)


def _alike(request: Request) -> Response:
    ask = {k: request.query_params.get(k, "")[:80] for k in ("key", "which", "pack")}
    return JSONResponse(
        alike.sheet(worklist.open_store(), ask["key"], which=ask["which"], pack=ask["pack"]), headers=_FRESH
    )


def _whole(request: Request) -> Response:
    store = worklist.open_store()
    try:
        data = whole.sheet(store, request.path_params["page"])
    except ValueError as error:
        return _refuse(404, str(error))
    return JSONResponse(data | {"pages": whole.page_list(store)}, headers=_FRESH)


def _audit(request: Request) -> Response:
    try:
        return JSONResponse(auditing.sample(worklist.open_store(), request.path_params["audit"]), headers=_FRESH)
    except ValueError as error:
        return _refuse(404, str(error))


def _trace(request: Request) -> Response:
    try:
        cell = request.query_params.get("cell", "")[:200]
        return JSONResponse(
            tracing.cell_trace(worklist.open_store(), request.path_params["page"], cell), headers=_FRESH
        )
    except ValueError as error:
        return _refuse(404, str(error))


def _viewable(store: Store, request: Request) -> bytes:
    """The photograph as it came where browsers show it, else as an upright JPEG of the same size.

    Of a sheet keyed by hand whose photograph was thinned it is the page, which is that photograph in grey.
    """
    sha256 = request.path_params["sha256"]
    keyed = [p.id for p in store.pages() if p.keyed and p.sha256 == sha256]
    if keyed and store.thinned.at(sha256):
        return store.page_image(keyed[0])
    data = store.original(sha256)
    return data if pictures.picture_type(data) else pictures.upright(store, sha256)


def _picture(make: Callable[[Store, Request], bytes]) -> Callable[[Request], Response]:
    def endpoint(request: Request) -> Response:
        try:
            data = make(worklist.open_store(), request)
        except (ValueError, OSError):
            return _refuse(404, "There is no such picture.")
        return Response(data, media_type=pictures.picture_type(data) or "application/octet-stream", headers=_KEEP)

    return endpoint


def _page_asked(store: Store, request: Request) -> int:
    """A page's id; `ValueError` where it is of another photograph than the address names.

    Browsers keep pictures by their address, and another store served at this one has pages of the same numbers.
    """
    page = request.path_params["page"]
    if store.photo_of(page) != request.path_params["sha256"]:
        raise ValueError(f"page {page} is of another photograph")
    return page


def _page(store: Store, request: Request) -> bytes:
    return store.page_image(_page_asked(store, request))


def _small_page(store: Store, request: Request) -> bytes:
    return pictures.small_page(store, _page_asked(store, request))


def _small_photo(store: Store, request: Request) -> bytes:
    return pictures.small_photo(store, request.path_params["sha256"])


def _original(request: Request) -> Response:
    """The kept photograph's own bytes; what browsers do not show as a picture is offered as a download."""
    store, sha256 = worklist.open_store(), request.path_params["sha256"]
    try:
        data = store.original(sha256)
    except ValueError as error:
        return _refuse(404, str(error))
    kind = pictures.picture_type(data)
    headers = _KEEP if kind else _KEEP | {"content-disposition": f'attachment; filename="{sha256[:12]}.bin"'}
    return Response(data, media_type=kind or "application/octet-stream", headers=headers)


def _results(request: Request) -> Response:
    store = worklist.open_store()
    try:
        part = reports.part_numbered(store, request.query_params.get("part", ""))
        packs = part.packs if part else reports.chosen_packs(store, request.query_params.get("pack", ""))
        page = reports.results_page(store, packs, part=part is not None)
    except (ValueError, OSError) as error:
        return _no_results(error)
    headers = _FRESH | {"content-security-policy": _REPORT}
    if "download" in request.query_params:
        headers |= _attached("survey-results", request, "html")
    return HTMLResponse(page, headers=headers)


def _no_results(error: ValueError | OSError) -> Response:
    """Why there are none, as a page: it stands in the frame for results. An `OSError` is a disk that takes no more."""
    words = str(error)
    if isinstance(error, OSError):
        log.trouble("results", error)
        words = (
            f"The results could not be worked out: {error.strerror or error}. Make room on this computer's disk, then "
            "open this page again; nothing that was kept is lost. 'digitise doctor' says what else is wrong."
        )
    page = tag(
        "html",
        tag("title", "No results"),
        tag("p", words),
        lang="en",
        style="color-scheme: light dark; font-family: sans-serif",
    )
    headers = _FRESH | {"content-security-policy": _REPORT}
    return HTMLResponse(f"<!doctype html>{page}", 507 if isinstance(error, OSError) else 404, headers=headers)


def _attached(name: str, request: Request, ending: str) -> dict[str, str]:
    pack = "".join(c for c in request.query_params.get("pack", "") if c.isascii() and c.isalnum())[:12]
    return {"content-disposition": f'attachment; filename="{name}-{pack or "all-surveys"}.{ending}"'}


def _tables(request: Request) -> Response:
    store = worklist.open_store()
    packs = reports.chosen_packs(store, request.query_params.get("pack", ""))
    if not packs:
        return _refuse(404, "There is no such survey, or no sheet of it has been read yet.")
    data = reports.tables_zip(store, packs)
    return Response(data, media_type="application/zip", headers=_FRESH | _attached("survey-tables", request, "zip"))


def _package(request: Request) -> Response:
    """A hand-over's package as one file."""
    store, number = worklist.open_store(), request.path_params["number"]
    record = next((h for h in store.handovers.all() if h.number == number), None)
    folder = sending.package(store, record) if record else None
    if folder is None:
        return _refuse(404, "There is no package of this hand-over in the store's folder.")
    named = {"content-disposition": f'attachment; filename="{folder.name}.zip"'}
    return Response(sending.zipped(folder), media_type="application/zip", headers=_FRESH | named)


def _from_own_page(take: Callable[[Store, who.Visitor, object], Response]) -> Callable:
    """What a page of ours sends as JSON, from somebody who may decide; work runs off the event loop."""

    async def endpoint(request: Request) -> Response:
        if request.headers.get(WRITE_HEADER[0]) != WRITE_HEADER[1] or from_elsewhere(request):
            return _refuse(403, "Decisions are taken from the review page only.")
        data = await body_of(request, MAX_BODY)
        if data is None:
            return _refuse(413, "Too many decisions were sent at once.")
        try:
            sent = json.loads(data)
        except (ValueError, RecursionError):
            return _refuse(400, "The decisions were not understood.")
        return await run_in_threadpool(answer, request, sent)

    def answer(request: Request, sent: object) -> Response:
        person = who.behind(request)
        if person is None or not person.may("clerk"):  # the guard has asked too; values are never taken unasked
            return _refuse(403, "You are not logged in as somebody who may decide.")
        return take(worklist.open_store(), person, sent)

    return endpoint


def _take(store: Store, person: who.Visitor, sent: object) -> Response:
    """Cells for one browser, leased to it."""
    try:
        return JSONResponse(
            taking.take(store, taking.parse_wish(sent, proven=person.name), now=worklist.utc_now()), headers=_FRESH
        )
    except ValueError as error:
        return _refuse(400, str(error))


def _leave(store: Store, _person: who.Visitor, sent: object) -> Response:
    """A browser's page was closed: what it looked at is free at once."""
    if isinstance(sent, dict) and taking.is_client(sent.get("client")):
        taking.leave(store, sent["client"], taking.turn_of(sent))
    return JSONResponse({}, headers=_FRESH)


def _decisions(store: Store, person: who.Visitor, sent: object) -> Response:
    records = sent.get("records") if isinstance(sent, dict) else None
    if not isinstance(records, list) or not 1 <= len(records) <= decisions.MOST_RECORDS:
        return _refuse(400, "The decisions were not understood.")
    results = [decisions.answer(store, record, now=worklist.utc_now(), proven=person.name) for record in records]
    return JSONResponse({"results": results, "progress": worklist.progress_json(store.progress())}, headers=_FRESH)


def _first_screen(request: Request) -> Response:
    """Review by its name, as every other screen: it is the first, which has the bare address."""
    return RedirectResponse(str(request.url.replace(path="/", scheme="", netloc="")))


def routes() -> list[Route]:
    """All routes, for the app and for tests."""
    return [
        Route("/desk/take", _from_own_page(_take), methods=["POST"]),
        Route("/desk/leave", _from_own_page(_leave), methods=["POST"]),
        Route("/desk/groups", _groups),
        Route("/desk/alike", _alike),
        Route("/desk/whole/{page:number}", _whole),
        Route("/desk/audit/{audit:number}", _audit),
        Route("/desk/trace/{page:number}", _trace),
        Route("/desk/viewable/{sha256:str}", _picture(_viewable)),
        Route("/desk/page/{page:number}/{sha256:str}", _picture(_page)),
        Route("/desk/small/{page:number}/{sha256:str}", _picture(_small_page)),
        Route("/desk/photo/{sha256:str}", _picture(_small_photo)),
        Route("/desk/original/{sha256:str}", _original),
        Route("/desk/results", _results),
        Route("/desk/tables", _tables),
        Route("/desk/handover/{number:number}", _package),
        Route("/desk/decisions", _from_own_page(_decisions), methods=["POST"]),
        Route("/review", _first_screen),
        *door.routes(),
    ]
