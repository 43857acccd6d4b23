"""Floor that may be lent along an edge: how deep, stretch by stretch; rectangles of it; and bays made of these."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import NamedTuple

import shapely
from shapely.geometry import Polygon

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Aisle
from coop.floor.domain.turning import WIDE_TURN_IN16
from coop.floor.domain.walkable import Geometry
from coop.overflow.domain.across import NEAR_IN16, Edge, Stood, depths, edge_between
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.keepouts import Kept

AT_IN16 = 2 * IN16_PER_INCH
"""What stands this near an aisle's outline stands at it."""
_TURNED_IN16 = 3
"""Left free round a bay that does not lie in line with the drawing: its corners and its pieces' are rounded to sixteenths."""


@dataclass(frozen=True)
class BayRules:
    least_depth_in16: int = 12 * IN16_PER_INCH
    least_length_in16: int = 18 * IN16_PER_INCH
    deepest_in16: int = 48 * IN16_PER_INCH
    entry_in16: int = 36 * IN16_PER_INCH
    """Kept in the middle of every side of a booth where nobody said where its openings are."""
    longest_in16: int = 20 * IN16_PER_FOOT
    """Longer stretches are cut into equal bays, so that a map and a turn at a bay mean a place."""


Held = tuple[float, float, float]
"""What stands at an edge: from one place along it to another, and how deep."""


class Stretch(NamedTuple):
    """Of an edge, from one place to another, free so deep; `across` is how far it is to what is opposite."""

    from_: float
    to: float
    deep: float
    across: float

    @property
    def area(self) -> float:
        return (self.to - self.from_) * self.deep

    def holds(self, standing: Sequence[Held]) -> int:
        """How many of what stands at the edge."""
        near = NEAR_IN16
        return sum(self.from_ - near <= a and b <= self.to + near and deep <= self.deep + near for a, b, deep in standing)


