"""A side seen square on: left and right as one looks at it, stacks at their heights, what is near and in which order."""

from __future__ import annotations

import pytest

from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.elevation import elevation
from coop.resets.domain.piece import Arrangement
from tests.unit.resets.fitting import FOOT, IN, booth, put

BACK, RIGHT, FRONT, LEFT = range(4)
ROOM = booth(
    sides=(Side("wall", True, 8 * FOOT), Side("window", False, 7 * FOOT), Side("open"), Side("wall")), height_limit_in16=9 * FOOT
)


def seen(room, side, *placed, **more):
    """Key: left, right, bottom, top and how far from the side, in inches."""
    view = elevation(room, Arrangement(placed), side, **more)
    return {
        one.key: tuple(v / IN for v in (one.left_in16, one.right_in16, one.bottom_in16, one.top_in16, one.away_in16))
        for one in view.standing
    }


# A chest whose middle is 30 in. from the left and 20 from the back, 24 wide and 10 deep.
@pytest.mark.parametrize(
    ("side", "left", "right", "away"),
    [
        (BACK, 18, 42, 15),
        (LEFT, 144 - 25, 144 - 15, 18),  # who looks at the left wall has the front to the left
        (RIGHT, 15, 25, 120 - 42),  # and at the right wall the back
        (FRONT, 120 - 42, 120 - 18, 144 - 25),
    ],
)
def test_each_side_is_seen_from_inside(side, left, right, away):
    chest = put("chest", (30, 20), (24, 10, 36))
    assert seen(ROOM, side, chest, near_in16=200 * IN) == {"chest": (left, right, 0, 36, away)}


def test_an_outline_that_goes_round_the_other_way_looks_the_same():
    chest = put("chest", (30, 20), (24, 10, 36))
    corners = ROOM.outline[::-1]
    other = Booth(corners, (Side("open"), Side("window"), Side("wall"), Side("wall")))
    # Its sides: front, right, back, left.
    for side, same in ((0, FRONT), (1, RIGHT), (2, BACK), (3, LEFT)):
        assert seen(other, side, chest, near_in16=200 * IN) == seen(ROOM, same, chest, near_in16=200 * IN)


def test_stacks_stand_at_their_true_heights_and_what_hangs_hangs():
    base = put("base", (60, 10), (40, 20, 30), carries_oz=999)
    lamp = put("lamp", (70, 12), (8, 8, 20), on="base", weight_oz=1)
    picture = put("picture", (60, 0.5), (20, 1, 24), stands="wall", up=58)
    assert seen(ROOM, BACK, base, lamp, picture) == {
        "picture": (50, 70, 58, 82, 0),
        "base": (40, 80, 0, 30, 0),
        "lamp": (66, 74, 30, 50, 8),
    }
    view = elevation(ROOM, Arrangement((base, lamp, picture)), BACK)
    assert [one.key for one in view.standing if one.hangs] == ["picture"]


def test_a_stack_is_near_when_its_lowest_piece_is():
    base = put("base", (60, 45), (40, 60, 30), carries_oz=999)  # from 15 to 75 in. off the back wall
    lamp = put("lamp", (60, 70), (8, 8, 20), on="base", weight_oz=1)
    assert set(seen(ROOM, BACK, base, lamp)) == {"base", "lamp"}


@pytest.mark.parametrize(("y", "shown"), [(41, True), (41.25, False)])
def test_what_begins_within_a_yard_is_near(y, shown):
    assert ("a" in seen(ROOM, BACK, put("a", (60, y), (20, 10, 30)))) is shown


def test_a_turned_piece_shows_the_width_it_covers():
    # 40 by 20 turned by 30 degrees: 40 cos 30 + 20 sin 30 = 44.641 wide; 40 sin 30 + 20 cos 30 = 37.32 deep.
    left, right, _, _, away = seen(ROOM, BACK, put("a", (60, 30), (40, 20, 30), 30))["a"]
    assert right - left == pytest.approx(44.641, abs=1 / 16)
    assert away == pytest.approx(30 - 37.32 / 2, abs=1 / 16)


def test_nearer_to_the_side_is_drawn_first():
    view = elevation(ROOM, Arrangement((put("front", (60, 30)), put("back", (60, 6)), put("mid", (60, 18)))), BACK)
    assert [one.key for one in view.standing] == ["back", "mid", "front"]


def test_the_wall_its_limit_and_its_hooks():
    back, right = (elevation(ROOM, Arrangement(), side) for side in (BACK, RIGHT))
    assert (back.width_in16, back.height_in16, back.limit_in16, back.hooks_to_in16) == (120 * IN, 8 * FOOT, 9 * FOOT, 8 * FOOT)
    assert (back.name, back.kind, back.top_in16) == ("the back wall", "wall", 9 * FOOT)
    assert (right.width_in16, right.height_in16, right.hooks_to_in16, right.name) == (
        144 * IN,
        7 * FOOT,
        None,
        "the right window",
    )
    high = elevation(booth(), Arrangement((put("a", (60, 6), (20, 10, 100)),)), BACK)
    assert (high.height_in16, high.top_in16) == (None, 100 * IN)


def test_beyond_the_corner_of_an_l_belongs_to_another_side():
    corners = ((0, 0), (48, 0), (48, 72), (120, 72), (120, 144), (0, 144))
    room = Booth(tuple((x * IN, y * IN) for x, y in corners), (*[Side("wall")] * 4, Side("open"), Side("wall")))
    bay, floor = put("bay", (20, 10), (30, 10, 30)), put("floor", (90, 80), (30, 10, 30))
    assert set(seen(room, 0, bay, floor)) == {"bay"}
    assert set(seen(room, 1, bay, put("behind the wall", (70, 30)))) == {"bay"}
    assert seen(room, 2, bay, floor) == {"floor": (75 - 48, 105 - 48, 0, 30, 3)}
    assert [elevation(room, Arrangement(), n).name for n in (0, 2)] == ["the back wall 1", "the back wall 2"]


def test_a_side_there_is_not():
    with pytest.raises(IndexError, match="no side 4"):
        elevation(ROOM, Arrangement(), 4)


def test_pieces_of_a_circle_are_left_out():
    assert seen(ROOM, BACK, put("a", (60, 6), on="b"), put("b", (60, 6), on="a"), put("c", (20, 6))).keys() == {"c"}
