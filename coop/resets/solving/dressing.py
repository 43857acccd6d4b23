"""What does not take floor of its own: table-top pieces on what carries them, wall pieces over what stands there, rugs.

Worked out anew for every floor plan, always in the same order and each at the best place there is then, so a floor plan has one
dressing. It is no search of its own: what is left out here is said to have found no room, not proved to have none.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import shapely

from coop.resets.domain.arranging import FRONT, Judge, hidden_lengths, is_floor_piece, stands_elsewhere, stands_on_floor
from coop.resets.domain.arranging import corners as corners_of
from coop.resets.domain.booth import Side
from coop.resets.domain.fit.scene import FLAT_IN16, HAIR_IN16
from coop.resets.domain.fit.ways import HEADROOM_IN16
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.solving.ground import Come, Ground, Stance, shifted

GAP_IN16 = 2 * 16
"""Between a stack and what hangs over it (common practice, no source)."""
CENTRE_IN16 = 57 * 16
"""The middle of what hangs is this high where nothing is in the way (common practice, no source)."""
WALL_IN16 = 96 * 16
"""How high a wall is taken to be that nobody measured."""
TRIES = 6

TURN_OF = {looks: turn for turn, looks in FRONT.items()}
ACROSS = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}
"""Along a piece's width, from its left as one stands behind it looking out."""


@dataclass
class Dressed:
    placed: list[Placed] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    high: set[int] = field(default_factory=set)
    """Sections to which it gives a high point."""
    elsewhere: Sequence[int] = ()
    """Of each earlier draft: how many of these pieces stand elsewhere, left out ones too."""


@dataclass
class _Top:
    """What carries: what of its top and its load is left. Pieces stand side by side along its width."""

    on: Placed
    width_in16: int
    depth_in16: int
    load_oz: int
    used_in16: int = 0


class Wall(NamedTuple):
    """A wall with hooks along an axis of the drawing: the places of a middle along it, and which way it looks."""

    side: Side
    turn: int
    at_in16: int
    low_in16: int
    high_in16: int


