"""Phone photographs of pencil-written reef-survey sheets become cover and density."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from digitise.notebook import Programme

__version__ = "0.1.0"


def open(store: Path | str, *, level: float = 0.95) -> Programme:  # noqa: A001 - read as digitise.open
    """A store's results for a notebook: ``digitise.open("survey-store").cover(site="Pilot Garden")``.

    `level` is the confidence of the intervals. A folder that holds no store raises a `ValueError` that says so.
    """
    from digitise.notebook import open_programme

    return open_programme(store, level=level)
