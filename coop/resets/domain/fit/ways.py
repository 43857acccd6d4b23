"""How wide the way into a booth is: a travelling disc, from the aisle to within reach of every piece.

The middle of a disc may be where nothing that stands on the floor, no post and no closed side is nearer than its radius. It comes
from the aisle, which counts as free: what stands there is judged on the mall's plan. A disc is a quarter of a sixteenth smaller
in radius than asked, so that of two ways a sixteenth apart one passes and the other does not, whatever the rounding of the arcs.

A piece is come to when the disc's edge is within an arm's reach of it: 24 in., over nothing higher than 34 in. or than the
piece's own lower edge (2010 ADA Standards 308.3.2, the obstructed side reach: at most 24 in. deep over at most 34 in. of height).
Low pieces may so stand before taller ones. Before doors and drawers the disc must come up to the floor they open over. What hangs
with its lower edge 80 in. or more above the floor is in nobody's way (307.4); what is no higher than 1/2 in. is floor (303.3).
The exception of 403.5.1 (32 in. for 24 in. of length) is not taken inside a booth: what was asked is kept throughout.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from coop.floor.domain.walkable import ARC, SLACK, touch_in16
from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.boxes import Array, Boxes, Mask, Numbers, clipped, crosses, nearest_points, strips_before
from coop.resets.domain.fit.scene import CLOSED, HAIR_IN16, Scene, length, listed

ARM_IN16 = 24 * 16
OVER_IN16 = 34 * 16
HEADROOM_IN16 = 80 * 16
BODY_IN16 = 12 * 16
"""Nobody goes where it is narrower, sideways either: about the depth of a broad chest (ANSUR II, from memory)."""
_COARSE, _STEP, _REFINED = 32, 4, 6
"""Ways are tried by 2 in., then the six places that stop most by quarters of one; where two things make the narrowest place,
what is told is how far they are apart.
"""
_SAMPLE, _PLACES = 8 * 16, 24
_ROUND = np.array([[0, 1], [1, 0], [-1, 0], [0, -1], [1, 1], [-1, 1], [1, -1], [-1, -1]])
_SLIT = 1 / 2
_ROUGH = 4
"""What a quick answer may be wrong by."""


@dataclass(frozen=True)
class Targets:
    """What is to be come to: pieces of the scene by their numbers, (k,), each by its footprint or, where `before`, by the floor
    its doors open over.
    """

    pieces: Numbers
    boxes: Boxes
    shapes: Any
    before: Mask

    def __len__(self) -> int:
        return len(self.pieces)

    def __getitem__(self, which: Any) -> Targets:
        return Targets(self.pieces[which], self.boxes[which], self.shapes[which], self.before[which])


class Ways:
    """Where discs can be that came in from the aisle; each width is kept, for it is asked for again."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._regions: dict[tuple[int, bool], Any] = {}

    @cached_property
    def open_sides(self) -> list[int]:
        return list(self.scene.booth.sides_of("open"))

    @cached_property
    def _aisle(self) -> tuple[Any, Any]:
        """The floor before the open sides, and the lines on it where discs come from."""
        scene = self.scene
        deep = 2 * scene.booth.way_in16
        ends, out = scene.sides[self.open_sides], -scene.inward[self.open_sides]
        along = scene.along[self.open_sides] * scene.booth.way_in16
        near = np.stack([ends[:, 0] - along, ends[:, 1] + along], axis=1)
        far = near + out[:, None] * deep
        strips = shapely.polygons(np.stack([near[:, 0], near[:, 1], far[:, 1], far[:, 0]], axis=1))
        # Farther from the strip's own edges than half a way: a floor that is shrunk loses that much there.
        return shapely.union_all(strips), shapely.union_all(shapely.linestrings((near + 2 * far) / 3))

    @cached_property
    def _domain(self) -> Any:
        return shapely.union_all([self.scene.shape, self._aisle[0]])

    @cached_property
    def _standing(self) -> list[int]:
        """Pieces a disc meets, without those that stand wholly over another which it meets."""
        scene = self.scene
        met = scene.standing & (scene.bottom < HEADROOM_IN16)
        for n in np.flatnonzero(met).tolist():
            on = scene.placed[n].on
            m = scene.index.get(on) if on is not None else None
            if m is not None and scene.standing[m] and scene.bottom[m] < HEADROOM_IN16:
                corners = scene.boxes[[n]].corners[0] - scene.boxes.middle[m]
                over = np.abs(np.stack([corners @ scene.boxes.across[m], corners @ scene.boxes.ahead[m]], axis=1))
                met[n] = bool((over > scene.boxes.half[m] + 1 / 100).any())
        return [int(n) for n in np.flatnonzero(met)]

    @cached_property
    def obstacles(self) -> Any:
        """Shapes: pieces, then closed sides, then posts."""
        sides = shapely.linestrings(self.scene.sides[list(self.scene.booth.sides_of(*CLOSED))])
        return np.array([*self.scene.shapes[self._standing], *sides, *self.scene.posts], dtype=object)

    @cached_property
    def obstacle_names(self) -> list[tuple[str, int | None]]:
        """What each obstacle is called, and which piece of the scene it is."""
        scene = self.scene
        pieces: list[tuple[str, int | None]] = [(scene.name(n), n) for n in self._standing]
        sides: list[tuple[str, int | None]] = [(scene.side_name(n), None) for n in scene.booth.sides_of(*CLOSED)]
        return [*pieces, *sides, *[("the post", None)] * len(scene.posts)]

    @cached_property
    def _floor(self) -> Any:
        """The floor without what stands on it, closed sides as slits."""
        slit = shapely.buffer(self.obstacles, _SLIT, join_style="mitre", cap_style="square")
        return self._domain.difference(shapely.union_all(slit))

    def region(self, width_in16: int, *, quickly: bool = False) -> Any:
        """Where the middle of a disc of this width gets to from the aisle, as one geometry; empty where it is nowhere.

        Quickly, the arcs are coarse, and small jogs make it narrower than it is.
        """
        key = width_in16, quickly
        if key not in self._regions:
            radius = width_in16 / 2 - SLACK
            if quickly and width_in16 > BODY_IN16:
                # Where a wider disc may be lies as much farther in: shrunk twice is shrunk by both, and there is less of it.
                narrower = self.region(BODY_IN16, quickly=True)
                free = narrower.buffer((BODY_IN16 - width_in16) / 2, quad_segs=ARC // 4)
            elif quickly:
                free = self._floor.buffer(_SLIT - radius, quad_segs=ARC // 4)
            else:
                # One by one: the boundary of a whole floor is simplified before it is moved.
                free = self._domain.difference(shapely.union_all(shapely.buffer(self.obstacles, radius, quad_segs=ARC)))
            parts = shapely.get_parts(free)
            come = parts[shapely.intersects(parts, self._aisle[1])]
            self._regions[key] = shapely.MultiPolygon([part for part in come if part.geom_type == "Polygon"])
            shapely.prepare(self._regions[key])
        return self._regions[key]

    def comes_to(self, targets: Targets, width_in16: int, *, quickly: bool = False) -> Mask:
        """Which targets a disc of this width comes to, (k,)."""
        region = self.region(width_in16, quickly=quickly)
        if region.is_empty or not len(targets):
            return np.zeros(len(targets), dtype=bool)
        reach = touch_in16(width_in16) + np.where(targets.before, 0, ARM_IN16)
        lines = shapely.shortest_line(region, targets.shapes)
        found: Mask = shapely.length(lines) <= reach
        near = np.flatnonzero(found)
        ends = shapely.get_coordinates(lines[near]).reshape(-1, 2, 2)
        found[near] = self._clear(ends[:, 0], ends[:, 1], targets.pieces[near])
        barred = near[~found[near]]
        if len(barred):  # the nearest line is: another may not be
            found[barred] = self._comes_some_way(targets[barred], region, reach[barred])
        return found

    def _comes_some_way(self, targets: Targets, region: Any, reach: Array) -> Mask:
        """By lines from places along the edge of the region to the nearest point of the piece, and to points of all its sides."""
        # Arcs thinned out: the nearest places would lie in one heap on the wrong side of a wall.
        places = shapely.get_coordinates(
            shapely.segmentize(shapely.simplify(region.boundary, 4, preserve_topology=False), _SAMPLE)
        )
        nearest = nearest_points(places, targets.boxes)
        apart = np.hypot(*(nearest - places).transpose(2, 0, 1))
        few = apart.argsort(axis=1)[:, :_PLACES]
        row = np.repeat(np.arange(len(targets)), few.shape[1])
        place = few.ravel()
        found = np.zeros(len(targets), dtype=bool)
        for sides in (nearest[row, place][:, None], targets.boxes.points(_ROUND)[row]):
            far = np.hypot(*(sides - places[place][:, None]).transpose(2, 0, 1)) <= reach[row][:, None]
            line, side = np.nonzero(far & ~found[row][:, None])
            clear = self._clear(places[place[line]], sides[line, side], targets.pieces[row[line]])
            found[row[line[clear]]] = True
        return found

    def _clear(self, starts: Array, ends: Array, pieces: Numbers) -> Mask:
        """Whether an arm gets along each line to its piece: through no closed side or post, over nothing too high."""
        scene = self.scene
        high = np.maximum(OVER_IN16, scene.bottom[pieces])[:, None]
        bars = scene.standing & (scene.bottom <= high) & (scene.top > high)
        bars[np.arange(len(pieces)), pieces] = False
        entry, leaving = clipped(starts, ends, scene.boxes.grown(-HAIR_IN16))
        barred = (bars & (entry < leaving)).any(axis=1)
        return np.logical_not(barred | crosses(starts, ends, scene.barriers))

    def widest(self, targets: Targets) -> tuple[Numbers, Numbers]:
        """The widest disc that comes to each of these, below the asked width, (k,), 0 below a body's depth; and how far the next
        is that was tried and does not, (k,).
        """
        found, steps = np.zeros(len(targets), dtype=int), np.full(len(targets), _COARSE)

        def narrow(low: int, high: int, which: Numbers, step: int) -> None:
            if high - low <= step or not len(which):
                found[which], steps[which] = low, step
                return
            middle = low + (high - low) // step // 2 * step
            passed = self.comes_to(targets[which], middle, quickly=True)
            narrow(low, middle, which[~passed], step)
            narrow(middle, high, which[passed], step)

        passed = np.flatnonzero(self.comes_to(targets, BODY_IN16, quickly=True))
        narrow(BODY_IN16, max(self.scene.booth.way_in16, BODY_IN16), passed, _COARSE)
        places, counts = np.unique(found[found > 0], return_counts=True)
        for low in places[counts.argsort(kind="stable")[::-1][:_REFINED]].tolist():
            narrow(low, min(low + _COARSE, self.scene.booth.way_in16), np.flatnonzero(found == low), _STEP)
        return found, steps

    @cached_property
    def _pairs(self) -> tuple[Numbers, Numbers, Array]:
        """Every two obstacles, and how far apart they are."""
        a, b = np.triu_indices(len(self.obstacles), 1)
        return a, b, shapely.distance(self.obstacles[a], self.obstacles[b])

    def gap(self, width_in16: int, step_in16: int) -> tuple[int, int, Any] | None:
        """The two obstacles, and the line between them, that stop a disc a little wider than this one, which passes."""
        before, beyond = (self.region(width, quickly=True) for width in (width_in16 + step_in16, width_in16))
        a, b, apart = self._pairs
        near = np.flatnonzero((apart >= width_in16 - 1) & (apart < width_in16 + step_in16 + _ROUGH))
        if not len(near):
            return None
        lines = shapely.shortest_line(self.obstacles[a[near]], self.obstacles[b[near]])
        middles = shapely.line_interpolate_point(lines, 0.5, normalized=True)
        passed = shapely.dwithin(middles, beyond, _ROUGH) & ~shapely.dwithin(middles, before, 1)
        if not passed.any():
            return None
        far = np.where(passed, shapely.distance(middles, before) if not before.is_empty else 0, np.inf)
        best = int(far.argmin())
        return int(a[near[best]]), int(b[near[best]]), lines[best]


def way_findings(ways: Ways, cannot_open: set[str]) -> Iterator[Finding]:
    """Ways narrower than asked, one finding a narrow place, and pieces nobody can reach.

    Of a piece whose doors cannot open at all, told otherwise, only the piece is to be come to.
    """
    scene = ways.scene
    if not ways.open_sides:
        yield finding("way narrow", "The booth has no open side; say which of its sides is open to the aisle.", (), scene.shape)
        return
    asked = scene.booth.way_in16
    targets = targets_of(scene, cannot_open)
    missed = targets[~ways.comes_to(targets, asked)]
    if not len(missed):
        return
    widest, steps = ways.widest(missed)
    for i in np.flatnonzero(widest == 0).tolist():
        yield _unreached(scene, int(missed.pieces[i]), bool(missed.before[i]))
    for width in np.unique(widest[widest > 0]).tolist():
        same = widest == width
        yield _narrow(ways, width, int(steps[same][0]), missed[same])


def targets_of(scene: Scene, cannot_open: set[str]) -> Targets:
    """Every piece but rugs."""
    pieces = np.flatnonzero(scene.standing)
    opens = np.array([scene.placed[n].piece.opens_in16 for n in pieces.tolist()], dtype=float)
    opens[[scene.placed[n].key in cannot_open for n in pieces.tolist()]] = 0
    own, before = scene.boxes[pieces], opens > 0
    strips = strips_before(own, opens)
    middle, half = (np.where(before[:, None], s, o) for s, o in ((strips.middle, own.middle), (strips.half, own.half)))
    boxes = Boxes(middle, half, own.across, own.ahead)
    return Targets(pieces, boxes, boxes.shapes, before)


def _unreached(scene: Scene, n: int, before: bool) -> Finding:
    asked, key = scene.booth.way_in16, scene.placed[n].key
    if before:
        said = "the floor before its doors or drawers cannot be come to"
        said += f"; leave a way of {length(asked)} up to it, or turn it to the way"
    else:
        said = f"no way in the booth comes within {length(ARM_IN16)} of it, over nothing higher than {length(OVER_IN16)}"
        said += f"; leave a way of {length(asked)} near it, or bring it to the front"
    at, stops = scene.shapes[n], _stops(scene, n)
    return finding("out of reach", f"Nobody can reach {scene.name(n)}: {said}.", [key], at, stops=stops)


def _stops(scene: Scene, n: int) -> bool:
    """What hangs is taken down with a hook or a step: that nobody reaches it is told, and no more."""
    return scene.placed[n].piece.stands != "wall"


def _narrow(ways: Ways, widest: int, step: int, stopped: Targets) -> Finding:
    scene, asked = ways.scene, ways.scene.booth.way_in16
    pieces = stopped.pieces.tolist()
    names = listed([scene.name(n) for n in pieces])
    keys = [scene.placed[n].key for n in pieces]
    stops = any(_stops(scene, n) for n in pieces)
    gap = ways.gap(widest, step) if step == _STEP else None
    if gap is None:
        at = stopped.shapes[0]
        before = ways.region(min(widest + step, asked), quickly=True)
        at = at if before.is_empty else shapely.shortest_line(before, at)
        about = length(widest) if step == _STEP else f"{length(widest)} to {length(min(widest + step, asked))}"
        sentence = (
            f"The way to {names} is {about} wide, and {length(asked)} is asked; "
            f"move what stands beside it {length(asked - widest)} apart."
        )
        return finding("way narrow", sentence, keys, at, measured_in16=widest, required_in16=asked, stops=stops)
    one, two, line = gap
    measured = min(int(line.length + 1 / 100), asked - 1)
    (one_name, n), (two_name, m) = ways.obstacle_names[one], ways.obstacle_names[two]
    more = length(asked - measured)
    if n is not None and m is not None:
        mend = f"move {one_name} and {two_name} {more} farther apart"
    elif n is not None:
        mend = f"move {one_name} {more} away from {two_name}"
    else:
        mend = f"put {'it' if len(stopped) == 1 else 'them'} before that place, or have a narrower way agreed"
    sentence = (
        f"The way to {names} narrows to {length(measured)} between {one_name} and {two_name}; {length(asked)} is asked: {mend}."
    )
    between = [scene.placed[i].key for i in (n, m) if i is not None]
    keys += [key for key in between if key not in keys]
    return finding("way narrow", sentence, keys, line, measured_in16=measured, required_in16=asked, stops=stops)
