"""How wide the way into a booth is: a travelling disc, from the aisle to within reach of every piece.

The middle of a disc may be where nothing that stands on the floor, no post and no closed side is nearer than its radius. It comes
from the aisle, which counts as free: what stands there is judged on the mall's plan. A disc is a quarter of a sixteenth smaller
in radius than asked, so that of two ways a sixteenth apart one passes and the other does not, whatever the rounding of the arcs.

A piece is come to when the disc's edge is within an arm's reach of it: 24 in., over nothing higher than 34 in. or than the
piece's own lower edge (2010 ADA Standards 308.3.2, the obstructed side reach: at most 24 in. deep over at most 34 in. of height).
Low pieces may so stand before taller ones. Before doors and drawers the disc must come up to the floor they open over. What hangs
with its lower edge 80 in. or more above the floor is in nobody's way (307.4); what is no higher than 1/2 in. is floor (303.3).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from coop.floor.domain.walkable import ARC, SLACK, touch_in16
from coop.resets.domain.finding import Finding, finding
from coop.resets.domain.fit.boxes import Array, Mask, clipped, crosses, strips_before
from coop.resets.domain.fit.scene import CLOSED, HAIR_IN16, Scene, length, listed

ARM_IN16 = 24 * 16
OVER_IN16 = 34 * 16
HEADROOM_IN16 = 80 * 16
BODY_IN16 = 12 * 16
"""Nobody goes where it is narrower, sideways either: about the depth of a broad chest (ANSUR II, from memory)."""
_STEP = 4
"""Ways are tried by quarters of an inch; where two things make the narrowest place, what is told is how far they are apart."""
_SAMPLE = 6 * 16
_SLIT = 1 / 2
_ROUGH = 4
"""What a quick answer may be wrong by."""


@dataclass(frozen=True)
class Target:
    """What is to be come to: piece n of the scene, by its footprint or by the floor its doors open over (`before`)."""

    n: int
    shape: Any
    before: bool


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
        along = ends[:, 1] - ends[:, 0]
        along = along / np.hypot(along[:, 0], along[:, 1])[:, None] * scene.booth.way_in16
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
        return self._domain.difference(shapely.union_all(shapely.buffer(self.obstacles, _SLIT, quad_segs=1)))

    def region(self, width_in16: int, *, quickly: bool = False) -> Any:
        """Where the middle of a disc of this width gets to from the aisle, as one geometry; empty where it is nowhere.

        Quickly, the arcs are coarse, and small jogs make it narrower than it is.
        """
        key = width_in16, quickly
        if key not in self._regions:
            radius = width_in16 / 2 - SLACK
            if quickly:
                free = self._floor.buffer(_SLIT - radius, quad_segs=ARC // 4)
            else:
                # One by one: the boundary of a whole floor is simplified before it is moved.
                free = self._domain.difference(shapely.union_all(shapely.buffer(self.obstacles, radius, quad_segs=ARC)))
            parts = shapely.get_parts(free)
            come = parts[shapely.intersects(parts, self._aisle[1])]
            self._regions[key] = shapely.multipolygons([part for part in come if part.geom_type == "Polygon"])
            shapely.prepare(self._regions[key])
        return self._regions[key]

    def comes_to(self, targets: Sequence[Target], width_in16: int, *, quickly: bool = False) -> Mask:
        """Which targets a disc of this width comes to."""
        region = self.region(width_in16, quickly=quickly)
        if region.is_empty or not targets:
            return np.zeros(len(targets), dtype=bool)
        reach = np.array([touch_in16(width_in16) + (0 if t.before else ARM_IN16) for t in targets])
        shapes = np.array([t.shape for t in targets], dtype=object)
        lines = shapely.shortest_line(region, shapes)
        found: Mask = shapely.length(lines) <= reach
        which = np.flatnonzero(found)
        if len(which):
            ends = shapely.get_coordinates(lines[which]).reshape(-1, 2, 2)
            found[which] = self._clear(ends[:, 0], ends[:, 1], [targets[i].n for i in which.tolist()])
            for i in which[~found[which]].tolist():  # the nearest line is barred: another may not be
                found[i] = self._comes_some_way(targets[i], region, float(reach[i]))
        return found

    def _comes_some_way(self, target: Target, region: Any, reach: float) -> bool:
        """By any line from the region to any side of the piece, where the nearest is barred."""
        edge = shapely.intersection(region.boundary, target.shape.buffer(reach - 1, quad_segs=ARC))
        points = shapely.points(np.unique(shapely.get_coordinates(shapely.segmentize(edge, _SAMPLE)), axis=0))
        if not len(points):
            return False
        # To the nearest point of the piece, and to points all round it.
        round_it = shapely.points(shapely.get_coordinates(shapely.segmentize(target.shape.exterior, _SAMPLE)))
        lines = np.concatenate(
            [shapely.shortest_line(points, target.shape), shapely.shortest_line(points[:, None], round_it[None]).ravel()]
        )
        lines = lines[shapely.length(lines) <= reach]
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        return bool(self._clear(ends[:, 0], ends[:, 1], [target.n] * len(ends)).any())

    def _clear(self, starts: Array, ends: Array, pieces: Sequence[int]) -> Mask:
        """Whether an arm gets along each line to its piece: through no closed side or post, over nothing too high."""
        scene = self.scene
        high = np.maximum(OVER_IN16, scene.bottom[list(pieces)])[:, None]
        bars = scene.standing & (scene.bottom <= high) & (scene.top > high)
        bars[np.arange(len(pieces)), list(pieces)] = False
        entry, leaving = clipped(starts, ends, scene.boxes.grown(-HAIR_IN16))
        barred = (bars & (entry < leaving)).any(axis=1)
        return np.logical_not(barred | crosses(starts, ends, scene.barriers))

    def widest(self, targets: Sequence[Target]) -> list[int]:
        """The widest disc, by quarters of an inch, that comes to each of these, below the asked width; 0 below a body's depth."""
        found = [0] * len(targets)

        def narrow(low: int, high: int, which: list[int]) -> None:
            if high - low <= 1 or not which:
                for i in which:
                    found[i] = low * _STEP
                return
            middle = (low + high) // 2
            passes = self.comes_to([targets[i] for i in which], middle * _STEP, quickly=True)
            narrow(low, middle, [i for i, passed in zip(which, passes, strict=True) if not passed])
            narrow(middle, high, [i for i, passed in zip(which, passes, strict=True) if passed])

        least, most = BODY_IN16 // _STEP, -(-self.scene.booth.way_in16 // _STEP)
        passes = self.comes_to(targets, BODY_IN16)
        narrow(least, most, [i for i in range(len(targets)) if passes[i]])
        return found

    def gap(self, width_in16: int) -> tuple[int, int, Any] | None:
        """The two obstacles, and the line between them, that stop a disc a quarter of an inch wider than this one."""
        before, beyond = (self.region(width, quickly=True) for width in (width_in16 + _STEP, width_in16))
        a, b = np.triu_indices(len(self.obstacles), 1)
        apart = shapely.distance(self.obstacles[a], self.obstacles[b])
        near = np.flatnonzero((apart >= width_in16 - 1) & (apart < width_in16 + _STEP + _ROUGH))
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
    targets = [t for t in targets_of(scene, cannot_open) if ways.scene.standing[t.n] or t.before]
    missed = [t for t, come in zip(targets, ways.comes_to(targets, asked), strict=True) if not come]
    if not missed:
        return
    places: dict[int, list[Target]] = defaultdict(list)
    for target, widest in zip(missed, ways.widest(missed), strict=True):
        if widest:
            places[widest].append(target)
        else:
            yield _unreached(scene, target, asked)
    for widest, stopped in sorted(places.items()):
        yield _narrow(ways, widest, stopped)


