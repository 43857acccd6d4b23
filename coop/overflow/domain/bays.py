"""Bays worked out from a plan: what each aisle has over its required clear width, along the edges of what stands in and at it.

A bay leaves the required clear width beside it everywhere, straight across to what is opposite; the exception of 2010 ADA
Standards 403.5.1 (32 in. for 24 in. of length) is never used. Pieces may fill any part of it:

- Under 36 in. deep nothing in it has sides that are ways, so nobody turns by 180 degrees about it (403.5.2). A deeper one leaves
  60 in. before it, with which any such turn complies.
- Floor round the ends of rows and islands under 48 in. wide is kept (`keepouts`), however the pieces stand.
- A gap between two pieces leads straight out to the way before them.

A help to planning only: the local code and the fire marshal decide.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count, pairwise
from math import ceil, floor
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.floor.domain.finding import Finding, length
from coop.floor.domain.findings import newly_spoiled, ways_findings
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Aisle, Plan
from coop.floor.domain.turning import WIDE_TURN_IN16
from coop.floor.domain.walkable import Geometry, Walkable
from coop.overflow.domain.across import Edge, Stood, closed_up, depths, edge_between
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.keepouts import Kept, Opening, keepouts
from coop.overflow.domain.lanes import Lanes, Targets

_AT_IN16 = 2 * IN16_PER_INCH
"""What stands this near an aisle's outline stands at it."""
_TURNED_IN16 = 3
"""Left free round a bay that does not lie in line with the drawing: its corners and its pieces' are rounded to sixteenths."""
_ABOUT_IN16 = 5 * IN16_PER_FOOT


@dataclass(frozen=True)
class BayRules:
    least_depth_in16: int = 12 * IN16_PER_INCH
    least_length_in16: int = 18 * IN16_PER_INCH
    deepest_in16: int = 48 * IN16_PER_INCH
    entry_in16: int = 36 * IN16_PER_INCH
    """Kept in the middle of every side of a booth where nobody said where its openings are."""
    longest_in16: int = 20 * IN16_PER_FOOT
    """Longer stretches are cut into equal bays, so that a map and a turn at a bay mean a place."""


@dataclass(frozen=True)
class AisleSaid:
    """What an aisle has, or why it has nothing."""

    code: str
    sentence: str


@dataclass(frozen=True)
class Survey:
    bays: tuple[Bay, ...]
    aisles: tuple[AisleSaid, ...]


class Stretch(NamedTuple):
    """Of an edge, from one place to another, free so deep; `across` is how far it is to what is opposite."""

    from_: float
    to: float
    deep: float
    across: float

    @property
    def area(self) -> float:
        return (self.to - self.from_) * self.deep


def work_out(
    plan: Plan,
    openings: Iterable[Opening] = (),
    rules: BayRules = BayRules(),
    kept: Sequence[Bay] = (),
    taken_codes: Collection[str] = (),
) -> Survey:
    """The bays of a checked plan. Those of `kept` that may be still come first, at their place and with their code.

    `taken_codes` are codes no new bay may have, besides those of `kept`.
    """
    walkable = Walkable(plan)
    stood = Stood(walkable)
    targets = Targets(walkable)
    lent = Lent(stood, keepouts(walkable, openings, rules.entry_in16), rules)
    before = ways_findings(plan)
    narrow = {f.parts[0].code: f for f in before if f.kind == "aisle_narrow"}
    codes = {*taken_codes, *(bay.code for bay in kept)}
    bays: list[Bay] = []
    none: dict[str, str] = {}
    for aisle in plan.aisles:
        if aisle.code in narrow:
            none[aisle.code] = _too_narrow(narrow[aisle.code])
            continue
        lending = _Lending(lent, aisle, Lanes(stood, targets, aisle))
        old = [lending.keep(bay) for bay in kept if bay.aisle == aisle.code]
        bays += [bay for bay in old if bay]
        bays += _numbered(aisle, lending.fill(), codes)
        none[aisle.code] = lending.why_none()
    bays = _judged(plan, walkable, before, bays, {bay.code for bay in kept})
    return Survey(tuple(bays), tuple(_said(aisle, bays, none[aisle.code]) for aisle in plan.aisles))


