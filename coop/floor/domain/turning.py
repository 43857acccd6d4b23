"""Turns of 180 degrees, passing spaces and counters.

Sources: 2010 ADA Standards 403.5.2 (a turn about an element less than 48 in. wide: 42 in. approaching, 48 at the turn, 42
leaving; or 60 in. at the turn), 403.5.3 (where a route is less than 60 in. wide, passing spaces at most 200 ft apart: 60 by 60
in., or a T of ways whose base and arms go on 48 in. beyond the intersection; its base and arms are 36 in. wide as in 304.3.2),
904.4.1 (a counter has a portion 36 in. long and at most 36 in. high; where the whole counter is shorter, all of it is at most
36 in. high).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from coop.floor.domain.clear_width import string_diameter
from coop.floor.domain.finding import Finding, Kind, begin, finding, length
from coop.floor.domain.plan import LEAST_CLEAR_IN16
from coop.floor.domain.walkable import Geometry, Walkable, named_fixture, named_space, rectangle_sides, shrunk_square

_IN = 16
ELEMENT_IN16 = 48 * _IN
TURN_IN16 = (42 * _IN, 48 * _IN, 42 * _IN)
WIDE_TURN_IN16 = 60 * _IN
PASSING_IN16 = 60 * _IN
PASSING_EVERY_IN16 = 200 * 12 * _IN
T_BEYOND_IN16 = 48 * _IN
_LOOK_IN16 = 16 * 12 * _IN
_MANY = 600
"""A lane of more corners is measured by somebody who looks so far ahead only: some inches too long, a hundred times sooner."""
COUNTER_IN16 = 36 * _IN
_EXACT = 1 / 2
"""Half a sixteenth: a width is compared as a whole number of them, whatever the arithmetic leaves behind the point."""

# --- turns --------------------------------------------------------------------------------------------------------------


def turn_complies(element_in16: float, approaching_in16: float, at_turn_in16: float, leaving_in16: float) -> bool:
    """403.5.2 on the width of the element turned about and the clear widths approaching, at the turn and leaving."""
    if min(approaching_in16, at_turn_in16, leaving_in16) < LEAST_CLEAR_IN16:
        return False
    if element_in16 >= ELEMENT_IN16 or at_turn_in16 >= WIDE_TURN_IN16:
        return True
    return all(w >= r for w, r in zip((approaching_in16, at_turn_in16, leaving_in16), TURN_IN16, strict=True))


def turn_findings(walkable: Walkable) -> Iterator[Finding]:
    """Free ends of rows and islands narrower than 48 in. that cannot be turned about though a 36 in. way leads round them.

    An end counts where the row holds a space or counter, its sides are 36 in. long or more, and the way along both and round the
    end is 36 in. clear: a narrower one is no way, and what it fails to reach is told otherwise.
    """
    held = [(named_space(s), shape) for s, shape in walkable.spaces]
    held += [(named_fixture(f), shape) for f, shape in walkable.fixtures if f.kind == "counter"]
    tree = shapely.STRtree([shape for _, shape in held])
    for side, end, other in free_ends(walkable.floor):
        near = tree.query(LineString(end), predicate="dwithin", distance=2)
        if not len(near):
            continue
        element = float(np.hypot(*(end[1] - end[0])))
        widths = [clear_beside(walkable.floor, edge) for edge in (side, end, other)]
        if min(widths) < LEAST_CLEAR_IN16 - _EXACT or turn_complies(element, *(width + _EXACT for width in widths)):
            continue
        parts = [held[n][0] for n in sorted(near.tolist())]
        said = ", ".join(length(width) for width in widths)
        sentence = (
            f"The turn about the end of {' and '.join(map(str, parts))} ({length(element)} wide) is too tight: {said} clear "
            'approaching, at the turn and leaving; leave 42", 48" and 42", or 60" at the turn (403.5.2).'
        )
        at = LineString(end)
        yield finding("turn_tight", sentence, parts, at, measured_in16=round(widths[1]), required_in16=TURN_IN16[1])


def free_ends(floor: Geometry) -> Iterator[tuple[Any, Any, Any]]:
    """Side, end and other side of every obstacle's end less than 48 in. wide, each as its two points, the floor to the left.

    An end is a run of corners that together turn by half a circle; of a pointed or rounded one, the line square across its tip.
    """
    for corners in _rings(floor):
        ahead = np.roll(corners, -1, axis=0) - corners
        behind = np.roll(ahead, 1, axis=0)
        across = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
        angles = np.degrees(np.arctan2(across, (behind * ahead).sum(axis=1)))
        n = len(corners)
        for i in range(n):
            j, total = i, -angles[i]
            while angles[j % n] < 0 and total < 160 and j - i < n:
                j += 1
                total -= angles[j % n]
            if j == i or angles[j % n] >= 0 or not 160 <= total <= 200:
                continue
            run = corners[np.arange(i, j + 1) % n]
            before, after = corners[i - 1], corners[(j + 1) % n]
            lengths = np.hypot(*(run[0] - before)), np.hypot(*(after - run[-1]))
            width = np.hypot(*(run[-1] - run[0]))
            if not 0 < width < ELEMENT_IN16 or min(lengths) < LEAST_CLEAR_IN16:
                continue
            along = (run[-1] - run[0]) / width
            out = np.array([-along[1], along[0]])
            tip = np.stack([run[0], run[-1]]) + out * ((run - run[0]) @ out).max()
            near = [min(1, ELEMENT_IN16 / length) for length in lengths]
            side = np.stack([run[0] + (before - run[0]) * near[0], run[0]])
            yield side, tip, np.stack([run[-1], run[-1] + (after - run[-1]) * near[1]])


def _rings(floor: Geometry) -> Iterator[Any]:
    """The corners of each ring of the floor's boundary, the floor to the left, without the jogs that rounding leaves."""
    for polygon in shapely.get_parts(floor.simplify(2)):
        turned = shapely.orient_polygons(polygon)
        for ring in (turned.exterior, *turned.interiors):
            if len(ring.coords) > 3:
                yield shapely.get_coordinates(ring)[:-1]


