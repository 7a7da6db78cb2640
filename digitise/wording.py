"""Numbers in sentences."""

from __future__ import annotations


def plural(n: int, one: str, many: str = "") -> str:
    """ "1 cell", "2 cells"."""
    return f"{thousands(n)} {one if n == 1 else many or one + 's'}"


def thousands(n: int) -> str:
    """A whole number with narrow spaces: 1 184."""
    return f"{n:,}".replace(",", "\u202f")