# --- free floor along an edge -------------------------------------------------------------------------------------------


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
        beyond = edge.box(0, _AT_IN16 + 1, edge.length, far).difference(Polygon(aisle.outline))
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

    def rectangles(self, edge: Edge, stretches: Sequence[Stretch]) -> Iterator[Stretch]:
        """The largest rectangle of whole inches' depth, then the largest of what is left to either hand."""
        slack = _slack(edge)
        lost = 2 * slack + (slack > 0) * 3 / 2
        steps = [s._replace(deep=(s.deep - lost) // IN16_PER_INCH * IN16_PER_INCH) for s in stretches]
        yield from self._largest(steps, 2 * slack)

    def _largest(self, steps: Sequence[Stretch], lost: float) -> Iterator[Stretch]:
        best, ends = None, (0, 0)
        for deep in {s.deep for s in steps if s.deep >= self.rules.least_depth_in16}:
            begin = None
            for n, step in enumerate([*steps, None]):
                if step is not None and step.deep >= deep:
                    begin = n if begin is None else begin
                elif begin is not None:
                    run = Stretch(steps[begin].from_, steps[n - 1].to, deep, 0)
                    if run.to - run.from_ - lost >= self.rules.least_length_in16:
                        key = (run.area, deep)
                        if best is None or key > (best.area, best.deep):
                            best, ends = run, (begin, n)
                    begin = None
        if best is not None:
            yield best
            yield from self._largest(steps[: ends[0]], lost)
            yield from self._largest(steps[ends[1] :], lost)


def _slack(edge: Edge) -> int:
    """0 for an edge that lies in line with the drawing, on whole sixteenths."""
    straight = all(value in (-1, 0, 1) for value in edge.along) and all(value == int(value) for value in edge.start)
    return 0 if straight else _TURNED_IN16


def _as_bay(edge: Edge, stretch: Stretch, aisle: str, code: str = "") -> Bay:
    """Corners rounded inward, as an exact parallelogram, so that what `Bay.stretch` draws stays within it."""
    slack = _slack(edge)
    from_, to = ceil(stretch.from_ + slack), floor(stretch.to - slack)
    more = 3 / 2 if slack else 0  # so that rounding never makes it shallower than the whole inches it was found to have
    (x, y), (ax, ay), (ox, oy) = edge.placed([(from_, slack), (to, slack), (from_, slack + stretch.deep + more)]).tolist()
    start, along, out = (round(x), round(y)), (round(ax - x), round(ay - y)), (round(ox - x), round(oy - y))
    places = ((0, 0), (1, 0), (1, 1), (0, 1))
    corners = [(start[0] + a * along[0] + d * out[0], start[1] + a * along[1] + d * out[1]) for a, d in places]
    return Bay(code, aisle, as_corners(corners), edge.backing, edge.before)


# --- an aisle -----------------------------------------------------------------------------------------------------------


class _Lending:
    """One aisle, its bays taken one after the other."""

    def __init__(self, lent: Lent, aisle: Aisle, lanes: Lanes) -> None:
        self._lent, self._aisle, self._lanes = lent, aisle, lanes
        self._seen: list[Stretch] = []

    def keep(self, bay: Bay) -> Bay | None:
        """A bay there was, as much of it as may be; None for nothing."""
        edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3], bay.backing, bay.before)
        if self._lent.stood.blocked(edge.box(0, -_AT_IN16, edge.length, 0)).is_empty:
            return None
        stretches = [s._replace(deep=min(s.deep, bay.depth_in16)) for s in self._lent.along(edge, self._aisle)]
        if all(s.deep >= bay.depth_in16 for s in stretches) and self._take(bay):
            return bay
        return next(filter(None, (self._tried(edge, s, bay.code) for s in self._lent.rectangles(edge, stretches))), None)

    def fill(self) -> list[Bay]:
        """At walls first, then the largest; what a bay taken since may have changed is worked out anew before it is taken."""
        taken = self._lent.taken
        queue: list[tuple[bool, float, int, int, Edge, Stretch]] = []
        order = count()

        def put(edge: Edge) -> list[Stretch]:
            stretches = self._lent.along(edge, self._aisle)
            for stretch in self._lent.rectangles(edge, stretches):
                for part in self._parted(stretch):
                    heapq.heappush(queue, (edge.backing != "wall", -part.area, next(order), len(taken), edge, part))
            return stretches

        for edge in self._edges():
            self._seen += put(edge)
        found = []
        while queue:
            _, _, _, since, edge, stretch = heapq.heappop(queue)
            before = edge.box(stretch.from_, 0, stretch.to, self._lent.far(self._aisle))
            if any(before.intersects(bay) for bay in taken[since:]):
                put(edge.part(stretch.from_, stretch.to))
            elif bay := self._tried(edge, stretch):
                found.append(bay)
        return found

    def why_none(self) -> str:
        """Completes "Aisle B2 ..." where it has no bays."""
        rules, required = self._lent.rules, self._lent.required(self._aisle)
        long = [s for s in self._seen if s.to - s.from_ >= rules.least_length_in16]
        if not long:
            return f"has nothing straight along it, {length(rules.least_length_in16)} long and more, that a bay could be before."
        across = max(s.across for s in long)
        if across - required < rules.least_depth_in16:
            left = f"{length(across - required)} are left" if across > required else "nothing is left"
            least = length(rules.least_depth_in16)
            return f"is {length(across)} wide and must keep {length(required)} clear: {left}, and a bay is at least {least} deep."
        return (
            f"must keep {length(required)} clear, and every stretch of it is taken by openings, doors and exits, extinguishers, "
            f"counters, turns and crossings, or is shorter than {length(rules.least_length_in16)}."
        )

    def _edges(self) -> Iterator[Edge]:
        """Of what stands in or at the aisle, the parts that lie along it."""
        near = Polygon(self._aisle.outline).buffer(_AT_IN16, join_style="mitre")
        for edge in self._lent.stood.edges_near(near):
            places = shapely.get_coordinates(edge.seen(edge.line.intersection(near)))[:, 0]
            if len(places) and places.max() - places.min() >= self._lent.rules.least_length_in16:
                yield edge.part(places.min(), places.max())

    def _parted(self, stretch: Stretch) -> Iterator[Stretch]:
        long = stretch.to - stretch.from_
        parts = ceil(long / self._lent.rules.longest_in16)
        ends = [round(stretch.from_ + long * n / parts) for n in range(1, parts)]
        for from_, to in pairwise([stretch.from_, *ends, stretch.to]):
            yield stretch._replace(from_=from_, to=to)

    def _tried(self, edge: Edge, stretch: Stretch, code: str = "") -> Bay | None:
        """The largest that leaves every way whole, of the stretch itself, shallower ones and its halves."""
        rules = self._lent.rules
        middle = (stretch.from_ + stretch.to) // 2
        tries = [stretch._replace(from_=middle), stretch._replace(to=middle)]
        deeps = range(int(stretch.deep), rules.least_depth_in16 - 1, -4 * IN16_PER_INCH)
        tries = [s for s in tries if s.to - s.from_ - 2 * _slack(edge) >= rules.least_length_in16]
        tries += [stretch._replace(deep=deep) for deep in deeps]
        for smaller in sorted(tries, key=lambda s: -s.area):
            bay = _as_bay(edge, smaller, self._aisle.code, code)
            if self._take(bay):
                return bay
        return None

    def _take(self, bay: Bay) -> bool:
        if not self._lanes.take(Polygon(bay.corners)):
            return False
        self._lent.take(bay, self._aisle)
        return True