def targets_of(scene: Scene, cannot_open: set[str]) -> list[Target]:
    targets = []
    for n, one in enumerate(scene.placed):
        before = one.piece.opens_in16 > 0 and one.key not in cannot_open
        shape = strips_before(scene.boxes[[n]], np.array([one.piece.opens_in16])).shapes[0] if before else scene.shapes[n]
        targets.append(Target(n, shape, before))
    return targets


def _unreached(scene: Scene, target: Target, asked: int) -> Finding:
    name, one = scene.name(target.n), scene.placed[target.n]
    if target.before:
        said = "the floor before its doors or drawers cannot be come to"
        said += f"; leave a way of {length(asked)} up to it, or turn it to the way"
    else:
        said = f"no way in the booth comes within {length(ARM_IN16)} of it, over nothing higher than {length(OVER_IN16)}"
        said += f"; leave a way of {length(asked)} near it, or bring it to the front"
    # What hangs is taken down with a hook or a step: told, and no more.
    return finding(
        "out of reach", f"Nobody can reach {name}: {said}.", [one.key], scene.shapes[target.n], stops=_stops(scene, target)
    )


def _stops(scene: Scene, target: Target) -> bool:
    return scene.placed[target.n].piece.stands != "wall"


def _narrow(ways: Ways, widest: int, stopped: Sequence[Target]) -> Finding:
    scene, asked = ways.scene, ways.scene.booth.way_in16
    names = listed([scene.name(t.n) for t in stopped])
    keys = [scene.placed[t.n].key for t in stopped]
    stops = any(_stops(scene, t) for t in stopped)
    gap = ways.gap(widest)
    if gap is None:
        at = stopped[0].shape
        before = ways.region(widest + _STEP, quickly=True)
        at = at if before.is_empty else shapely.shortest_line(before, at)
        sentence = (
            f"The way to {names} is {length(widest)} wide, and {length(asked)} is asked; "
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
