"""What the sheets do not say and a published data set must: who answers for it, its licence, names of the animals.

One YAML file, given with ``--about``. Everything in it is optional; what is not given is said to be not stated.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from digitise.sheets.protocol import Name
from digitise.sheets.yaml_file import checked, file_text, line_of_text, shaped

Line = line_of_text(1, 300)
EMail = shaped(r"^[^@\s]{1,64}@[^@\s]{1,190}$", "an e-mail address")
Address = shaped(r"^https?://\S{3,200}$", "an address that begins with https://")
Country = shaped(r"^([A-Z]{2})$", "the two capitals of ISO 3166-1, in quotes")
Offset = shaped(r"^(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])$", "Z, or hours in quotes, such as '+08:00'")
Datum = shaped(r"^EPSG:[0-9]{4,5}$", "a code such as 'EPSG:4326'")
RANKS = ("kingdom", "phylum", "class", "order", "family", "subfamily", "genus", "species")


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Contact(_Model):
    """Who answers for the data: an organisation, a person, or both."""

    organisation: Line | None = None
    given_name: Line | None = None
    surname: Line | None = None
    email: EMail | None = None


class Licence(_Model):
    """A licence by name (such as its SPDX identifier) and address."""

    name: Line
    address: Address


class TaxonName(_Model):
    """What a row of a belt sheet is called in science: the lowest rank that is certain for everything it covers."""

    scientific_name: Line
    rank: Literal[RANKS]
    kingdom: Line = "Animalia"


class About(_Model):
    """See the module. `names` is by row id of the belt sheets."""

    title: Line | None = None
    summary: Annotated[str, StringConstraints(max_length=4000)] | None = None
    contact: Contact | None = None
    licence: Licence | None = None
    country_code: Country | None = None
    water_body: Line | None = None
    utc_offset: Offset | None = None
    datum: Datum | None = None
    position_uncertainty_m: float | None = Field(default=None, gt=0, le=1e6, allow_inf_nan=False)
    names: dict[Name, TaxonName] = {}


def load_about(path: Path | None) -> About:
    """The file's content; an empty `About` without a file.

    Raises
    ------
    ValueError
        Not readable, not YAML, or a key is wrong; the text names file, key, found and expected.
    """
    if path is None:
        return About()
    text = file_text(path, what="the file for --about", error=ValueError)
    return checked(text, About, source=str(path), error=ValueError)
