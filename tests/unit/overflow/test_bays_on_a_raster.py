"""Whatever stands in the bays of a mall, a disc walked over a grid of points gets where it got before: distances, flooding and
kept floor written here, of other code than the bays.

A way of clearance c has grid points within half a cell's diagonal of it, of clearance c less that; so what a disc larger by that
reached before, one smaller by it must reach with the pieces in place.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coop.floor.domain.plan import Aisle, checked_plan
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.clear import spoiled
from tests.unit.floor.domain.drawing import box, hall
from tests.unit.overflow.random_malls import random_mall

CELL = 2.0
HALF = CELL * math.sqrt(2) / 2 + 1 / 8
"""Half a cell's diagonal in inches, and an eighth for corners rounded to sixteenths."""
SEEDS = st.integers(0, 10_000)


def inches(points):
    return np.array(points, dtype=float) / 16


class Grid:
    """Points over a plan, each with its distance in inches to what stands; solid where it is inside something."""

    def __init__(self, plan):
        room = inches(plan.outline)
        low, high = room.min(axis=0) - CELL, room.max(axis=0) + CELL
        self.x, self.y = np.meshgrid(np.arange(low[0], high[0], CELL), np.arange(low[1], high[1], CELL), indexing="ij")
        self.free = np.where(inside(self.x, self.y, room), np.inf, 0)
        self.free = np.minimum(self.free, from_line(self.x, self.y, [*room, room[0]]))
        for wall in plan.walls:
            self.stand(stroke(inches(wall.points), wall.thickness_in16 / 16))
        for thing in (*plan.fixtures, *plan.spaces):
            self.stand(inches(thing.outline))

    def stand(self, corners):
        low, high = corners.min(axis=0) - 48, corners.max(axis=0) + 48
        i = np.flatnonzero((self.x[:, 0] >= low[0]) & (self.x[:, 0] <= high[0]))
        j = np.flatnonzero((self.y[0] >= low[1]) & (self.y[0] <= high[1]))
        if len(i) and len(j):
            part = np.s_[i[0] : i[-1] + 1, j[0] : j[-1] + 1]
            x, y = self.x[part], self.y[part]
            far = np.where(inside(x, y, corners), 0, from_line(x, y, [*corners, corners[0]]))
            self.free[part] = np.minimum(self.free[part], far)

    def copy(self):
        other = object.__new__(Grid)
        other.x, other.y, other.free = self.x, self.y, self.free.copy()
        return other

    def near(self, line, far):
        return from_line(self.x, self.y, line) <= far


def inside(x, y, corners):
    """Even-odd rule."""
    odd = np.zeros(x.shape, dtype=bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if ay != by:
            odd ^= ((ay > y) != (by > y)) & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
    return odd


def from_line(x, y, points):
    far = np.full(x.shape, np.inf)
    for (ax, ay), (bx, by) in pairwise(points):
        dx, dy = bx - ax, by - ay
        t = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0, 1) if dx or dy else 0
        far = np.minimum(far, np.hypot(x - ax - t * dx, y - ay - t * dy))
    return far


def stroke(line, thick):
    (a, b), half = line, thick / 2
    along = (b - a) / np.hypot(*(b - a))
    out = np.array([-along[1], along[0]]) * half
    return np.array([a + out, b + out, b - out, a - out])


def flooded(open_, starts):
    """All open cells that ways over open cells join to a start."""
    wet = starts & open_
    while True:
        wider = wet.copy()
        wider[1:] |= wet[:-1]
        wider[:-1] |= wet[1:]
        across = wider.copy()
        across[:, 1:] |= wider[:, :-1]
        across[:, :-1] |= wider[:, 1:]
        across &= open_
        if (across == wet).all():
            return wet
        wet = across


def sides(corners):
    return zip(corners, np.roll(corners, -1, axis=0), strict=True)


def middle(a, b, entry=36.0):
    """The middle part of a side that may be gone in by."""
    far = float(np.hypot(*(b - a)))
    half = min(entry, far) / 2 / far
    return a + (b - a) * (0.5 - half), a + (b - a) * (0.5 + half)


def goals(plan):
    """Lines of which a disc must touch one, by name: sides of spaces less 16 in. at either end, the middles of doors."""
    found = {}
    for space in plan.spaces:
        found[space.code] = []
        for a, b in sides(inches(space.outline)):
            far = float(np.hypot(*(b - a)))
            trim = min(32, far) / 2 / far
            found[space.code].append([a + (b - a) * trim, b + (a - b) * trim])
    for door in plan.doors:
        a, b = inches(door.points)
        found[door.code] = [[(a + b) / 2, (a + b) / 2]]
    return found


def reached(plan, grid, radius, touch):
    """What a disc gets to from the exits."""
    open_ = grid.free >= radius
    exits = np.zeros(open_.shape, dtype=bool)
    aims = goals(plan)
    for door in plan.exits:
        exits |= grid.near(aims[door.code][0], touch)
    wet = flooded(open_, exits)
    return {code for code, lines in aims.items() if any((wet & grid.near(line, touch)).any() for line in lines)}


def lost(plan, before, after):
    """What a disc of the plan's width got to before and does not any more."""
    radius = plan.required_clear_in16 / 32
    had = reached(plan, before, radius + HALF, radius + HALF + 1.5)
    return had - reached(plan, after, radius - HALF, radius + HALF)


