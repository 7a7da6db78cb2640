"""A sheet filled and photographed in one step, with what was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol
from digitise.sheets.sheet import Identity, identity_for, rasterise, sheet_pdf
from digitise.simulate.answers import Answer
from digitise.simulate.camera import Camera, Shot, photograph
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.fill import Told, fill
from digitise.simulate.hand import Hand
from digitise.simulate.pencil import Pencil, any_pencil, unusual_pencil
from digitise.simulate.restyle import RestyledHand
from digitise.simulate.sensor import encode_jpeg

PX_PER_MM = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """A simulated photograph: the file's bytes (JPEG), what was written and where, and its geometric truth."""

    jpeg: bytes
    answers: tuple[Answer, ...]
    told: Told
    shot: Shot

    def gray(self) -> np.ndarray:
        """The decoded picture, (H, W) uint8."""
        return cv2.imdecode(np.frombuffer(self.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)


def take(
    protocol: Protocol,
    layout: Layout,
    answers: Sequence[Answer],
    hand: Hand,
    rng: np.random.Generator,
    *,
    camera: Camera,
    pencil: Pencil | None = None,
    identity: Identity | None = None,
    sloppiness: float | None = None,
    unusual: bool = False,
) -> Taken:
    """Print, fill and photograph one page; what is not given is drawn at random. `unusual` is as in `fill`."""
    canvas, told = filled(
        protocol, layout, answers, hand, rng, pencil=pencil, identity=identity, sloppiness=sloppiness, unusual=unusual
    )
    shot = photograph(canvas, layout.page_size_mm, camera, rng=rng)
    return Taken(encode_jpeg(shot.image, camera), tuple(answers), told, shot)


def filled(
    protocol: Protocol,
    layout: Layout,
    answers: Sequence[Answer],
    hand: Hand,
    rng: np.random.Generator,
    *,
    pencil: Pencil | None = None,
    identity: Identity | None = None,
    sloppiness: float | None = None,
    unusual: bool = False,
) -> tuple[np.ndarray, Told]:
    """A printed and filled page as a grey raster at `PX_PER_MM`, and what filling it knows."""
    identity = identity or identity_for(layout, "ABCDEF", int(layout.per_transect))
    canvas = rasterise(sheet_pdf(protocol, [(layout, identity)]), PX_PER_MM).copy()
    told = fill(
        layout.to_json(),
        answers,
        hand,
        rng,
        pencil=pencil or (unusual_pencil if unusual else any_pencil)(rng),
        canvas=canvas,
        px_per_mm=PX_PER_MM,
        sloppiness=float(rng.uniform(0, 0.8)) if sloppiness is None else sloppiness,
        unusual=unusual,
    )
    return canvas, told


def any_hand(
    hands: Mapping[str, Hand], rng: np.random.Generator, *, drawn: float = 0.12, restyled: float = 0.0
) -> Hand:
    """A writer at random; a share `drawn` of the time one of our own drawn hands, a share `restyled` of the others
    written as somebody else might."""
    if not hands or rng.random() < drawn:
        return DrawnHand(drawn_style(rng))
    hand = hands[str(rng.choice(sorted(hands)))]
    if restyled and rng.random() < restyled:
        return RestyledHand(hand, int(rng.integers(2**31)), float(rng.uniform(0.3, 1.1)))
    return hand
