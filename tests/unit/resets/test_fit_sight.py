"""Lines of sight: what a room with a corner shows, and lines over, under and past a piece, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.fit.scene import Scene
from coop.resets.domain.fit.sight import EYE_IN16, sees
from coop.resets.domain.fit.ways import Ways
from coop.resets.domain.piece import Arrangement
from tests.unit.resets.fitting import FOOT, IN, booth, kinds, put, the

ROOM = booth()


def seen(scene, eye, points, height=30):
    """Points in inches from one eye."""
    ends = np.array(points, dtype=float) * IN
    starts = np.broadcast_to(np.array(eye, dtype=float) * IN, ends.shape)
    return sees(scene, starts, ends, np.full(len(ends), height * IN, dtype=float))


@pytest.mark.parametrize(("eye", "area"), [((2, 2), 84), ((8, 3), 66)])
def test_what_is_seen_of_an_l_shaped_room(eye, area):
    """Derived by hand: from (8, 3) the line past the corner (4, 6) meets the left wall at (0, 9): 18 sq ft lie beyond."""
    corners = ((0, 0), (10, 0), (10, 6), (4, 6), (4, 12), (0, 12))
    outline = tuple((x * FOOT, y * FOOT) for x, y in corners)
    room = Booth(outline, (*[Side("wall")] * 5, Side("open")))
    step = 1 / 4
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(step / 2, 10, step), np.arange(step / 2, 12, step)))
    inside = (y < 6) | (x < 4)
    points = np.stack([x, y], axis=1)[inside] * 12
    assert len(points) * step**2 == 84
    counted = seen(Scene(room, Arrangement()), (eye[0] * 12, eye[1] * 12), points).sum() * step**2
    assert counted == pytest.approx(area, abs=1)


def test_an_eye_is_56_in_high():
    """5th percentile of women standing: stature less sitting height plus sitting eye height, ANSUR II."""
    assert EYE_IN16 == 56.0 * 16


# The eye looks along y = 72 from x = 0; the point is at x = 144; the piece reaches from x = 60 to x = 72.
@pytest.mark.parametrize(
    ("bottom", "height", "point", "told"),
    [
        (0, 70, 90, True),  # over it: the line is 56 + 34 * 60 / 144 = 70.2 high where it comes to the piece
        (0, 70, 88, False),  # 69.3
        (0, 40, 30, True),  # down over it: 56 - 26 * 72 / 144 = 43 where it leaves the piece
        (0, 40, 20, False),  # 38
        (60, 20, 50, True),  # below what hangs: 53 to 53.5
        (60, 20, 70, False),  # 61.8 to 63
        (60, 20, 120, True),  # over what hangs: 82.7 and more
    ],
)
def test_a_line_goes_over_or_under_a_piece(bottom, height, point, told):
    hung = {"stands": "wall", "up": bottom} if bottom else {}
    scene = Scene(booth(160), Arrangement((put("a", (66, 72), (12, 40, height), **hung),)))
    assert seen(scene, (0, 72), [(144, 72)], point)[0] == told
    assert seen(scene, (0, 72), [(144, 130)], point)[0]  # past its end


def test_a_piece_behind_a_row_is_seen_over_it_when_it_is_higher():
    row = put("row", (60, 60), (120, 20, 70))
    # From the aisle at y = 162, over the row from 70 to 50, to the front at 10: 56 + (h - 56) * 92 / 152 > 70 from h = 79.2 on.
    # The six nearest eyes stand on the way at y = 132 and nearer: 56 + (h - 56) * 62 / 122 > 70 from h = 83.5 on only.
    high, low = (put("behind", (60, 8), (20, 4, height)) for height in (80, 72))
    assert "out of sight" not in kinds(ROOM, row, high)
    one = the("out of sight", ROOM, row, low)
    assert not one.stops
    assert one.sentence == (
        "Nobody sees Behind from the aisle or the way, at an eye height of 4' 8\"; move what stands before it, or raise it."
    )


def test_what_lies_flat_behind_a_high_row_is_not_seen_and_before_it_is():
    row = put("row", (60, 60), (120, 20, 40))
    assert "out of sight" in kinds(ROOM, row, put("box", (60, 44), (20, 10, 10)))
    assert "out of sight" not in kinds(ROOM, row, put("box", (60, 78), (20, 10, 10)))


def test_from_the_way_inside_what_the_aisle_does_not_see():
    """A wing of cabinets hides a piece from the aisle; the way leads round it."""
    wing = put("wing", (40, 80), (80, 18, 80))
    hidden = put("hidden", (20, 60), (20, 10, 30))
    assert kinds(ROOM, wing, hidden) == set()
    scene = Scene(ROOM, Arrangement((wing, hidden)))
    aisle = [(x, 162) for x in range(0, 121, 10)]
    assert not any(seen(scene, eye, [(20, 65.5)])[0] for eye in aisle)
    assert not Ways(scene).region(36 * IN).is_empty


def test_a_picture_behind_a_wardrobe():
    picture = put("picture", (60, 0.5), (20, 1, 24), stands="wall", up=40)
    assert "out of sight" in kinds(ROOM, picture, put("wardrobe", (60, 12), (48, 20, 72)))
    assert "out of sight" not in kinds(ROOM, picture, put("chest", (60, 12), (48, 20, 36)))


def test_pieces_that_stand_flush_do_not_hide_each_other():
    side_by_side = [put(f"c{n}", (20 + 40 * n, 10), (40, 20, 70)) for n in range(3)]
    assert kinds(ROOM, *side_by_side) == set()
