"""A booth proposed from a plan: which side is which, how it is turned, what stands in it. All worked by hand."""

from __future__ import annotations

import math

import pytest

from coop.floor.domain.plan import Outline
from coop.resets.domain.proposing import Around, propose_booth

FT = 192


def box(x: float, y: float, w: float, d: float) -> Outline:
    corners = ((x, y), (x + w, y), (x + w, y + d), (x, y + d))
    return tuple((round(a * FT), round(b * FT)) for a, b in corners)


BOOTH = box(10, 10, 10, 12)
BACK_WALL = (box(0, 9.5, 40, 0.5), 9 * FT)
"""Along the top of the plan."""
RIGHT = box(20, 10, 10, 12)
AISLE = box(0, 22, 40, 5)
ACROSS = box(10, 27, 10, 10)


def turned(outline: Outline, quarter_turns: int, degrees: float = 0) -> Outline:
    angle = math.radians(90 * quarter_turns + degrees)
    return tuple(
        (round(x * math.cos(angle) - y * math.sin(angle)), round(x * math.sin(angle) + y * math.cos(angle))) for x, y in outline
    )


def around(turns: int = 0, degrees: float = 0) -> Around:
    def to(outline: Outline) -> Outline:
        return turned(outline, turns, degrees)

    return Around(
        walls=[(to(BACK_WALL[0]), BACK_WALL[1])],
        aisles=[to(AISLE)],
        others=[to(RIGHT), to(ACROSS)],
        fixtures=[to(box(11, 11, 1, 1)), to(box(30, 30, 1, 1))],
    )


@pytest.mark.parametrize("turns", range(4))
def test_a_booth_is_turned_so_that_its_aisle_is_in_front_whichever_way_the_plan_has_it(turns: int) -> None:
    """Ten by twelve feet: wall behind, neighbour at the right, nothing drawn at the left, the aisle five feet deep in front."""
    booth = propose_booth(turned(BOOTH, turns), around(turns))
    assert booth is not None
    assert booth.outline == box(0, 0, 10, 12)
    assert [side.kind for side in booth.sides] == ["wall", "neighbour", "open", "wall"]
    assert [side.height_in16 for side in booth.sides] == [9 * FT, None, None, None]
    assert booth.aisle_in16 == 5 * FT
    assert len(booth.posts) == 1
    assert {*booth.posts[0]} == {*box(1, 1, 1, 1)}


def test_a_plan_at_a_slant_is_turned_too() -> None:
    booth = propose_booth(turned(BOOTH, 0, 33), around(0, 33))
    assert booth is not None
    for got, wanted in zip(booth.outline, box(0, 0, 10, 12), strict=True):
        assert got == pytest.approx(wanted, abs=3)
    assert [side.kind for side in booth.sides] == ["wall", "neighbour", "open", "wall"]
    assert booth.aisle_in16 == pytest.approx(5 * FT, abs=3)


def test_corners_given_the_other_way_round_make_the_same_booth() -> None:
    assert propose_booth(BOOTH[::-1], around()) == propose_booth(BOOTH, around())


def test_a_side_is_cut_where_what_runs_along_it_changes() -> None:
    """The neighbour at the right is half as deep as the booth; below it there is aisle."""
    short = box(20, 10, 10, 6)
    found = propose_booth(BOOTH, Around(walls=[BACK_WALL], aisles=[AISLE, box(20, 16, 10, 6)], others=[short]))
    assert found is not None
    assert [side.kind for side in found.sides] == ["wall", "neighbour", "open", "open", "wall"]
    # Where the drawings overlap by the three inches that plans may be off, the aisle goes before the neighbour.
    assert found.outline[2][0] == 10 * FT
    assert found.outline[2][1] == pytest.approx(6 * FT, abs=3 * 16)


def test_a_door_opens_the_wall_it_lies_in() -> None:
    """The wall before the booth has an opening of six feet in its middle, with the aisle behind."""
    wall = (box(10, 22, 10, 0.2), None)
    found = propose_booth(BOOTH, Around(walls=[BACK_WALL, wall], doors=[box(12, 21.9, 6, 0.4)], aisles=[AISLE]))
    assert found is not None
    front = [(found.sides[n].kind, found.outline[n], found.outline[n + 1]) for n in range(2, 5)]
    assert [kind for kind, _, _ in front] == ["wall", "open", "wall"]
    _, begins, ends = front[1]
    assert begins[0] - ends[0] == pytest.approx(6 * FT, abs=7 * 16)


def test_a_booth_with_no_aisle_drawn_is_open_at_the_bottom_as_it_is_drawn() -> None:
    found = propose_booth(BOOTH, Around(walls=[BACK_WALL], others=[RIGHT]))
    assert found is not None
    assert [side.kind for side in found.sides] == ["wall", "neighbour", "open", "wall"]
    assert found.outline == box(0, 0, 10, 12)
    assert propose_booth(BOOTH[:2], Around()) is None
    assert propose_booth(((0, 0), (10, 0), (20, 0)), Around()) is None
