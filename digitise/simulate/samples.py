"""The sample photographs: two invented surveys, written by drawn hands and photographed by the simulated camera.

``python -m digitise.simulate.samples OUT`` makes the pictures and ``manifest.json`` (SHA-256, truth, how made).
Everything in them is invented and simulated; they are no evidence about real phones or real handwriting.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.sheets.sheet import Identity, pack_pages
from digitise.simulate.answers import answers_from_values
from digitise.simulate.camera import Camera, hard_camera, ordinary_camera
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.pencil import Pencil
from digitise.simulate.take import take

FRAME_PX = {"width_px": 2448, "height_px": 3264}
JPEG_QUALITY = 80
GLARE = {"glare_strength": 2.0, "glare_size_mm": 70.0, "glare_at": (0.55, 0.55)}  # over cells: to be taken again


@dataclass(frozen=True, slots=True)
class Reef:
    """An invented site: its sheet's answers, what its reef is like, and who wrote."""

    pack: str
    name: str
    site: dict[str, object]
    first_minute: int
    cover: tuple[float, ...]  # chance of each category, in the protocol's order
    patch: float  # chance that a point lies on the same thing as the one before
    fish: dict[str, float]  # mean per segment
    invertebrates: dict[str, float]
    impacts: dict[str, float]
    observers: tuple[str, str, str]


REEFS = (
    Reef(
        "K7RM4X",
        "tamarind-wall",
        {
            "date": "2026-03-14",
            "time": "09:15",
            "site": "TAMARIND WALL",
            "team": 6,
            "latitude": 5.4123,
            "north-south": "N",
            "longitude": 161.2034,
            "east-west": "W",
            "depth": 8.2,
            "visibility": 14,
            "temperature": 27.6,
            "sun": True,
            "wind": True,
            "leader": "MIRA TOLE",
            "cover": "OLIN FESK",
            "pair-1": "KEO VARN, ADA LIND",
            "pair-2": "ROSU BEKI, JUN ANSU",
            "pair-3": "MIRA TOLE, TAM ORLE",
        },
        9 * 60 + 32,
        (0.22, 0.17, 0.09, 0.05, 0.03, 0.14, 0.12, 0.08, 0.10),
        0.35,
        {
            "damselfish": 14,
            "cardinalfish": 7,
            "fusilier": 9,
            "goatfish": 2,
            "rabbitfish": 2.5,
            "surgeonfish": 5,
            "angelfish": 1.5,
            "hawkfish": 0.8,
            "triggerfish": 0.5,
            "pufferfish": 0.6,
            "goby": 4,
            "ray": 0.1,
        },
        {
            "feather-star": 5,
            "cushion-star": 1.2,
            "brittle-star": 2,
            "sea-slug": 0.8,
            "cowrie": 0.4,
            "hermit-crab": 3,
            "fan-worm": 6,
            "octopus": 0.1,
        },
        {"bleached-colony": 1.5, "litter": 0.4, "bleached-percent": 4},
        ("KEO VARN", "ROSU BEKI", "ADA LIND"),
    ),
    Reef(
        "T4HW9C",
        "pilot-garden",
        {
            "date": "2026-03-15",
            "time": "10:05",
            "site": "PILOT GARDEN",
            "team": 4,
            "latitude": 5.43871,
            "north-south": "N",
            "longitude": 161.1877,
            "east-west": "W",
            "depth": 5.6,
            "visibility": 9,
            "temperature": 28.1,
            "cloud": True,
            "current": True,
            "boats": True,
            "leader": "TAM ORLE",
            "cover": "OLIN FESK",
            "pair-1": "ADA LIND, JUN ANSU",
            "pair-2": "TAM ORLE, KEO VARN",
            "remarks": "OLD ANCHOR SCAR",
        },
        10 * 60 + 24,
        (0.05, 0.08, 0.06, 0.04, 0.10, 0.20, 0.10, 0.24, 0.13),
        0.3,
        {
            "damselfish": 8,
            "cardinalfish": 2,
            "fusilier": 3,
            "goatfish": 4,
            "rabbitfish": 5,
            "surgeonfish": 2.5,
            "angelfish": 0.5,
            "hawkfish": 0.3,
            "triggerfish": 0.9,
            "pufferfish": 0.8,
            "goby": 6,
            "ray": 0.2,
        },
        {
            "feather-star": 1.5,
            "cushion-star": 2.2,
            "brittle-star": 3,
            "sea-slug": 0.5,
            "cowrie": 0.8,
            "hermit-crab": 6,
            "fan-worm": 2,
            "octopus": 0.2,
        },
        {"bleached-colony": 0.6, "litter": 2.2, "bleached-percent": 9},
        ("JUN ANSU", "TAM ORLE", "KEO VARN"),
    ),
)

