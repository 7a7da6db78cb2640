"""A programme's own protocols that a store knows: each is given once and kept in the store's folder."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from digitise.sheets.compose import build_layouts, layout_problems
from digitise.sheets.protocol import (
    BeltSheet,
    LineSheet,
    Protocol,
    ProtocolError,
    load_protocol,
    parse_protocol,
    shipped_names,
)
from digitise.sheets.yaml_file import MAX_BYTES
from digitise.whole import write_whole

FOLDER = "protocols"


def file_name(protocol: Protocol) -> str:
    """The name under which a protocol is kept: one file for an edition."""
    return f"{protocol.protocol}-{protocol.version}.yaml"


def keep_protocol(folder: Path, data: bytes, source: str) -> Protocol:
    """Keep a protocol file in a store's folder; returns it. What is kept already is left as it is.

    Raises
    ------
    ProtocolError
        It is no protocol, does not fit on its paper, names a font file, or another of its name and version is known.
    """
    if len(data) > MAX_BYTES:
        raise ProtocolError(f"{source}: {len(data)} bytes; expected a protocol file under {MAX_BYTES}")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as wrong:
        raise ProtocolError(f"{source}: byte {wrong.start} is not UTF-8; save the file as UTF-8 text") from None
    protocol = parse_protocol(text, source)
    if protocol.font is not None:
        raise ProtocolError(
            f"{source}: names a font file, which a store cannot keep; print with 'digitise prepare', and read with "
            "--protocol FILE"
        )
    if problems := layout_problems(protocol):
        raise ProtocolError("\n".join(f"{source}: sheets.{problem}" for problem in problems))
    for other in (*map(load_protocol, shipped_names()), *kept_protocols(folder)):
        if _same_version(protocol, other):
            raise ProtocolError(
                f"{source}: another '{protocol.protocol}' of version {protocol.version} is known; expected another "
                "version for what was changed"
            )
        if other.digest == protocol.digest:
            return other
    kept = folder / FOLDER / file_name(protocol)
    kept.parent.mkdir(parents=True, exist_ok=True)
    write_whole(kept, data)
    return protocol


def refuse_look_alike(protocol: Protocol, source: str, known: Iterable[Protocol]) -> None:
    """`ProtocolError` where a sheet of this name and version may be another's that means something else.

    Where cells lie elsewhere, marks and codes tell the two apart; codes, rows and areas changed in place do not.
    """
    for other in known:
        if _same_version(protocol, other) and (alike := _look_alike(protocol, other)):
            raise ProtocolError(
                f"{source}: its sheet '{alike}' cannot be told from that of another '{protocol.protocol}' of version "
                f"{protocol.version}; expected another version for what was changed. What was printed without one is "
                "read into a store that does not know the other"
            )


def _same_version(one: Protocol, other: Protocol) -> bool:
    return (one.protocol, one.version) == (other.protocol, other.version) and one.digest != other.digest


def _look_alike(one: Protocol, other: Protocol) -> str:
    """The first sheet that both print alike and that means something else; "" where there is none."""
    pages = [{(p.sheet, p.page, p.paper, p.digest) for p in build_layouts(protocol)} for protocol in (one, other)]
    shared = sorted({sheet for sheet, *_ in pages[0] & pages[1]})
    return next((name for name in shared if _meaning(one, name) != _meaning(other, name)), "")


def _meaning(protocol: Protocol, name: str) -> tuple[object, ...]:
    """What a page of it says without telling so: what it stands for, and the area or points that it covers."""
    sheet = protocol.sheets[name]
    if isinstance(sheet, BeltSheet):
        return sheet, *(part.area_m2 for part in protocol.parts(name))
    return (sheet, protocol.transect) if isinstance(sheet, LineSheet) else (sheet,)


def kept_protocols(folder: Path) -> list[Protocol]:
    """The protocols kept in a store's folder; `ProtocolError` when one cannot be used any more."""
    return [load_protocol(path) for path in sorted((folder / FOLDER).glob("*.yaml"))]
