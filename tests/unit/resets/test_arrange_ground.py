"""The booth as bits: discs, the flood of the way, room for pieces, arms, each against shapes or plain loops."""

from __future__ import annotations

import random
from collections import deque

import numpy as np
import pytest
import shapely

from coop.resets.domain.arranging import FRONT, Judge, Wishes
from coop.resets.domain.booth import rectangle_booth
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.solving.ground import Ground, Stance

INCH = 16


def ground(width: int, depth: int, way: int, locked: tuple[Placed, ...] = (), grid: int = 2, **more) -> Ground:
    booth = rectangle_booth(width * INCH, depth * INCH, way_in16=way * INCH, **more)
    return Ground(booth, Judge(booth, Wishes(grid_in16=grid * INCH)), Arrangement(locked))


def piece(width: int, depth: int, height: int = 30, opens: int = 0) -> Piece:
    return Piece("it", "it", width * INCH, depth * INCH, height * INCH, opens_in16=opens * INCH)


@pytest.mark.parametrize(("way", "grid"), [(36, 2), (30, 2), (36, 6), (32, 3)])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_disc_is_just_where_it_is_a_radius_from_the_cells(way, grid, turn):
    there = ground(96, 102, way, grid=grid)
    stance = Stance(there, piece(36, 18), turn)
    nodes = shapely.points(there.x + there.off, there.y + there.off)
    for anchor in random.Random(way).sample(stance.anchors.tolist(), 6):
        cells = shapely.box(
            there.x[anchor], there.y[anchor], there.x[anchor] + stance.w * there.g, there.y[anchor] + stance.d * there.g
        )
        near = shapely.distance(nodes, cells) < way * INCH / 2
        free = there.flags(there.nodes)
        assert (there.flags(stance.disc_at_anchor(anchor))[free] == near[free]).all()


@pytest.mark.parametrize(("gap", "passes"), [(36, True), (35, False)])
def test_a_way_is_as_wide_as_asked_between_what_stays(gap, passes):
    """Two cupboards across a booth of 96 in.; nobody comes behind them through less than 36 in."""
    wide = (96 - gap) // 2
    left = Placed(piece(wide, 20), wide * INCH // 2, 60 * INCH, locked=True)
    right = Placed(
        Piece("other", "other", (96 - gap - wide) * INCH, 20 * INCH, 480),
        (96 * 2 - (96 - gap - wide)) * INCH // 2,
        60 * INCH,
        locked=True,
    )
    there = ground(96, 120, 36, (left, right))
    behind = there.flags(there.reached(there.nodes)) & (there.y < 40 * INCH) & (there.y > 0)
    assert behind.any() == passes


def test_the_flood_is_what_going_step_by_step_finds():
    there, chance = ground(96, 102, 30, open_sides=("front", "left")), random.Random(1)
    stances = [Stance(there, piece(w, d), turn) for w, d in ((36, 18), (48, 20), (20, 60)) for turn in (0, 90)]
    for _ in range(30):
        nodes = there.nodes
        for _ in range(chance.randint(0, 6)):
            stance = chance.choice(stances)
            nodes &= ~stance.disc_at_anchor(chance.choice(stance.anchors.tolist()))
        free = there.flags(nodes)
        seen = set(np.flatnonzero(there.flags(there.start & nodes)).tolist())
        todo = deque(seen)
        while todo:
            at = todo.popleft()
            for step in (1, -1, there.stride, -there.stride):
                if free[at + step] and at + step not in seen:
                    seen.add(at + step)
                    todo.append(at + step)
        assert set(np.flatnonzero(there.flags(there.reached(nodes))).tolist()) == seen


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_piece_has_room_just_where_it_and_its_doors_do(turn):
    post = Placed(piece(12, 12, 70), 40 * INCH, 50 * INCH, locked=True)
    there = ground(96, 102, 30, (post,))
    stance = Stance(there, piece(30, 17, opens=15), turn)
    fx, fy = FRONT[turn]
    allowed = set(stance.anchors.tolist())
    inside = shapely.box(0, 0, 96 * INCH, 102 * INCH)
    for anchor in range(there.size):
        x, y = there.x[anchor], there.y[anchor]
        w, d = stance.w * there.g, stance.d * there.g
        body = shapely.box(x, y, x + w, y + d)
        door = shapely.affinity.translate(body, fx * 16 * INCH, fy * 16 * INCH).union(body)
        walls = inside.union(shapely.box(0, 102 * INCH, 96 * INCH, 200 * INCH))
        has = inside.covers(body) and walls.covers(door) and door.intersection(post.footprint).area == 0
        assert (anchor in allowed) == has, (x / INCH, y / INCH)


def test_an_arm_goes_over_the_low_and_not_over_the_high_nor_through_a_wall():
    there = ground(96, 102, 36)
    chest = Stance(there, piece(36, 18, 40), 0)
    anchor = int(chest.anchors[(there.y[chest.anchors] == 0) & (there.x[chest.anchors] == 0)][0])
    stool = Stance(there, piece(36, 12), 0)
    before = int(stool.anchors[(there.y[stool.anchors] == 18 * INCH) & (there.x[stool.anchors] == 0)][0])
    reached = there.reached(there.nodes & ~stool.disc_at_anchor(before))
    assert chest.front_at(anchor) & there.arms(reached, 0, FRONT[0], chest.steps)
    assert not chest.front_at(anchor) & there.arms(reached, stool.body_at(before), FRONT[0], chest.steps)
    # With its front to the wall, 6 in. before it, nobody comes to it; and none from the other end of the rows of bits.
    turned = Stance(there, piece(36, 18, 40), 270)
    facing = there.flags(turned.facing(there.arms(there.reached(there.nodes), 0, FRONT[270], turned.steps)))
    assert not facing[turned.anchors][there.x[turned.anchors] >= (96 - 18 - 6) * INCH].any()
