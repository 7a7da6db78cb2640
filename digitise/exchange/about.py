"""What the sheets do not say and a published data set must: who answers for it, its licence, names of the animals.

One YAML file, given with ``--about``. Everything in it is optional; what is not given is said to be not stated.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

MAX_BYTES = 200_000
Line = Annotated[str, StringConstraints(min_length=1, max_length=300, strip_whitespace=True)]
RANKS = ("kingdom", "phylum", "class", "order", "family", "subfamily", "genus", "species")


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Contact(_Model):
    """Who answers for the data: an organisation, a person, or both."""

    organisation: Line | None = None
    given_name: Line | None = None
    surname: Line | None = None
    email: Annotated[str, StringConstraints(pattern=r"^[^@\s]{1,64}@[^@\s]{1,190}$")] | None = None


class Licence(_Model):
    """A licence by name (such as its SPDX identifier) and address."""

    name: Line
    address: Annotated[str, StringConstraints(pattern=r"^https?://\S{3,200}$")]


class TaxonName(_Model):
    """What a row of a belt sheet is called in science: the lowest rank that is certain for everything it covers."""

    scientific_name: Line
    rank: Annotated[str, StringConstraints(pattern=f"^({'|'.join(RANKS)})$")]
    kingdom: Line = "Animalia"


class About(_Model):
    """See the module. `names` is by row id of the belt sheets."""

    title: Line | None = None
    summary: Annotated[str, StringConstraints(max_length=4000)] | None = None
    contact: Contact | None = None
    licence: Licence | None = None
    country_code: Annotated[str, StringConstraints(pattern="^[A-Z]{2}$")] | None = None
    water_body: Line | None = None
    utc_offset: Annotated[str, StringConstraints(pattern=r"^(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])$")] | None = None
    datum: Annotated[str, StringConstraints(pattern=r"^EPSG:[0-9]{4,5}$")] | None = None
    position_uncertainty_m: float | None = Field(default=None, gt=0, le=1e6, allow_inf_nan=False)
    names: dict[Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")], TaxonName] = {}


def load_about(path: Path | None) -> About:
    """The file's content; an empty `About` without a file.

    Raises
    ------
    ValueError
        Not readable, not YAML, or a key is wrong; the text names file, key, found and expected.
    """
    if path is None:
        return About()
    if not path.is_file():
        raise ValueError(f"{path}: no such file; --about takes a YAML file")
    if path.stat().st_size > MAX_BYTES:
        raise ValueError(f"{path}: {path.stat().st_size} bytes; expected a file under {MAX_BYTES}")
    data = read_yaml(path)
    if data is None:
        return About()
    try:
        return About.model_validate(data)
    except ValidationError as error:
        raise ValueError("\n".join(f"{path}: {_words(e)}" for e in error.errors()[:12])) from None


def read_yaml(path: Path) -> object:
    """YAML of plain values, without anchors (which let a small file grow without bound); `ValueError` in words."""
    try:
        text = path.read_text(encoding="utf-8")
        if any(isinstance(t, (yaml.AliasToken, yaml.AnchorToken)) for t in yaml.scan(text)):
            raise ValueError("anchors and aliases are not used here")
        return yaml.safe_load(text)
    except (yaml.YAMLError, RecursionError, ValueError, OSError) as error:
        raise ValueError(f"{path}: not readable as YAML: {' '.join(str(error).split())[:300]}") from None


def _words(error: dict) -> str:
    where = ".".join(str(p) for p in error["loc"]) or "the file"
    if error["type"] == "extra_forbidden":
        return f"{where}: this key is not known; remove it or check its spelling"
    text = re.sub(r"^Value error, ", "", error["msg"])
    found = error.get("input")
    shown = type(found).__name__ if isinstance(found, (dict, list)) else repr(found)[:60]
    return f"{where}: found {shown}, expected: {text[0].lower()}{text[1:]}"