# Slips that people make, on a few cells: (pack, transect, cell) -> mark.
SLIPS = {
    ("K7RM4X", 1, "substrate/4.5"): "struck",
    ("K7RM4X", 1, "substrate/12"): "erased_rewritten",
    ("K7RM4X", 2, "fish/goatfish/0-10/total"): "overwritten",
    ("K7RM4X", 3, "substrate/17.5"): "overwritten",
    ("T4HW9C", 1, "fish/damselfish/10-20/tally"): "erased_rewritten",
    ("T4HW9C", 2, "substrate/9"): "erased_rewritten",
    ("T4HW9C", 2, "substrate/15.5"): "ditto",
    ("T4HW9C", 3, "invertebrate/hermit-crab/0-10/tally"): "struck",
}
# Points a diver could not see, left blank.
BLANKS = {("K7RM4X", 2, "substrate/20"), ("T4HW9C", 1, "substrate/0.5"), ("T4HW9C", 1, "substrate/1")}


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _points(protocol: Protocol, reef: Reef, rng: np.random.Generator) -> dict[str, object]:
    codes = [c.code for c in protocol.sheets["substrate"].categories]
    out, last = {}, None
    for position in protocol.transect.points_m:
        if last is None or rng.random() > reef.patch:
            last = str(rng.choice(codes, p=reef.cover))
        out[f"substrate/{position:g}"] = last
    return out


def _counts(
    sheet: str, means: dict[str, float], segments: tuple[str, ...], rng: np.random.Generator
) -> dict[str, object]:
    out: dict[str, object] = {}
    for row, mean in means.items():
        for segment in segments:
            count = int(min(38, rng.negative_binomial(2.5, 2.5 / (2.5 + mean))))
            if count:
                out[f"{sheet}/{row}/{segment}/tally"] = out[f"{sheet}/{row}/{segment}/total"] = count
    return out


def transect_values(
    protocol: Protocol, reef: Reef, transect: int, rng: np.random.Generator
) -> dict[str, dict[str, object]]:
    """What stands on the sheets of one line, by sheet and cell."""
    laid = reef.first_minute + 55 * (transect - 1)
    depth = round(float(reef.site["depth"]) + float(rng.normal(0, 0.15)), 1)
    segments = protocol.belt.segments
    watcher = dict(zip(("fish", "invertebrate", "substrate"), reef.observers, strict=True))
    start = {"fish": laid + 16, "invertebrate": laid + 30, "substrate": laid + 4}
    sheets = {
        name: {f"{name}/start": _clock(start[name]), f"{name}/depth": depth, f"{name}/observer": watcher[name]}
        for name in watcher
    }
    sheets["fish"] |= {"fish/laid": _clock(laid), "fish/none-seen": True}
    sheets["fish"] |= _counts("fish", reef.fish, segments, rng)
    impacts = {k: v for k, v in reef.impacts.items() if k != "bleached-percent"}
    sheets["invertebrate"] |= {"invertebrate/none-seen": True}
    sheets["invertebrate"] |= _counts("invertebrate", reef.invertebrates | impacts, segments, rng)
    for segment in segments:
        percent = int(rng.poisson(reef.impacts["bleached-percent"]))
        sheets["invertebrate"][f"invertebrate/bleached-percent/{segment}/percent"] = percent
        if rng.random() < 0.25:
            sheets["invertebrate"][f"invertebrate/anchor-damage/{segment}/tick"] = True
    sheets["substrate"] |= _points(protocol, reef, rng)
    return sheets


def _marks(reef: Reef, transect: int, values: dict[str, object], layout: Layout) -> dict[str, str]:
    marks = {
        cell: mark
        for (pack, t, cell), mark in SLIPS.items()
        if pack == reef.pack and t == transect and cell in layout.by_id
    }
    return {c: m for c, m in marks.items() if values.get(c) is not None or m in ("erased_rewritten", "ditto")}


@dataclass(frozen=True, slots=True)
class SamplePage:
    """One page of the sample surveys: what stands on it and how it is photographed."""

    file: str
    layout: Layout
    identity: Identity
    values: dict[str, object]
    marks: dict[str, str]
    camera: Camera
    expect: str


