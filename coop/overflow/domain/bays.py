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
from math import ceil

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.floor.domain.finding import Finding, length
from coop.floor.domain.findings import newly_spoiled, ways_findings
from coop.floor.domain.plan import Aisle, Outline, Plan
from coop.floor.domain.walkable import Geometry, Walkable
from coop.overflow.domain.across import NEAR_IN16, Edge, Stood, closed_up, edge_between
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.keepouts import Opening, keepouts
from coop.overflow.domain.lanes import Lanes, Targets
from coop.overflow.domain.lent import AT_IN16, BayRules, Held, Lent, Stretch, as_bay, slack

_USUAL = BayRules()
_ABOUT_IN16 = 5 * IN16_PER_FOOT
_TRIES = 12
"""Of bays about one another, this many without one are asked for at once: each costs as much as all of them."""


@dataclass(frozen=True)
class AisleSaid:
    """What an aisle has, or why it has nothing."""

    code: str
    sentence: str


@dataclass(frozen=True)
class Survey:
    bays: tuple[Bay, ...]
    aisles: tuple[AisleSaid, ...]


def work_out(
    plan: Plan,
    openings: Iterable[Opening] = (),
    rules: BayRules = _USUAL,
    kept: Sequence[Bay] = (),
    taken_codes: Collection[str] = (),
    standing: Sequence[Outline] = (),
) -> Survey:
    """The bays of a checked plan. Those of `kept` that may be still come first, at their place and with their code.

    Where not all of them may, those named first do. One that must be cut is cut so that it holds what it may of `standing`, the
    pieces that stand. `taken_codes` are codes no new bay may have, besides those of `kept`.
    """
    walkable = Walkable(plan)
    targets, never = Targets(walkable), keepouts(walkable, openings, rules.entry_in16)
    before = ways_findings(plan)
    narrow = {f.parts[0].code: _too_narrow(f) for f in before if f.kind == "aisle_narrow"}

    def empty() -> list[_Lending]:
        lent = Lent(Stood(walkable), never, rules)
        return [_Lending(lent, aisle, targets) for aisle in plan.aisles if aisle.code not in narrow]

    lendings = empty()
    whole, cut = _kept(lendings, kept, standing)
    codes = {*taken_codes, *(bay.code for bay in kept)}
    bays = []
    for lending in lendings:
        bays += [stays for bay in kept if bay.aisle == lending.aisle.code and (stays := whole.get(bay.code) or cut.get(bay.code))]
        bays += _numbered(lending.aisle, lending.fill(), codes)
    many, judged = len(bays), _judged(plan, walkable, before, bays, (list(whole), list(cut)))
    while len(judged) < many:
        # What is gone may have stood in a corner that another cuts off, now that it is floor again.
        many = len(judged)
        same, less = _kept(empty(), judged, standing)
        bays = [left for bay in judged if (left := same.get(bay.code) or less.get(bay.code))]
        judged = _judged(plan, walkable, before, bays, (list(whole), list(cut)))
    none = narrow | {lending.aisle.code: lending.why_none() for lending in lendings}
    return Survey(tuple(judged), tuple(_said(aisle, judged, none[aisle.code]) for aisle in plan.aisles))


def _kept(
    lendings: Sequence[_Lending], bays: Sequence[Bay], standing: Sequence[Outline]
) -> tuple[dict[str, Bay], dict[str, Bay]]:
    """By code, those of some bays that may be as they are, and what may be of others.

    All that stay whole are taken before any is cut or a new one taken, in whatever aisle: none stands in the way before another.
    Of those that are cut, what still holds something comes before what stands empty.
    """
    own = [[bay for bay in bays if bay.aisle == lending.aisle.code] for lending in lendings]
    whole = {bay.code: bay for lending, there in zip(lendings, own, strict=True) for bay in lending.keep(there)}
    cut: dict[str, Bay] = {}
    for least in (1, 0):
        for lending, there in zip(lendings, own, strict=True):
            rest = [bay for bay in there if bay.code not in whole and bay.code not in cut]
            cut |= {old.code: bay for old in rest if (bay := lending.cut(old, standing, least))}
    return whole, cut


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

    def cut(self, bay: Bay, standing: Sequence[Outline], least: int = 0) -> Bay | None:
        """As much of a bay there was as may be; None for nothing, or where it holds fewer than `least` of what stands."""
        room = Polygon(bay.corners).buffer(NEAR_IN16, join_style="mitre")
        inside = [piece for piece in map(Polygon, standing) if room.covers(piece)]
        if len(inside) < least:
            return None
        edge, stretches = self._along(bay)
        held = []
        for piece in inside:
            from_, _, to, deep = edge.seen(piece).bounds
            held.append((from_, to, deep))
        found = self._lent.cut(bay, edge, stretches, held)
        return next(filter(None, (self._tried(edge, s, bay, held, least) for s in found)), None)

    def _along(self, bay: Bay) -> tuple[Edge, list[Stretch]]:
        """Its back, and how deep its floor may be lent along it: nothing where nothing is behind it any more."""
        edge = edge_between(bay.corners[0], bay.corners[1], bay.corners[3], bay.backing, bay.before)
        if self._lent.stood.blocked(edge.box(0, -AT_IN16, edge.length, 0)).is_empty:
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
        near = Polygon(self.aisle.outline).buffer(AT_IN16, join_style="mitre")
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

    def _tried(
        self, edge: Edge, stretch: Stretch, old: Bay | None = None, standing: Sequence[Held] = (), least: int = 0
    ) -> Bay | None:
        """The largest that leaves all ways whole, of the stretch itself, shallower ones, its halves and what just holds what
        stands in it; first what holds most.
        """
        rules = self._lent.rules
        middle = (stretch.from_ + stretch.to) // 2
        tries = [stretch._replace(from_=middle), stretch._replace(to=middle), *self._just(edge, stretch, standing)]
        deeps = range(int(stretch.deep), rules.least_depth_in16 - 1, -4 * IN16_PER_INCH)
        tries = [s for s in tries if s.to - s.from_ - 2 * slack(edge) >= rules.least_length_in16]
        tries += [stretch._replace(deep=deep) for deep in deeps]
        tries = [s for s in tries if s.holds(standing) >= least]
        for smaller in sorted(tries, key=lambda s: (-s.holds(standing), -s.area)):
            bay = as_bay(edge, smaller, self.aisle.code, old)
            if self._lanes.take([Polygon(bay.corners)]):
                self._lent.take(bay, self.aisle)
                self._known = len(self._lent.stood.taken)
                return bay
        return None

    def _just(self, edge: Edge, stretch: Stretch, standing: Sequence[Held]) -> Iterator[Stretch]:
        """The least of a stretch that holds all that it does of what stands, if that is anything."""
        held = [one for one in standing if stretch.holds([one])]
        if held:
            off = slack(edge) + 1
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
