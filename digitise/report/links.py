"""Addresses in the report's sentences: a DOI becomes a link, whatever characters it has."""

from __future__ import annotations

import re
from urllib.parse import quote

_DOI = re.compile(r"doi:(10\.[0-9]{4,9}/\S*[^\s.,;)])")


def pieces(text: str) -> list[tuple[str, str]]:
    """The text in pieces, each with the address it leads to, or with nothing.

    >>> pieces("See doi:10.1016/0022-5193(66)90013-0.")
    [('See ', ''), ('doi:10.1016/0022-5193(66)90013-0', 'https://doi.org/10.1016/0022-5193%2866%2990013-0'), ('.', '')]
    """
    out, done = [], 0
    for found in _DOI.finditer(text):
        out += [(text[done : found.start()], ""), (found[0], f"https://doi.org/{quote(found[1], safe='/')}")]
        done = found.end()
    return [(words, address) for words, address in (*out, (text[done:], "")) if words]
