"""Replays a printed order on a raster of the floor, by code of its own: no shapely, and nothing of the planner's but its values.

The floor is a grid of quarter-inch or half-inch cells. Every cell whose middle lies in a footprint belongs to that piece. Each
move's footprint is drawn again and again along its path, in steps in which no corner goes further than a cell, and
no cell of it may be wall or another piece. Pieces may touch: the moving one is drawn a sixteenth smaller all round.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping

import numpy as np

from coop.resets.domain.order.ground import Ground
from coop.resets.domain.order.moves import Order, Pose
from coop.resets.domain.piece import Piece, Placed

TOUCH = 1.0
FREE, WALL = 0, 1


class Collision(AssertionError):
    pass


class Raster:
    def __init__(self, ground: Ground, cell: float) -> None:
        outlines = [ground.booth.outline, *ground.outside]
        points = [point for outline in outlines for point in outline]
        self.left = min(x for x, _ in points) - 4 * cell
        self.top = min(y for _, y in points) - 4 * cell
        self.cell = cell
        self.columns = math.ceil((max(x for x, _ in points) + 4 * cell - self.left) / cell)
        self.rows = math.ceil((max(y for _, y in points) + 4 * cell - self.top) / cell)
        self.xs = self.left + cell * (np.arange(self.columns) + 0.5)
        self.ys = self.top + cell * (np.arange(self.rows) + 0.5)
        self.cells = np.full((self.rows, self.columns), WALL, dtype=np.int32)
        for outline in outlines:
            self.cells[self._inside(outline)] = FREE
        for post in (*ground.booth.posts, *ground.posts):
            self.cells[self._inside(post)] = WALL
        corners = ground.booth.outline
        # A wall has no thickness, so no cell is it: its line is kept, to be crossed by no footprint.
        self.walls = [
            (corners[n], corners[(n + 1) % len(corners)]) for n, side in enumerate(ground.booth.sides) if side.kind != "open"
        ]

    def _inside(self, outline: Iterable[tuple[float, float]]) -> np.ndarray:
        """Even-odd rule: a ray to the right crosses the outline an odd number of times."""
        corners = list(outline)
        x, y = np.meshgrid(self.xs, self.ys)
        odd = np.zeros_like(x, dtype=bool)
        for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
            if ay == by:
                continue
            crosses = (ay > y) != (by > y)
            odd ^= crosses & (x < ax + (y - ay) * (bx - ax) / (by - ay))
        return odd

    def covered(self, x: float, y: float, width: float, depth: float, turn: float) -> tuple[slice, slice, np.ndarray]:
        """The cells of a footprint, in the window round it."""
        cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        reach_x = (abs(width * cos) + abs(depth * sin)) / 2
        reach_y = (abs(width * sin) + abs(depth * cos)) / 2
        c0, c1 = (int((x + s * reach_x - self.left) / self.cell) + (s > 0) for s in (-1, 1))
        r0, r1 = (int((y + s * reach_y - self.top) / self.cell) + (s > 0) for s in (-1, 1))
        if c0 < 0 or r0 < 0 or c1 > self.columns or r1 > self.rows:
            raise Collision("off the floor")
        dx = self.xs[c0:c1][None, :] - x
        dy = self.ys[r0:r1][:, None] - y
        mine = (np.abs(dx * cos + dy * sin) < width / 2) & (np.abs(dy * cos - dx * sin) < depth / 2)
        return slice(r0, r1), slice(c0, c1), mine

    def draw(self, number: int, x: float, y: float, width: float, depth: float, turn: float) -> None:
        rows, columns, mine = self.covered(x, y, width - 2 * TOUCH, depth - 2 * TOUCH, turn)
        met = self.cells[rows, columns][mine]
        if met.any():
            raise Collision(f"stands on {sorted(set(met.tolist()) - {0})}")
        self.cells[rows, columns][mine] = number

    def wipe(self, number: int) -> None:
        self.cells[self.cells == number] = FREE

    def meets(self, x: float, y: float, width: float, depth: float, turn: float) -> set[int]:
        rows, columns, mine = self.covered(x, y, width - 2 * TOUCH, depth - 2 * TOUCH, turn)
        return set(self.cells[rows, columns][mine].tolist()) - {FREE}

    def crosses_wall(self, x: float, y: float, width: float, depth: float, turn: float) -> bool:
        """Whether a wall's line goes through a footprint: the line clipped by the footprint's own sides."""
        cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        half = (width / 2 - TOUCH, depth / 2 - TOUCH)
        for (ax, ay), (bx, by) in self.walls:
            begin = ((ax - x) * cos + (ay - y) * sin, (ay - y) * cos - (ax - x) * sin)
            end = ((bx - x) * cos + (by - y) * sin, (by - y) * cos - (bx - x) * sin)
            low, high = 0.0, 1.0
            for axis in (0, 1):
                run = end[axis] - begin[axis]
                if abs(run) < 1e-9:
                    if abs(begin[axis]) >= half[axis] - 1e-9:
                        low, high = 1.0, 0.0
                    continue
                first, last = sorted(((-half[axis] - begin[axis]) / run, (half[axis] - begin[axis]) / run))
                low, high = max(low, first), min(high, last)
            if high - low > 1e-9:
                return True
        return False


def held_size(piece: Piece, how: str) -> tuple[int, int]:
    for size in piece.carried:
        if size.how == how:
            return size.width_in16, size.depth_in16
    return piece.width_in16, piece.depth_in16


def along(a: Pose, b: Pose, reach: float, cell: float) -> Iterable[tuple[float, float, float]]:
    far = math.dist((a.x_in16, a.y_in16), (b.x_in16, b.y_in16)) + math.radians(abs(b.turn_deg - a.turn_deg)) * reach
    steps = max(1, math.ceil(far / cell))
    for n in range(steps + 1):
        t = n / steps
        yield (
            a.x_in16 + t * (b.x_in16 - a.x_in16),
            a.y_in16 + t * (b.y_in16 - a.y_in16),
            a.turn_deg + t * (b.turn_deg - a.turn_deg),
        )


def replay(order: Order, cell: float = 8.0) -> dict[str, Placed]:
    """Every move of an order; raises Collision for the first that meets something, or that begins or ends at a wrong place.

    Returns what stands in the booth in the end.
    """
    ground = order.ground
    raster = Raster(ground, cell)
    numbers: dict[str, int] = {}
    standing: dict[str, Placed] = {}

    def number(key: str) -> int:
        return numbers.setdefault(key, 2 + len(numbers))

    def carried_by_hand(placed: Placed) -> bool:
        return placed.on is not None or placed.piece.stands != "floor"

    def put(placed: Placed) -> None:
        standing[placed.key] = placed
        if not carried_by_hand(placed):
            piece = placed.piece
            raster.draw(number(placed.key), placed.x_in16, placed.y_in16, piece.width_in16, piece.depth_in16, placed.turn_deg)

    pieces = {one.key: one.piece for one in (*order.before.placed, *order.after.placed)}
    waiting: dict[str, tuple[float, float]] = {}
    on_floor = {area.name for area in ground.staging if area.outline and _lies_on(raster, area.outline)}
    for placed in order.before.placed:
        put(placed)
    for one in order.waiting:
        if one.area in on_floor and one.x_in16 is not None and one.y_in16 is not None:
            raster.draw(
                number(one.key), one.x_in16, one.y_in16, pieces[one.key].width_in16, pieces[one.key].depth_in16, one.turn_deg
            )
            waiting[one.key] = (one.x_in16, one.y_in16)
    for move in order.moves:
        piece = pieces[move.key]
        was = standing.pop(move.key, None)
        if (move.from_ == "booth") != (was is not None):
            raise Collision(f"move {move.number}: {move.key} is not in the booth, or is there already")
        if any(one.on == move.key for one in standing.values()) and was is not None:
            raise Collision(f"move {move.number}: something stands on {move.key}")
        if move.key in numbers:
            raster.wipe(numbers[move.key])
        if move.how != "by hand":
            _walk(raster, move.number, move.path, piece, cell)
            first, last = move.path[0], move.path[-1]
            if was is not None and first != Pose(was.x_in16, was.y_in16, was.turn_deg):
                raise Collision(f"move {move.number} begins elsewhere than {move.key} stands")
            if move.from_ in on_floor and waiting.pop(move.key) != first[:2]:
                raise Collision(f"move {move.number} begins elsewhere than {move.key} waits")
            if move.placed and (last[:2], last.turn_deg % 360, last.how) != (
                (move.placed.x_in16, move.placed.y_in16),
                move.placed.turn_deg % 360,
                "upright",
            ):
                raise Collision(f"move {move.number} ends elsewhere than {move.key} is to stand")
        if move.placed:
            if move.placed.on is not None and move.placed.on not in standing:
                raise Collision(f"move {move.number}: {move.key} goes on what is not there")
            put(move.placed)
        if move.staged and move.staged.area in on_floor and move.how != "by hand":
            end = move.path[-1]
            raster.draw(number(move.key), end.x_in16, end.y_in16, piece.width_in16, piece.depth_in16, end.turn_deg)
            waiting[move.key] = (end.x_in16, end.y_in16)
    return standing


def _walk(raster: Raster, number: int, path: tuple[Pose, ...], piece: Piece, cell: float) -> None:
    for a, b in itertools.pairwise(path):
        if a.how != b.how and (a[:3]) != (b[:3]):
            raise Collision(f"move {number} changes how it is held while it moves")
        width, depth = held_size(piece, a.how if a.how == b.how else b.how)
        reach = math.hypot(width, depth) / 2
        for x, y, turn in along(a, b, reach, cell):
            met = raster.meets(x, y, width, depth, turn)
            if met or raster.crosses_wall(x, y, width, depth, turn):
                raise Collision(f"move {number} meets {met or 'a wall'} at {x / 16:.1f}, {y / 16:.1f} in., turned {turn:.0f}")


def _lies_on(raster: Raster, outline: Iterable[tuple[float, float]]) -> bool:
    return bool((raster.cells[raster._inside(outline)] == FREE).any())


def ends_as_wanted(order: Order, standing: Mapping[str, Placed]) -> bool:
    return dict(standing) == {one.key: one for one in order.after.placed}
