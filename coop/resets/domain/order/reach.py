"""Whether a piece gets from where it stands to where it is wanted past what stands then, and by which way.

It is first pushed straight out of its place, along its own sides or the drawing's or between them, until it stands free on a node
of the grid (`_docks`): there it may touch what it stands against. From there on the grid decides. It is tried with its turn kept,
then turning, then carried in the other ways it allows, then on the fine grid; and a piece that was refused is known to be refused
wherever the same pieces stand in its way.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import reduce
from operator import or_
from typing import Literal, NamedTuple, cast

import numpy as np
import shapely

from coop.resets.domain.order.boxes import Box, Spot, Standing, axes_of, edge_boxes, spots_overlap
from coop.resets.domain.order.grid import Bools, Floats, Grid, Shape, Taken, ones
from coop.resets.domain.order.ground import Ground, Handling, StagingArea
from coop.resets.domain.order.moves import How, Pose
from coop.resets.domain.piece import Piece

_TRIES = 6
"""Points of a push, and nodes round each, that are tried."""

Effort = Literal[0, 1, 2]
"""With its turn kept; turning, and carried in other ways; the same on the fine grid."""


class Out(NamedTuple):
    """Wanted: gone, past an exit."""


class To(NamedTuple):
    """Wanted: in this place of the ground."""

    spot: Spot


class Onto(NamedTuple):
    """Wanted: anywhere on this staging floor."""

    area: StagingArea


Goal = Out | To | Onto


class _Marks(NamedTuple):
    """The part of a way that runs on a grid: its nodes, and the turns it makes there."""

    grid: Grid
    shape: Shape
    nodes: int
    turns: int


class _Push(NamedTuple):
    """A straight push off the grid, out of a place or into one."""

    box: Box
    to: tuple[float, float]


@dataclass(frozen=True)
class Way:
    """Poses from a place to a goal, with all that stood then."""

    poses: tuple[Pose, ...]
    standing: frozenset[Spot]
    marks: tuple[_Marks, ...] = ()
    pushes: tuple[_Push, ...] = ()


@dataclass
class _Known:
    ways: list[Way] = field(default_factory=list)
    refused: list[frozenset[Spot]] = field(default_factory=list)
    """Sets of spots each enough to bar the way."""


class _Held(NamedTuple):
    how: How
    width_in16: int
    depth_in16: int


class _Dock(NamedTuple):
    node: int
    by: tuple[float, float]


@dataclass
class _Field:
    """The grid as one held piece meets it among what stands."""

    held: _Held
    shape: Shape
    free: Taken


class Reach:
    """Ways over one ground, remembered. `spent` counts what the floods done cost (`Grid.cost`): a search may spend so much."""

    def __init__(self, ground: Ground, handling: Handling) -> None:
        self.ground, self.handling = ground, handling
        self.spent = 0
        self._grids: dict[int, Grid] = {}
        self._walls: dict[tuple[int, Shape], Taken] = {}
        self._taken: dict[tuple[int, Shape, Spot], Taken] = {}
        self._known: dict[tuple[str, Spot, Goal, Effort], _Known] = {}
        self._areas: dict[tuple[int, Shape, object], int] = {}
        self._walked_by: dict[tuple[int, frozenset[Spot]], tuple[Floats, Floats]] = {}
        booth = ground.booth
        self._booth_edges = edge_boxes(booth.outline)
        self._wall_boxes = list(ground.walls)

    def way(self, piece: Piece, start: Spot, goal: Goal, standing: frozenset[Spot], effort: Effort) -> Way | None:
        """A way with at most this effort, or None. What stands does not hold the piece itself."""
        for tried in range(effort + 1):
            way = self._tried(piece, start, goal, standing, cast(Effort, tried))
            if way:
                return way
        return None

    def barred_by(self, piece: Piece, start: Spot, goal: Goal, standing: frozenset[Spot], effort: Effort) -> frozenset[Spot]:
        """Of a way that was refused: what stands in it. Empty where it is walls alone."""
        known = self._known.get((piece.key, start, goal, effort))
        fitting = [refused for refused in known.refused if refused <= standing] if known else []
        return min(fitting, key=lambda spots: (len(spots), sorted(spots)), default=frozenset())

    def _tried(self, piece: Piece, start: Spot, goal: Goal, standing: frozenset[Spot], effort: Effort) -> Way | None:
        known = self._known.setdefault((piece.key, start, goal, effort), _Known())
        if any(refused <= standing for refused in known.refused):
            return None
        for way in known.ways:
            new = standing - way.standing
            if not new or self._still_free(way, new):
                return way
        if isinstance(goal, To):
            inside = [spot for spot in standing if spots_overlap(spot, goal.spot)]
            if inside:
                known.refused += [frozenset([spot]) for spot in inside]
                return None
        found = self._search(piece, start, goal, standing, effort)
        if isinstance(found, frozenset):
            known.refused.append(found)
            return None
        known.ways.append(found)
        return found

    def person_near(self, spot: Spot, standing: frozenset[Spot], person_in16: int, arm_in16: int) -> bool:
        """Whether somebody comes from an exit to within an arm's length of a place."""
        key = (person_in16, frozenset(one for one in standing if one.key != spot.key))
        if key not in self._walked_by:
            grid = self._grid(0)
            shape = Shape(person_in16 / 2, person_in16 / 2, (0,))
            free = self._among(grid, shape, key[1])
            self.spent += grid.cost(shape)
            exits = self._area(grid, shape, Out())
            seen = grid.flood(shape, free, exits & free.nodes, 0)[1]
            rows, columns = np.nonzero(grid.at_turn(seen, 0))
            self._walked_by[key] = grid.xs[columns], grid.ys[rows]
        xs, ys = self._walked_by[key]
        cos, sin = axes_of(spot.turn_deg)
        dx, dy = xs - spot.x_in16, ys - spot.y_in16
        beside = np.maximum(np.abs(dx * cos + dy * sin) - spot.width_in16 / 2, 0)
        before = np.maximum(np.abs(-dx * sin + dy * cos) - spot.depth_in16 / 2, 0)
        return bool((np.hypot(beside, before) <= arm_in16).any())

    def _still_free(self, way: Way, new: frozenset[Spot]) -> bool:
        """Whether a way found is free of more pieces too."""
        for grid, shape, nodes, turns in way.marks:
            for spot in new:
                taken = self._taken_by(grid, shape, spot)
                if taken.nodes & nodes or taken.turns & turns:
                    return False
        boxes = Standing([spot.box for spot in new])
        return all(boxes.lets_pass(push.box, push.to) for push in way.pushes)

    # One search at one effort.

    def _search(self, piece: Piece, start: Spot, goal: Goal, standing: frozenset[Spot], effort: Effort) -> Way | frozenset[Spot]:
        grid = self._grid(effort)
        held = _Held("upright", piece.width_in16, piece.depth_in16)
        ways = [held]
        if effort:
            limit = self.ground.booth.height_limit_in16
            ways += [
                _Held(size.how, size.width_in16, size.depth_in16)
                for size in piece.carried
                if limit is None or size.height_in16 <= limit
            ]
        if isinstance(goal, To) and not effort and (goal.spot.turn_deg - start.turn_deg) % 360:
            return frozenset()
        barred: set[Spot] = set()
        stood_up = 0
        upright: tuple[_Field, list[_Dock], int] | None = None
        for held in ways:
            field_ = self._field(grid, held, start, goal, standing, effort)
            docks = self._docks(grid, field_, start, standing)
            targets = self._targets(grid, field_, goal, standing)
            if isinstance(goal, Onto):
                # However it is carried there, it stands there upright.
                stood_up = stood_up & targets.nodes if held.how != "upright" else targets.nodes
                targets = targets._replace(nodes=stood_up)
            self.spent += grid.cost(field_.shape)
            seen = 0
            if docks:
                wanted = targets.nodes
                if isinstance(goal, Onto):
                    wanted &= grid.flood(field_.shape, field_.free, _nodes(docks), 0)[1]
                    wanted = 1 << self._farthest(grid, wanted) if wanted else 0
                waves, seen = grid.flood(field_.shape, field_.free, _nodes(docks), wanted)
                if wanted & seen:
                    return self._way(grid, field_, start, goal, docks, waves, targets._replace(nodes=wanted), standing)
            if held.how == "upright":
                upright = field_, docks, seen
            elif upright and upright[2] and targets.nodes and not isinstance(goal, To):
                changed = self._changed_on_the_way(grid, upright, field_, start, goal, targets, standing)
                if changed:
                    return changed
            barred |= self._barring(grid, field_, seen, start, goal, standing)
        return frozenset(barred)

    def _grid(self, effort: Effort) -> Grid:
        step = self.handling.fine_step_in16 if effort == 2 else self.handling.step_in16
        if step not in self._grids:
            self._grids[step] = Grid(self.ground, step, self.handling.clearance_in16)
        return self._grids[step]

    def _shape(self, held: _Held, start: Spot, goal: Goal, effort: Effort) -> Shape:
        turns = {start.turn_deg % 180}
        round_deg = 180
        if isinstance(goal, To):
            # Front and back are told apart where it has to stand right in the end.
            round_deg = 360
            turns = {start.turn_deg % 360}
            if effort:
                turns.add(goal.spot.turn_deg % 360)
        if isinstance(goal, Onto) and effort:
            turns |= {0, 90}
        if effort:
            by = self.handling.fine_turn_deg if effort == 2 else self.handling.turn_deg
            turns |= set(range(0, round_deg, by))
            # A half turn covers the same floor: what is worked out for one half of the turns is the other's too.
            turns |= {(turn + 180) % round_deg for turn in turns}
        return Shape(held.width_in16 / 2, held.depth_in16 / 2, tuple(sorted(turns)), round_deg)

    def _field(self, grid: Grid, held: _Held, start: Spot, goal: Goal, standing: frozenset[Spot], effort: Effort) -> _Field:
        shape = self._shape(held, start, goal, effort)
        return _Field(held, shape, self._among(grid, shape, standing))

    def _among(self, grid: Grid, shape: Shape, standing: Iterable[Spot]) -> Taken:
        """Free nodes and turns among what stands."""
        key = (grid.step, shape)
        if key not in self._walls:
            self._walls[key] = grid.free_of_walls(shape)
        nodes, turns = self._walls[key]
        for spot in standing:
            taken = self._taken_by(grid, shape, spot)
            nodes &= ~taken.nodes
            turns &= ~taken.turns
        return Taken(nodes, turns)

    def _taken_by(self, grid: Grid, shape: Shape, spot: Spot) -> Taken:
        key = (grid.step, shape, spot)
        if key not in self._taken:
            self._taken[key] = grid.taken(shape, spot.box)
        return self._taken[key]

    def _near(self, shape: Shape, at: Spot, standing: Iterable[Spot]) -> list[Spot]:
        """What may be met while a piece is pushed out of its place."""
        reach = self._push(shape) + 2 * math.hypot(shape.half_w, shape.half_d) + 64
        return [
            spot for spot in standing if math.dist(spot[1:3], at[1:3]) < reach + math.hypot(spot.width_in16, spot.depth_in16) / 2
        ]

    @staticmethod
    def _push(shape: Shape) -> float:
        return 2 * max(shape.half_w, shape.half_d) + 12 * 16

    def _docks(self, grid: Grid, field_: _Field, at: Spot, standing: Iterable[Spot]) -> list[_Dock]:
        """Free nodes a piece can be pushed to straight from its place, each with the point it is pushed to first."""
        shape = field_.shape
        if at.turn_deg % shape.round_deg not in shape.turns or not field_.free.nodes:
            return []
        layer = shape.turns.index(at.turn_deg % shape.round_deg)
        boxes = Standing([*(spot.box for spot in self._near(shape, at, standing)), *self._wall_boxes])
        start = Box(at.x_in16, at.y_in16, shape.half_w, shape.half_d, at.turn_deg)
        if not boxes.lets_pass(start, (start.x, start.y)):
            return []
        open_ = grid.at_turn(field_.free.nodes, layer)
        beside = next(self._stopped(grid, layer, open_, start, (0.0, 0.0), boxes, 0.0), None)
        if beside and math.dist(grid.place(beside.node)[1:], start[:2]) <= grid.step:
            # It stands free: wherever else it could be pushed, it can be carried.
            return [beside]
        own = axes_of(at.turn_deg)
        root = math.sqrt(0.5)
        frames = [own, ((own[0] - own[1]) * root, (own[0] + own[1]) * root)]
        if at.turn_deg % 90:
            frames += [(1.0, 0.0), (root, root)]
        docks: dict[int, _Dock] = {}
        for cos, sin in frames:
            for along in ((cos, sin), (-sin, cos), (-cos, -sin), (sin, -cos)):
                for dock in self._stopped(
                    grid, layer, open_, start, along, boxes, boxes.furthest(start, along, self._push(shape))
                ):
                    docks.setdefault(dock.node, dock)
        return list(docks.values())

    @staticmethod
    def _stopped(
        grid: Grid, layer: int, open_: Bools, start: Box, along: tuple[float, float], boxes: Standing, furthest: float
    ) -> Iterator[_Dock]:
        """The first and the last free node along one push."""
        stops = np.arange(0, furthest + 1, grid.step / 2)
        xs, ys = np.rint(start.x + along[0] * stops), np.rint(start.y + along[1] * stops)
        around = np.arange(-1, 3)
        rows = np.floor((ys - grid.top) / grid.step).astype(int)[:, None, None] + around[None, :, None]
        columns = np.floor((xs - grid.left) / grid.step).astype(int)[:, None, None] + around[None, None, :]
        within = (rows >= 0) & (rows < grid.rows) & (columns >= 0) & (columns < grid.columns)
        free = within & open_[np.where(within, rows, 0), np.where(within, columns, 0)]
        some = np.flatnonzero(free.any(axis=(1, 2)))
        for stop_list in (some[:_TRIES], some[::-1][:_TRIES]):
            for n in stop_list:
                by = (float(xs[n]), float(ys[n]))
                r, c = np.nonzero(free[n])
                near = sorted(
                    (math.hypot(x - by[0], y - by[1]), row, column)
                    for row, column in zip(rows[n, r, 0].tolist(), columns[n, 0, c].tolist(), strict=True)
                    for x, y in [(grid.left + column * grid.step, grid.top + row * grid.step)]
                )
                if not boxes.lets_pass(start, by):
                    continue
                there = start._replace(x=by[0], y=by[1])
                nodes = (
                    grid.node(layer, row, column)
                    for _, row, column in near[:_TRIES]
                    if boxes.lets_pass(there, (grid.left + column * grid.step, grid.top + row * grid.step))
                )
                node = next(nodes, None)
                if node is not None:
                    yield _Dock(node, by)
                    break

    # Goals.

    def _targets(self, grid: Grid, field_: _Field, goal: Goal, standing: frozenset[Spot]) -> _Targets:
        shape = field_.shape
        if isinstance(goal, To):
            turns = {goal.spot.turn_deg % shape.round_deg}
            if not turns <= set(shape.turns):
                return _Targets(0, [])
            docks = self._docks(grid, field_, goal.spot, standing)
            return _Targets(_nodes(docks), docks)
        return _Targets(self._area(grid, shape, goal) & field_.free.nodes, [])

    def _area(self, grid: Grid, shape: Shape, goal: Out | Onto) -> int:
        key = (grid.step, shape, goal)
        if key not in self._areas:
            if isinstance(goal, Out):
                edges = self._booth_edges
                within = grid.within(self.ground.gone) & ~grid.within(self.ground.booth.shape)
            else:
                edges = edge_boxes(goal.area.outline)
                within = grid.within(shapely.Polygon(goal.area.outline))
            nodes = grid.every(shape, within)
            for edge in edges:
                nodes &= ~grid.taken(shape, edge, bare=True).nodes
            self._areas[key] = nodes
        return self._areas[key]

    def _barring(self, grid: Grid, field_: _Field, seen: int, start: Spot, goal: Goal, standing: frozenset[Spot]) -> set[Spot]:
        """What stands at the edge of all that can be reached, or near the place it is pushed out of or into."""
        shape = field_.shape
        near = set(self._near(shape, start, standing))
        if isinstance(goal, To):
            near |= set(self._near(shape, goal.spot, standing))
        if not seen:
            return near
        walls = self._walls[grid.step, shape]
        edge = grid.beside(shape, seen, walls.turns) & walls.nodes & ~seen
        turning = (seen | grid.beside(shape, seen, walls.turns)) & walls.turns & ~field_.free.turns
        for spot in standing - near:
            taken = self._taken_by(grid, shape, spot)
            if taken.nodes & edge or taken.turns & turning:
                near.add(spot)
        return near

    # Ways as poses.

    def _changed_on_the_way(
        self,
        grid: Grid,
        upright: tuple[_Field, list[_Dock], int],
        carried: _Field,
        start: Spot,
        goal: Goal,
        targets: _Targets,
        standing: frozenset[Spot],
    ) -> Way | None:
        """Upright to where there is room to change how it is held, and on from there."""
        first, docks, seen = upright
        reached = grid.flood(carried.shape, carried.free, targets.nodes, 0)[1]
        if not seen & reached or first.shape.turns != carried.shape.turns:
            return None
        waves, _ = grid.flood(first.shape, first.free, _nodes(docks), reached)
        to = self._way(grid, first, start, Out(), docks, waves, _Targets(reached, []), standing)
        at = ones(waves[-1] & reached)[0]
        waves, _ = grid.flood(carried.shape, carried.free, 1 << at, targets.nodes)
        nodes = grid.trace(carried.shape, carried.free, waves, ones(waves[-1] & targets.nodes)[0])
        poses = to.poses + tuple(self._walked(grid, carried, nodes, to.poses[-1].turn_deg))
        if isinstance(goal, Onto):
            poses += (poses[-1]._replace(how="upright"),)
        return Way(poses, standing, (*to.marks, self._marked(grid, carried.shape, nodes)), to.pushes)

    def _way(
        self,
        grid: Grid,
        field_: _Field,
        start: Spot,
        goal: Goal,
        docks: list[_Dock],
        waves: list[int],
        targets: _Targets,
        standing: frozenset[Spot],
    ) -> Way:
        nodes = grid.trace(field_.shape, field_.free, waves, ones(waves[-1] & targets.nodes)[0])
        how = field_.held.how
        dock = next(dock for dock in docks if dock.node == nodes[0])
        poses = [Pose(start.x_in16, start.y_in16, start.turn_deg)]
        poses += [Pose(start.x_in16, start.y_in16, start.turn_deg, how)]
        poses += [Pose(round(dock.by[0]), round(dock.by[1]), start.turn_deg, how)]
        walked = self._walked(grid, field_, nodes, start.turn_deg)
        pushes = [*zip(poses[1:], [*poses[2:], walked[0]], strict=True)]
        poses += walked
        if isinstance(goal, To):
            end = next(dock for dock in targets.docks if dock.node == nodes[-1])
            turn = poses[-1].turn_deg
            ending = [Pose(round(end.by[0]), round(end.by[1]), turn, how), Pose(goal.spot.x_in16, goal.spot.y_in16, turn, how)]
            pushes += [*zip([poses[-1], *ending[:-1]], ending, strict=True)]
            poses += [*ending, Pose(goal.spot.x_in16, goal.spot.y_in16, turn)]
        elif isinstance(goal, Onto):
            poses += [poses[-1]._replace(how="upright")]
        half_w, half_d = field_.shape.half_w, field_.shape.half_d
        return Way(
            tuple(pose for n, pose in enumerate(poses) if n == 0 or pose != poses[n - 1]),
            standing,
            (self._marked(grid, field_.shape, nodes),),
            tuple(_Push(Box(a.x_in16, a.y_in16, half_w, half_d, a.turn_deg), b[:2]) for a, b in pushes),
        )

    @staticmethod
    def _marked(grid: Grid, shape: Shape, nodes: list[int]) -> _Marks:
        at = turns = 0
        for node in nodes:
            at |= 1 << node
        for a, b in itertools.pairwise(nodes):
            if abs(a - b) >= grid.layer:
                turns |= 1 << (min(a, b) if abs(a - b) == grid.layer else max(a, b))
        return _Marks(grid, shape, at, turns)

    def _farthest(self, grid: Grid, hits: int) -> int:
        """On staging floor: as far from the booth's opening as can be, so that the others still come by."""
        opening = self.ground.booth.opening
        return min(ones(hits), key=lambda node: (-shapely.distance(opening, shapely.Point(grid.place(node)[1:])), node))

    @staticmethod
    def _walked(grid: Grid, field_: _Field, nodes: list[int], turn_deg: int) -> list[Pose]:
        """Nodes as poses; turns go on from the turn it begins with, so that none jumps."""
        shape = field_.shape
        poses: list[Pose] = []
        last: int | None = None
        for node in nodes:
            layer, x, y = grid.place(node)
            if last is not None and layer != last:
                by = (shape.turns[layer] - shape.turns[last]) % shape.round_deg
                turn_deg += by if (layer - last) % len(shape.turns) == 1 else by - shape.round_deg
            last = layer
            poses.append(Pose(x, y, turn_deg, field_.held.how))
        return poses


class _Targets(NamedTuple):
    nodes: int
    docks: list[_Dock]


def _nodes(docks: Iterable[_Dock]) -> int:
    return reduce(or_, (1 << dock.node for dock in docks), 0)