def narrowed(plan, before, after, bays):
    """Aisles whose floor beside the bays a disc of their width went all over before, and does not any more.

    The middle of the disc is in the aisle or on its outline, as where it comes in: outside, the width of another aisle holds.
    """
    found = []
    for aisle in plan.aisles:
        radius = max(aisle.required_clear_in16 or 0, plan.required_clear_in16) / 32
        corners = inches(aisle.outline)
        window = inside(before.x, before.y, corners) | (from_line(before.x, before.y, [*corners, corners[0]]) <= HALF)
        had, has = (before.free >= radius + HALF) & window, (after.free >= radius - HALF) & window
        away = had.copy()
        for bay in bays:
            bay_corners = inches(bay.corners)
            away &= from_line(before.x, before.y, [*bay_corners, bay_corners[0]]) > radius + HALF
            away &= ~inside(before.x, before.y, bay_corners)
        while away.any():
            start = np.zeros(away.shape, dtype=bool)
            start[tuple(np.argwhere(away)[0])] = True
            place = flooded(had, start) & away
            if (place & ~flooded(has, start)).any():
                found.append(aisle.code)
            away &= ~place
    return found


def kept_lines(plan):
    """Doors and the middles of sides of spaces on the floor, each with its name and to which hand floor is kept, 0 for both."""
    found = [(door.code, *inches(door.points), 0) for door in plan.doors]
    for space in plan.spaces:
        corners = inches(space.outline)
        for one, two in sides(corners):
            along = (two - one) / np.hypot(*(two - one))
            normal = np.array([-along[1], along[0]])
            out = -np.sign((corners.mean(axis=0) - one) @ normal)
            x, y = ((one + two) / 2 + normal * out * np.linspace(1, 44, 20)[:, None]).T
            walled = any(inside(x, y, stroke(inches(w.points), 4)).any() for w in plan.walls)
            if not walled and not any(inside(x[:1], y[:1], inches(other.outline)).any() for other in plan.spaces):
                found.append((space.code, *middle(one, two), out))
    return found


def on_kept_floor(plan, lines, piece):
    """Whose kept floor a piece lies on, by points an inch or two apart over it."""
    a, b, _, d = inches(piece)
    s, t = np.meshgrid(np.linspace(0.01, 0.99, 40), np.linspace(0.01, 0.99, 20))
    points = a + s[..., None] * (b - a) + t[..., None] * (d - a)
    least = plan.required_clear_in16 / 16
    found = []
    for code, one, two, out in lines:
        far = np.hypot(*(two - one))
        along = (two - one) / far
        at, off = (points - one) @ along, (points - one) @ np.array([-along[1], along[0]])
        off = off * out if out else np.abs(off)
        if ((at > 0.25) & (at < far - 0.25) & (off > 0) & (off < least - 0.25)).any():
            found.append(code)
    for fixture in plan.fixtures:
        if fixture.kind in ("extinguisher", "counter"):
            corners = inches(fixture.outline)
            away = from_line(points[..., 0], points[..., 1], [*corners, corners[0]])
            found += [fixture.code] * bool((away < (36 if fixture.kind == "extinguisher" else least) - 0.25).any())
    return found


def some_pieces(bays, chance):
    """Pieces in a row in some of the bays, with gaps or without."""
    found = []
    for bay in bays:
        at = chance.choice((0, 0, chance.randrange(0, bay.length_in16)))
        while at + 160 < bay.length_in16 and chance.random() < 0.8:
            to = min(bay.length_in16, at + chance.randrange(160, 960))
            found.append(bay.stretch(at, to, chance.choice((bay.depth_in16, chance.randrange(100, bay.depth_in16 + 1)))))
            at = to + chance.choice((0, 16, chance.randrange(0, 800)))
    return found


@settings(max_examples=3, deadline=None)
@given(SEEDS, SEEDS)
@example(1, 1)
@example(1001, 0)
def test_nothing_in_the_bays_takes_a_way(seed, other):
    plan = random_mall(seed)
    bays = work_out(plan).bays
    before, lines = Grid(plan), kept_lines(plan)
    for pieces in ([bay.corners for bay in bays], some_pieces(bays, random.Random(other))):
        after = before.copy()
        for piece in pieces:
            after.stand(inches(piece))
            assert on_kept_floor(plan, lines, piece) == []
        assert lost(plan, before, after) == set()
        assert narrowed(plan, before, after, bays) == []
        assert spoiled(plan, {str(n): piece for n, piece in enumerate(pieces)}, bays) == []


def test_most_random_malls_have_bays():
    assert sum(len(work_out(random_mall(seed)).bays) > 2 for seed in range(5)) >= 4


def test_the_raster_finds_a_piece_in_the_way():
    """A hall of 60 in. with a piece 30 in. deep in it leaves 30: the far exit is lost, and the aisle is narrowed."""
    drawn = hall(60, 300)
    doors = (drawn.doors[0], replace(drawn.doors[1], is_exit=False))
    plan = checked_plan(replace(drawn, doors=doors, aisles=(Aisle("A", box(0, 0, 300, 60)),)))
    before = Grid(plan)
    for deep, gone, narrow in ((30, {"E"}, ["A"]), (22, set(), [])):
        after = before.copy()
        bay = Bay("A-1", "A", box(140, 0, 40, deep))
        after.stand(inches(bay.corners))
        assert lost(plan, before, after) == gone
        assert narrowed(plan, before, after, [bay]) == narrow


def test_the_raster_finds_a_piece_on_kept_floor():
    plan = random_mall(3)
    (door, *_) = plan.doors
    (ax, ay), (bx, by) = door.points
    out = np.array([-(by - ay), bx - ax])
    corners = [np.array(p) + k * out // 2 for p, k in (((ax, ay), 1), ((bx, by), 1), ((bx, by), -1), ((ax, ay), -1))]
    assert door.code in on_kept_floor(plan, kept_lines(plan), corners)