class Lent:
    """Floor of a plan that may be lent, along any edge."""

    def __init__(self, stood: Stood, kept: Sequence[Kept], rules: BayRules) -> None:
        self.stood, self.rules = stood, rules
        self._kept = shapely.STRtree([k.shape for k in kept])
        self.taken: list[Geometry] = []
        """Bays with the way before them: nothing else stands there, whichever was taken first."""

    def required(self, aisle: Aisle) -> int:
        return max(aisle.required_clear_in16 or 0, self.stood.walkable.plan.required_clear_in16)

    def far(self, aisle: Aisle) -> int:
        """How far across an aisle is looked: what is farther changes nothing."""
        return max(self.required(aisle), WIDE_TURN_IN16) + self.rules.deepest_in16

    def along(self, edge: Edge, aisle: Aisle) -> list[Stretch]:
        """How deep the floor of an aisle before an edge may be lent, stretch by stretch."""
        required = self.required(aisle)
        far = self.far(aisle)
        strip = edge.box(0, 0, edge.length, far)
        beyond = edge.box(0, AT_IN16 + 1, edge.length, far).difference(Polygon(aisle.outline))
        solid = shapely.union(self.stood.blocked(strip), beyond)
        kept = self._kept.geometries[self._kept.query(strip, predicate="intersects")]
        never = shapely.union_all([*kept, *(bay for bay in self.taken if bay.intersects(strip))])
        found = []
        for from_, to, (across, free) in depths(edge, (solid, shapely.intersection(never, strip)), far):
            # From 36 in. on the sides of a piece alone are ways, and its front is a turn (403.5.2): 60 in. are left before it.
            shallow = min(across - required, LEAST_CLEAR_IN16 - IN16_PER_INCH)
            deep = min(max(shallow, across - max(required, WIDE_TURN_IN16)), free, self.rules.deepest_in16)
            found.append(Stretch(from_, to, deep, across))
        return found

    def take(self, bay: Bay, aisle: Aisle) -> None:
        shape = Polygon(bay.corners)
        self.stood.taken.append(shape)
        edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3])
        deep = bay.depth_in16
        clear = max(self.required(aisle), WIDE_TURN_IN16 if deep >= LEAST_CLEAR_IN16 else 0)
        before = edge.box(_TURNED_IN16, deep, edge.length - _TURNED_IN16, deep + clear)
        self.taken.append(shapely.union(shape, before))

    def forget(self, known: int) -> None:
        """All that was taken since there were so many."""
        del self.taken[known:], self.stood.taken[known:]

    def rectangles(self, edge: Edge, stretches: Sequence[Stretch]) -> Iterator[Stretch]:
        """The largest rectangle of whole inches' depth, then the largest of what is left to either hand."""
        off = slack(edge)
        lost = 2 * off + (off > 0) * 3 / 2
        steps = [s._replace(deep=(s.deep - lost) // IN16_PER_INCH * IN16_PER_INCH) for s in stretches]
        yield from self._largest(steps, 2 * off, ())

    def cut(self, bay: Bay, edge: Edge, stretches: Sequence[Stretch], standing: Sequence[Held]) -> Iterator[Stretch]:
        """Of a bay, what holds most of what stands in it first. As deep as the bay was, or whole inches."""
        off = slack(edge)
        lost = off + (off > 0) * 3 / 2
        steps = [
            s._replace(deep=bay.depth_in16 if s.deep >= bay.depth_in16 else (s.deep - lost) // IN16_PER_INCH * IN16_PER_INCH)
            for s in stretches
        ]
        yield from self._largest(steps, 2 * off, standing)

    def _largest(self, steps: Sequence[Stretch], lost: float, standing: Sequence[Held]) -> Iterator[Stretch]:
        best, ends, most = None, (0, 0), (0, 0.0, 0.0)
        for deep in {s.deep for s in steps if s.deep >= self.rules.least_depth_in16}:
            begin = None
            for n, step in enumerate([*steps, None]):
                if step is not None and step.deep >= deep:
                    begin = n if begin is None else begin
                elif begin is not None:
                    run = Stretch(steps[begin].from_, steps[n - 1].to, deep, 0)
                    if run.to - run.from_ - lost >= self.rules.least_length_in16:
                        key = (run.holds(standing), run.area, deep)
                        if best is None or key > most:
                            best, ends, most = run, (begin, n), key
                    begin = None
        if best is not None:
            yield best
            yield from self._largest(steps[: ends[0]], lost, standing)
            yield from self._largest(steps[ends[1] :], lost, standing)


def slack(edge: Edge) -> int:
    """0 for an edge that lies in line with the drawing, on whole sixteenths."""
    straight = all(value in (-1, 0, 1) for value in edge.along) and all(value == int(value) for value in edge.start)
    return 0 if straight else _TURNED_IN16


def as_bay(edge: Edge, stretch: Stretch, aisle: str, old: Bay | None = None) -> Bay:
    """Corners rounded inward, as an exact parallelogram, so that what `Bay.stretch` draws stays within it.

    Of an old bay the sides that stay are where they were: what stood at them still does.
    """
    off = slack(edge)
    back = 0 if old else off
    from_ = 0 if old and stretch.from_ <= 0 else ceil(stretch.from_ + off)
    to = edge.length if old and stretch.to >= edge.length else floor(stretch.to - off)
    more = 3 / 2 if off else 0  # so that rounding never makes it shallower than the whole inches it was found to have
    (x, y), (ax, ay), (ox, oy) = edge.placed([(from_, back), (to, back), (from_, back + stretch.deep + more)]).tolist()
    start, along, out = (round(x), round(y)), (round(ax - x), round(ay - y)), (round(ox - x), round(oy - y))
    if old and stretch.deep >= old.depth_in16:
        (x, y), _, _, (ox, oy) = old.corners
        out = (ox - x, oy - y)
    places = ((0, 0), (1, 0), (1, 1), (0, 1))
    corners = [(start[0] + a * along[0] + d * out[0], start[1] + a * along[1] + d * out[1]) for a, d in places]
    return Bay(old.code if old else "", aisle, as_corners(corners), edge.backing, edge.before)
