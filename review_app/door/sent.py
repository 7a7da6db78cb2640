"""What a request brings: from which page it comes, a body of bounded length, numbers that a database can hold."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.requests import ClientDisconnect, HTTPConnection, Request


class _Number(IntegerConvertor):
    """A row's number in an address, as ``{page:number}``; a longer one is the address of nothing."""

    regex = "[0-9]{1,18}"


register_url_convertor("number", _Number())


def from_elsewhere(connection: HTTPConnection, *, unnamed: bool = False) -> bool:
    """Whether another site's page sends this, one on another port of this machine included.

    `unnamed` is the answer where no page is named: browsers name theirs whenever they send something or open a
    connection; other programs need not, and have no cookie but one that they were given.
    """
    origin = connection.headers.get("origin")
    if origin is None:
        return unnamed
    try:
        return urlsplit(origin).netloc != connection.headers.get("host")
    except ValueError:  # no address at all
        return True


async def body_of(request: Request, most: int) -> bytes | None:
    """A request's body; None when it is longer than `most` bytes, or whoever sent it went away."""
    data = bytearray()
    try:
        async for piece in request.stream():
            data += piece
            if len(data) > most:
                return None
    except ClientDisconnect:
        return None
    return bytes(data)