def clear_beside(floor: Geometry, edge: Any) -> float:
    """The free depth of the floor to the left of an edge, up to 60 in. and a little."""
    along = edge[1] - edge[0]
    far = np.hypot(*along)
    out = np.array([-along[1], along[0]]) / far
    inset = along / far * 2
    near = np.array([edge[0] + inset, edge[1] - inset])
    deep = WIDE_TURN_IN16 + 2 * _IN
    strip = Polygon([*(near + out * 3), *(near + out * deep)[::-1]])
    blocked = strip.difference(floor)
    return deep if blocked.is_empty else float(blocked.distance(LineString(edge)))


# --- passing spaces -----------------------------------------------------------------------------------------------------


def passing_spaces(walkable: Walkable) -> Geometry:
    """Where two can pass: squares of 60 in. that lie square to what stands round them, and T-shaped intersections."""
    # Shrunk and grown with square corners: what squares in line with the sides sweep.
    squares = shrunk_square(walkable.floor, PASSING_IN16).buffer(PASSING_IN16 / 2, join_style="mitre")
    return shapely.union_all([squares, *t_intersections(walkable.floor)])


def t_intersections(floor: Geometry) -> list[Any]:
    """The T shapes that fit at the corners of what stands on the floor: 36 in. wide, going on 48 in. beyond the intersection."""
    shapes = []
    w, far = LEAST_CLEAR_IN16, T_BEYOND_IN16
    for corners in _rings(floor):
        for before, corner, after in zip(np.roll(corners, 1, axis=0), corners, np.roll(corners, -1, axis=0), strict=True):
            one, two = ((p - corner) / np.hypot(*(p - corner)) for p in (before, after))
            if abs((one * two).sum()) > 1 / 4 or one[0] * two[1] - one[1] * two[0] < 0:
                continue
            for u, v in ((one, two), (two, one)):
                # The base runs along the side u, beyond the corner's other side -v; the bar lies across, beyond -u.
                base = [corner, corner + u * far, corner + u * far - v * w, corner - v * w]
                bar = [corner + v * far, corner + v * far - u * w, corner - v * (w + far) - u * w, corner - v * (w + far)]
                shapes.append(shapely.union(Polygon(base), Polygon(bar)))
    grown = floor.buffer(_EXACT / 2, join_style="mitre")
    shapely.prepare(grown)
    fits = shapely.covers(grown, np.array(shapes, dtype=object)) if shapes else []
    return [shape for shape, fit in zip(shapes, fits, strict=True) if fit]


