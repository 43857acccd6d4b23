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
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Aisle, Outline, Plan
from coop.floor.domain.turning import WIDE_TURN_IN16
from coop.floor.domain.walkable import Geometry, Walkable
from coop.overflow.domain.across import NEAR_IN16, Edge, Stood, closed_up, depths, edge_between
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.keepouts import Kept, Opening, keepouts
from coop.overflow.domain.lanes import Lanes, Targets

_AT_IN16 = 2 * IN16_PER_INCH
"""What stands this near an aisle's outline stands at it."""
_TURNED_IN16 = 3
"""Left free round a bay that does not lie in line with the drawing: its corners and its pieces' are rounded to sixteenths."""
_ABOUT_IN16 = 5 * IN16_PER_FOOT
_TRIES = 12
"""Of bays about one another, this many without one are asked for at once: each costs as much as all of them."""


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


def work_out(
    plan: Plan,
    openings: Iterable[Opening] = (),
    rules: BayRules = BayRules(),
    kept: Sequence[Bay] = (),
    taken_codes: Collection[str] = (),
    standing: Sequence[Outline] = (),
) -> Survey:
    """The bays of a checked plan. Those of `kept` that may be still come first, at their place and with their code.

    Where not all of them may, those named first do. One that must be cut is cut so that it holds what it may of `standing`, the
    pieces that stand. `taken_codes` are codes no new bay may have, besides those of `kept`.
    """
    walkable = Walkable(plan)
    stood = Stood(walkable)
    targets = Targets(walkable)
    lent = Lent(stood, keepouts(walkable, openings, rules.entry_in16), rules)
    before = ways_findings(plan)
    narrow = {f.parts[0].code: _too_narrow(f) for f in before if f.kind == "aisle_narrow"}
    lendings = [_Lending(lent, aisle, targets) for aisle in plan.aisles if aisle.code not in narrow]
    # All that were there before any is cut or a new one taken, in whatever aisle: nothing stands in the way before another.
    there = {lending.aisle.code: [bay for bay in kept if bay.aisle == lending.aisle.code] for lending in lendings}
    whole = {bay.code: bay for lending in lendings for bay in lending.keep(there[lending.aisle.code])}
    cut: dict[str, Bay] = {}
    for lending in lendings:
        rest = [bay for bay in there[lending.aisle.code] if bay.code not in whole]
        cut |= {old.code: bay for old in rest if (bay := lending.cut(old, standing))}
    stay = {**whole, **cut}
    codes = {*taken_codes, *(bay.code for bay in kept)}
    bays = []
    for lending in lendings:
        bays += [stay[bay.code] for bay in there[lending.aisle.code] if bay.code in stay]
        bays += _numbered(lending.aisle, lending.fill(), codes)
    bays = _judged(plan, walkable, before, bays, (list(whole), list(cut)))
    none = narrow | {lending.aisle.code: lending.why_none() for lending in lendings}
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

    def forget(self, known: int) -> None:
        """All that was taken since there were so many."""
        del self.taken[known:], self.stood.taken[known:]

    def rectangles(self, edge: Edge, stretches: Sequence[Stretch]) -> Iterator[Stretch]:
        """The largest rectangle of whole inches' depth, then the largest of what is left to either hand."""
        slack = _slack(edge)
        lost = 2 * slack + (slack > 0) * 3 / 2
        steps = [s._replace(deep=(s.deep - lost) // IN16_PER_INCH * IN16_PER_INCH) for s in stretches]
        yield from self._largest(steps, 2 * slack, ())

    def cut(self, bay: Bay, edge: Edge, stretches: Sequence[Stretch], standing: Sequence[Held]) -> Iterator[Stretch]:
        """Of a bay, what holds most of what stands in it first. As deep as the bay was, or whole inches."""
        slack = _slack(edge)
        lost = slack + (slack > 0) * 3 / 2
        steps = [
            s._replace(deep=bay.depth_in16 if s.deep >= bay.depth_in16 else (s.deep - lost) // IN16_PER_INCH * IN16_PER_INCH)
            for s in stretches
        ]
        yield from self._largest(steps, 2 * slack, standing)

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


def _slack(edge: Edge) -> int:
    """0 for an edge that lies in line with the drawing, on whole sixteenths."""
    straight = all(value in (-1, 0, 1) for value in edge.along) and all(value == int(value) for value in edge.start)
    return 0 if straight else _TURNED_IN16


def _as_bay(edge: Edge, stretch: Stretch, aisle: str, old: Bay | None = None) -> Bay:
    """Corners rounded inward, as an exact parallelogram, so that what `Bay.stretch` draws stays within it.

    Of an old bay the sides that stay are where they were: what stood at them still does.
    """
    slack = _slack(edge)
    back = 0 if old else slack
    from_ = 0 if old and stretch.from_ <= 0 else ceil(stretch.from_ + slack)
    to = edge.length if old and stretch.to >= edge.length else floor(stretch.to - slack)
    more = 3 / 2 if slack else 0  # so that rounding never makes it shallower than the whole inches it was found to have
    (x, y), (ax, ay), (ox, oy) = edge.placed([(from_, back), (to, back), (from_, back + stretch.deep + more)]).tolist()
    start, along, out = (round(x), round(y)), (round(ax - x), round(ay - y)), (round(ox - x), round(oy - y))
    if old and stretch.deep >= old.depth_in16:
        (x, y), _, _, (ox, oy) = old.corners
        out = (ox - x, oy - y)
    places = ((0, 0), (1, 0), (1, 1), (0, 1))
    corners = [(start[0] + a * along[0] + d * out[0], start[1] + a * along[1] + d * out[1]) for a, d in places]
    return Bay(old.code if old else "", aisle, as_corners(corners), edge.backing, edge.before)


# --- an aisle -----------------------------------------------------------------------------------------------------------


class _Lending:
    """One aisle, its bays taken one after the other."""

    def __init__(self, lent: Lent, aisle: Aisle, targets: Targets) -> None:
        self.aisle = aisle
        self._lent, self._targets = lent, targets
        self._seen: list[Stretch] = []
        self._made: Lanes | None = None
        self._known = 0
        """How many bays, of whichever aisle, the lanes know."""

    @property
    def _lanes(self) -> Lanes:
        """Made anew where bays of another aisle were taken near this one."""
        since = self._lent.stood.taken[self._known :]
        if self._made is None or any(self._made.window.intersects(bay) for bay in since):
            self._made = Lanes(self._lent.stood, self._targets, self.aisle)
        self._known = len(self._lent.stood.taken)
        return self._made

    def keep(self, bays: Sequence[Bay]) -> list[Bay]:
        """Those of the bays there were that may stay as they are; where not all that lie about one another may, the first.

        Those are asked for at once: one alone may cut off a corner in which another stands.
        """
        kept: list[Bay] = []
        for near in _about_one_another(bays, self._lent.required(self.aisle)):
            # The last are left out first, one at a time, before they are taken one by one.
            tries = [near, *(near[:n] + near[n + 1 :] for n in reversed(range(len(near))))] if len(near) > 1 else [near]
            found = next((found for some in tries[:_TRIES] if (found := self._kept(some))), None)
            if found is None:
                found, left = [], near
                while one := next((bay for bay in left if self._kept([bay])), None):
                    found.append(one)
                    left = [bay for bay in left if bay is not one]
            kept += found
        return kept

    def _kept(self, bays: Sequence[Bay]) -> list[Bay] | None:
        """Takes all of these at once, if that leaves everything whole; else changes nothing."""
        lanes, known = self._lanes, self._known
        for bay in bays:
            _, stretches = self._along(bay)
            if not stretches or any(s.deep < bay.depth_in16 for s in stretches):
                break
            self._lent.take(bay, self.aisle)
        else:
            if lanes.take([Polygon(bay.corners) for bay in bays]):
                self._known = len(self._lent.stood.taken)
                return list(bays)
        self._lent.forget(known)
        return None

    def cut(self, bay: Bay, standing: Sequence[Outline]) -> Bay | None:
        """As much of a bay there was as may be; None for nothing."""
        edge, stretches = self._along(bay)
        room = Polygon(bay.corners).buffer(NEAR_IN16, join_style="mitre")
        held = []
        for piece in map(Polygon, standing):
            if room.covers(piece):
                from_, _, to, deep = edge.seen(piece).bounds
                held.append((from_, to, deep))
        found = self._lent.cut(bay, edge, stretches, held)
        return next(filter(None, (self._tried(edge, s, bay, held) for s in found)), None)

    def _along(self, bay: Bay) -> tuple[Edge, list[Stretch]]:
        """Its back, and how deep its floor may be lent along it: nothing where nothing is behind it any more."""
        edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3], bay.backing, bay.before)
        if self._lent.stood.blocked(edge.box(0, -_AT_IN16, edge.length, 0)).is_empty:
            return edge, []
        return edge, self._lent.along(edge, self.aisle)

    def fill(self) -> list[Bay]:
        """At walls first, then the largest; what a bay taken since may have changed is worked out anew before it is taken."""
        taken = self._lent.taken
        queue: list[tuple[bool, float, int, int, Edge, Stretch]] = []
        order = count()

        def put(edge: Edge) -> list[Stretch]:
            stretches = self._lent.along(edge, self.aisle)
            for stretch in self._lent.rectangles(edge, stretches):
                for part in self._parted(stretch):
                    heapq.heappush(queue, (edge.backing != "wall", -part.area, next(order), len(taken), edge, part))
            return stretches

        for edge in self._edges():
            self._seen += put(edge)
        found = []
        while queue:
            _, _, _, since, edge, stretch = heapq.heappop(queue)
            before = edge.box(stretch.from_, 0, stretch.to, self._lent.far(self.aisle))
            if any(before.intersects(bay) for bay in taken[since:]):
                put(edge.part(stretch.from_, stretch.to))
            elif bay := self._tried(edge, stretch):
                found.append(bay)
        return found

    def why_none(self) -> str:
        """Completes "Aisle B2 ..." where it has no bays."""
        rules, required = self._lent.rules, self._lent.required(self.aisle)
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
        near = Polygon(self.aisle.outline).buffer(_AT_IN16, join_style="mitre")
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

    def _tried(self, edge: Edge, stretch: Stretch, old: Bay | None = None, standing: Sequence[Held] = ()) -> Bay | None:
        """The largest that leaves all ways whole, of the stretch itself, shallower ones, its halves and what just holds what
        stands in it; first what holds most.
        """
        rules = self._lent.rules
        middle = (stretch.from_ + stretch.to) // 2
        tries = [stretch._replace(from_=middle), stretch._replace(to=middle), *self._just(edge, stretch, standing)]
        deeps = range(int(stretch.deep), rules.least_depth_in16 - 1, -4 * IN16_PER_INCH)
        tries = [s for s in tries if s.to - s.from_ - 2 * _slack(edge) >= rules.least_length_in16]
        tries += [stretch._replace(deep=deep) for deep in deeps]
        for smaller in sorted(tries, key=lambda s: (-s.holds(standing), -s.area)):
            bay = _as_bay(edge, smaller, self.aisle.code, old)
            if self._lanes.take([Polygon(bay.corners)]):
                self._lent.take(bay, self.aisle)
                self._known = len(self._lent.stood.taken)
                return bay
        return None

    def _just(self, edge: Edge, stretch: Stretch, standing: Sequence[Held]) -> Iterator[Stretch]:
        """The least of a stretch that holds all that it does of what stands, if that is anything."""
        held = [one for one in standing if stretch.holds([one])]
        if held:
            off = _slack(edge) + 1
            from_ = max(stretch.from_, min(begin for begin, _, _ in held) - off)
            to = max(max(end for _, end, _ in held) + off, from_ + self._lent.rules.least_length_in16 + 2 * off)
            deep = ceil(max(far for _, _, far in held) / IN16_PER_INCH) * IN16_PER_INCH
            yield stretch._replace(from_=from_, to=min(to, stretch.to), deep=min(deep, stretch.deep))


def _about_one_another(bays: Sequence[Bay], width: int) -> list[list[Bay]]:
    """Bays in groups: between those of two a disc of this width passes. Each as they were named."""
    shapes = [Polygon(bay.corners) for bay in bays]
    group = list(range(len(bays)))
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=width) if bays else ((), ())
    for a, b in zip(one, other, strict=True):
        if group[a] != group[b]:
            group = [group[b] if of == group[a] else of for of in group]
    return [[bay for bay, of in zip(bays, group, strict=True) if of == which] for which in dict.fromkeys(group)]


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


