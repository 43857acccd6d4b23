"""The order of a reset: planned, planned again from what is done, and where one may stop for the night."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from coop.core.errors import Refusal
from coop.core.words import joined
from coop.resets.domain.order import knots
from coop.resets.domain.order.both import Change, Found, Step, dive, find_order
from coop.resets.domain.order.bound import Bound, demands_of, least_stagings
from coop.resets.domain.order.boxes import Spot, Standing, spot_of, spots_overlap
from coop.resets.domain.order.ground import Ground, Handling
from coop.resets.domain.order.hands import HandStep, by_hand, weave
from coop.resets.domain.order.hanging import hanging_notes
from coop.resets.domain.order.moves import How, Knot, Move, MoveKind, Order, Pose, Staged, take_move
from coop.resets.domain.order.reach import Effort, Reach
from coop.resets.domain.order.staging import StagingFloor, Waits
from coop.resets.domain.order.straight import straightened
from coop.resets.domain.order.wording import sentence_of
from coop.resets.domain.piece import Arrangement, Piece, Placed

BUDGET = 12_000
"""What a search may spend on floods (`Grid.cost`): a few seconds."""
_SMALL = 10
"""With so many pieces that may wait, or fewer, the fewest stagings are proven by looking at every order."""
BOOTH, OUTSIDE, ASIDE = "booth", "outside", "set aside"
STANDS = "the set that stands"
"""What refusals call what stands now."""


def plan_order(
    ground: Ground,
    before: Arrangement,
    after: Arrangement,
    *,
    fixed: frozenset[str] = frozenset(),
    waiting: Iterable[Staged] = (),
    handling: Handling | None = None,
    budget: int = BUDGET,
    first_number: int = 1,
) -> Order | Knot:
    """The moves that turn one set into the next so that no piece meets another, or the knot where there are none.

    A piece with the same place in both sets stays: it is moved only if it blocks, and then by staging. `fixed` are pieces that
    may not be moved at all. `waiting` is what is on staging floor already. Raises Refusal for sets no order can be asked of:
    pieces that cover the same floor, stand through a wall or on nothing, or are bound and left out while there is no hold floor.
    """
    handling = handling or Handling()
    waiting = tuple(waiting)
    ground.require()
    require_sets(ground, before, after, fixed)
    floor = StagingFloor.of_ground(ground)
    reach = Reach(ground, handling)
    change = _change(before, after, fixed, waiting, floor)
    best, bound, knot = _search(change, reach, floor, budget)
    if best is None or best.steps is None:
        assert knot is not None
        return knot
    spots = [one.spot for one in change.waiting if one.spot and one.on_floor]
    aside = [one.key for one in waiting if one.x_in16 is None]
    woven = weave(reach, before, after, best.steps, spots, aside)
    listing = _Listing(ground, handling, before, after, floor, {one.key: one.area for one in waiting})
    moves = tuple(listing.moves(woven, first_number))
    least = max(bound, best.bound)
    return Order(
        moves,
        best.staged,
        least,
        best.staged == least,
        ground,
        before,
        after,
        waiting,
        fixed,
        handling,
        (*_notes(woven, before, after), *hanging_notes(moves, before, after)),
    )


def _search(change: Change, reach: Reach, floor: StagingFloor, budget: int) -> tuple[Found | None, int, Knot | None]:
    """The best order found, the least stagings proven by demands alone, and the knot where there is no order."""
    efforts: tuple[Effort, Effort] = (1, 2)
    bound = Bound(0, frozenset(), ())
    for effort in efforts:
        if knots.alone(change, reach, effort):
            continue
        demands, never = demands_of(change, reach, effort, budget // 6)
        bound = least_stagings(demands, change.core, never)
        found = dive(change, reach, floor, effort, demands, bound.break_rings, budget // 6)
        if found.steps is None or (found.staged > bound.least and len(change.core) <= _SMALL):
            found = _better(change, reach, floor, effort, budget, found, bound)
        if found.steps is not None:
            return found, bound.least, None
    knot = knots.alone(change, reach, 2)
    knot = knot or knots.in_set(change.pieces, change.old, change.fixed, reach, 2, leaving=True)
    knot = knot or knots.in_set(change.pieces, change.new, change.fixed, reach, 2, leaving=False)
    return None, 0, knot or knots.for_staging(change, reach, floor, 1, bound, budget)


def _better(change: Change, reach: Reach, floor: StagingFloor, effort: Effort, budget: int, found: Found, bound: Bound) -> Found:
    """Once more, turning back where it leads nowhere; and for few pieces by looking at every order."""
    if found.steps is None:
        found = find_order(change, reach, floor, effort, greedy=True, budget=budget // 4, hints=bound.break_rings)
    if len(change.core) <= _SMALL and (found.steps is None or found.staged > bound.least):
        below = None if found.steps is None else found.staged
        exact = find_order(change, reach, floor, effort, greedy=False, budget=budget, below=below)
        if exact.steps is not None:
            return exact
        return replace(found, bound=exact.bound)
    return found


def _change(
    before: Arrangement, after: Arrangement, fixed: frozenset[str], waiting: tuple[Staged, ...], floor: StagingFloor
) -> Change:
    pieces = {one.key: one.piece for one in (*before.placed, *after.placed)}
    names = [area.name for area in floor.areas]
    waits = set()
    for one in waiting:
        placed = after.get(one.key)
        # What is put on by hand, or was set aside, takes no staging floor.
        if placed is None or by_hand(placed) or one.area not in names:
            continue
        number = names.index(one.area)
        spot = None
        if one.x_in16 is not None and one.y_in16 is not None:
            spot = Spot(one.key, one.x_in16, one.y_in16, one.turn_deg, placed.piece.width_in16, placed.piece.depth_in16)
        waits.add(Waits(one.key, number, spot, floor.on_floor[number]))
    old = {one.key: spot_of(one) for one in before.placed if not by_hand(one)}
    new = {one.key: spot_of(one) for one in after.placed if not by_hand(one)}
    return Change(pieces, old, new, fixed & frozenset(old), frozenset(waits))


def require_sets(ground: Ground, before: Arrangement, after: Arrangement, fixed: frozenset[str]) -> None:
    """Refuse sets that cannot stand as they were told."""
    walls = Standing(ground.walls)
    for told, arrangement in ((STANDS, before), ("the next set", after)):
        for placed in arrangement.placed:
            name = placed.piece.name
            if placed.on is not None and placed.on not in arrangement:
                raise Refusal(f"In {told} {name} stands on a piece that is not in it: say what it stands on.")
            try:
                arrangement.bottom_in16(placed.key)
            except ValueError:
                raise Refusal(f"In {told} {name} stands on itself by way of others: say what stands on the floor.") from None
        floor = [one for one in arrangement.placed if not by_hand(one)]
        for n, one in enumerate(floor):
            spot = spot_of(one)
            if not walls.lets_pass(spot.box, spot[1:3]):
                raise Refusal(f"In {told} {one.piece.name} stands through a wall or a post: measure it, or put it elsewhere.")
            for other in floor[n + 1 :]:
                if spots_overlap(spot, spot_of(other)):
                    raise Refusal(
                        f"In {told} {one.piece.name} and {other.piece.name} cover the same floor: measure them, or move one."
                    )
    for key in sorted(fixed):
        here, there = before.get(key), after.get(key)
        if here is not None and here != there:
            raise Refusal(f"{here.piece.name} may not be moved, but the next set has it elsewhere: leave it where it stands.")
    hold = any(area.hold for area in ground.staging)
    bound = [one.piece for one in before.placed if one.piece.bound and one.key not in after]
    if bound and not hold:
        raise Refusal(
            f"{bound[0].name} is {bound[0].bound} and may not go home: put it in the next set, or name floor where pieces "
            "are held for their buyers."
        )


def _notes(woven: Iterable[Step | HandStep], before: Arrangement, after: Arrangement) -> Iterator[str]:
    far = {step.key for step in woven if isinstance(step, HandStep) and not step.near}
    if far:
        names = joined(sorted((before.get(key) or after[key]).piece.name for key in far))
        yield f"Nobody gets near {names} without reaching over other pieces: two people, or a step, and nothing heavy or glass."
    for key, under in dict.fromkeys((step.key, step.under) for step in woven if isinstance(step, HandStep)):
        if under:
            name, *over = ((before.get(one) or after[one]).piece.name for one in (key, *under))
            yield f"{name} lies under {joined(over)} then: empty that and lift it a side at a time, two people."


class _Listing:
    """Steps written as numbered moves."""

    def __init__(
        self,
        ground: Ground,
        handling: Handling,
        before: Arrangement,
        after: Arrangement,
        floor: StagingFloor,
        waiting: Mapping[str, str],
    ) -> None:
        self._ground, self._handling = ground, handling
        self._before, self._after = before, after
        self._floor = floor
        self._area_of = dict(waiting)
        self._hold = next((area.name for area in ground.staging if area.hold), "")
        self._aside = next((area.name for area in floor.areas), ASIDE)

    def _piece(self, key: str) -> Piece:
        return (self._after.get(key) or self._before[key]).piece

    def moves(self, woven: tuple[Step | HandStep, ...], first_number: int) -> Iterator[Move]:
        off: list[str] = []
        for number, step in enumerate(woven, first_number):
            if isinstance(step, HandStep):
                move = self._by_hand(number, step)
                off.append(step.key)
            else:
                below = {one.key: one.on for one in self._before.placed}
                after = tuple(key for key in off if _stands_on(key, step.key, below))
                move = self._carried(number, step, after)
                off = [key for key in off if key not in after]
            yield move

    def _ends(self, key: str, kind: MoveKind, area: str) -> tuple[str, str, str, str]:
        """From, to, the area to tell, and why it does not go home."""
        if kind == "stage":
            self._area_of[key] = area
            return BOOTH, area, area if area != ASIDE else "", ""
        if kind == "in":
            source = self._area_of.pop(key, OUTSIDE)
            return source, BOOTH, source if source not in (OUTSIDE, ASIDE) else "", ""
        if kind == "shift":
            return BOOTH, BOOTH, "", ""
        bound = self._piece(key).bound
        return BOOTH, self._hold if bound else OUTSIDE, self._hold if bound else "", bound

    def _by_hand(self, number: int, step: HandStep) -> Move:
        piece = self._piece(step.key)
        from_, to, area, hold = self._ends(step.key, step.kind, self._aside)
        placed = self._after[step.key] if step.kind in ("in", "shift") else None
        below = self._piece(placed.on).name if placed and placed.on is not None else ""
        told = sentence_of(
            piece.name, step.kind, "by hand", area=area, below=below, hold=hold, hangs=bool(placed) and piece.stands == "wall"
        )
        staged = Staged(step.key, self._aside) if step.kind == "stage" else None
        return Move(number, step.key, step.kind, "by hand", (), from_, to, (), told, placed, staged)

    def _carried(self, number: int, step: Step, off: tuple[str, ...]) -> Move:
        piece = self._piece(step.key)
        path = straightened(self._ground, self._handling, piece, step.way.poses, step.standing)
        kind: MoveKind = step.kind
        staged: Staged | None = None
        area = self._aside
        if kind == "in":
            path = self._facing(path[::-1], self._after[step.key])
        if kind == "out" and step.key in self._after:
            # It will stand on another, by hand; until then it waits.
            kind = "stage"
            staged = Staged(step.key, area)
        if step.waits and kind == "stage":
            area = self._floor.areas[step.waits.area].name
            spot = step.waits.spot
            staged = Staged(step.key, area, spot.x_in16, spot.y_in16, spot.turn_deg) if spot else Staged(step.key, area)
        how: How = next((pose.how for pose in path if pose.how != "upright"), "upright")
        from_, to, told_area, hold = self._ends(step.key, kind, area)
        told = sentence_of(piece.name, kind, how, area=told_area, off=[self._piece(key).name for key in off], hold=hold)
        placed = self._after[step.key] if kind in ("in", "shift") else None
        return Move(number, step.key, kind, how, path, from_, to, off, told, placed, staged)

    @staticmethod
    def _facing(path: tuple[Pose, ...], placed: Placed) -> tuple[Pose, ...]:
        """Turned so that the last pose is as the set has it."""
        by = placed.turn_deg - path[-1].turn_deg
        return tuple(pose._replace(turn_deg=pose.turn_deg + by) for pose in path)


def _stands_on(key: str, below: str, on: Mapping[str, str | None]) -> bool:
    seen = {key}
    at = on.get(key)
    while at is not None and at not in seen:
        if at == below:
            return True
        seen.add(at)
        at = on.get(at)
    return False


def replan(
    order: Order,
    done: Iterable[int],
    *,
    now: Mapping[str, Placed] | None = None,
    after: Arrangement | None = None,
    budget: int = BUDGET,
) -> Order | Knot:
    """The rest of an order from what is done, with numbers that go on. `now`: pieces that ended elsewhere than their move says.

    `after`: the set wanted now, where it is another one (a tag was sold: the piece is left out, or bound).
    """
    finished = set(done)
    standing = {one.key: one for one in order.before.placed}
    waiting = {one.key: one for one in order.waiting}
    for move in order.moves:
        if move.number in finished:
            take_move(standing, waiting, move.key, move.placed, move.staged)
    for key, placed in (now or {}).items():
        standing[key] = placed
        waiting.pop(key, None)
    return plan_order(
        order.ground,
        Arrangement(tuple(standing.values())),
        after or order.after,
        fixed=order.fixed,
        waiting=tuple(waiting.values()),
        handling=order.handling,
        budget=budget,
        first_number=max([move.number for move in order.moves if move.number in finished], default=0) + 1,
    )


def safe_stops(order: Order) -> tuple[int, ...]:
    """Numbers of the moves after which one may stop for the night: nothing waits on aisle floor, and no stack is half down or up.

    0 stands for not having begun.
    """
    walkways = {area.name for area in order.ground.staging if area.walkway}
    places = {one.key: one for one in order.before.placed}
    waiting = {one.key: one for one in order.waiting}
    stops = [] if _waits_in(walkways, waiting) else [0]
    for move in order.moves:
        take_move(places, waiting, move.key, move.placed, move.staged)
        if not _waits_in(walkways, waiting) and not _half_built(order, places):
            stops.append(move.number)
    return tuple(stops)


def _waits_in(areas: set[str], waiting: Mapping[str, Staged]) -> bool:
    return any(one.area in areas for one in waiting.values())


def _half_built(order: Order, places: Mapping[str, Placed]) -> bool:
    """Whether on some piece there stands a part of what stood on it or will, but not all of one of them."""
    for below in {one.on for one in (*order.before.placed, *order.after.placed) if one.on is not None}:
        now = {key for key, one in places.items() if one.on == below}
        was = {one.key for one in order.before.standing_on(below)}
        will = {one.key for one in order.after.standing_on(below)}
        if now and now != was and now != will:
            return True
    return False