class Dresser:
    def __init__(
        self, ground: Ground, pieces: Sequence[Piece], floor: Sequence[Piece], locked: Arrangement, drafts: Sequence[Arrangement]
    ) -> None:
        self.ground, self.judge, self.locked, self.drafts = ground, ground.judge, locked, drafts
        self.rugs = [piece for piece in pieces if piece.stands == "floor" and piece.height_in16 <= FLAT_IN16]
        # The hardest first.
        self.tables = sorted(
            (piece for piece in pieces if piece.stands == "table"),
            key=lambda piece: (-(piece.weight_oz or 0), -piece.width_in16 * piece.depth_in16, piece.key),
        )
        self.hung = sorted((piece for piece in pieces if piece.stands == "wall"), key=lambda p: (-p.width_in16, p.key))
        self.keys = [piece.key for piece in pieces]
        self._locked(floor)
        self.walls = walls_of(ground)

    def _locked(self, floor: Sequence[Piece]) -> None:
        judge: Judge = self.judge
        self.locked_sections: dict[str, set[int]] = defaultdict(set)
        self.locked_high: set[int] = set()
        for one in self.locked.placed:
            section = judge.section_of(one)
            if one.piece.grouping:
                self.locked_sections[one.piece.grouping].add(section)
            if self.locked.bottom_in16(one.key) + one.piece.height_in16 >= judge.wishes.high_in16:
                self.locked_high.add(section)
        on_floor = [one for one in self.locked.placed if stands_on_floor(one)]
        self.locked_nooks = sum(
            bool(judge.makes_nook(one.turn_deg % 360, *corners_of(one))) for one in on_floor if one.turn_deg % 90 == 0
        )
        self.nooks_wished = judge.nooks_wished(len(on_floor) + sum(is_floor_piece(piece) for piece in floor))
        self.lengths, self.locked_seen = hidden_lengths(judge, on_floor)
        bare = [one for one in on_floor if one.turn_deg % 90 == 0 and not self.locked.standing_on(one.key)]
        self._locked_tops = [one for one in bare if one.piece.carries_oz is not None]
        shapes = [(one, one.footprint.bounds) for one in self.locked.placed if one.piece.height_in16 > FLAT_IN16]
        self._locked_boxes = [
            (*map(round, box), self.locked.bottom_in16(one.key), self.locked.bottom_in16(one.key) + one.piece.height_in16)
            for one, box in shapes
        ]

    def dress(self, state: dict[str, tuple[Stance, int]]) -> Dressed:
        dressed = Dressed(elsewhere=[0] * len(self.drafts))
        if not self.keys:
            return dressed
        floor = [stance.placed(anchor) for stance, anchor in state.values()]
        sections = {name: set(some) for name, some in self.locked_sections.items()}
        for one in floor:
            sections.setdefault(one.piece.grouping, set()).add(self._section(one))
        self._lay_rugs(dressed)
        self._fill_tops(dressed, floor, sections)
        self._hang(dressed, floor, sections, state)
        for d, draft in enumerate(self.drafts):
            at = {one.key: one for one in dressed.placed}
            dressed.elsewhere[d] = sum(  # type: ignore[index]
                stands_elsewhere(self.judge.wishes, at.get(key), draft[key]) for key in self.keys if key in draft
            )
        return dressed

    def _section(self, one: Placed) -> int:
        return self.judge.section_of(one)

    def _take(self, dressed: Dressed, one: Placed, top_in16: int, sections: dict[str, set[int]]) -> None:
        dressed.placed.append(one)
        section = self._section(one)
        sections.setdefault(one.piece.grouping, set()).add(section)
        if top_in16 >= self.judge.wishes.high_in16:
            dressed.high.add(section)

    # --- rugs -----------------------------------------------------------------------------------------------------------

    def _lay_rugs(self, dressed: Dressed) -> None:
        ground, judge = self.ground, self.judge
        for piece in self.rugs:
            places = []
            for turn, width, depth in ((0, piece.width_in16, piece.depth_in16), (90, piece.depth_in16, piece.width_in16)):
                bits = ground.room(ground.inside, -(-width // ground.g), -(-depth // ground.g))
                at = np.flatnonzero(ground.flags(bits))
                if len(at):
                    x, y = ground.x[at] + (width + 1) // 2, ground.y[at] + (depth + 1) // 2
                    away = abs(2 * (x - judge.left) - judge.width) + abs(2 * (y - judge.top) - judge.depth)
                    n = int(away.argmin())
                    places.append((int(away[n]), turn, Placed(piece, int(x[n]), int(y[n]), turn)))
            if places:
                dressed.placed.append(min(places, key=lambda place: place[:2])[2])
            else:
                dressed.left_out.append(piece.key)

    # --- tops -----------------------------------------------------------------------------------------------------------

    def _fill_tops(self, dressed: Dressed, floor: Sequence[Placed], sections: dict[str, set[int]]) -> None:
        tops = []
        for one in [*self._locked_tops, *floor]:
            if one.piece.carries_oz is not None:
                width, depth = one.piece.top_in16 or (one.piece.width_in16, one.piece.depth_in16)
                tops.append(_Top(one, width, depth, one.piece.carries_oz))
        limit = self.ground.booth.height_limit_in16
        for piece in self.tables:
            fits = [
                top
                for top in tops
                if top.width_in16 - top.used_in16 >= piece.width_in16
                and top.depth_in16 >= piece.depth_in16
                and top.load_oz >= (piece.weight_oz or 0)
                and (limit is None or top.on.piece.height_in16 + piece.height_in16 <= limit)
            ]
            if not fits:
                dressed.left_out.append(piece.key)
                continue
            own = sections.get(piece.grouping, set()) if piece.grouping else set()
            top = min(
                fits,
                key=lambda top: (
                    bool(own) and self._section(top.on) not in own,
                    self._section(top.on) in dressed.high,
                    top.width_in16 - top.used_in16,
                    top.on.key,
                ),
            )
            self._stand(dressed, top, piece, sections)

    def _stand(self, dressed: Dressed, top: _Top, piece: Piece, sections: dict[str, set[int]]) -> None:
        (ax, ay), (fx, fy) = ACROSS[top.on.turn_deg % 360], FRONT[top.on.turn_deg % 360]
        # To the front of the top, where an arm reaches it.
        out, ahead = top.used_in16 + piece.width_in16 // 2 - top.width_in16 // 2, (top.depth_in16 - piece.depth_in16) // 2
        x, y = top.on.x_in16 + ax * out + fx * ahead, top.on.y_in16 + ay * out + fy * ahead
        one = Placed(piece, x, y, top.on.turn_deg, on=top.on.key)
        top.used_in16 += piece.width_in16
        top.load_oz -= piece.weight_oz or 0
        self._take(dressed, one, top.on.piece.height_in16 + piece.height_in16, sections)

    # --- walls ----------------------------------------------------------------------------------------------------------

    def _hang(
        self, dressed: Dressed, floor: Sequence[Placed], sections: dict[str, set[int]], state: dict[str, tuple[Stance, int]]
    ) -> None:
        if not self.hung:
            return
        heights = {one.key: one.piece.height_in16 for one in [*floor, *self._locked_tops]}
        boxes = [*self._locked_boxes, *((*corners_of(one), 0, one.piece.height_in16) for one in floor)]
        for one in dressed.placed:
            if one.on is not None:
                boxes.append((*corners_of(one), heights[one.on], heights[one.on] + one.piece.height_in16))
        nodes = self.ground.nodes
        for stance, anchor in state.values():
            nodes &= ~stance.disc_at_anchor(anchor)
        tall = self.ground.tall
        for stance, anchor in state.values():
            tall |= stance.body_at(anchor) if stance.is_tall else 0

        def is_way(left: int) -> bool:
            come = Come(self.ground, self.ground.reached(left), tall)
            fronts = (stance.front_at(anchor) & come.to(stance) for stance, anchor in state.values())
            return all(asked & come.reached for asked in self.ground.asked) and all(fronts)

        for piece in self.hung:
            placed = self._hung_at(piece, boxes, sections, dressed.high, nodes, is_way)
            if placed is None:
                dressed.left_out.append(piece.key)
                continue
            one, nodes = placed
            boxes.append((*corners_of(one), one.up_in16, one.up_in16 + piece.height_in16))
            self._take(dressed, one, one.up_in16 + piece.height_in16, sections)

    def _hung_at(
        self,
        piece: Piece,
        boxes: list[Any],
        sections: dict[str, set[int]],
        high: set[int],
        nodes: int,
        is_way: Callable[[int], bool],
    ) -> tuple[Placed, int] | None:
        """The best place on a wall, and the nodes a disc can be at then."""
        own = self._among(sections.get(piece.grouping, set()) if piece.grouping else set())
        crowned = self._among(high)
        places: list[tuple[int, int, int, int, int]] = []
        for n, wall in enumerate(self.walls):
            x, y, up, covered = hooks_for(self.ground, wall, piece, boxes)
            section = self.judge.section(x, y)
            lifts = (up + piece.height_in16 >= self.judge.wishes.high_in16) & ~crowned[section]
            cost = 4 * (~own[section] & own.any()) + 2 * ~covered + ~lifts
            places += [(int(cost[at]), n, int(x[at]), int(y[at]), int(up[at])) for at in np.argsort(cost, kind="stable")[:TRIES]]
        for cost, n, x, y, up in heapq.nsmallest(TRIES, places):
            one = Placed(piece, x, y, self.walls[n].turn, up_in16=up)
            if not cost & 2 or up >= HEADROOM_IN16:
                return one, nodes
            left = nodes & ~self._disc_of(one)
            if is_way(left):
                return one, left
        return None

    def _among(self, sections: set[int]) -> Any:
        among = np.zeros(self.judge.columns * self.judge.rows, dtype=bool)
        among[list(sections)] = True
        return among

    def _disc_of(self, one: Placed) -> int:
        ground, (x0, y0, x1, y1) = self.ground, corners_of(one)
        column, row = (x0 - self.judge.left) // ground.g, (y0 - self.judge.top) // ground.g
        right, down = -(-(x1 - self.judge.left) // ground.g), -(-(y1 - self.judge.top) // ground.g)
        disc, at = ground.disc(right - column, down - row)
        return shifted(disc, (row + ground.margin) * ground.stride + column + ground.margin - at)


def walls_of(ground: Ground) -> list[Wall]:
    """Walls with hooks along the drawing's axes; on a slanting one nothing is hung."""
    booth, walls = ground.booth, []
    for n in booth.sides_of("wall"):
        (ax, ay), (bx, by) = booth.outline[n], booth.outline[(n + 1) % len(booth.outline)]
        if not booth.sides[n].hooks or (ax == bx) == (ay == by):
            continue
        middle = ((ax + bx) // 2, (ay + by) // 2)
        looks = [(1, 0), (-1, 0)] if ax == bx else [(0, 1), (0, -1)]
        for dx, dy in looks:
            if booth.shape.covers(shapely.Point(middle[0] + dx, middle[1] + dy)):
                low, high = sorted((ay, by) if ax == bx else (ax, bx))
                walls.append(Wall(booth.sides[n], TURN_OF[dx, dy], ax if ax == bx else ay, low, high))
                break
    return walls


def hooks_for(ground: Ground, wall: Wall, piece: Piece, boxes: list[Any]) -> tuple[Any, Any, Any, Any]:
    """The places of a piece on a wall, every grid step: x, y, lower edge, and whether it is all over one thing on the floor.

    `boxes` are left, top, right, bottom, lower edge and upper edge of everything there.
    """
    limit = min(wall.side.height_in16 or WALL_IN16, ground.booth.height_limit_in16 or WALL_IN16)
    if wall.high_in16 - wall.low_in16 < piece.width_in16 or piece.height_in16 > limit:
        return (*np.zeros((3, 0), dtype=np.int64), np.zeros(0, dtype=bool))
    along = np.arange(wall.low_in16 + (piece.width_in16 + 1) // 2, wall.high_in16 - piece.width_in16 // 2 + 1, ground.g)
    fx, fy = FRONT[wall.turn]
    out = wall.at_in16 + (fx + fy) * ((piece.depth_in16 + 1) // 2)
    x, y = (np.full_like(along, out), along) if fx else (along, np.full_like(along, out))
    half_x, half_y = (piece.depth_in16, piece.width_in16) if fx else (piece.width_in16, piece.depth_in16)
    x0, y0 = x - half_x // 2, y - half_y // 2
    x1, y1 = x0 + half_x, y0 + half_y
    there = np.array(boxes, dtype=np.int64).reshape(-1, 6)
    over_x = np.minimum(x1[:, None], there[:, 2]) - np.maximum(x0[:, None], there[:, 0])
    over_y = np.minimum(y1[:, None], there[:, 3]) - np.maximum(y0[:, None], there[:, 1])
    meets = (over_x > HAIR_IN16) & (over_y > HAIR_IN16)
    whole = (over_x >= half_x - HAIR_IN16) & (over_y >= half_y - HAIR_IN16) & (there[:, 4] == 0)
    stacks = np.where(meets, there[:, 5] + GAP_IN16, 0).max(axis=1, initial=0)
    up = np.maximum(stacks, min(max(0, CENTRE_IN16 - piece.height_in16 // 2), limit - piece.height_in16))
    free = up + piece.height_in16 <= limit
    return x[free], y[free], up[free], whole.any(axis=1)[free]