def _numbered(aisle: Aisle, bays: Sequence[Bay], codes: set[str]) -> list[Bay]:
    """In the order one comes by them, going along the aisle; adds their codes."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(Polygon(aisle.outline)))
    along = max(corners[1] - corners[0], corners[2] - corners[1], key=lambda side: float(np.hypot(*side)))
    along = along if tuple(along.round()) > (0, 0) else -along
    numbers = (f"{aisle.code}-{n}" for n in count(1))
    free = (code for code in numbers if code not in codes)
    placed = sorted(bays, key=lambda bay: (round(float(np.mean(bay.corners, axis=0) @ along)), bay.corners))
    named = [replace(bay, code=code) for bay, code in zip(placed, free, strict=False)]
    codes |= {bay.code for bay in named}
    return named


# --- the whole mall -----------------------------------------------------------------------------------------------------


def _judged(plan: Plan, walkable: Walkable, before: Sequence[Finding], bays: list[Bay], kept: set[str]) -> list[Bay]:
    """Without those that spoil something when all are full: of what lies about a finding, new ones go before kept ones."""
    bare = Stood(walkable)
    while bays:
        found = newly_spoiled(before, ways_findings(plan, closed_up(bare, [bay.corners for bay in bays])))
        if not found:
            break
        gone: set[str] = set()
        for finding in found:
            at = _about(finding)
            far = {bay.code: Polygon(bay.corners).distance(at) for bay in bays}
            near = {code for code, away in far.items() if away <= _ABOUT_IN16}
            gone |= near - kept or near or {min(far, key=lambda code: far[code])}
        bays = [bay for bay in bays if bay.code not in gone]
    return bays


def _about(finding: Finding) -> Geometry:
    """Where to make room: for two to pass, half-way along."""
    if len(finding.at) == 1:
        return Point(finding.at[0])
    at = Polygon(finding.at) if finding.closed else LineString(finding.at)
    return at.interpolate(at.length / 2) if finding.kind == "no_passing_space" else at


def _too_narrow(found: Finding) -> str:
    wide, required = length(found.measured_in16 or 0), length(found.required_in16 or 0)
    return f"is already narrower than it must be: {wide} of {required} are clear."


def _said(aisle: Aisle, bays: Sequence[Bay], none: str) -> AisleSaid:
    own = [bay for bay in bays if bay.aisle == aisle.code]
    if not own:
        return AisleSaid(aisle.code, f"Aisle {aisle.code} {none}")
    feet = length(sum(bay.length_in16 for bay in own))
    return AisleSaid(aisle.code, f"Aisle {aisle.code} has {len(own)} bay{'s' * (len(own) > 1)}, {feet} long together.")
