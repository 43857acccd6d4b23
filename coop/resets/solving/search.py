"""The search for an arrangement: pieces taken out and put back where they are best, again and again, always valid.

A step takes a few pieces out (some that stand near each other, a grouping, or any) and puts them and what is left out back, one
by one, each at the best of all the places that are free, turn by turn, where chance blurs what is best. What a disc then comes
to no longer is left out. A step is kept when it is no worse than what stood so many steps ago (late acceptance: Burke and Bykov
2017, from memory), so the search leaves small dips by itself and needs no clock to be tuned by.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence

import numpy as np

from coop.resets.domain.arranging import least_moved
from coop.resets.solving.placing import WEIGHTS, Key, Placer, State

MEMORY = 40
"""A step is held against what stood so many steps ago."""
MOST_OUT, MOST_IN = 5, 3
"""So many pieces are taken out in a step at most, and of what is left out so many are tried."""
LEFT = 50
"""What is left out counts as so many cells more than it takes."""
APART = 60
"""A grouping's further section counts as so many nodes of the way, while as much is to be got in as there is room for."""
STALE, STALE_CLOSE = 600, 400
"""After so many steps without anything better a search goes on from elsewhere."""


class Search:
    def __init__(self, placer: Placer) -> None:
        self.placer, self.drafts = placer, placer.drafts
        self.ground, self.judge, self.dresser = placer.ground, placer.judge, placer.dresser
        self.pieces, self.chance = placer.pieces, placer.chance
        self.cells = {key: some[0].stance.w * some[0].stance.d for key, some in placer.costs.items() if some}
        self.wanted_moves = [
            (frozenset(both), least_moved(self.judge.wishes, len(both)))
            for both in ({*self.pieces, *self.dresser.keys} & {one.key for one in draft.placed} for draft in self.drafts)
        ]
        self.best: State = {}
        self.best_score = self.score(self.best)
        self.steps = 0

    def run(self, over: Callable[[], bool], better: Callable[[tuple[int, ...]], None], least: Sequence[int]) -> None:
        """Search until it is over, or nothing better is possible than `least` says for every tier.

        First as much as possible is got in; then what stands is laid better. Where neither leads on, from the beginning again.
        """

        def done() -> bool:
            return over() or all(value <= bound for value, bound in zip(self.best_score, least, strict=True))

        while not done():
            packed = self._get_in(done, better)
            start = self.best if len(packed) < len(self.best) or self.chance.random() * 2 < 1 else packed
            self._lay_better(start, done, better)

    def _get_in(self, done: Callable[[], bool], better: Callable[[tuple[int, ...]], None]) -> State:
        """As much as possible, from nothing."""
        now = self.placer.rebuilt({}, list(self.pieces), close=True)
        cost, best = self._room(now), dict(now)
        lowest, memory, since = cost, [cost] * MEMORY, 0
        self._offer(now, better)
        while since < STALE_CLOSE and len(best) < len(self.pieces) and not done():
            self.steps += 1
            since += 1
            tried = self._step(now, close=True)
            tried_cost = self._room(tried)
            if tried_cost <= max(cost, memory[self.steps % MEMORY]):
                now, cost = tried, tried_cost
            memory[self.steps % MEMORY] = cost
            if tried_cost < lowest:
                lowest, best, since = tried_cost, dict(tried), 0
                self._offer(tried, better)
        return best

    def _room(self, state: State) -> int:
        """How much is left out, by its floor; less where more of the way is left to put it."""
        left = sum(LEFT + self.cells[key] for key in self.pieces if key not in state)
        sections, _, _ = self.placer.standing(state)
        apart = sum(len(some) - 1 for some in sections.values())
        return 20 * left + APART * apart - self.placer.reached(state).bit_count()

    def _lay_better(self, now: State, done: Callable[[], bool], better: Callable[[tuple[int, ...]], None]) -> None:
        score, since = self.score(now), 0
        memory = [_weighed(score)] * MEMORY
        while since < STALE and not done():
            self.steps += 1
            since += 1
            tried = self._step(now, close=False)
            most = max(_weighed(score), memory[self.steps % MEMORY])
            tried_score = self.score_within(tried, most)
            if tried_score is not None and _weighed(tried_score) <= most:
                if tried_score < self.best_score:
                    since = 0
                now, score = tried, tried_score
                self._take(now, score, better)
            memory[self.steps % MEMORY] = _weighed(score)

    def _step(self, now: State, *, close: bool) -> State:
        """Some pieces taken out, and put back with some of what is left out."""
        out = self._taken_out(now)
        lacking = [key for key in self.pieces if key not in now]
        stay = {key: at for key, at in now.items() if key not in out}
        return self.placer.rebuilt(stay, [*out, *self.chance.sample(lacking, min(len(lacking), MOST_IN))], close=close)

    def _offer(self, state: State, better: Callable[[tuple[int, ...]], None]) -> None:
        if len(state) >= len(self.best):
            self._take(state, self.score(state), better)

    def _take(self, state: State, score: tuple[int, ...], better: Callable[[tuple[int, ...]], None]) -> None:
        if score < self.best_score:
            self.best, self.best_score = dict(state), score
            better(score)

    def _taken_out(self, now: State) -> list[Key]:
        keys = list(now)
        if not keys:
            return []
        count = min(len(keys), self.chance.randint(1, MOST_OUT))
        one, how = self.chance.choice(keys), self.chance.random()
        if 4 * how < 1:
            return self.chance.sample(keys, count)
        if 4 * how < 2 and self.pieces[one].grouping:
            some = [key for key in keys if self.pieces[key].grouping == self.pieces[one].grouping]
            return self.chance.sample(some, min(len(some), count))
        if 4 * how < 3 and (swapped := self._strays(now)):
            return swapped
        x, y = self._middle(now, one)
        near = sorted(keys, key=lambda key: sum((a - b) ** 2 for a, b in zip(self._middle(now, key), (x, y), strict=True)))
        return near[:count]

    def _strays(self, now: State) -> list[Key]:
        """A piece away from most of its grouping, and pieces of others that stand where most of it is: they may change places."""
        sections: dict[str, dict[int, list[Key]]] = defaultdict(lambda: defaultdict(list))
        at = {key: self._section(now, key) for key in now}
        for key, section in at.items():
            if self.pieces[key].grouping:
                sections[self.pieces[key].grouping][section].append(key)
        spread = [name for name, some in sections.items() if len(some) > 1]
        if not spread:
            return []
        name = self.chance.choice(spread)
        home = max(sections[name], key=lambda section: (len(sections[name][section]), section))
        stray = self.chance.choice([key for section, keys in sections[name].items() if section != home for key in keys])
        others = [key for key, section in at.items() if section == home and self.pieces[key].grouping != name]
        return [stray, *self.chance.sample(others, min(len(others), self.chance.randint(1, 3)))]

    def _section(self, state: State, key: Key) -> int:
        stance, anchor = state[key]
        return int(self.placer.of[key, stance.turn].section[stance.index[anchor]])

    def _middle(self, state: State, key: Key) -> tuple[int, int]:
        stance, anchor = state[key]
        n = stance.index[anchor]
        return int(stance.mid_x[n]), int(stance.mid_y[n])

    # --- what it comes to -----------------------------------------------------------------------------------------------

    def score(self, state: State) -> tuple[int, ...]:
        """What `arranging.score` says of the arrangement, from what each place was worked out to cost."""
        score = self.score_within(state, None)
        assert score is not None
        return score

    def score_within(self, state: State, most: int | None) -> tuple[int, ...] | None:
        """The same; None for what costs more than `most` before anything is hung or put on a top, which makes it no better."""
        sections, high, nooks = self.placer.standing(state)
        forward, seen, elsewhere = 0, self.dresser.locked_seen, [0] * len(self.drafts)
        for stance, anchor in state.values():
            costs, n = self.placer.of[stance.piece.key, stance.turn], stance.index[anchor]
            forward += int(costs.forward[n])
            if costs.seen is not None:
                seen = np.minimum(seen, costs.seen[:, n])
            for d, moved in enumerate(costs.elsewhere):
                elsewhere[d] += moved is not None and bool(moved[n])
        hidden = int(((self.dresser.lengths - seen) // 16).sum())
        spread = sum(len(some) - 1 for some in sections.values())
        floor = (len(self.pieces) - len(state), 0, spread, 0, max(0, self.dresser.nooks_wished - nooks), forward, hidden)
        if most is not None and _weighed(floor) > most:
            return None
        dressed = self.dresser.dress(state)
        for one in dressed.placed:
            section = self.judge.section_of(one)
            if one.piece.grouping:
                sections.setdefault(one.piece.grouping, set()).add(section)
        high |= dressed.high
        like = 0
        for d, (both, wanted) in enumerate(self.wanted_moves):
            out = sum(key in both and key not in state for key in self.pieces)
            like += max(0, wanted - elsewhere[d] - out - dressed.elsewhere[d])
        spread = sum(len(some) - 1 for some in sections.values())
        left_out = len(self.pieces) - len(state) + len(dressed.left_out)
        lacking = len(set(self.judge.sections) - high)
        return (left_out, like, spread, lacking, max(0, self.dresser.nooks_wished - nooks), forward, hidden)


def _weighed(score: tuple[int, ...]) -> int:
    return sum(weight * value for weight, value in zip(WEIGHTS, score, strict=True))
