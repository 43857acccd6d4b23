"""Places and turns of one piece as bits of whole numbers: which are free, and which can be reached from which.

A node is a middle on a square grid and one of a few turns. A box in the way forbids exactly the nodes where the piece, made
larger by the clearance, would meet it (the box's Minkowski sum with the piece, by separating axes); a turn from one angle to the
next is free where all the piece sweeps is. Between neighbouring nodes a piece at a slant sweeps a little more than it covers at
both: by at most step * sin * cos of its turn, which is added. So whatever the grid calls free is free; what it calls closed may
have less than a step to spare. Floods run over all nodes at once, a bit a node.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from coop.resets.domain.order.boxes import Box, axes_of
from coop.resets.domain.order.ground import Ground

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


class Taken(NamedTuple):
    """Nodes a box forbids, and turns to the next angle it forbids."""

    nodes: int
    turns: int


@dataclass(frozen=True)
class Shape:
    """A piece as it is carried: half its sizes, and the turns looked at, rising.

    One turn, or three and more that go all the way round: `round_deg` is 180 where front and back may change places, else 360.
    """

    half_w: float
    half_d: float
    turns: tuple[int, ...]
    round_deg: int = 180


class Grid:
    """Nodes of one fineness over a ground. One empty column and row behind the last keep neighbours from wrapping round."""

    def __init__(self, ground: Ground, step_in16: int, clearance_in16: float) -> None:
        left, top, right, bottom = ground.floor.bounds
        self.step, self.clearance = step_in16, clearance_in16
        self.left, self.top = math.floor(left), math.floor(top)
        self.columns = int((right - self.left) // step_in16) + 1
        self.rows = int((bottom - self.top) // step_in16) + 1
        self.width = self.columns + 1
        self.layer = self.width * (self.rows + 1)
        self.xs: Floats = self.left + step_in16 * np.arange(self.columns, dtype=np.float64)
        self.ys: Floats = self.top + step_in16 * np.arange(self.rows, dtype=np.float64)
        self._walls = ground.walls
        self._inside = self.within(ground.floor)

    def within(self, area: shapely.Geometry) -> Bools:
        """Which middles lie in an area: rows by columns."""
        found: Bools = shapely.contains_xy(area, *np.meshgrid(self.xs, self.ys))
        return found

    def cost(self, shape: Shape) -> int:
        """About what a flood of it costs, in half milliseconds of a slow machine."""
        return 1 + len(shape.turns) * self.layer // 20_000

    def bits(self, nodes: Bools) -> int:
        """Nodes by turn, row and column as one number."""
        whole = np.zeros((nodes.shape[0], self.rows + 1, self.width), dtype=np.bool_)
        whole[:, : self.rows, : self.columns] = nodes
        return int.from_bytes(np.packbits(whole.reshape(-1), bitorder="little").tobytes(), "little")

    def every(self, shape: Shape, middles: Bools) -> int:
        """The same middles at every turn."""
        return self.bits(np.broadcast_to(middles, (len(shape.turns), *middles.shape)))

    def node(self, turn: int, row: int, column: int) -> int:
        return turn * self.layer + row * self.width + column

    def place(self, node: int) -> tuple[int, int, int]:
        """Turn's number, x and y of a node."""
        turn, rest = divmod(node, self.layer)
        row, column = divmod(rest, self.width)
        return turn, self.left + column * self.step, self.top + row * self.step

    def at_turn(self, nodes: int, turn: int) -> Bools:
        """Nodes of one turn: rows by columns."""
        layer = nodes >> turn * self.layer & (1 << self.layer) - 1
        raw = np.frombuffer(layer.to_bytes((self.layer + 7) // 8, "little"), dtype=np.uint8)
        whole: Bools = np.unpackbits(raw, bitorder="little", count=self.layer).astype(np.bool_)
        return whole.reshape(self.rows + 1, self.width)[: self.rows, : self.columns]

    def _halved(self, shape: Shape) -> Shape | None:
        """The same over a half turn, where the other half repeats it."""
        count = len(shape.turns)
        if shape.round_deg != 360 or count % 2 or any(turn % 180 not in shape.turns for turn in shape.turns):
            return None
        return Shape(shape.half_w, shape.half_d, shape.turns[: count // 2], 180)

    def _doubled(self, shape: Shape, half: Taken) -> Taken:
        by = len(shape.turns) // 2 * self.layer
        return Taken(half.nodes | half.nodes << by, half.turns | half.turns << by)

    def free_of_walls(self, shape: Shape) -> Taken:
        """Nodes (not forbidden ones) and turns that are free while nothing stands on the ground."""
        halved = self._halved(shape)
        if halved:
            return self._doubled(shape, self.free_of_walls(halved))
        nodes = self.every(shape, self._inside)
        turns = nodes if len(shape.turns) > 1 else 0
        for wall in self._walls:
            taken = self.taken(shape, wall)
            nodes &= ~taken.nodes
            turns &= ~taken.turns
        return Taken(nodes, turns)

    def taken(self, shape: Shape, box: Box, *, bare: bool = False) -> Taken:
        """What a box forbids a piece. `bare`: without clearance (an edge drawn on the floor: nothing stands there)."""
        halved = self._halved(shape)
        if halved:
            return self._doubled(shape, self.taken(halved, box, bare=bare))
        clear = 0.0 if bare else self.clearance
        # A piece thinner than the grid is made thicker: it would jump over what is as thin as itself.
        half_w, half_d = (max(half, 0.75 * self.step) for half in (shape.half_w, shape.half_d))
        cos, sin = axes_of(box.turn)
        wide = box.half_w * abs(cos) + box.half_d * abs(sin)
        deep = box.half_w * abs(sin) + box.half_d * abs(cos)
        reach = math.hypot(half_w, half_d) + clear + self.step
        first_column = max(0, math.ceil((box.x - wide - reach - self.left) / self.step))
        last_column = min(self.columns, math.floor((box.x + wide + reach - self.left) / self.step) + 1)
        first_row = max(0, math.ceil((box.y - deep - reach - self.top) / self.step))
        last_row = min(self.rows, math.floor((box.y + deep + reach - self.top) / self.step) + 1)
        if first_column >= last_column or first_row >= last_row:
            return Taken(0, 0)
        dx = (self.xs[first_column:last_column] - box.x)[None, :]
        dy = (self.ys[first_row:last_row] - box.y)[:, None]
        window = (slice(first_row, last_row), slice(first_column, last_column))

        turns = np.array(shape.turns, dtype=np.float64)
        axes = np.array([axes_of(turn) for turn in shape.turns])
        clears = np.maximum(clear, self.step * np.abs(axes[:, 0] * axes[:, 1]))

        def near(along: Floats, radii: Floats) -> Bools:
            """Per turn: nodes whose middle is nearer than the radius along the axis."""
            found: Bools = np.abs(along[:, 0, None, None] * dx + along[:, 1, None, None] * dy) < radii[:, None, None]
            return found

        def own(turn_deg: Floats) -> Floats:
            """How far the box reaches along axes at these turns."""
            apart = np.radians(turn_deg - box.turn)
            reached: Floats = box.half_w * np.abs(np.cos(apart)) + box.half_d * np.abs(np.sin(apart))
            return reached

        box_axes = [(box.turn, np.array([[cos, sin]])), (box.turn + 90, np.array([[-sin, cos]]))]
        nodes = np.ones((len(turns), dy.shape[0], dx.shape[1]), dtype=np.bool_)
        for (turn, along), half in zip(box_axes, (box.half_w, box.half_d), strict=True):
            nodes &= near(along, half + _support(half_w, half_d, turn - turns) + clears)
        for quarter, half in ((0, half_w), (90, half_d)):
            along = axes if quarter == 0 else np.stack([-axes[:, 1], axes[:, 0]], axis=1)
            nodes &= near(along, half + own(turns + quarter) + clears)

        if len(turns) < 2:
            return Taken(self._window(nodes, window), 0)
        ends = np.append(turns[1:], turns[0] + shape.round_deg)
        swept = np.ones_like(nodes)
        for (turn, along), half in zip(box_axes, (box.half_w, box.half_d), strict=True):
            swept &= near(along, half + _swept(half_w, half_d, turn, turns, ends) + clear)
        for part in (0.0, 0.5, 1.0):
            for quarter in (0, 90):
                at = turns + (ends - turns) * part + quarter
                along = np.stack([np.cos(np.radians(at)), np.sin(np.radians(at))], axis=1)
                swept &= near(along, _swept(half_w, half_d, at, turns, ends) + own(at) + clear)
        return Taken(self._window(nodes, window), self._window(swept, window))

    def _window(self, nodes: Bools, window: tuple[slice, slice]) -> int:
        whole = np.zeros((nodes.shape[0], self.rows + 1, self.width), dtype=np.bool_)
        whole[:, window[0], window[1]] = nodes
        return int.from_bytes(np.packbits(whole.reshape(-1), bitorder="little").tobytes(), "little")

    def beside(self, shape: Shape, nodes: int, turns: int) -> int:
        """Nodes one step or one turn from any of these (and some of these)."""
        width, layer = self.width, self.layer
        found = nodes << 1 | nodes >> 1 | nodes << width | nodes >> width
        count = len(shape.turns)
        if count > 1:
            last = (count - 1) * layer
            found |= (nodes & turns) << layer | (nodes >> layer) & turns
            # Past the last turn comes the first one again; what the shift pushed beyond the last turn is not free.
            found |= (nodes & turns) >> last | (nodes << last) & turns
        return found

    def flood(self, shape: Shape, free: Taken, sources: int, targets: int) -> tuple[list[int], int]:
        """Waves of nodes from the sources, each node in the first that reaches it, until one touches a target; and all seen.

        With no target the whole is flooded and the waves are not kept.
        """
        wave = sources & free.nodes
        seen, waves = wave, []
        while wave:
            if targets:
                waves.append(wave)
                if wave & targets:
                    break
            wave = self.beside(shape, wave, free.turns) & free.nodes & ~seen
            seen |= wave
        return waves, seen

    def trace(self, shape: Shape, free: Taken, waves: list[int], target: int) -> list[int]:
        """The way a flood took to a node of its last wave, from its source. It keeps its direction where it can."""
        way = [target]
        last = (len(shape.turns) - 1) * self.layer
        straight = 0
        for wave in reversed(waves[:-1]):
            node = way[-1]
            steps = [straight] if straight else []
            steps += [1, -1, self.width, -self.width]
            if last:
                steps += [self.layer, -self.layer, last, -last]
            for step in steps:
                before = node + step
                if before >= 0 and wave >> before & 1 and (abs(step) <= self.width or self._may_turn(free, before, node)):
                    way.append(before)
                    straight = step
                    break
        return way[::-1]

    def _may_turn(self, free: Taken, a: int, b: int) -> bool:
        lower, upper = min(a, b), max(a, b)
        return bool(free.turns >> (lower if upper - lower == self.layer else upper) & 1)


def ones(bits: int) -> list[int]:
    """Which bits are set, rising."""
    if not bits:
        return []
    raw = np.frombuffer(bits.to_bytes((bits.bit_length() + 7) // 8, "little"), dtype=np.uint8)
    return [int(n) for n in np.flatnonzero(np.unpackbits(raw, bitorder="little"))]


def _support(half_w: float, half_d: float, apart_deg: Floats) -> Floats:
    """How far a box reaches along an axis that is so many degrees from its own x."""
    apart = np.radians(apart_deg)
    reached: Floats = half_w * np.abs(np.cos(apart)) + half_d * np.abs(np.sin(apart))
    return reached


def _swept(half_w: float, half_d: float, axis_deg: Floats | float, begin_deg: Floats, end_deg: Floats) -> Floats:
    """The furthest a box reaches along an axis while it turns: at an end, or where one of its corners lies on the axis."""
    most = np.maximum(_support(half_w, half_d, axis_deg - begin_deg), _support(half_w, half_d, axis_deg - end_deg))
    corner = math.degrees(math.atan2(half_d, half_w))
    for side in (corner, -corner):
        passes = np.floor((axis_deg - begin_deg - side) / 180) != np.floor((axis_deg - end_deg - side) / 180)
        most = np.where(passes, math.hypot(half_w, half_d), most)
    return most
