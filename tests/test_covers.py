"""Covers hide exactly what they say, and nothing else of the picture changes."""

from __future__ import annotations

import numpy as np
import pytest
from covers import KINDS, Cover, corner_cover, lay

SIZE_MM = (210.0, 297.0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("corner", range(4))
def test_a_corner_cover_hides_its_corner_mark_and_no_other(layout, kind: str, corner: int) -> None:
    """The middle of one mark lies under it, those of the other three and the page's middle do not."""
    marks = [f.box_mm for f in layout("fish").fiducials]
    middles = np.array([(x + w / 2, y + h / 2) for x, y, w, h in marks] + [(105, 148)])
    for seed in range(20):
        cover = corner_cover(kind, corner, SIZE_MM, np.random.default_rng(seed))
        assert cover.hides(middles).tolist() == [i == corner for i in range(5)]


def test_a_cover_changes_the_picture_where_it_lies(photograph) -> None:
    """A square over the page's middle: dark there, the same as before 20 mm beyond it."""
    shot = photograph("substrate").shot
    square = Cover("clip", np.array([(90, 130), (120, 130), (120, 160), (90, 160)], float))
    covered = lay(shot, square, np.random.default_rng(1))
    (x, y), (u, v) = np.rint(shot.page_to_photo_px(np.array([(105, 145), (105, 185)]))).astype(int)

    assert covered.image[y - 20 : y + 20, x - 20 : x + 20].mean() < 90
    assert np.array_equal(covered.image[v - 20 : v + 20, u - 20 : u + 20], shot.image[v - 20 : v + 20, u - 20 : u + 20])


def test_the_same_draw_gives_the_same_cover(photograph) -> None:
    shot = photograph("substrate").shot
    one, two = (
        lay(shot, corner_cover("thumb", 0, SIZE_MM, rng), rng).image
        for rng in (np.random.default_rng(3), np.random.default_rng(3))
    )

    assert np.array_equal(one, two)


def test_an_unknown_cover_is_refused() -> None:
    with pytest.raises(ValueError, match="choose from thumb, clip, tear"):
        corner_cover("hat", 0, SIZE_MM, np.random.default_rng(1))
