"""Where no order exists: the fewest pieces that hold each other, and what mends it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from coop.core.words import joined
from coop.resets.domain.order.both import Change, Step, find_order
from coop.resets.domain.order.bound import Bound
from coop.resets.domain.order.boxes import Spot
from coop.resets.domain.order.moves import Knot
from coop.resets.domain.order.reach import Effort, Out, Reach, To
from coop.resets.domain.order.removal import remove_all
from coop.resets.domain.order.staging import StagingFloor
from coop.resets.domain.piece import Piece

_SMALL = 10
"""Pieces of which each is left out in turn to find the fewest that make the knot."""


def alone(change: Change, reach: Reach, effort: Effort) -> Knot | None:
    """A piece that cannot make its move with nobody but those that are fixed."""
    fixed = frozenset(change.old[key] for key in change.fixed if key in change.old)
    for key in sorted({*change.leaving, *change.coming, *change.shifting}):
        piece = change.pieces[key]
        leaves = key in change.leaving
        spot = change.old[key] if leaves else change.new[key]
        if reach.way(piece, spot, Out(), fixed, effort):
            continue
        # Who moves within the booth need not come through the opening.
        if key in change.shifting and reach.way(piece, change.old[key], To(spot), fixed, effort):
            continue
        told = "out of" if leaves else "into"
        if not reach.way(piece, spot, Out(), frozenset(), effort):
            mend = _other_ways(piece)
            return Knot(
                (key,),
                f"{piece.name} cannot be carried {told} its place however it is turned, even with nothing else there: {mend}, "
                "or put it where it passes.",
            )
        holding = _fewest_barring(reach, piece, spot, fixed, effort)
        names = joined([change.pieces[other.key].name for other in holding])
        return Knot(
            (key, *(other.key for other in holding)),
            f"{piece.name} cannot be carried {told} its place past {names}, which may not be moved: let {names} be moved, "
            f"{_other_ways(piece)}, or put it elsewhere.",
        )
    return None


def _other_ways(piece: Piece) -> str:
    """What may make a piece pass that has not been said of it."""
    said = {size.how for size in piece.carried}
    ways = [told for how, told in _WAYS if how not in said]
    return (
        "take its legs or doors off, or tilt it, and say what size it has then"
        if len(ways) == len(_WAYS)
        else f"{' or '.join(ways)} and say what size it has then"
        if ways
        else "make the opening wider"
    )


_WAYS = (("parts off", "take its legs or doors off"), ("tilted", "tilt it"), ("on end", "stand it on its end"))


def _fewest_barring(reach: Reach, piece: Piece, spot: Spot, bars: frozenset[Spot], effort: Effort) -> list[Spot]:
    left = set(reach.barred_by(piece, spot, Out(), bars, effort) or bars)
    for one in sorted(left):
        if not reach.way(piece, spot, Out(), frozenset(left - {one}), effort):
            left.remove(one)
    return sorted(left)


def in_set(
    pieces: Mapping[str, Piece], spots: Mapping[str, Spot], fixed: frozenset[str], reach: Reach, effort: Effort, *, leaving: bool
) -> Knot | None:
    """Pieces of one set that cannot be taken out one by one, in any order; for a set that comes: be brought in."""
    kept = [spot for key, spot in spots.items() if key in fixed]

    def stuck_of(keys: frozenset[str]) -> frozenset[str]:
        return remove_all(reach, pieces, {key: spots[key] for key in sorted(keys)}, kept, effort).stuck

    knot = _fewest(stuck_of(frozenset(spots) - fixed), stuck_of)
    if not knot:
        return None
    keys = sorted(knot)
    names = joined([pieces[key].name for key in keys])
    first = pieces[keys[0]]
    told = "each bars the other's way out" if leaving else "none of them gets in before the others"
    if len(keys) == 1:
        told = "it has no way out" if leaving else "it has no way in"
    return Knot(tuple(keys), f"{names}: {told}. Take legs or doors off, tilt one, or move {first.name} to free its way first.")


def _fewest(stuck: frozenset[str], stuck_of: Callable[[frozenset[str]], frozenset[str]]) -> frozenset[str]:
    """Stuck pieces of which none can be left out."""
    for key in sorted(stuck):
        if key in stuck:
            stuck = stuck_of(stuck - {key}) or stuck
    return stuck


def for_staging(change: Change, reach: Reach, floor: StagingFloor, effort: Effort, bound: Bound, budget: int) -> Knot:
    """Both sets can stand and be cleared, but not one after the other with the staging floor there is."""
    ring = _ring_short_of_floor(change, reach, floor, effort, bound, budget)
    plenty = StagingFloor.unmeasured()
    smaller = change
    for key in sorted(frozenset(change.pieces) - ring):
        smaller = smaller.without(key)
    freed = find_order(smaller, reach, plenty, effort, greedy=True, budget=budget)
    room = _most_at_once(freed.steps) if freed.steps else 0
    keys = sorted(ring)
    names = joined([change.pieces[key].name for key in keys])
    needs = f"room for {room} of them on staging floor" if room else "more staging floor"
    have = "there is no staging floor" if not floor.areas else "the staging floor does not hold what would have to wait"
    told = "each is in the way of the next one's move" if len(keys) > 1 else "it cannot go straight to its next place"
    return Knot(
        tuple(keys),
        f"{names}: {told}, and {have}. Give {needs}, take one of them home meanwhile, or leave one where it stands.",
    )


def _ring_short_of_floor(
    change: Change, reach: Reach, floor: StagingFloor, effort: Effort, bound: Bound, budget: int
) -> frozenset[str]:
    def unsolved(tried: Change) -> bool:
        if find_order(tried, reach, floor, effort, greedy=True, budget=budget).steps is not None:
            return False
        return len(tried.core) > _SMALL or find_order(tried, reach, floor, effort, greedy=False, budget=budget).steps is None

    left = change
    if bound.rings:
        smallest = min(bound.rings, key=lambda ring: (len(ring), sorted(ring)))
        for key in sorted(frozenset(change.pieces) - smallest):
            left = left.without(key)
        if not unsolved(left):
            left = change
    if len(left.core) <= _SMALL:
        for key in sorted(left.pieces):
            if unsolved(left.without(key)):
                left = left.without(key)
    return frozenset(left.pieces)


def _most_at_once(steps: tuple[Step, ...]) -> int:
    waiting: set[str] = set()
    most = 0
    for step in steps:
        if step.kind == "stage":
            waiting.add(step.key)
        else:
            waiting.discard(step.key)
        most = max(most, len(waiting))
    return most
