"""A booth as a grid: places of pieces and of a travelling disc as bits of whole numbers, so that thousands are tried a second.

A cell is `g` wide and deep; a piece stands on whole cells, so it takes up to a cell more than it measures: what is valid here
is valid. A node is a place of the middle of a disc of the way's width; nodes lie so that a way of exactly the width between
things on the grid has one. A disc goes from a node to the four beside it; its distance to a box with sides along the grid is
least at one of the two ends, so between nodes it is as far from every box as it is at them.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from coop.resets.domain.arranging import FRONT, Judge
from coop.resets.domain.booth import Booth
from coop.resets.domain.fit.scene import FLAT_IN16
from coop.resets.domain.fit.ways import ARM_IN16, HEADROOM_IN16, OVER_IN16
from coop.resets.domain.piece import Arrangement, Piece, Placed

CLOSE_IN16 = 6 * 16
"""A disc this close before the front of what stays and may stand askew has nothing in between."""
TURNS = (0, 90, 180, 270)


class Ground:
    """The grid of a booth in which some pieces stay as they are. A bit's number is `row * stride + column`."""

    def __init__(self, booth: Booth, judge: Judge, locked: Arrangement) -> None:
        self.booth, self.judge = booth, judge
        self.g = g = judge.wishes.grid_in16
        self.margin = margin = booth.way_in16 // (2 * g) + 5
        self.columns, self.rows = judge.width // g, judge.depth // g
        self.stride, self.high = self.columns + 2 * margin, self.rows + 2 * margin
        self.size = self.stride * self.high
        self.x = np.tile(judge.left + (np.arange(self.stride) - margin) * g, self.high)
        self.y = np.repeat(judge.top + (np.arange(self.high) - margin) * g, self.stride)
        """Left and top of each cell."""
        self.off = booth.way_in16 // 2 % g
        """A node is so far right of and below its cell's corner."""
        self.bottom = {one.key: locked.bottom_in16(one.key) for one in locked.placed}
        self.standing = [one for one in locked.placed if one.piece.height_in16 > FLAT_IN16]
        self._cells()
        self._nodes()
        self.asked = [bits for bits in map(self._nodes_before, self._on_floor) if bits & self.reached(self.nodes)]
        """Before the fronts of what stays: those that a disc comes to while nothing else stands."""

    @property
    def _on_floor(self) -> list[Placed]:
        return [one for one in self.standing if one.on is None and one.piece.stands != "wall"]

    def _cells(self) -> None:
        g, booth = self.g, self.booth
        boxes = shapely.box(self.x, self.y, self.x + g, self.y + g)
        self._boxes = boxes
        self.inside = inside = self.bits(shapely.area(shapely.intersection(boxes, booth.free)) > g * g - 1)
        taken = self._covered([one.footprint for one in self._on_floor])
        opened = self._covered([front for one in self._on_floor if (front := _strip(one)) is not None])
        self.body = inside & ~taken & ~opened
        """Cells a piece may stand on."""
        floor = shapely.union_all([booth.free, self._aisle])
        self.floor = self.bits(shapely.area(shapely.intersection(boxes, floor)) > g * g - 1)
        """Cells an arm goes over: through no wall and no post."""
        self.swing = self.floor & ~taken
        """Cells a door may open over: the aisle's too, where it is shut again."""
        self.tall = self._covered([one.footprint for one in self._on_floor if one.piece.height_in16 > OVER_IN16])
        """Cells no arm reaches over."""
        self.hung = [
            (self.bottom[one.key], self._covered([one.footprint])) for one in self.standing if one.piece.stands == "wall"
        ]
        """What stays on the walls: how high it begins, and the cells below it."""

    def _nodes(self) -> None:
        booth, way = self.booth, self.booth.way_in16
        low = [one.footprint for one in self.standing if self.bottom[one.key] < HEADROOM_IN16]
        floor = shapely.union_all([booth.free, self._aisle]).difference(shapely.union_all(low))
        x, y = self.x + self.off, self.y + self.off
        points = shapely.points(x, y)
        closed = shapely.union_all([booth.side_line(n) for n in booth.sides_of("wall", "window", "neighbour")])
        # A node is as far from what stands askew as a disc that brushes its corner between two nodes needs.
        askew = shapely.union_all([one.footprint for one in self.standing if one.turn_deg % 90])
        far = _at_least(shapely.distance(points, floor.boundary), way) & _at_least(shapely.distance(points, closed), way)
        far &= _at_least(shapely.distance(points, askew), way + self.g * self.g // way + 1)
        free = far & shapely.contains_xy(floor, x, y)
        free = free.reshape(self.high, self.stride)
        free[0], free[-1], free[:, 0], free[:, -1] = False, False, False, False
        free = free.ravel()
        self.nodes = self.bits(free)
        """Where a disc can be while only what stays is there."""
        self.start = self.bits(free & ~shapely.contains_xy(booth.shape, x, y))
        """Those out in the aisle."""

    @cached_property
    def _aisle(self) -> Any:
        """The floor before the open sides, a way wider than they are at both ends, as `fit.ways` takes it.

        It is a way deep and little more: discs out there, a radius before the opening, nothing in the booth is in the way of.
        """
        booth, strips = self.booth, []
        deep = booth.way_in16 + 4 * self.g
        for n in booth.sides_of("open"):
            a, b = shapely.get_coordinates(booth.side_line(n))
            along = (b - a) / np.hypot(*(b - a))
            out = np.array([along[1], -along[0]])
            if booth.shape.contains(shapely.Point((a + b) / 2 + out)):
                out = -out
            a, b = a - along * booth.way_in16, b + along * booth.way_in16
            strips.append(shapely.Polygon([a, b, b + out * deep, a + out * deep]))
        return shapely.union_all(strips)

    def _covered(self, shapes: Sequence[Any]) -> int:
        if not shapes:
            return 0
        return self.bits(shapely.area(shapely.intersection(self._boxes, shapely.union_all(shapes))) >= 1)

    def bits(self, flags: Any) -> int:
        return int.from_bytes(np.packbits(flags, bitorder="little").tobytes(), "little")

    def flags(self, bits: int) -> Any:
        """The bits as an array of booleans, one a cell."""
        count = -(-self.size // 8)
        return np.unpackbits(np.frombuffer(bits.to_bytes(count, "little"), np.uint8), bitorder="little")[: self.size].view(bool)

    def reached(self, free: int) -> int:
        """The nodes that a disc comes to from the aisle."""
        here: int = self.start & free
        while True:
            before = here
            for step in (1, self.stride):
                # As far as it is free along one axis, both ways, by doubled steps.
                up, down, by = free, free, step
                while by < self.size:
                    here |= (up & here << by) | (down & here >> by)
                    up, down, by = up & up << by, down & down >> by, 2 * by
                    if not (up | down):
                        break
            if here == before:
                return here

    def beside(self, here: int) -> int:
        """The nodes beside some, which are not among them."""
        spread: int = here << 1 | here >> 1 | here << self.stride | here >> self.stride
        return spread & ~here

    def room(self, free: int, width: int, depth: int) -> int:
        """The cells from which so many cells right and down are all free."""
        return _all_along(_all_along(free, width, 1), depth, self.stride)

    def beyond(self, nodes: Any, cells: int) -> Any:
        """How far nodes are beyond so many cells along one axis, in doubled lengths, so that halves stay whole."""
        at, far = 2 * (nodes * self.g + self.off), 2 * cells * self.g
        return np.maximum(0, np.maximum(-at, at - far))

    def disc(self, columns: int, rows: int) -> tuple[int, int]:
        """The nodes nearer to so many cells than a disc's radius; and where in them the first of the cells is."""
        way = self.booth.way_in16
        reach = way // (2 * self.g) + 2
        dx, dy = (self.beyond(np.arange(-reach, cells + reach + 1), cells) for cells in (columns, rows))
        near = np.argwhere(dx[None, :] ** 2 + dy[:, None] ** 2 < way**2)
        return sum(1 << int(row * self.stride + column) for row, column in near.tolist()), reach * self.stride + reach

    def corners(self, places: int) -> int:
        """Those of some places from which one cannot move on along either axis, one way or the other."""
        across: int = places & ~((places << 1) & (places >> 1))
        both: int = across & ~((places << self.stride) & (places >> self.stride))
        return both

    def arms(self, nodes: int, tall: int, looks: tuple[int, int], steps: int) -> int:
        """The cells right before a front that looks this way from which it is come to.

        A disc at one of the nodes is straight before the cell, at most so many cells off, and none of those between is taken by
        something an arm does not reach over.
        """
        step, way = looks[0] + looks[1] * self.stride, self.booth.way_in16
        far = way // 2 // self.g if sum(looks) > 0 else -(-(way // 2 + self.off) // self.g) - 1
        come = touching = shifted(nodes, -step * far) & self.floor
        for _ in range(steps):
            come = touching | (shifted(come, -step) & self.floor & ~tall)
        return come

    def _nodes_before(self, one: Placed) -> int:
        """The nodes at which a disc is close to a placed piece's front, at any angle."""
        reach = one.piece.opens_in16 or CLOSE_IN16
        strip = _strip(one, self.booth.way_in16 // 2 + reach + self.g)
        points = shapely.points(self.x + self.off, self.y + self.off)
        near = 2 * shapely.distance(points, one.footprint) <= self.booth.way_in16 + 2 * reach + 1
        return self.bits(near & shapely.intersects(points, strip))


class Stance:
    """A piece at one turn: what it takes of the grid from the cell at its left and top, and its place there."""

    def __init__(self, ground: Ground, piece: Piece, turn: int) -> None:
        self.ground, self.piece, self.turn = ground, piece, turn
        g, stride = ground.g, ground.stride
        across = turn % 180 == 0
        self.width, self.depth = (piece.width_in16, piece.depth_in16) if across else (piece.depth_in16, piece.width_in16)
        self.w, self.d = -(-self.width // g), -(-self.depth // g)
        self.mask: int = _box(self.w, self.d, stride)
        opens = -(-piece.opens_in16 // g)
        fx, fy = FRONT[turn]
        self.zone_w, self.zone_d = (opens, self.d) if fx else (self.w, opens)
        self.zone_at = fx * (self.w if fx > 0 else opens) + fy * (self.d if fy > 0 else opens) * stride
        self.zone_mask: int = _box(self.zone_w, self.zone_d, stride)
        self.disc, self.disc_at = ground.disc(self.w, self.d)
        # With a cell to spare, since the piece may be that much behind its cells' edge.
        self.steps = opens if opens else ARM_IN16 // g - 1
        """How many cells a disc may stay before its front."""
        self.is_tall = piece.height_in16 > OVER_IN16
        self._front_at = fx * (self.w if fx > 0 else 1) + fy * (self.d if fy > 0 else 1) * stride
        self._front_mask: int = _box(1 if fx else self.w, self.d if fx else 1, stride)
        self.allowed = self._allowed()
        self.anchors = np.flatnonzero(ground.flags(self.allowed))
        """The cells it can stand from while only what stays is there."""
        self.mid_x, self.mid_y = self._middle(self.anchors)
        self._lean()
        self.index = {int(anchor): n for n, anchor in enumerate(self.anchors.tolist())}

    @property
    def box(self) -> tuple[Any, Any, Any, Any]:
        """Left, top, right and bottom from each anchor, as `arranging.corners` has them."""
        x0, y0 = self.mid_x - self.width // 2, self.mid_y - self.depth // 2
        return x0, y0, x0 + self.width, y0 + self.depth

    def _middle(self, anchors: Any) -> tuple[Any, Any]:
        """Its back at its cells' edge, its sides evenly off theirs; a half is rounded to within the cells."""
        ground, middles = self.ground, []
        for size, cells, looks, at in (
            (self.width, self.w, FRONT[self.turn][0], ground.x[anchors]),
            (self.depth, self.d, FRONT[self.turn][1], ground.y[anchors]),
        ):
            spare = cells * ground.g - size
            middles.append(at + {0: spare // 2 + (size + 1) // 2, 1: (size + 1) // 2, -1: spare + size // 2}[looks])
        return middles[0], middles[1]

    def _allowed(self) -> int:
        ground, free = self.ground, self.ground.body
        for bottom, cells in ground.hung:
            if bottom < self.piece.height_in16:
                free &= ~cells
        return self.places(free, ground.swing)

    def _lean(self) -> None:
        if not self.piece.leans or not len(self.anchors):
            return
        judge = self.ground.judge
        at = judge.leans_well(self.piece.height_in16, self.turn, *self.box, self.ground.g)
        keep = self.ground.bits(np.isin(np.arange(self.ground.size), self.anchors[at]))
        self.allowed = keep
        self.anchors, self.mid_x, self.mid_y = (each[at] for each in (self.anchors, self.mid_x, self.mid_y))

    def places(self, body: int, swing: int) -> int:
        """The cells it can stand from where these are free to stand on, and those to open doors over."""
        places: int = self.ground.room(body, self.w, self.d)
        if self.piece.opens_in16:
            places &= shifted(self.ground.room(swing, self.zone_w, self.zone_d), -self.zone_at)
        return places

    def body_at(self, anchor: int) -> int:
        body: int = self.mask << anchor
        return body

    def zone_at_anchor(self, anchor: int) -> int:
        zone: int = self.zone_mask << (anchor + self.zone_at)
        return zone

    def disc_at_anchor(self, anchor: int) -> int:
        """The nodes its disc cannot be at."""
        return shifted(self.disc, anchor - self.disc_at)

    def front_at(self, anchor: int) -> int:
        """The cells right before its front."""
        front: int = self._front_mask << (anchor + self._front_at)
        return front

    def facing(self, come: int) -> int:
        """The cells it can stand from with one of some cells right before its front."""
        count, step = (self.d, self.ground.stride) if FRONT[self.turn][0] else (self.w, 1)
        return shifted(_any_along(come, count, step), -self._front_at)

    def placed(self, anchor: int) -> Placed:
        n = self.index[anchor]
        return Placed(self.piece, int(self.mid_x[n]), int(self.mid_y[n]), self.turn)


class Come:
    """The cells before a front from which it is come to, worked out when they are asked for."""

    def __init__(self, ground: Ground, reached: int, tall: int) -> None:
        self._ground, self.reached, self._tall = ground, reached, tall
        self._known: dict[tuple[int, int], int] = {}

    def to(self, stance: Stance) -> int:
        key = stance.turn, stance.steps
        if key not in self._known:
            self._known[key] = self._ground.arms(self.reached, self._tall, FRONT[stance.turn], stance.steps)
        return self._known[key]


def stances_of(ground: Ground, piece: Piece) -> list[Stance]:
    """A piece at each turn at which there is a place for it."""
    return [stance for turn in TURNS if len((stance := Stance(ground, piece, turn)).anchors)]


def _box(width: int, depth: int, stride: int) -> int:
    row = (1 << width) - 1
    return sum(row << (n * stride) for n in range(depth))


def shifted(bits: int, by: int) -> int:
    moved: int = bits << by if by >= 0 else bits >> -by
    return moved


def _all_along(bits: int, count: int, step: int) -> int:
    """Bits from which `count` bits, a step apart, are all set."""
    have = 1
    while have < count:
        more = min(have, count - have)
        bits &= bits >> (more * step)
        have += more
    return bits if count else 0


def _any_along(bits: int, count: int, step: int) -> int:
    """Bits from which one of `count` bits, a step apart, is set."""
    have = 1
    while have < count:
        more = min(have, count - have)
        bits |= bits >> (more * step)
        have += more
    return bits if count else 0


def _at_least(distance: Any, width_in16: int) -> Any:
    """Whether a disc of this width has this much; nothing there (not a number) is far enough."""
    return ~(16 * distance < 8 * width_in16 - 1)


def _strip(one: Placed, depth_in16: int | None = None) -> Any:
    """The floor before a front, as deep as its doors need or as said; None for none."""
    deep = one.piece.opens_in16 if depth_in16 is None else depth_in16
    if not deep:
        return None
    half_w, half_d = one.piece.width_in16 / 2, one.piece.depth_in16 / 2
    flat = shapely.box(one.x_in16 - half_w, one.y_in16 + half_d, one.x_in16 + half_w, one.y_in16 + half_d + deep)
    return shapely.affinity.rotate(flat, one.turn_deg, origin=(one.x_in16, one.y_in16))
