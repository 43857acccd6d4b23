"""Booths nobody can reach, exits that are blocked, and ways that pinch: everybody comes in by an exit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from coop.floor.domain.clear_width import NARROW_IN16, Link, Standing, Ways, door_core, gap_between, widest_way_in16
from coop.floor.domain.finding import Finding, Kind, begin, finding, length
from coop.floor.domain.plan import Part
from coop.floor.domain.walkable import SLACK, Geometry, Walkable, door_shape, door_width, named_door, named_space, open_side_cores


@dataclass(frozen=True)
class Target:
    """What is to be reached: a disc must touch one of `cores`."""

    part: Part
    shape: Geometry
    cores: tuple[Geometry, ...]


@dataclass(frozen=True)
class Reach:
    """What can be reached from the exits, and what cannot."""

    ways: Ways
    starts: tuple[Geometry, ...]
    standings: tuple[Standing, ...]
    places: frozenset[int]

    def has(self, target: Target) -> bool:
        return self.ways.is_reached(target.cores, self.standings, set(self.places))


def space_targets(walkable: Walkable) -> list[Target]:
    return [Target(named_space(s), shape, tuple(open_side_cores(s))) for s, shape in walkable.floor_spaces]


def door_targets(walkable: Walkable, *, exits: bool) -> list[Target]:
    doors = [door for door in walkable.plan.doors if door.is_exit == exits]
    return [Target(named_door(door), door_shape(door), (door_core(door),)) for door in doors]


def reach_from(ways: Ways, starts: Sequence[Geometry]) -> Reach:
    standings = ways.walk([here for start in starts for here in ways.standings_at([start])])
    return Reach(ways, tuple(starts), tuple(standings), frozenset(here.place for here in standings))


def reach_findings(walkable: Walkable, ways: Ways) -> Iterator[Finding]:
    """Exits and doors first, then spaces. The main floor is the largest place a disc of the required width has."""
    exits, doors = door_targets(walkable, exits=True), door_targets(walkable, exits=False)
    yield from _narrow_doors(walkable)
    if not exits:
        yield finding("no_exit", "No door is marked as an exit; mark those that lead out.", (), walkable.outline)
    if not ways.places:
        sentence = f"Nowhere on the floor are {length(ways.width_in16)} clear; move things apart."
        yield finding("unreachable", sentence, (), walkable.outline, required_in16=ways.width_in16)
        return
    main = ways.places[0].representative_point()
    for target in exits:
        alone = reach_from(ways, target.cores)
        if 0 not in alone.places:
            yield _unreached(ways, target, main, "exit_pinch" if alone.places else "exit_blocked", alone)
    # By whichever exit or, where none is marked, door one comes in; where none leads anywhere, from the main floor.
    starts = [core for target in exits or doors for core in target.cores]
    reach = reach_from(ways, starts)
    if 0 not in reach.places:
        reach = Reach(ways, (main,), tuple(ways.walk([Standing(0)])), frozenset(h.place for h in ways.walk([Standing(0)])))
    for target in doors:
        if not reach.has(target):
            yield _unreached(ways, target, main, "door_pinch", reach)
    for target in space_targets(walkable):
        if not reach.has(target):
            yield _unreached(ways, target, main, "unreachable", reach)


def _narrow_doors(walkable: Walkable) -> Iterator[Finding]:
    for door in walkable.plan.doors:
        wide = door_width(door)
        if wide < NARROW_IN16 - 1:
            part = named_door(door)
            sentence = f'{begin(part)} is {length(wide)} wide; an opening is 32" clear or more (404.2.3).'
            at = door_shape(door)
            yield finding("door_narrow", sentence, (part,), at, measured_in16=round(wide), required_in16=NARROW_IN16)


_SAID: dict[Kind, str] = {
    "exit_blocked": "is blocked",
    "exit_pinch": "does not lead to the main floor",
    "door_pinch": "cannot be reached",
    "unreachable": "cannot be reached",
}


def _unreached(ways: Ways, target: Target, main: Geometry, kind: Kind, reach: Reach) -> Finding:
    """What stops the way to a target, from the main floor, with its place."""
    mend = f"{length(ways.width_in16)} is required"
    stops = _stopping(ways, target, reach)
    if stops is not None:
        at, measured = stops.stretch.place, round(stops.stretch.width)
        said = f"the way narrows to {length(measured)}"
        said += " a second time within 4 ft" if stops.allowed else f" for {length(stops.stretch.length)}"
    else:
        measured = widest_way_in16(ways.ground, target.cores, [main], ways.width_in16)
        gap = gap_between(Ways(ways.ground, measured + 1), target.cores, [main]) if measured else None
        at = target.shape if gap is None else gap
        said = f"the way narrows to {length(measured)}" if measured else "nothing can get there"
    if ways.has_exception and measured >= NARROW_IN16:
        mend += "; 32 in. is allowed for 24 in. of length, such stretches 4 ft apart (403.5.1)"
    sentence = f"{begin(target.part)} {_SAID[kind]}: {said}. {mend}. Move what stands in the way."
    return finding(kind, sentence, (target.part,), at, measured_in16=measured, required_in16=ways.width_in16)


def _stopping(ways: Ways, target: Target, reach: Reach) -> Link | None:
    """The narrow stretch, at least 32 in. wide, between what is reached and the target's place."""
    near = set(ways.touching(target.cores))
    for link in ways.links:
        ends = {link.a, link.b}
        if ends & near and ends - near and link.stretch.width >= NARROW_IN16 - 2 * SLACK:
            return link
    return None