def sample_pages(protocol: Protocol, seed: int) -> Iterator[tuple[SamplePage, DrawnHand, Pencil]]:
    """Every page of both surveys; the second survey's third page is first photographed out of focus."""
    rng = np.random.default_rng(seed)
    for reef in REEFS:
        sheets, people = _sheets(protocol, reef, rng), _people(reef, rng)
        number = 0
        for layout, identity in pack_pages(protocol, "A4", reef.pack):
            values = dict(sheets[identity.transect, layout.sheet])
            for pack, transect, cell in BLANKS:
                if (pack, transect) == (reef.pack, identity.transect):
                    values.pop(cell, None)
            marks = _marks(reef, identity.transect, values, layout)
            for camera, expect in _cameras(reef, identity.transect, layout.sheet, rng):
                number += 1
                name, camera = f"{reef.name}-{number:02d}.jpg", replace(camera, jpeg_quality=JPEG_QUALITY)
                page = SamplePage(name, layout, identity, values, marks, camera, expect)
                yield page, *people[values.get(f"{layout.sheet}/observer", "site")]


def _sheets(protocol: Protocol, reef: Reef, rng: np.random.Generator) -> dict[tuple[int, str], dict[str, object]]:
    """What is written on each sheet of a survey, by transect (0 for the site sheet) and name."""
    sheets = {(0, "site"): {f"site/{k}": v for k, v in reef.site.items()}}
    for transect in range(1, protocol.transects + 1):
        for name, values in transect_values(protocol, reef, transect, rng).items():
            sheets[transect, name] = values
    return sheets


def _people(reef: Reef, rng: np.random.Generator) -> dict[str, tuple[DrawnHand, Pencil]]:
    """The hand and the pencil of each observer, and of whoever writes the site sheet."""
    return {
        name: (
            DrawnHand(drawn_style(rng)),
            Pencil(width_mm=float(rng.uniform(0.5, 0.75)), darkness=float(rng.uniform(0.55, 0.85))),
        )
        for name in (*reef.observers, "site")
    }


def _cameras(reef: Reef, transect: int, sheet: str, rng: np.random.Generator) -> Iterator[tuple[Camera, str]]:
    """(camera, what is expected) of each photograph of a page: one of a page is taken again, one is hard to read."""
    if reef is REEFS[1] and (transect, sheet) == (1, "substrate"):
        yield replace(ordinary_camera(rng, **FRAME_PX), **GLARE), "retake"
    hard = reef is REEFS[0] and (transect, sheet) == (3, "fish")
    yield (hard_camera if hard else ordinary_camera)(rng, **FRAME_PX), "read"


def make_samples(out: Path, *, seed: int = 20260314) -> list[Path]:
    """Write the sample photographs and their manifest."""
    out.mkdir(parents=True, exist_ok=True)
    protocol = load_protocol("reef-transect")
    photos, written = [], []
    for i, (page, hand, pencil) in enumerate(sample_pages(protocol, seed)):
        rng = np.random.default_rng([seed, i])
        answers = answers_from_values(page.layout.to_json(), page.values, page.marks)
        taken = take(
            protocol,
            page.layout,
            answers,
            hand,
            rng,
            camera=page.camera,
            pencil=pencil,
            identity=page.identity,
            sloppiness=0.3,
        )
        path = out / page.file
        path.write_bytes(taken.jpeg)
        written.append(path)
        photos.append(
            {
                "file": page.file,
                "sha256": hashlib.sha256(taken.jpeg).hexdigest(),
                "expect": page.expect,
                "protocol": page.layout.protocol,
                "protocol_version": page.layout.protocol_version,
                "sheet": page.layout.sheet,
                "page": page.layout.page,
                "paper": page.layout.paper,
                "pack": page.identity.pack,
                "transect": page.identity.transect,
                "camera": _plain(asdict(page.camera)),
                "cells": {a.cell: {"value": a.value, "mark": a.mark, "must_flag": a.must_flag} for a in answers},
            }
        )
    manifest = {
        "what": "Simulated photographs of two invented surveys. No real reef, person, phone or handwriting.",
        "how": f"python -m digitise.simulate.samples, seed {seed}: sheets printed from the shipped protocol, "
        "written by drawing code, photographed by the simulated camera with the settings under 'camera'.",
        "photos": photos,
    }
    (out / "manifest.json").write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return written


def _plain(settings: dict) -> dict:
    return {
        k: (round(v, 4) if isinstance(v, float) else [round(x, 4) for x in v] if isinstance(v, tuple) else v)
        for k, v in settings.items()
    }


def main() -> None:
    """Make the sample photographs."""
    parser = argparse.ArgumentParser(prog="python -m digitise.simulate.samples", description=main.__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=20260314)
    args = parser.parse_args()
    paths = make_samples(args.out, seed=args.seed)
    print(f"{len(paths)} photographs, {sum(p.stat().st_size for p in paths) / 1e6:.1f} MB, in {args.out}")


if __name__ == "__main__":
    main()
