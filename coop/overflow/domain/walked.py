"""How far people walk from a bay to each space, over the floor of the plan.

The walker is a disc of 18 in. (common practice, no source); its middle goes from cell to cell of a grid, to any of eight
neighbours. A step aslant counts 17/12 of a straight one, a little more than the root of two: no way is told shorter than it
is, and at most a twelfth longer, where it runs at 23 degrees across the grid. What stands in bays is not in the way.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from math import ceil, sqrt
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.floor.domain.plan import Plan
from coop.floor.domain.walkable import Geometry, Walkable, open_side_cores, shrunk_quickly
from coop.overflow.domain.bay import Bay

UNREACHABLE_FEET = 9_999
"""Told of a space to which nobody can walk from the bay."""

_WALKER_IN16 = 18 * IN16_PER_INCH
_CELL_IN16 = 6 * IN16_PER_INCH
_MOST_CELLS = 1_000_000
"""A plan of more has larger cells."""
_STRAIGHT, _ASLANT = 12, 17
_STRAIGHT_STEPS = ((0, 1), (1, 0), (0, -1), (-1, 0))
_ASLANT_STEPS = ((1, 1), (1, -1), (-1, 1), (-1, -1))
_FAR = 2**30
_ON_FLOOR_IN16 = 4
"""So near the floor a side lies on it: cracks and rounded corners are left out of the floor."""


Near = tuple[Any, Any]
"""Cells near a line, and how far each is from it, in units of a twelfth of a cell's side."""


def feet_from_bays(plan: Plan, bays: Sequence[Bay]) -> Mapping[str, Mapping[str, int]]:
    """By bay and space, feet from the nearest place of the bay's front to the nearest of the sides customers come in by.

    Every space that has an outline is in it; one within a booth or case, without a side on the floor, is as far as that.
    """
    walkable = Walkable(plan)
    grid = _Grid(walkable.floor)
    doorsteps = {code: grid.near(sides) for code, sides in _doorsteps(walkable)}
    walked = grid.walked([grid.near(LineString(bay.corners[2:])) for bay in bays])
    return {
        bay.code: {code: grid.feet(units[cells] + off) for code, (cells, off) in doorsteps.items()}
        for bay, units in zip(bays, walked, strict=True)
    }


def _doorsteps(walkable: Walkable) -> Iterator[tuple[str, Geometry]]:
    """Each space, and what lies on the floor of the sides customers come in by."""
    floor = walkable.floor.buffer(_ON_FLOOR_IN16)
    shapely.prepare(floor)
    own = {space.code: shapely.union_all(open_side_cores(space)).intersection(floor) for space, _ in walkable.spaces}
    for space, shape in walkable.spaces:
        around = [space]
        if own[space.code].is_empty:
            around = [other for other, held in walkable.floor_spaces if held.intersection(shape).area > shape.area / 2]
        yield space.code, shapely.union_all([own[each.code] for each in around])


class _Grid:
    """The cells in which the walker's middle may be, numbered, and the steps between them."""

    def __init__(self, floor: Geometry) -> None:
        ground = shrunk_quickly(floor, _WALKER_IN16)
        shapely.prepare(ground)
        left, low, right, high = floor.bounds
        self.cell = max(_CELL_IN16, ceil(sqrt((right - left) * (high - low) / _MOST_CELLS)))
        x, y = np.meshgrid(np.arange(left, right, self.cell) + self.cell / 2, np.arange(low, high, self.cell) + self.cell / 2)
        is_ground = shapely.contains_xy(ground, x, y)
        rows, columns = np.nonzero(is_ground)
        self.count = len(rows)
        self.points = shapely.points(x[is_ground], y[is_ground])
        self.tree = shapely.STRtree(self.points)
        # Whatever is no ground has the number past the last, and so has the rim round the grid.
        numbers = np.full((len(x) + 2, len(x[0]) + 2), self.count)
        numbers[rows + 1, columns + 1] = np.arange(self.count)
        self.steps = [
            (cost, np.stack([numbers[rows + 1 + down, columns + 1 + across] for down, across in steps], axis=1))
            for cost, steps in ((_STRAIGHT, _STRAIGHT_STEPS), (_ASLANT, _ASLANT_STEPS))
        ]

    def near(self, line: Geometry) -> Near:
        """The cells from which one can put out a hand to it."""
        cells = self.tree.query(line, predicate="dwithin", distance=_WALKER_IN16 / 2 + self.cell)
        return cells, np.ceil(shapely.distance(self.points[cells], line) * _STRAIGHT / self.cell).astype(np.int64)

    def walked(self, starts: Sequence[Near]) -> Any:
        """For each start, a row with the units to each cell. All at once, nearest first, by units (Dial's queue of buckets)."""
        width = self.count + 1
        units = np.full((len(starts), width), _FAR)
        units[:, self.count] = -1  # nobody steps there
        for row, (cells, off) in zip(units, starts, strict=True):
            row[cells] = off
        flat = units.ravel()
        begun = np.flatnonzero((flat >= 0) & (flat < _FAR))
        waiting = defaultdict(list, {int(at): [begun[flat[begun] == at]] for at in np.unique(flat[begun])})
        while waiting:
            at = min(waiting)
            states = np.unique(np.concatenate(waiting.pop(at)))
            cells = states % width
            for cost, steps in self.steps:
                reached = ((states - cells)[:, None] + steps[cells]).ravel()
                nearer = reached[flat[reached] > at + cost]
                if len(nearer):
                    flat[nearer] = at + cost
                    waiting[at + cost].append(nearer)
        return units

    def feet(self, units: Any) -> int:
        """The least of some ways, in feet."""
        least = int(units.min(initial=_FAR))
        return UNREACHABLE_FEET if least >= _FAR else round(least * self.cell / _STRAIGHT / IN16_PER_FOOT)
