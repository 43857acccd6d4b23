"""What passes the way to the van: openings against a published rule and a search by angle, steps and cages worked by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.caution import CAUTION
from coop.resets.domain.piece import CarriedSize, Piece
from coop.resets.domain.way import (
    Aisle,
    Corner,
    Door,
    Elevator,
    Leg,
    Passage,
    Steps,
    Stopped,
    Way,
    carried_sizes,
    fits_turned,
    hows_through,
    passes,
    stopped,
)

IN = 16
AISLE = Aisle("the aisle", 36 * IN)
DOOR = Door("the back door", 32 * IN, 80 * IN)
ON_BACK = CarriedSize("tilted", 40 * IN, 84 * IN, 22 * IN)


def piece(width: int, depth: int, height: int, pounds: int | None = 100, *carried: CarriedSize) -> Piece:
    weight = None if pounds is None else pounds * 16
    return Piece("wardrobe", "Oak wardrobe", width * IN, depth * IN, height * IN, weight, carried=carried)


def through(one: Piece, leg: Leg) -> list[str]:
    return list(hows_through(one, leg, 0))


def by_angle(p: int, q: int, a: int, b: int) -> bool:
    """The same by trying angles, in other words: whether the box around the turned rectangle fits."""
    steps = 20_000
    for n in range(steps + 1):
        c, s = math.cos(math.pi / 2 * n / steps), math.sin(math.pi / 2 * n / steps)
        if p * c + q * s <= a + 1e-9 and p * s + q * c <= b + 1e-9:
            return True
    return False


def test_a_rectangle_in_a_rectangle():
    # Source: Carver (1957), in Wetzel (2000): p > a fits when b >= (2pqa + (p^2 - q^2) sqrt(p^2 + q^2 - a^2)) / (p^2 + q^2).
    # p 105, q 20, a 100: b >= (420000 + 10625 sqrt(1425)) / 11425 = 71.87.
    assert fits_turned(105, 20, 100, 72)
    assert not fits_turned(105, 20, 100, 71)
    assert fits_turned(20, 105, 72, 100)
    assert fits_turned(100, 72, 72, 100)
    assert not fits_turned(100, 73, 100, 72)
    assert not fits_turned(200, 1, 100, 100)


@given(*[st.integers(1, 60)] * 4)
def test_a_rectangle_in_a_rectangle_as_found_by_trying_angles(p, q, a, b):
    fits = fits_turned(p, q, a, b)
    if by_angle(p, q, a, b):
        assert fits
    elif fits:  # a fit between two of the angles tried: it is nearly tight, so a hair more room is found
        assert any(by_angle(1000 * p, 1000 * q, 1000 * a + more, 1000 * b + more) for more in (1, 20))


def test_upright_where_it_can():
    way = Way((AISLE, DOOR), spare_in16=0)
    one = passes(piece(40, 32, 80), way)
    assert isinstance(one, Passage)
    assert (one.how, one.sentence) == ("upright", "Oak wardrobe goes upright.")
    assert one.legs == ((AISLE, "upright"), (DOOR, "upright"))
    assert one.cautions == (CAUTION,)


def test_an_inch_is_kept_free():
    assert isinstance(passes(piece(40, 31, 79), Way((DOOR,))), Passage)
    assert isinstance(passes(piece(40, 32, 79), Way((DOOR,))), Stopped)
    assert isinstance(passes(piece(40, 31, 80), Way((DOOR,))), Stopped)


def test_laid_back_where_it_is_too_high_and_may_be():
    one = passes(piece(40, 22, 84, 100, CarriedSize("tilted", 30 * IN, 84 * IN, 40 * IN)), Way((DOOR,), 0))
    assert isinstance(one, Passage)
    assert one.how == "tilted"
    assert one.sentence == "Oak wardrobe goes tilted."


def test_one_way_throughout_is_better_than_changing():
    wide = Aisle("the hall", 60 * IN)
    one = passes(piece(40, 22, 84, 100, CarriedSize("on end", 84 * IN, 22 * IN, 40 * IN)), Way((wide, DOOR), 0))
    assert isinstance(one, Passage)
    assert [how for _, how in one.legs] == ["on end", "on end"]


def test_it_changes_where_no_one_way_does():
    # Laid back it is 40 wide and too wide for the aisle; upright it is too high for the door.
    one = passes(
        piece(40, 22, 84, 100, CarriedSize("tilted", 40 * IN, 84 * IN, 22 * IN)),
        Way((AISLE, Door("the gate", 42 * IN, 80 * IN)), 0),
    )
    assert isinstance(one, Passage)
    assert one.sentence == "Oak wardrobe goes upright through the aisle and tilted through the gate."


def test_leaned_over_in_an_opening_where_it_may_be_tilted():
    # 84 x 8 leaned, 80 high: b >= (2*84*8*80 + (84^2 - 64) sqrt(84^2 + 64 - 80^2)) / (84^2 + 64) = 41.5.
    board = piece(60, 8, 84, 30, CarriedSize("tilted", 84 * IN, 60 * IN, 90 * IN))
    assert through(board, Door("the gate", 41 * IN, 80 * IN)) == []
    assert through(board, Door("the gate", 42 * IN, 80 * IN)) == ["tilted"]
    assert through(piece(60, 8, 84, 30), Door("the gate", 42 * IN, 80 * IN)) == []


def test_what_passes_no_way_names_the_piece_the_opening_and_what_is_missing():
    one = passes(piece(40, 36, 70), Way((DOOR,), 0))
    assert isinstance(one, Stopped)
    assert one.leg == DOOR
    assert one.sentence == (
        "Oak wardrobe (3' 4\" wide, 3' 0\" deep, 5' 10\" high) does not pass the back door (2' 8\" wide, 6' 8\" high) "
        'in any way it may be carried; 4" is missing across. '
        "Take its legs, mirror or doors off and give the size it has then, or go another way."
    )
    near = passes(piece(40, 33, 40), Way((DOOR,), 0))
    assert isinstance(near, Stopped)
    assert "take the door off its hinges" in near.sentence
    assert stopped([piece(40, 36, 70), piece(20, 20, 20)], Way((DOOR,), 0)) == (one,)


def test_what_would_pass_carried_otherwise_is_said():
    one = passes(piece(30, 22, 84), Way((DOOR,), 0))
    assert isinstance(one, Stopped)
    assert "It would pass laid back: say that it may be carried so" in one.sentence
    other = passes(piece(70, 20, 90), Way((DOOR,), 0))
    assert isinstance(other, Stopped)
    assert "on its end" in other.sentence


def test_parts_off():
    table = piece(60, 36, 30, 90, CarriedSize("parts off", 60 * IN, 6 * IN, 36 * IN))
    assert through(table, DOOR) == ["parts off"]
    one = passes(table, Way((DOOR,), 0))
    assert isinstance(one, Passage)
    assert one.sentence == "Oak wardrobe goes with parts taken off."


def test_a_corner_of_two_halls():
    # C7. Halls of 36 and 36, a piece 18 wide: 65.823 in. is the longest that turns (derived, run).
    corner = Corner("the corner", 36 * IN, 36 * IN)
    assert through(piece(65, 18, 40), corner) == ["upright"]
    assert through(piece(66, 18, 40), corner) == []
    assert through(piece(66, 18, 40, 50, CarriedSize("on end", 40 * IN, 18 * IN, 66 * IN)), corner) == ["on end"]
    low = Corner("the corner", 36 * IN, 36 * IN, 60 * IN)
    assert through(piece(66, 18, 40, 50, CarriedSize("on end", 40 * IN, 18 * IN, 66 * IN)), low) == []


def test_steps_by_width_and_headroom():
    # Level: 60 high, and its 10 in. along rise by 10 x 7/11 = 6.4: 66.4 in. of headroom.
    assert through(piece(30, 10, 60), Steps("the stairs", 12, 36 * IN, 67 * IN)) == ["upright"]
    assert through(piece(30, 10, 60), Steps("the stairs", 12, 36 * IN, 66 * IN)) == []
    # With its 30 in. along, for its 10 in. are all that the stairs take: 79.1, but 71.2 along the slope.
    assert through(piece(30, 10, 60), Steps("the stairs", 12, 12 * IN, 71 * IN)) == []
    assert through(piece(30, 10, 60), Steps("the stairs", 12, 12 * IN, 72 * IN)) == ["upright"]
    # Along the slope: 36 high needs 36 sqrt(49 + 121) / 11 = 42.7 however long it is.
    assert through(piece(30, 120, 36), Steps("the stairs", 12, 36 * IN, 43 * IN)) == ["upright"]
    assert through(piece(30, 120, 36), Steps("the stairs", 12, 36 * IN, 42 * IN)) == []
    assert through(piece(37, 120, 36), Steps("the stairs", 12, 36 * IN)) == []


def test_steps_are_noted():
    one = passes(piece(30, 22, 60), Way((Steps("the stairs", 1, 36 * IN),)))
    assert isinstance(one, Passage)
    assert one.notes == (
        "On the stairs (1 step) whoever is below bears most of it: the heavier end is always the lower one.",
        "Measure the headroom of the stairs: it was not judged.",
    )


CAGE = Elevator("the elevator", 36 * IN, 80 * IN, 60 * IN, 50 * IN, 90 * IN, 2000 * 16)


def test_an_elevator_by_its_door_cage_and_limit():
    assert through(piece(36, 50, 80), CAGE) == ["upright"]
    assert through(piece(50, 36, 80), CAGE) == ["upright"]
    assert through(piece(37, 50, 80), CAGE) == []  # 37 across its door, or 50
    assert through(piece(36, 51, 80), CAGE) == []
    assert through(piece(36, 50, 81), CAGE) == []
    assert through(piece(20, 20, 20, 2001), CAGE) == []
    one = passes(piece(20, 20, 20, 2001), Way((CAGE,)))
    assert isinstance(one, Stopped)
    assert one.sentence.startswith("Oak wardrobe is 2001 lb and the elevator takes 2000 lb.")


def test_leaned_back_in_a_cage():
    # 84 x 6 leaned in 50 deep and 80 high: b >= (2*84*6*80 + (84^2 - 36) sqrt(84^2 + 36 - 80^2)) / (84^2 + 36) = 37.4.
    tall = piece(30, 6, 84, 40, CarriedSize("tilted", 30 * IN, 84 * IN, 6 * IN))
    assert through(tall, CAGE) == ["tilted"]
    assert through(tall, Elevator("the elevator", 36 * IN, 80 * IN, 60 * IN, 37 * IN, 90 * IN)) == []


def test_a_piece_nobody_weighed_in_an_elevator():
    one = passes(piece(20, 20, 20, None), Way((CAGE,)))
    assert isinstance(one, Passage)
    assert one.notes == ("Weigh Oak wardrobe: the elevator takes 2000 lb, with those who ride along.",)


def test_a_high_piece_below_a_ceiling_nobody_measured():
    one = passes(piece(30, 22, 84), Way((AISLE,)))
    assert isinstance(one, Passage)
    assert one.notes == ("Measure the height of the aisle: it was not judged.",)


def test_a_way_without_legs_is_no_hindrance():
    one = passes(piece(100, 100, 100), Way())
    assert isinstance(one, Passage)
    assert one.how == "upright"


def test_every_way_it_may_be_carried():
    assert [how for how, _ in carried_sizes(piece(40, 22, 84, 90, CarriedSize("parts off", 1, 2, 3), ON_BACK))] == [
        "upright",
        "tilted",
        "parts off",
    ]


@pytest.mark.parametrize("leg", [AISLE, DOOR, Corner("c", 40 * IN, 40 * IN, 80 * IN), Steps("s", 9, 36 * IN, 80 * IN), CAGE])
@given(size=st.tuples(*[st.integers(1, 100)] * 3), less=st.tuples(*[st.integers(0, 20)] * 3))
def test_what_is_smaller_passes_too(leg, size, less):
    tilted = CarriedSize("tilted", size[0] * IN, size[2] * IN, size[1] * IN)
    small = tuple(max(1, a - b) for a, b in zip(size, less, strict=True))
    small_tilted = CarriedSize("tilted", small[0] * IN, small[2] * IN, small[1] * IN)
    if through(piece(*size, 50, tilted), leg):
        assert through(piece(*small, 50, small_tilted), leg)
