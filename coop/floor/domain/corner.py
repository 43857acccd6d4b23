"""What goes round the corner of two halls: the longest ladder, and the longest piece of a given width.

Sources: MathWorld, "Moving Ladder Problem": (a^(2/3) + b^(2/3))^(3/2). With a width w the same touching argument gives, for a
piece that stands at the angle t, the length (a cos t + b sin t - w) / (sin t cos t); the least over t is the longest that turns
(derived). Lengths may be in any one unit; what people are told is in sixteenths of an inch, rounded down. A plan of a move is a
help to planning only: halls have handrails, and pieces have feet.
"""

from __future__ import annotations

import math

_STEPS = 200
_GOLDEN = (math.sqrt(5) - 1) / 2


def longest_ladder(hall_a: float, hall_b: float) -> float:
    """The longest thin ladder carried level round a right-angled corner. Raises ValueError for a hall of zero or less."""
    _require_halls(hall_a, hall_b)
    return math.sqrt((math.cbrt(hall_a) ** 2 + math.cbrt(hall_b) ** 2) ** 3)


def longest_turning(hall_a: float, hall_b: float, width: float) -> float:
    """The longest rectangle of this width that can turn by 90 degrees in the corner, 0 where none of that width can.

    A piece that turns is at least as long as it is wide, so an answer below the width (wide pieces in narrow halls) is no piece.
    """
    _require_halls(hall_a, hall_b)
    if width < 0:
        raise ValueError("A width is zero or more.")
    if width > min(hall_a, hall_b):
        return 0
    if width == 0:
        return longest_ladder(hall_a, hall_b)

    def reach(t: float) -> float:
        return (hall_a * math.cos(t) + hall_b * math.sin(t) - width) / (math.sin(t) * math.cos(t))

    # It falls to one least and rises again; with a hall as wide as the piece the least lies at that end of the interval.
    low, high = 1 / 10**6, math.pi / 2 - 1 / 10**6
    for _ in range(_STEPS):
        a, b = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        low, high = (low, b) if reach(a) <= reach(b) else (a, high)
    longest = reach((low + high) / 2)
    return longest if longest >= width else 0


def longest_piece(hall_a: float, hall_b: float, width: float) -> float:
    """The longest rectangle of this width that gets round the corner, turned or not; 0 where none of that width does.

    A piece no longer than the wider hall need not turn: it goes lengthwise down one hall and sideways down the other.
    """
    turning = longest_turning(hall_a, hall_b, width)
    return 0 if width > min(hall_a, hall_b) else max(turning, hall_a, hall_b)


def passes_corner(hall_a: float, hall_b: float, width: float, length: float) -> bool:
    """Whether a rectangle gets round; which side is called the length does not matter, and a square is a piece like any other."""
    short, long = sorted((width, length))
    return short <= min(hall_a, hall_b) and long <= longest_piece(hall_a, hall_b, short)


def longest_piece_in16(hall_a_in16: int, hall_b_in16: int, width_in16: int) -> int:
    """`longest_piece` in sixteenths of an inch, rounded down: the figure to tell people."""
    return math.floor(longest_piece(hall_a_in16, hall_b_in16, width_in16) + 1 / 10**6)


def _require_halls(hall_a: float, hall_b: float) -> None:
    if min(hall_a, hall_b) <= 0:
        raise ValueError("A hall is wider than zero.")
