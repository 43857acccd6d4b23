"""The shrunk floor agrees with a disc walked over a grid of points: distances and flooding written here, of other code.

A way with clearance c has grid points within half a cell's diagonal of it, of clearance c less that; and two neighbouring grid
points of clearance c have c less that between them. So each of the two judges must agree with the other's judgement of a disc
that is larger, or smaller, by that half diagonal in radius.
"""

from __future__ import annotations

import math

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coop.floor.domain.clear_width import Ways, door_core
from coop.floor.domain.walkable import Walkable
from tests.unit.floor.domain.drawing import box, hall, turned
from tests.unit.raster import leads

CELL = 2.0
HALF_DIAGONAL = CELL * math.sqrt(2) / 2 + 1 / 8
"""In inches, and an eighth for corners rounded to sixteenths."""
WIDTH, LENGTH = 120, 200


def clearance(rectangles):
    """Distance in inches from every grid point to the nearest rectangle or the room's own walls."""
    x, y = np.meshgrid(np.arange(0, LENGTH + CELL, CELL), np.arange(0, WIDTH + CELL, CELL), indexing="ij")
    free = np.minimum(np.minimum(x, LENGTH - x), np.minimum(y, WIDTH - y))
    for left, low, width, depth in rectangles:
        beside = np.maximum(np.maximum(left - x, x - left - width), 0)
        before = np.maximum(np.maximum(low - y, y - low - depth), 0)
        free = np.minimum(free, np.hypot(beside, before))
    return x, y, free


def flooded(rectangles, radius, touch):
    """Whether grid points of this clearance lead from one door's middle to the other's, each to be touched."""
    x, y, free = clearance(rectangles)
    open_ = free >= radius
    starts = open_ & (np.hypot(x, y - WIDTH / 2) <= touch)
    goals = open_ & (np.hypot(x - LENGTH, y - WIDTH / 2) <= touch)
    return leads(open_, starts, goals)


def joined(rectangles, width, degrees=0):
    plan = turned(hall(WIDTH, LENGTH, *(box(*r) for r in rectangles)), degrees)
    ways = Ways(Walkable(plan).ground, width * 16)
    west, east = (set(ways.touching([door_core(door)])) for door in plan.doors)
    return not west.isdisjoint(east)


RECTANGLES = st.lists(
    st.tuples(st.integers(0, 180), st.integers(0, 110), st.integers(4, 60), st.integers(4, 60)), min_size=0, max_size=6
)


@settings(max_examples=120, deadline=None)
@given(RECTANGLES, st.sampled_from([24, 32, 36, 44]), st.sampled_from([0, 30, 45]))
@example([(90, 0, 20, 44), (90, 80, 20, 40)], 36, 30)
@example([(0, 40, 10, 40)], 36, 0)
def test_both_judge_alike(rectangles, width, degrees):
    inside = [(x, y, min(w, LENGTH - x), min(d, WIDTH - y)) for x, y, w, d in rectangles]
    more, less = width / 2 + HALF_DIAGONAL, width / 2 - HALF_DIAGONAL
    if joined(inside, width, degrees):
        assert flooded(inside, less, width / 2 + HALF_DIAGONAL)
    else:
        assert not flooded(inside, more, more)