def passing_findings(walkable: Walkable) -> Iterator[Finding]:
    """Stretches of a 36 in. way longer than 200 ft on which two cannot pass."""
    lanes = shapely.difference(shapely.union_all(walkable.ground.shrunk(LEAST_CLEAR_IN16)), passing_spaces(walkable))
    for lane in shapely.get_parts(lanes):
        if lane.length / 2 <= PASSING_EVERY_IN16:
            continue
        far, ends = string_diameter(lane, _LOOK_IN16)
        if far > PASSING_EVERY_IN16 and (far == np.inf or shapely.get_num_coordinates(lane) <= _MANY):
            far, ends = string_diameter(lane)
        if far > PASSING_EVERY_IN16 + _EXACT:
            sentence = (
                f"This way runs {length(far)} with nowhere to pass; widen it to 5 by 5 ft, so that at most 200 ft lie "
                "between two such places (403.5.3)."
            )
            yield finding("no_passing_space", sentence, (), ends, measured_in16=round(far), required_in16=PASSING_EVERY_IN16)


# --- counters -----------------------------------------------------------------------------------------------------------


def counter_fault(portions: Sequence[tuple[float, int]]) -> Kind | None:
    """904.4.1 on the portions of one counter, each with its length and height: None where it complies."""
    low = [size for size, height in portions if height <= COUNTER_IN16]
    if not low:
        return "counter_high"
    if max(low) >= COUNTER_IN16 - _EXACT:
        return None
    short = sum(size for size, _ in portions) < COUNTER_IN16
    return None if short and len(low) == len(portions) else "counter_short"


def counter_findings(walkable: Walkable) -> Iterator[Finding]:
    """Counters without a low portion; counter fixtures that touch are portions of one."""
    counters = [(fixture, shape) for fixture, shape in walkable.fixtures if fixture.kind == "counter"]
    groups = shapely.get_parts(shapely.union_all([shape.buffer(1, join_style="mitre") for _, shape in counters]))
    for group in groups:
        inside = [(fixture, shape) for fixture, shape in counters if group.intersects(shape)]
        parts = [named_fixture(fixture) for fixture, _ in inside]
        name = begin(parts[0]) if len(parts) == 1 else "Counters " + ", ".join(part.code for part in parts)
        heights = [fixture.height_in16 for fixture, _ in inside if fixture.height_in16 is not None]
        if len(heights) < len(inside):
            sentence = f'{name}: no height is given; measure it (a portion 36" long is to be at most 36" high, 904.4.1).'
            yield finding("counter_unmeasured", sentence, parts, group)
            continue
        portions = [(max(rectangle_sides(shape)), height) for (_, shape), height in zip(inside, heights, strict=True)]
        fault = counter_fault(portions)
        if fault == "counter_high":
            said = f'is {length(min(heights))} high at its lowest; lower a portion 36" long to 36" (904.4.1).'
            yield finding(fault, f"{name} {said}", parts, group, measured_in16=min(heights), required_in16=COUNTER_IN16)
        elif fault == "counter_short":
            longest = max(size for size, height in portions if height <= COUNTER_IN16)
            said = f'has only {length(longest)} of its length at 36" or less; make that portion 36" long (904.4.1).'
            yield finding(fault, f"{name} {said}", parts, group, measured_in16=round(longest), required_in16=COUNTER_IN16)