def _judged(
    plan: Plan, walkable: Walkable, before: Sequence[Finding], bays: list[Bay], kept: tuple[Sequence[str], Sequence[str]]
) -> list[Bay]:
    """Without those that spoil something when all are full: of what lies about a finding new ones go before kept ones, and of
    these those that were cut before those that stayed whole; `kept` are the codes of the latter and of the former.
    """
    bare, order = Stood(walkable), {bay.code: n for n, bay in enumerate(bays)}

    def spoiled(some: Iterable[Bay]) -> list[Finding]:
        return newly_spoiled(before, ways_findings(plan, closed_up(bare, [bay.corners for bay in some])))

    out: list[Bay] = []
    while bays and (found := spoiled(bays)):
        gone: set[str] = set()
        for finding in found:
            at = _about(finding)
            far = {bay.code: Polygon(bay.corners).distance(at) for bay in bays}
            near = {code for code, away in far.items() if away <= _ABOUT_IN16}
            gone |= near.difference(*kept) or near.difference(kept[0]) or near or {min(far, key=lambda code: far[code])}
        out += [bay for bay in bays if bay.code in gone]
        bays = [bay for bay in bays if bay.code not in gone]
    # What was there is put back where another than it was in the way.
    for code in (code for codes in kept for code in codes):
        for bay in out:
            if bay.code == code and not spoiled([*bays, bay]):
                bays.append(bay)
    return sorted(bays, key=lambda bay: order[bay.code])


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
