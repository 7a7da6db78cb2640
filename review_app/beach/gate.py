"""Opening and shutting the way in for phones: a small server of its own on the network, beside the laptop's screens.

The screens themselves stay on this machine. Nothing listens on the network until a person opens the gate.
"""

from __future__ import annotations

import ipaddress
import socket
import threading
from dataclasses import dataclass
from datetime import datetime

import ifaddr
import uvicorn

from digitise import log
from digitise.store import Store
from review_app.beach import link, routes

PORT = 8600  # taken when free, else any other


@dataclass(slots=True)
class _Open:
    port: int
    server: uvicorn.Server
    thread: threading.Thread


_open: dict[str, _Open] = {}
_lock = threading.Lock()


def addresses() -> list[str]:
    """This machine's own addresses (IPv4) that phones on its networks may reach, home and hotspot networks first."""
    found = [str(i.ip) for adapter in ifaddr.get_adapters() for i in adapter.ips if i.is_IPv4]
    usable = [a for a in found if not (ip := ipaddress.ip_address(a)).is_loopback and not ip.is_unspecified]
    return sorted(
        dict.fromkeys(usable),
        key=lambda a: (ipaddress.ip_address(a).is_link_local, not a.startswith(("192.168.", "10.", "172.")), a),
    )


def _bound(port: int) -> socket.socket:
    """A socket on every address of the machine: the wanted port, or another when it is taken."""
    for wanted in (port, 0):
        one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            one.bind(("0.0.0.0", wanted))  # noqa: S104 - asked for; only the beach is served  # nosec B104
            one.listen(64)
        except OSError:
            one.close()
            continue
        return one
    raise ValueError("this machine lets no program listen on its network; ask who looks after it")


def is_open(store: Store) -> bool:
    """Whether phones can come in now."""
    return port(store) is not None


def port(store: Store) -> int | None:
    """Where these screens let phones in; None when they do not.

    Other screens on the same store share the link, and have a port of their own: the link's is whoever's opened last.
    """
    one = _open.get(str(store.folder))
    return one.port if one is not None and one.thread.is_alive() else None


def open_gate(store: Store, *, now: datetime, fresh: bool = True) -> link.Link:
    """Let phones in; `fresh` makes a new link, else the one given out earlier goes on.

    Raises
    ------
    ValueError
        Nothing can listen on this machine's network, or the disk takes no link.
    """
    with _lock:
        known = None if fresh else link.kept(store.folder, now=now)
        _shut(store)
        listener = _bound(known.port if known else PORT)
        try:
            given = link.make(store.folder, listener.getsockname()[1], now=now, like=known)
        except OSError as error:
            listener.close()
            raise ValueError(
                f"the link for phones could not be kept ({error.strerror}); make room on this disk, then let "
                "phones in again"
            ) from None
        config = uvicorn.Config(routes.app(), log_level="warning", access_log=False, timeout_graceful_shutdown=2)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="beach", daemon=True)
        thread.start()
        _open[str(store.folder)] = _Open(given.port, server, thread)
        return given


def _shut(store: Store) -> None:
    one = _open.pop(str(store.folder), None)
    if one is not None:
        one.server.should_exit = True
        one.thread.join(5)


def shut_gate(store: Store) -> None:
    """Let no phone in any more; the link is worth nothing from now on."""
    with _lock:
        link.end(store.folder)
        _shut(store)


def resume(store: Store, *, now: datetime) -> bool:
    """After a restart: go on with a link that is still good; whether there was one."""
    if link.kept(store.folder, now=now) is None:
        return False
    try:
        open_gate(store, now=now, fresh=False)
    except ValueError as error:  # the screens serve all the same, and say on Phones that nobody comes in
        log.trouble("phones", error)
        return False
    return True
