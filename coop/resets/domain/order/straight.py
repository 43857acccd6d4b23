"""A way found on the grid, drawn as people walk it: straight where nothing is in between."""

from __future__ import annotations

from collections.abc import Iterable

from coop.resets.domain.order.boxes import Box, Spot, Standing
from coop.resets.domain.order.ground import Ground, Handling
from coop.resets.domain.order.moves import How, Pose
from coop.resets.domain.piece import Piece


def straightened(
    ground: Ground, handling: Handling, piece: Piece, poses: tuple[Pose, ...], standing: Iterable[Spot]
) -> tuple[Pose, ...]:
    """The same way with fewer poses: each run of pushes replaced by straight ones that keep the clearance."""
    boxes = Standing([*(spot.box for spot in standing), *ground.walls])
    kept = [poses[0]]
    n = 0
    while n < len(poses) - 1:
        end = n + 1
        while end < len(poses) - 1 and _pushed(poses[n], poses[end + 1]) and _pushed(poses[end], poses[end + 1]):
            end += 1
        if _pushed(poses[n], poses[n + 1]):
            half_w, half_d = (half / 2 for half in size_held(piece, poses[n].how))
            while n < end:
                to = end
                while to > n + 1 and not boxes.lets_pass(
                    Box(poses[n].x_in16, poses[n].y_in16, half_w, half_d, poses[n].turn_deg),
                    poses[to][:2],
                    handling.clearance_in16,
                ):
                    to = n + (to - n) // 2
                kept.append(poses[to])
                n = to
        else:
            kept.append(poses[end])
            n = end
    return _merged(kept)


def _pushed(a: Pose, b: Pose) -> bool:
    return a.turn_deg == b.turn_deg and a.how == b.how


def _merged(poses: list[Pose]) -> tuple[Pose, ...]:
    """Without poses in the middle of one straight push or of one turn in place."""
    kept: list[Pose] = []
    for pose in poses:
        if len(kept) > 1 and _same_motion(kept[-2], kept[-1], pose):
            kept.pop()
        kept.append(pose)
    return tuple(kept)


def _same_motion(a: Pose, b: Pose, c: Pose) -> bool:
    if not a.how == b.how == c.how:
        return False
    (ax, ay), (bx, by) = (b.x_in16 - a.x_in16, b.y_in16 - a.y_in16), (c.x_in16 - b.x_in16, c.y_in16 - b.y_in16)
    if a.turn_deg == b.turn_deg == c.turn_deg:
        return ax * by == ay * bx and ax * bx + ay * by >= 0
    return (ax, ay) == (bx, by) == (0, 0) and (b.turn_deg - a.turn_deg) * (c.turn_deg - b.turn_deg) > 0


def size_held(piece: Piece, how: How) -> tuple[int, int]:
    """Width and depth of a piece as it is carried."""
    for size in piece.carried:
        if size.how == how:
            return size.width_in16, size.depth_in16
    return piece.width_in16, piece.depth_in16
