"""Pieces put back into a booth, one by one, each at the best of the places that are free as chance blurs what is best."""

from __future__ import annotations

import heapq
import random
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from coop.resets.domain.arranging import Judge
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.solving.dressing import Dresser
from coop.resets.solving.ground import Come, Ground, Stance

WEIGHTS = (10**7, 10**6, 10**5, 6 * 10**4, 4 * 10**4, 10, 1)
"""Of the tiers, while searching; what is best is judged tier by tier."""
BLURS = (10, 10, 100, 1000, 20000, 10**6)
"""By how much chance may blur what a place costs."""
CLOSE_BLURS = (100, 1000, 5000)
CLOSE_APART = 1000
"""What it costs to stand apart from the grouping, while as much is to be got in as there is room for."""
LOSSES = (5, 30, 200)
"""What a node costs that a piece takes from where discs can be: how much a place is held to leave the way wide."""
BEFORES = (0, 100, 1000)
"""What an inch of the opening costs that a piece stands before."""
LOOKED_AT = 32
"""Of each turn's places so many, the best as they are blurred, are looked at for what they take of the way."""
FLOODED = 4
"""Of all these so many are looked at for what they shut off."""

Key = str
State = dict[Key, tuple[Stance, int]]
"""Where each floor piece stands: its stance and the cell it stands from. What is not in it is left out."""


class _Room(NamedTuple):
    """As bits: cells stood on, cells doors open over, nodes a disc comes to, cells no arm reaches over."""

    taken: int
    zones: int
    reached: int
    tall: int


class Placer:
    def __init__(
        self,
        ground: Ground,
        stances: dict[Key, list[Stance]],
        dresser: Dresser,
        drafts: Sequence[Arrangement],
        seed: int,
    ) -> None:
        self.ground, self.judge, self.dresser, self.drafts = ground, ground.judge, dresser, drafts
        self.pieces: dict[Key, Piece] = {key: some[0].piece for key, some in stances.items() if some}
        self.chance = random.Random(seed)
        self.noise = np.random.default_rng(seed)
        self.costs = {key: [Costs(ground, stance, drafts) for stance in some] for key, some in stances.items()}
        self.of = {(key, cost.stance.turn): cost for key, some in self.costs.items() for cost in some}

    def rebuilt(self, state: State, out: list[Key], *, close: bool) -> State:
        """A state with more pieces put in where they fit, in an order that chance makes; only what a disc comes to stays.

        `close`: each as close to others as it goes, whatever else is wished, so that much is held.
        """
        state = dict(state)
        self.chance.shuffle(out)
        if self.chance.random() * 2 < 1:
            out.sort(key=lambda key: -self.pieces[key].width_in16 * self.pieces[key].depth_in16)
        taken, zones = 0, 0
        for stance, anchor in state.values():
            taken |= stance.body_at(anchor)
            zones |= stance.zone_at_anchor(anchor)
        tall, reached = self._tall(state), self.reached(state)
        for key in out:
            at = self._best_place(key, state, _Room(taken, zones, reached, tall), close)
            if at is None:
                continue
            stance, anchor, reached = at
            state[key] = stance, anchor
            taken |= stance.body_at(anchor)
            tall |= stance.body_at(anchor) if stance.is_tall else 0
            zones |= stance.zone_at_anchor(anchor)
        return self.come_to(state, reached)

    def come_to(self, state: State, reached: int | None = None) -> State:
        """The state less what no disc comes to; and less what bars the way to what stays as it is, the last come first.

        `reached` are the nodes a disc comes to, where they are known.
        """
        while True:
            if reached is None:
                reached = self.reached(state)
            come = Come(self.ground, reached, self._tall(state))
            lost = [key for key, (stance, anchor) in state.items() if not stance.front_at(anchor) & come.to(stance)]
            if not lost and all(asked & reached for asked in self.ground.asked):
                return state
            lost, reached = lost or list(state)[-1:], None
            state = {key: at for key, at in state.items() if key not in lost}

    def reached(self, state: State) -> int:
        """The nodes a disc comes to."""
        nodes = self.ground.nodes
        for stance, anchor in state.values():
            nodes &= ~stance.disc_at_anchor(anchor)
        return self.ground.reached(nodes)

    def _tall(self, state: State) -> int:
        tall = self.ground.tall
        for stance, anchor in state.values():
            if stance.is_tall:
                tall |= stance.body_at(anchor)
        return tall

    def _best_place(self, key: Key, state: State, room: _Room, close: bool) -> tuple[Stance, int, int] | None:
        """The best place, and the nodes a disc comes to then."""
        come = Come(self.ground, room.reached, room.tall)
        body, swing = self.ground.body & ~(room.taken | room.zones), self.ground.swing & ~room.taken
        blur, loss, before = (self.chance.choice(some) for some in (BLURS, LOSSES, BEFORES))
        if close:
            blur, loss, before = self.chance.choice(CLOSE_BLURS), 10, 0
        standing = self.standing(state)
        found: list[tuple[int, int, Stance, int]] = []
        for costs in self.costs[key]:
            stance = costs.stance
            places = stance.allowed & stance.places(body, swing) & stance.facing(come.to(stance))
            if close or self.chance.random() * 2 < 1:
                places = self.ground.corners(places)
            if not places:
                continue
            free = self.ground.flags(places)[stance.anchors]
            cost = self._together(costs, standing[0], CLOSE_APART) if close else self._wished(costs, standing, before)
            if blur:
                cost += self.noise.integers(0, blur, len(cost))
            some = np.flatnonzero(free)
            if len(some) > LOOKED_AT:
                some = some[np.argpartition(cost[some], LOOKED_AT)[:LOOKED_AT]]
            for n, anchor in zip(some.tolist(), stance.anchors[some].tolist(), strict=True):
                taken_of_way = (room.reached & stance.disc_at_anchor(anchor)).bit_count()
                found.append((int(cost[n]) + loss * taken_of_way, len(found), stance, anchor))
        # What a place takes of the way is cheap to count; what lies beyond it and is shut off is not.
        nearest, place = None, None
        for whole, _, stance, anchor in heapq.nsmallest(FLOODED, found):
            left = room.reached & ~stance.disc_at_anchor(anchor)
            reached = self.ground.reached(left)
            shut_off = left.bit_count() - reached.bit_count()
            if nearest is None or whole + loss * shut_off < nearest:
                nearest, place = whole + loss * shut_off, (stance, anchor, reached)
        return place

    def _wished(self, costs: Costs, standing: tuple[dict[str, set[int]], set[int], int], before: int) -> Any:
        """What each place costs in the tiers, given what stands."""
        sections, high, nooks = standing
        cost = self._together(costs, sections, WEIGHTS[2]) + costs.static + before * costs.before
        if costs.is_high:
            cost += WEIGHTS[3] * self._among(high)[costs.section]
        if nooks < self.dresser.nooks_wished:
            cost += WEIGHTS[4] * ~costs.nook
        return cost

    def _together(self, costs: Costs, sections: dict[str, set[int]], weight: int) -> Any:
        """What each place costs that is in another section than the rest of the grouping."""
        own = sections.get(costs.stance.piece.grouping) if costs.stance.piece.grouping else None
        if not own:
            return np.zeros(len(costs.section), dtype=np.int64)
        return weight * ~self._among(own)[costs.section]

    def _among(self, sections: set[int]) -> Any:
        among = np.zeros(self.judge.columns * self.judge.rows, dtype=bool)
        among[list(sections)] = True
        return among

    def standing(self, state: State) -> tuple[dict[str, set[int]], set[int], int]:
        """The sections each grouping is in, those with a high point, and how many nooks there are."""
        sections: dict[str, set[int]] = {name: set(some) for name, some in self.dresser.locked_sections.items()}
        high, nooks = set(self.dresser.locked_high), self.dresser.locked_nooks
        for stance, anchor in state.values():
            costs, n = self.of[stance.piece.key, stance.turn], stance.index[anchor]
            section = int(costs.section[n])
            if stance.piece.grouping:
                sections.setdefault(stance.piece.grouping, set()).add(section)
            if costs.is_high:
                high.add(section)
            nooks += bool(costs.nook[n])
        return sections, high, nooks


