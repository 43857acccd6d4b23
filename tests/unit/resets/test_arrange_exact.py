"""Small booths solved to the proof: the best in every tier is the best of all arrangements there are, found by other code."""

from __future__ import annotations

import random

import pytest

from coop.resets.domain.arranging import Judge, Wishes, score
from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.solving.arrange import arrange
from coop.resets.solving.bounding import bounds_of
from coop.resets.solving.dressing import Dresser
from coop.resets.solving.ground import Ground, stances_of
from coop.resets.solving.placing import Placer
from coop.resets.solving.search import Search
from tests.unit.resets.every_place import SmallBooth

INCH = 16


def sizes(seed: int, count: int, step: int) -> list[tuple[int, int, int, int, str]]:
    chance = random.Random(seed)
    return [
        (
            chance.choice([1, 2, 3]) * step,
            chance.choice([1, 2]) * step,
            chance.choice([30, 40, 58, 70]),
            chance.choice([0, 0, step]),
            chance.choice(["", "oak", "tin"]),
        )
        for _ in range(count)
    ]


CASES = [
    *((SmallBooth(48, 42, 24, 6, 24, 2), sizes(seed, 2, 6)) for seed in range(4)),
    *((SmallBooth(36, 48, 24, 12, 24, 3), sizes(seed, 3, 12)) for seed in range(10, 18)),
    *((SmallBooth(48, 36, 36, 12, 18, 1), sizes(seed, 3, 12)) for seed in range(20, 24)),
]


def posed(small, pieces):
    booth = rectangle_booth(small.width * INCH, small.depth * INCH, way_in16=small.way * INCH)
    wishes = Wishes(grid_in16=small.grid * INCH, section_in16=small.section * INCH, pieces_a_nook=small.pieces_a_nook)
    named = [
        Piece(str(n), f"piece {n}", w * INCH, d * INCH, h * INCH, opens_in16=opens * INCH, grouping=grouping)
        for n, (w, d, h, opens, grouping) in enumerate(pieces)
    ]
    return booth, named, wishes


@pytest.mark.parametrize(("small", "pieces"), CASES, ids=str)
def test_the_best_is_what_trying_every_place_finds(small, pieces):
    booth, named, wishes = posed(small, pieces)
    arranged = arrange(booth, named, wishes, seconds=60, workers=2)
    assert arranged.proven
    come_to = tuple(term.value for term in arranged.terms)
    assert come_to == small.best(pieces)
    left_out = sum(piece.key not in arranged.arrangement for piece in named)
    placeable = [piece for piece in named if piece.key in arranged.arrangement]
    assert come_to[0] == left_out == len(arranged.left_out)
    assert score(booth, placeable, arranged.arrangement, wishes)[2:4] == come_to[2:4]


def floor_search(booth, named, wishes) -> Search:
    ground = Ground(booth, Judge(booth, wishes), Arrangement())
    stances = {piece.key: stances_of(ground, piece) for piece in named}
    return Search(Placer(ground, stances, Dresser(ground, [], named, Arrangement(), ()), (), seed=1))


@pytest.mark.parametrize(("small", "pieces"), CASES, ids=str)
def test_the_bound_of_a_large_booth_holds_where_the_best_is_known(small, pieces):
    search = floor_search(*posed(small, pieces))
    best = small.best(pieces)
    bounds = bounds_of(search, best, [0] * len(best))
    assert all(bound <= value for bound, value in zip(bounds, best, strict=True)), (bounds, best)


def test_the_bound_says_something():
    """Four sections and three high pieces: one section has no high point, and one of the three stands in front."""
    booth, wishes = rectangle_booth(120 * INCH, 120 * INCH), Wishes()
    tall = [Piece(str(n), f"piece {n}", 24 * INCH, 12 * INCH, 72 * INCH) for n in range(3)]
    bounds = bounds_of(floor_search(booth, tall, wishes), (0, 0, 0, 1, 0, 999, 999), [0] * 7)
    # At best two stand at the back, their middles 6 in. from it: 36 in. times half a foot; and the third's is 60 in. from it.
    assert bounds == [0, 0, 0, 1, 0, 18 + 18 + 180, 0]
