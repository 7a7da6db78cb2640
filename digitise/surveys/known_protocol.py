"""A programme's own protocols that a store knows: each is given once and kept in the store's folder."""

from __future__ import annotations

from pathlib import Path

from digitise.sheets.compose import layout_problems
from digitise.sheets.protocol import Protocol, ProtocolError, load_protocol, parse_protocol, shipped_names
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
            f"{source}: names a font file, which a store does not hold; print it with 'digitise prepare'"
        )
    if problems := layout_problems(protocol):
        raise ProtocolError("\n".join(f"{source}: sheets.{problem}" for problem in problems))
    for other in (*map(load_protocol, shipped_names()), *kept_protocols(folder)):
        if (other.protocol, other.version) == (protocol.protocol, protocol.version):
            if other.digest == protocol.digest:
                return other
            raise ProtocolError(
                f"{source}: another '{protocol.protocol}' of version {protocol.version} is known; expected another "
                "version for what was changed"
            )
    kept = folder / FOLDER / file_name(protocol)
    kept.parent.mkdir(parents=True, exist_ok=True)
    write_whole(kept, data)
    return protocol


def kept_protocols(folder: Path) -> list[Protocol]:
    """The protocols kept in a store's folder; `ProtocolError` when one cannot be used any more."""
    return [load_protocol(path) for path in sorted((folder / FOLDER).glob("*.yaml"))]
