"""What lies flat is taken up before anything comes onto it and laid before what stands on it; what hangs too low is told."""

from __future__ import annotations

import pytest

from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.order.ground import StagingArea, ground_before
from coop.resets.domain.order.moves import Order
from coop.resets.domain.order.plan import plan_order
from coop.resets.domain.piece import Arrangement, Piece, Placed

INCH = 16
RUG = Piece("r", "Wool rug", 96 * INCH, 60 * INCH, 4)
OTHER = Piece("o", "Rag rug", 96 * INCH, 60 * INCH, 4)
TABLE = Piece("t", "Pine table", 48 * INCH, 30 * INCH, 30 * INCH)
BENCH = Piece("b", "Bench", 40 * INCH, 14 * INCH, 18 * INCH)


def at(piece: Piece, x: int, y: int, turn: int = 0, up: int = 0) -> Placed:
    return Placed(piece, x * INCH, y * INCH, turn, up_in16=up * INCH)


def order(before: list[Placed], after: list[Placed], width: int = 120) -> Order:
    ground = ground_before(rectangle_booth(width * INCH, 144 * INCH, aisle_in16=960), staging=(StagingArea("bay"),))
    found = plan_order(ground, Arrangement(tuple(before)), Arrangement(tuple(after)))
    assert isinstance(found, Order)
    return found


def told(found: Order) -> list[tuple[str, str]]:
    return [(move.key, move.kind) for move in found.moves]


ON, UP = at(TABLE, 60, 80), at(RUG, 60, 80)

CASES = [
    ("a table on a rug that stays is moved on it", [UP, ON], [UP, at(TABLE, 60, 60)], [("t", "shift")]),
    ("a rug is laid before what stands on it", [], [UP, ON], [("r", "in"), ("t", "in")]),
    ("and rolled up after that has gone", [UP, ON], [], [("t", "out"), ("r", "out")]),
    (
        "one rug goes, another comes, and a bench for the table",
        [UP, ON],
        [at(OTHER, 60, 80), at(BENCH, 60, 80)],
        [("t", "out"), ("r", "out"), ("o", "in"), ("b", "in")],
    ),
    ("a rug is taken up before a bench comes onto it", [UP], [at(BENCH, 60, 80)], [("r", "out"), ("b", "in")]),
]


@pytest.mark.parametrize(("words", "before", "after", "moves"), CASES, ids=[case[0] for case in CASES])
def test_a_rug(words: str, before: list[Placed], after: list[Placed], moves: list[tuple[str, str]]) -> None:
    found = order(before, after)
    assert told(found) == moves
    assert found.notes == ()


def test_a_rug_under_what_stays_is_laid_and_rolled_up_with_two_people() -> None:
    assert told(order([ON], [UP, ON])) == [("r", "in")]
    assert told(order([UP, ON], [ON])) == [("r", "out")]
    for found in (order([ON], [UP, ON]), order([UP, ON], [ON]), order([UP, ON], [at(RUG, 60, 84), ON])):
        assert found.notes == ("Wool rug lies under Pine table then: empty that and lift it a side at a time, two people.",)


SHELF = Piece("s", "Hung cupboard", 40 * INCH, 28 * INCH, 30 * INCH, stands="wall")


@pytest.mark.parametrize(("high", "up", "in_the_way"), [(78, 30, True), (30, 30, False), (78, 78, False)])
def test_what_hangs_lower_than_what_is_carried_below_it_is_told(high: int, up: int, in_the_way: bool) -> None:
    """A booth of 5 ft, a cupboard 28 in. deep hung on its left wall, and a wardrobe 36 in. wide that has to come past."""
    hung = at(SHELF, 14, 80, 270, up)
    wardrobe = Piece("w", "Wardrobe", 36 * INCH, 20 * INCH, high * INCH)
    found = order([hung], [hung, at(wardrobe, 30, 10)], width=60)
    said = "Hung cupboard hangs in the way of move 1, lower than what is carried there is high: have it off its hook for that."
    assert found.notes == ((said,) if in_the_way else ())


def test_what_was_taken_off_its_hook_before_hangs_in_no_way() -> None:
    hung, wardrobe = at(SHELF, 14, 80, 270, 30), Piece("w", "Wardrobe", 36 * INCH, 20 * INCH, 78 * INCH)
    found = order([hung], [at(wardrobe, 30, 10)], width=60)
    assert told(found) == [("s", "out"), ("w", "in")]
    assert found.notes == ()
