"""The review server: pages and routes in one process, on this machine only unless told otherwise."""

from __future__ import annotations

import ipaddress
import platform
import socket
import sys
import tomllib
from pathlib import Path

import streamlit as st
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware

from digitise import log
from digitise.store import Store
from review_app import ahead, intake, worklist
from review_app.beach import gate
from review_app.door import who
from review_app.door.guard import Guard
from review_app.known import Known
from review_app.policy import Policy
from review_app.routes import routes
from review_app.troubles import Troubles

HERE = Path(__file__).resolve().parent
_EVERYWHERE = ("0.0.0.0", "::", "")  # noqa: S104 - compared with, never bound unasked  # nosec B104


def known_hosts(host: str, name: str = "") -> list[str]:
    """Names a browser may use for this server, `name` that of a web server before it; any on every address."""
    return ["*"] if host in _EVERYWHERE and not name else sorted({"127.0.0.1", "localhost", name or host, host})


def _flat(tree: dict, above: str = "") -> dict:
    """Nested settings by dotted name."""
    out = {}
    for name, value in tree.items():
        out |= _flat(value, f"{above}{name}.") if isinstance(value, dict) else {f"{above}{name}": value}
    return out


def settings(host: str = "127.0.0.1", port: int = 8501, name: str = "") -> dict:
    """Server and theme settings by dotted name: the file beside this module, with this host and port."""
    tree = tomllib.loads((HERE / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    return _flat(tree) | {"server.address": host, "server.port": port, "server.allowedHosts": known_hosts(host, name)}


def create_app(host: str = "127.0.0.1", name: str = "") -> st.App:
    """The application; the folder is chosen with `worklist.use_folder`."""
    hosts = Middleware(TrustedHostMiddleware, allowed_hosts=known_hosts(host, name), www_redirect=False)
    return st.App(
        HERE / "main.py",
        routes=routes(),
        middleware=[Middleware(Troubles), Middleware(Policy), hosts, Middleware(Guard), Middleware(Known)],
    )


def own_machine_only(host: str) -> bool:
    """Whether an address can be reached from this machine alone."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _check_people(store: Store) -> None:
    """`ValueError` when nobody could log in."""
    if not any(p.may_enter for p in store.people.all()):
        raise ValueError(
            "nobody can log in yet; add people first: "
            f'digitise people --store {store.folder} --add "Their Name" --role clerk'
        )


def _check_free(host: str, port: int) -> None:
    """`ValueError` with a sentence when the address cannot be listened on."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise ValueError(f"{host}:{port} cannot be used ({why}); name another port") from None


def _where(host: str, port: int) -> str:
    """The address to open; one that stands for all of a computer's own is none that a browser can."""
    if host in _EVERYWHERE:
        return f"http://127.0.0.1:{port}, and from others at this computer's address, port {port}"
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def serve(
    folder: Path | str, *, host: str = "127.0.0.1", port: int = 8501, shared: bool = False, name: str = ""
) -> None:
    """Serve the screens for one folder until stopped; photographs that wait there are read in the background.

    People have to log in when it is `shared`, and always when other machines can reach the address, or a web server
    before it answers to `name`.

    Raises
    ------
    ValueError
        The folder cannot be used as a store, the address cannot be listened on, or nobody could log in.
    """
    worklist.use_folder(folder)
    store = worklist.open_store()
    who.share(shared or bool(name) or not own_machine_only(host))
    if who.is_shared():
        _check_people(store)
    _check_free(host, port)
    log.keep(store.folder)
    log.note("start", shared=who.is_shared(), database=store.database.kind, python=platform.python_version())
    intake.start(store)
    gate.resume(store, now=worklist.utc_now())
    print(f"Review screens at {_where(host, port)} (Ctrl+C stops them).", file=sys.stderr, flush=True)
    at_work = ahead.Ahead(store).start()
    try:
        create_app(host, name).run(config=settings(host, port, name))
    finally:
        at_work.end()