class Costs:
    """What a stance costs at each of its places."""

    def __init__(self, ground: Ground, stance: Stance, drafts: Sequence[Arrangement]) -> None:
        judge: Judge = ground.judge
        wishes, piece = judge.wishes, stance.piece
        self.stance = stance
        self.section = judge.section(stance.mid_x, stance.mid_y)
        self.forward = judge.forward(piece.height_in16, stance.mid_x, stance.mid_y)
        self.nook = judge.makes_nook(stance.turn, *stance.box)
        self.is_high = piece.height_in16 >= wishes.high_in16
        self.seen: Any = judge.seen_in16(*stance.box) if piece.height_in16 > wishes.eye_in16 else None
        self.before = judge.before_opening_in(*stance.box)
        self.elsewhere = [_elsewhere(stance, draft, wishes.moved_in16) for draft in drafts]
        """Of each draft that has the piece: whether it stands elsewhere."""
        self.static = WEIGHTS[5] * self.forward
        if self.seen is not None and len(judge.lanes):
            lengths = np.array([lane.length_in16 for lane in judge.lanes])
            self.static = self.static + WEIGHTS[6] * ((lengths[:, None] - self.seen) // 16).sum(axis=0)
        for moved in self.elsewhere:
            if moved is not None:
                self.static = self.static + WEIGHTS[1] // 10 * ~moved
        self.static = self.static.astype(np.int64)


def _elsewhere(stance: Stance, draft: Arrangement, moved_in16: int) -> Any:
    before = draft.get(stance.piece.key)
    if before is None:
        return None
    if before.turn_deg % 360 != stance.turn or before.on is not None:
        return np.ones(len(stance.anchors), dtype=bool)
    return np.abs(stance.mid_x - before.x_in16) + np.abs(stance.mid_y - before.y_in16) >= moved_in16
