"""Arrange for me: the pieces of a set put into a booth, always valid, with what each tier came to and its bound."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from coop.resets.domain.arranging import TIERS, Arranged, Judge, Term, Wishes, is_floor_piece, score
from coop.resets.domain.booth import Booth
from coop.resets.domain.finding import Finding
from coop.resets.domain.fit import judge
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.solving.bounding import bounds_of
from coop.resets.solving.dressing import Dresser
from coop.resets.solving.exact import MOST_PLACES, Exact
from coop.resets.solving.ground import Ground, Stance
from coop.resets.solving.placing import Placer, State
from coop.resets.solving.refusing import alone, crowded, never
from coop.resets.solving.search import Search
from coop.shifts.solving.outcome import Cancelled, OnProgress, Progress

STEPS_BEFORE_PROOF = 300
"""Steps of search before a small booth is solved to the proof; the proof begins from what they found."""
NOTHING = Arrangement()


def arrange(
    booth: Booth,
    pieces: Sequence[Piece],
    wishes: Wishes = Wishes(),  # noqa: B008 - a frozen value
    *,
    before: Arrangement = NOTHING,
    differ_from: Sequence[Arrangement] = (),
    seed: int = 1,
    seconds: int = 5,
    steps: int | None = None,
    workers: int = 2,
    progress: OnProgress | None = None,
    cancelled: Cancelled | None = None,
) -> Arranged:
    """The best arrangement found. What is locked in `before`, and what it stands on, stays where it is.

    `differ_from` are earlier drafts to differ from. With `steps` the search makes so many and looks at no clock (`seconds` are
    then the solver's own count of work): with one worker the same input and seed give the same arrangement anywhere.
    Raises ValueError for two pieces of one key.
    """
    if len({piece.key for piece in pieces}) != len(pieces):
        raise ValueError("Two pieces have one key.")
    # From the first: what is made ready counts too.
    with _watched(seconds if steps is None else None, cancelled) as watch:
        return _arrange(booth, pieces, wishes, before, differ_from, seed, seconds, steps, workers, progress, watch)


def _arrange(
    booth: Booth,
    pieces: Sequence[Piece],
    wishes: Wishes,
    before: Arrangement,
    differ_from: Sequence[Arrangement],
    seed: int,
    seconds: int,
    steps: int | None,
    workers: int,
    progress: OnProgress | None,
    watch: _Watch,
) -> Arranged:
    stays = _stays(before)
    to_place = [piece for piece in pieces if piece.key not in stays]
    measure = Judge(booth, wishes)
    ground = Ground(booth, measure, stays)
    bare = Ground(booth, measure, NOTHING) if stays.placed else ground
    reasons: dict[str, str] = {}
    stances: dict[str, list[Stance]] = {}
    for piece in to_place:
        why = never(booth, piece, [*(one.piece for one in stays.placed), *to_place])
        if why is None:
            why, found = alone(bare, ground, piece)
            if found:
                stances[piece.key] = found
        if why is not None:
            reasons[piece.key] = why
    can = [piece for piece in to_place if piece.key not in reasons]
    dressed = [piece for piece in can if not is_floor_piece(piece)]
    dresser = Dresser(ground, dressed, [piece for piece in can if is_floor_piece(piece)], stays, differ_from)
    search = Search(Placer(ground, stances, dresser, differ_from, seed))
    least = _least(search)
    small = not dressed and sum(len(stance.anchors) for some in stances.values() for stance in some) <= MOST_PLACES

    def tell(reached: tuple[int, ...]) -> None:
        if progress is not None:
            n = next((n for n, bound in enumerate(least) if reached[n] > bound), len(TIERS) - 1)
            progress(Progress(TIERS[n], n + 1, len(TIERS), reached[n], least[n]))

    limit = min(steps or STEPS_BEFORE_PROOF, STEPS_BEFORE_PROOF) if small else steps
    search.run(lambda: watch.over or (limit is not None and search.steps >= limit), tell, least)
    state, bounds = search.best, least
    if small and not watch.over:
        exact = Exact(search.placer, differ_from)
        by_clock = None if steps is not None else seconds
        work = seconds if steps is not None else None
        state, known = exact.run(state, search.score, seconds=by_clock, work=work, seed=seed, workers=workers, over=watch.asks)
        bounds = [max(pair) for pair in zip([*known, *least[len(known) :]], least, strict=True)]
    elif not small:
        bounds = bounds_of(search, search.best_score, least)
    arrangement = _laid(stays, state, dresser)
    proven_out = search.score(state)[0] <= bounds[0]
    for piece in can:
        if piece.key not in arrangement:
            reasons[piece.key] = crowded(piece, proven=proven_out and piece.key in stances)
    arrangement, dropped = _valid(booth, arrangement, stays)
    reasons |= dropped
    impossible = len(to_place) - len(can)
    come_to = score(booth, can, arrangement, wishes, differ_from)
    come_to = (come_to[0] + impossible, *come_to[1:])
    bounds = [bounds[0] + impossible, *bounds[1:]]
    terms = tuple(Term(name, value, min(value, bound)) for name, value, bound in zip(TIERS, come_to, bounds, strict=True))
    left_out = tuple((piece.key, reasons[piece.key]) for piece in to_place if piece.key in reasons)
    return Arranged(arrangement, left_out, terms, watch.stopped)


def _stays(before: Arrangement) -> Arrangement:
    """What is locked, and what carries it, all locked."""
    keys = {one.key for one in before.placed if one.locked}
    todo = list(keys)
    while todo:
        on = before[todo.pop()].on
        if on is not None and on in before and on not in keys:
            keys.add(on)
            todo.append(on)
    return Arrangement(tuple(replace(one, locked=True) for one in before.placed if one.key in keys))


def _least(search: Search) -> list[int]:
    """Below what no tier can come: floor enough, high pieces enough for the sections, what is locked already hides."""
    placer, dresser, room = search.placer, search.dresser, search.ground.body.bit_count()
    held = 0
    for cells in sorted(search.cells.values()):
        room -= cells
        held += room >= 0
    out = len(search.cells) - held
    high = sum(any(costs.is_high for costs in some) for some in placer.costs.values())
    may_top = sum(piece.stands != "floor" for piece in [*dresser.tables, *dresser.hung])
    lacking = max(0, len(set(search.judge.sections) - dresser.locked_high) - high - may_top)
    locked = int(((dresser.lengths - dresser.locked_seen) // 16).sum())
    return [out, 0, 0, lacking, 0, 0, locked]


def _laid(stays: Arrangement, state: State, dresser: Dresser) -> Arrangement:
    floor = [stance.placed(anchor) for stance, anchor in state.values()]
    return Arrangement((*stays.placed, *floor, *dresser.dress(state).placed))


def _valid(booth: Booth, arrangement: Arrangement, stays: Arrangement) -> tuple[Arrangement, dict[str, str]]:
    """The arrangement less what `fit.judge` finds wrong with it, piece by piece, and why each is left out.

    The grid is stricter than the judge, so this takes out next to nothing: what stands on a top out of an arm's reach.
    """
    known = {_what(one) for one in judge(booth, stays) if one.stops}
    dropped: dict[str, str] = {}
    while True:
        wrong = [one for one in judge(booth, arrangement) if one.stops and _what(one) not in known]
        movable = [(one, key) for one in wrong for key in one.pieces if key not in stays]
        if not movable:
            return arrangement, dropped
        finding, key = movable[0]
        gone = {key}
        while more := {one.key for one in arrangement.placed if one.on in gone} - gone:
            gone |= more
        dropped |= dict.fromkeys(gone, finding.sentence)
        arrangement = Arrangement(tuple(one for one in arrangement.placed if one.key not in gone))


def _what(finding: Finding) -> tuple[str, tuple[str, ...]]:
    return finding.kind, finding.pieces


class _Watch:
    """Whether it is over, whether somebody stopped it, and how to end what is being solved."""

    def __init__(self) -> None:
        self.over = self.stopped = False
        self._end: Callable[[], None] | None = None

    def asks(self, end: Callable[[], None]) -> bool:
        """Whether it is over; until the next time somebody asks, `end` is called when it is."""
        self._end = end
        return self.over

    def end(self) -> None:
        self.over = True
        if self._end is not None:
            self._end()


@contextmanager
def _watched(seconds: int | None, cancelled: Cancelled | None) -> Iterator[_Watch]:
    """Over after so many seconds, or once somebody stopped it, asked once a second; another thread counts them."""
    watch, ended = _Watch(), threading.Event()

    def count() -> None:
        passed = 0
        while not ended.wait(timeout=1):
            passed += 1
            if cancelled is not None and cancelled():
                watch.stopped = True
            if watch.stopped or (seconds is not None and passed >= seconds):
                watch.end()
                return

    counter = threading.Thread(target=count, name="arrange-watch", daemon=True)
    counter.start()
    try:
        yield watch
    finally:
        ended.set()
        counter.join()
