"""Every arrangement of a few pieces in a small rectangular booth, open at the front: other code than the search's, in inches.

A piece is a rectangle of whole grid steps at a quarter turn. A disc's middle goes from grid point to grid point, no nearer than
its radius to a wall or a piece; it comes from the aisle; an arm goes straight to a front, over nothing higher than 34 in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

LOOKS = {0: (0, 1), 90: (-1, 0), 180: (0, -1), 270: (1, 0)}
ARM, OVER, EYE, HIGH, TALL = 24, 34, 56, 60, 36


@dataclass(frozen=True)
class Box:
    """A piece as it stands: its corners, which way it looks, its height, what its doors need, its grouping."""

    x0: int
    y0: int
    x1: int
    y1: int
    turn: int
    height: int
    opens: int
    grouping: str

    @property
    def middle(self) -> tuple[int, int]:
        return (self.x0 + self.x1) // 2, (self.y0 + self.y1) // 2

    @property
    def door(self) -> tuple[int, int, int, int]:
        fx, fy = LOOKS[self.turn]
        return {
            (0, 1): (self.x0, self.y1, self.x1, self.y1 + self.opens),
            (0, -1): (self.x0, self.y0 - self.opens, self.x1, self.y0),
            (1, 0): (self.x1, self.y0, self.x1 + self.opens, self.y1),
            (-1, 0): (self.x0 - self.opens, self.y0, self.x0, self.y1),
        }[fx, fy]


@dataclass(frozen=True)
class SmallBooth:
    width: int
    depth: int
    way: int
    grid: int
    section: int
    pieces_a_nook: int = 4

    def best(self, pieces: list[tuple[int, int, int, int, str]]) -> tuple[int, ...]:
        """The least cost, tier by tier, of all arrangements; a piece is width, depth, height, opens, grouping."""
        lowest: tuple[int, ...] | None = None
        for some in product(*([None, *self._places(piece)] for piece in pieces)):
            boxes = [box for box in some if box is not None]
            out = len(pieces) - len(boxes)
            if lowest is not None and out > lowest[0]:
                continue
            if any(self._meet(a, b) for n, a in enumerate(boxes) for b in boxes[:n]):
                continue
            cost = (out, *self._cost(boxes, len(pieces)))
            if (lowest is None or cost < lowest) and self._all_come_to(boxes):
                lowest = cost
        assert lowest is not None
        return lowest

    def _places(self, piece: tuple[int, int, int, int, str]) -> Iterator[Box]:
        width, depth, height, opens, grouping = piece
        for turn in LOOKS:
            w, d = (width, depth) if turn in (0, 180) else (depth, width)
            for x, y in product(range(0, self.width - w + 1, self.grid), range(0, self.depth - d + 1, self.grid)):
                box = Box(x, y, x + w, y + d, turn, height, opens, grouping)
                dx0, dy0, dx1, _ = box.door
                # A door may open over the aisle, through no wall.
                if dx0 >= 0 and dy0 >= 0 and dx1 <= self.width:
                    yield box

    def _meet(self, a: Box, b: Box) -> bool:
        def over(p: tuple[int, int, int, int], q: tuple[int, int, int, int]) -> bool:
            return min(p[2], q[2]) > max(p[0], q[0]) and min(p[3], q[3]) > max(p[1], q[1])

        one, two = (a.x0, a.y0, a.x1, a.y1), (b.x0, b.y0, b.x1, b.y1)
        return over(one, two) or (a.opens > 0 and over(a.door, two)) or (b.opens > 0 and over(b.door, one))

    def _all_come_to(self, boxes: list[Box]) -> bool:
        radius = self.way // 2

        def free(x: int, y: int) -> bool:
            # Walls run to the front and end there; the aisle is free and a way wider than the booth at both ends.
            if not -self.way + radius <= x <= self.width + self.way - radius or y > self.depth + 2 * self.way - radius:
                return False
            for wx in (0, self.width):
                if (x - wx) ** 2 + max(0, y - self.depth) ** 2 < radius**2:
                    return False
            if y < self.depth and not 0 < x < self.width:
                return False
            if y < radius or (not 0 <= x <= self.width and y < self.depth + radius):
                return False
            for box in boxes:
                dx, dy = max(0, box.x0 - x, x - box.x1), max(0, box.y0 - y, y - box.y1)
                if dx * dx + dy * dy < radius**2:
                    return False
            return True

        # All of the grid's points that a disc comes to, from the middle of the aisle.
        off, grid = radius % self.grid, self.grid
        start = (self.width // 2 // grid * grid + off, (self.depth + radius) // grid * grid + grid + off)
        seen, todo = {start}, [start]
        while todo:
            x, y = todo.pop()
            for at in ((x + grid, y), (x - grid, y), (x, y + grid), (x, y - grid)):
                if at not in seen and free(*at):
                    seen.add(at)
                    todo.append(at)
        return all(self._comes_to(box, boxes, seen, radius) for box in boxes)

    def _comes_to(self, box: Box, boxes: list[Box], seen: set[tuple[int, int]], radius: int) -> bool:
        fx, fy = LOOKS[box.turn]
        # An arm is a step shorter than it is, since off the grid a piece may stand that much behind its place.
        reach = box.opens if box.opens else ARM - self.grid
        others = [(o.x0, o.y0, o.x1, o.y1) for o in boxes if o is not box and o.height > OVER]
        for x, y in seen:
            if fy:
                edge, across, within = (box.y1 if fy > 0 else box.y0), x, box.x0 <= x < box.x1
                gap = (y - edge) * fy - radius
            else:
                edge, across, within = (box.x1 if fx > 0 else box.x0), y, box.y0 <= y < box.y1
                gap = (x - edge) * fx - radius
            if not within or not 0 <= gap <= reach:
                continue
            # The arm runs along the cell right of or below the point.
            lo, hi = (edge, edge + gap) if fx + fy > 0 else (edge - gap, edge)
            arm = (across, lo, across + 1, hi) if fy else (lo, across, hi, across + 1)
            if not any(min(arm[2], o[2]) > max(arm[0], o[0]) and min(arm[3], o[3]) > max(arm[1], o[1]) for o in others):
                return True
        return False

    def _cost(self, boxes: list[Box], pieces: int) -> tuple[int, ...]:
        """No draft to differ from; spread, lacking high points, missing nooks, forward, hidden."""
        columns, rows = max(1, round(self.width / self.section)), max(1, round(self.depth / self.section))
        groups: dict[str, set[tuple[int, int]]] = {}
        high: set[tuple[int, int]] = set()
        nooks = forward = 0
        for box in boxes:
            x, y = box.middle
            section = (x * columns // self.width, y * rows // self.depth)
            if box.grouping:
                groups.setdefault(box.grouping, set()).add(section)
            if box.height >= HIGH:
                high.add(section)
            walls = {(0, -1): box.y0 <= 6, (-1, 0): box.x0 <= 6, (1, 0): self.width - box.x1 <= 6, (0, 1): False}
            fx, fy = LOOKS[box.turn]
            nooks += (walls[fy, fx] or walls[-fy, -fx]) and not walls[-fx, -fy]
            forward += max(0, box.height - TALL) * (self.depth - (self.depth - y)) // 12
        hidden = 0
        for lane in range(3, self.width, 6):
            met = [self.depth - box.y1 for box in boxes if box.height > EYE and box.x0 < lane < box.x1]
            hidden += self.depth - min(met, default=self.depth)
        wished = pieces // self.pieces_a_nook if self.pieces_a_nook else 0
        spread = sum(len(some) - 1 for some in groups.values())
        return 0, spread, columns * rows - len(high), max(0, wished - nooks), forward, hidden
