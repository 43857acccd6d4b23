"""Rectangles into a rectangle without overlap, decided: a packing, or the proof that there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isqrt
from typing import Any

from ortools.sat.python import cp_model

Size = tuple[int, int]


@dataclass(frozen=True)
class Packed:
    """`corners` has x, y, width and depth for each rectangle in its order, as it was turned; None where nothing was found.

    `proven`: with no corners, that there is no packing.
    """

    corners: tuple[tuple[int, int, int, int], ...] | None
    proven: bool = True


def pack(
    rectangles: Sequence[Size], container: Size, *, turn: bool = False, seconds: int = 60, workers: int = 1, seed: int = 1
) -> Packed:
    """Put every rectangle into the container, quarter turns only where `turn` says so. All lengths whole, in one unit."""
    width, depth = container
    if any(min(size) < 1 for size in rectangles):
        raise ValueError("a rectangle has a side of 1 or more")
    if sum(w * d for w, d in rectangles) > width * depth or not all(_fits(size, container, turn) for size in rectangles):
        return Packed(None)
    model = cp_model.CpModel()
    boxes = [_Box(model, size, container, turn) for size in rectangles]
    model.add_no_overlap_2d([box.across for box in boxes], [box.down for box in boxes])
    # Implied: along each axis the others' sides add up to no more than the container's. It proves most of what cannot be.
    model.add_cumulative([box.across for box in boxes], [box.depth for box in boxes], depth)
    model.add_cumulative([box.down for box in boxes], [box.width for box in boxes], width)
    _break_mirrors(model, boxes, rectangles, container)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.use_energetic_reasoning_in_no_overlap_2d = True
    solver.parameters.use_timetabling_in_no_overlap_2d = True
    status = solver.solve(model)
    if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Packed(tuple((solver.value(b.x), solver.value(b.y), solver.value(b.width), solver.value(b.depth)) for b in boxes))
    return Packed(None, proven=status == cp_model.INFEASIBLE)


def smallest_rectangle(rectangles: Sequence[Size], *, seconds: int = 60, workers: int = 1) -> tuple[Size, Packed]:
    """The rectangle of least area that holds them all as they lie, and how: every lesser one, from their own area on, is tried.

    Of equal areas the narrower is taken. Raises TimeoutError when a lesser one could not be ruled out in time.
    """
    width, depth = max(w for w, _ in rectangles), max(d for _, d in rectangles)
    area = sum(w * d for w, d in rectangles)
    while True:
        for across in (w for w in range(1, area + 1) if area % w == 0):
            # Squares lie in a container as in its mirror along the diagonal: half of the containers need no look.
            if across < width or area // across < depth or (across > isqrt(area) and all(w == d for w, d in rectangles)):
                continue
            packed = pack(rectangles, (across, area // across), seconds=seconds, workers=workers)
            if packed.corners is not None:
                return (across, area // across), packed
            if not packed.proven:
                raise TimeoutError(f"{across} by {area // across} could not be ruled out in {seconds} s")
        area += 1


class _Box:
    """A rectangle's intervals; turned ones have sides that are variables."""

    def __init__(self, model: cp_model.CpModel, size: Size, container: Size, turn: bool) -> None:
        (w, d), least = size, min(size)
        self.width: Any = w
        self.depth: Any = d
        if turn and w != d:
            turned = model.new_bool_var("turned")
            self.width, self.depth = w + (d - w) * turned, d + (w - d) * turned
        else:
            turn = False
        self.x = model.new_int_var(0, container[0] - (least if turn else w), "x")
        self.y = model.new_int_var(0, container[1] - (least if turn else d), "y")
        right, bottom = model.new_int_var(0, container[0], "right"), model.new_int_var(0, container[1], "bottom")
        self.across = model.new_interval_var(self.x, self.width, right, "across")
        self.down = model.new_interval_var(self.y, self.depth, bottom, "down")


def _fits(size: Size, container: Size, turn: bool) -> bool:
    (w, d), (width, depth) = size, container
    return (w <= width and d <= depth) or (turn and d <= width and w <= depth)


def _break_mirrors(model: cp_model.CpModel, boxes: Sequence[_Box], rectangles: Sequence[Size], container: Size) -> None:
    """A packing's mirrors are packings: the largest lies in the near quarter, and equals in the order of their x."""
    if not rectangles:
        return
    largest = max(range(len(boxes)), key=lambda n: (rectangles[n][0] * rectangles[n][1], n))
    model.add(2 * boxes[largest].x + boxes[largest].width <= container[0])
    model.add(2 * boxes[largest].y + boxes[largest].depth <= container[1])
    last: dict[Size, int] = {}
    for n, size in enumerate(rectangles):
        if size in last and largest not in (n, last[size]):
            model.add(boxes[last[size]].x <= boxes[n].x)
        last[size] = n
