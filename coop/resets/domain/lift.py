"""What one person and a team should lift: the revised NIOSH lifting equation in inches and pounds, and hands for a piece.

Source: Applications Manual for the Revised NIOSH Lifting Equation, DHHS (NIOSH) 94-110; of teams, HSE L23 paragraph 120. All is
exact (`Fraction`): lengths in inches, angles in degrees, lifts a minute, weights in pounds, unless a name says otherwise.
`LIFT_CAUTION` stands beside every figure from here: it is about lifts, not carries, dollies or stairs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from coop.core.geometry import IN16_PER_INCH, format_length
from coop.resets.domain.caution import CAUTION, LIFT_CAUTION
from coop.resets.domain.piece import Piece
from coop.resets.domain.weight import OZ_PER_LB, format_weight

Grip = Literal["good", "fair", "poor"]
Hours = Literal[1, 2, 8]
"""Hours of lifting on end, at most: with the rest after it that the manual asks for (1.2 and 0.3 times as long, for 1 and 2).

A reset lifts seldom, once in some minutes: then the rest between is enough for 1 (94-110 on frequency, from memory)."""

LOAD_CONSTANT_LB = 51
NEAREST_IN, FARTHEST_IN = 10, 25
HIGHEST_IN, MOST_TURNED_DEG = 70, 135
LEAST_TRAVEL_IN, MOST_TRAVEL_IN = 10, 70
WAIST_IN = 30

_GRIPS: dict[Grip, tuple[Fraction, Fraction]] = {
    "good": (Fraction(1), Fraction(1)),
    "fair": (Fraction(95, 100), Fraction(1)),
    "poor": (Fraction(90, 100), Fraction(90, 100)),
}
"""Table 7: hands below 30 in., and at 30 in. or above."""

# Table 5, in hundredths: lifts a minute, then for 1, 2 and 8 hours the hands below 30 in. and at 30 in. or above.
_FREQUENCIES: tuple[tuple[Fraction, tuple[int, int, int, int, int, int]], ...] = tuple(
    (Fraction(lifts), row)
    for lifts, row in (
        ("0.2", (100, 100, 95, 95, 85, 85)),
        ("0.5", (97, 97, 92, 92, 81, 81)),
        ("1", (94, 94, 88, 88, 75, 75)),
        ("2", (91, 91, 84, 84, 65, 65)),
        ("3", (88, 88, 79, 79, 55, 55)),
        ("4", (84, 84, 72, 72, 45, 45)),
        ("5", (80, 80, 60, 60, 35, 35)),
        ("6", (75, 75, 50, 50, 27, 27)),
        ("7", (70, 70, 42, 42, 22, 22)),
        ("8", (60, 60, 35, 35, 18, 18)),
        ("9", (52, 52, 30, 30, 0, 15)),
        ("10", (45, 45, 26, 26, 0, 13)),
        ("11", (41, 41, 0, 23, 0, 0)),
        ("12", (37, 37, 0, 21, 0, 0)),
        ("13", (0, 34, 0, 0, 0, 0)),
        ("14", (0, 31, 0, 0, 0, 0)),
        ("15", (0, 28, 0, 0, 0, 0)),
    )
)
_HOURS: dict[Hours, int] = {1: 0, 2: 2, 8: 4}

Number = Fraction | int


def horizontal_multiplier(h_in: Number) -> Fraction:
    """`h_in` from between the ankles to between the hands; 0 beyond 25 in."""
    return Fraction(0) if h_in > FARTHEST_IN else Fraction(NEAREST_IN) / max(h_in, NEAREST_IN)


def vertical_multiplier(v_in: Number) -> Fraction:
    """`v_in` from the floor to the hands; 0 above 70 in. Raises ValueError below the floor."""
    if v_in < 0:
        raise ValueError("Hands are at the floor or above it.")
    return Fraction(0) if v_in > HIGHEST_IN else 1 - Fraction(75, 10_000) * abs(Fraction(v_in) - WAIST_IN)


def distance_multiplier(d_in: Number) -> Fraction:
    """`d_in`, up or down, that the hands travel; 0 beyond 70 in. (table 3)."""
    return Fraction(0) if d_in > MOST_TRAVEL_IN else Fraction(82, 100) + Fraction(18, 10) / max(d_in, LEAST_TRAVEL_IN)


def asymmetry_multiplier(turned_deg: Number) -> Fraction:
    """`turned_deg` of the load beside straight ahead; 0 beyond 135 degrees."""
    return Fraction(0) if turned_deg > MOST_TURNED_DEG else 1 - Fraction(32, 10_000) * Fraction(turned_deg)


def grip_multiplier(grip: Grip, v_in: Number) -> Fraction:
    return _GRIPS[grip][v_in >= WAIST_IN]


def frequency_multiplier(lifts_per_min: Number, hours: Hours, v_in: Number) -> Fraction:
    """Between two rows of table 5 it is interpolated; below 0.2 a minute counts as 0.2, above 15 is 0."""
    column = _HOURS[hours] + (v_in >= WAIST_IN)
    at = [(lifts, Fraction(row[column], 100)) for lifts, row in _FREQUENCIES]
    if lifts_per_min <= at[0][0]:
        return at[0][1]
    for (low, value), (high, next_value) in pairwise(at):
        if lifts_per_min <= high:
            return value + (next_value - value) * (Fraction(lifts_per_min) - low) / (high - low)
    return Fraction(0)


@dataclass(frozen=True)
class HandsAt:
    """Where the hands are at one end of a lift."""

    h_in: Number
    v_in: Number
    turned_deg: Number = 0


def recommended_weight(
    at: HandsAt, d_in: Number, *, lifts_per_min: Number = Fraction(1, 5), hours: Hours = 1, grip: Grip = "fair"
) -> Fraction:
    """Pounds that nearly all healthy people may lift so, exact; 0 where no lift is recommended.

    Raises ValueError below the floor.
    """
    return (
        LOAD_CONSTANT_LB
        * horizontal_multiplier(at.h_in)
        * vertical_multiplier(at.v_in)
        * distance_multiplier(d_in)
        * asymmetry_multiplier(at.turned_deg)
        * frequency_multiplier(lifts_per_min, hours, at.v_in)
        * grip_multiplier(grip, at.v_in)
    )


@dataclass(frozen=True)
class Lift:
    """A lift from one place of the hands to another. `careful`: what is lifted is put down with care, so that end counts too."""

    origin: HandsAt
    destination: HandsAt
    lifts_per_min: Number = Fraction(1, 5)
    hours: Hours = 1
    grip: Grip = "fair"
    careful: bool = True

    @property
    def d_in(self) -> Fraction:
        return abs(Fraction(self.destination.v_in) - Fraction(self.origin.v_in))

    def at(self, where: HandsAt) -> Fraction:
        """Recommended pounds at one of its ends."""
        return recommended_weight(where, self.d_in, lifts_per_min=self.lifts_per_min, hours=self.hours, grip=self.grip)

    @property
    def recommended_lb(self) -> Fraction:
        return min(self.at(self.origin), self.at(self.destination)) if self.careful else self.at(self.origin)


def lifting_index(weight_lb: Number, recommended_lb: Fraction) -> Fraction | None:
    """How many times what is recommended a weight is: above 1 is more than one person should lift. None where no lift is."""
    return Fraction(weight_lb) / recommended_lb if recommended_lb else None


LARGEST_TEAM = 4
"""HSE L23 paragraph 120: larger teams are unlikely to work."""
TEAM_SHARES: dict[int, Fraction] = {1: Fraction(1), 2: Fraction(2, 3), 3: Fraction(1, 2), 4: Fraction(2, 5)}
"""Of the sum of what its members can lift, what a team of so many can. Of 2 and 3: HSE L23 paragraph 120; of 4: the same row
drawn on (two over one more than the team), no source."""


def team_capability(each_lb: tuple[Fraction, ...]) -> Fraction:
    """Pounds a team can lift together. Raises ValueError for more than four."""
    if not 1 <= len(each_lb) <= LARGEST_TEAM:
        raise ValueError("A team has one to four people.")
    return sum(each_lb, Fraction(0)) * TEAM_SHARES[len(each_lb)]


Held = Literal["under", "handles", "sides"]
_GRIP_OF: dict[Held, Grip] = {"under": "fair", "handles": "good", "sides": "poor"}

BEFORE_BODY_IN, BEFORE_BODY_LOW_IN = 8, 10
"""From between the ankles to the near face of what is lifted, hands at 10 in. or above, and below: with half its depth the
manual's own estimate of H (94-110, from memory)."""
LOW_HANDS_IN = 10
END_HOLD_IN = 4
"""Hands of a team, in from the edge each takes: common practice, no source."""
ELBOW_ROOM_IN16 = 20 * IN16_PER_INCH
"""Of a piece's outline for each who takes it: common practice, no source."""
ARMS_IN16 = 72 * IN16_PER_INCH
GLASS_ARMS_IN16 = 36 * IN16_PER_INCH
"""A piece longer than this, or a glass one longer than that, takes two however light it is: common practice, no source."""


@dataclass(frozen=True)
class Lifted:
    """How a piece is lifted in one move: its bottom from one height above the floor to another, and where the hands take it.

    `grip_up_in16` is how high above its bottom the hands are; None: at the bottom where it is taken from under, else at half its
    height.
    """

    from_in16: int = 0
    to_in16: int = 0
    held: Held = "under"
    grip_up_in16: int | None = None
    turned_deg: int = 0
    lifts_per_min: Number = Fraction(1, 5)
    hours: Hours = 1
    dolly: bool = True
    """From floor to floor it may be rolled instead."""


Verdict = Literal["lift", "roll it", "weigh it", "ask a mover", "not so"]
"""`roll it`: one end is raised and a dolly pushed under. `not so`: no lift is recommended the way it was asked for (hands too
high, turned too far, too often)."""


@dataclass(frozen=True)
class Hands:
    """How many people lift or roll a piece (1 to 4; None where they should not), and the figures of it."""

    verdict: Verdict
    people: int | None
    why: str
    """A sentence that names the piece, with the mend where it may not be lifted so."""
    recommended_lb: Fraction
    """For one person, exact; 0 where no lift by one is recommended."""
    index: Fraction | None
    """The piece's weight over that; None without its weight, or where no lift by one is recommended."""
    team_lb: Fraction | None
    """What they may lift together (of what is rolled: those at its one end), or four where even they should not."""
    cautions: tuple[str, ...] = (LIFT_CAUTION, CAUTION)

    @property
    def short(self) -> str:
        """For a list: `2 people`, `weigh it`."""
        if self.people is None:
            return "not by hand so" if self.verdict == "not so" else self.verdict
        said = "1 person" if self.people == 1 else f"{self.people} people"
        return f"{said} and a dolly" if self.verdict == "roll it" else said


def hands_for(piece: Piece, lifted: Lifted) -> Hands:
    """How many people should lift a piece so. Raises ValueError where it would be below the floor.

    One takes it round its shorter side, so H is half that side and what is before the body; of a team each takes an end or a
    corner. Both ends of the lift count, and the piece is put down with care. From floor to floor it is rolled where that takes
    fewer: those who raise one end, which bears half its weight (statics, derived), and one who pushes the dolly under.
    """
    alone = _lift(piece, lifted, Fraction(min(piece.width_in16, piece.depth_in16), 2 * IN16_PER_INCH)).recommended_lb
    each = _lift(piece, lifted, Fraction(END_HOLD_IN)).recommended_lb
    if not each:
        return Hands("not so", None, _not_so(piece, lifted), alone, None, None)
    if piece.weight_oz is None:
        return Hands(
            "weigh it", None, f"Weigh {piece.name}: without its weight nothing is said of the hands it takes.", alone, None, None
        )
    weight_lb = Fraction(piece.weight_oz, OZ_PER_LB)
    index = lifting_index(weight_lb, alone)
    least, because = _least(piece)
    room = min(LARGEST_TEAM, max(1, 2 * (piece.width_in16 + piece.depth_in16) // ELBOW_ROOM_IN16))
    teams = {n: alone if n == 1 else team_capability((each,) * n) for n in range(least, max(least, room) + 1)}
    people = next((n for n, together in teams.items() if weight_lb <= together), None)
    rolled = _rolled(piece, lifted, weight_lb, each, alone, index)
    if rolled is not None and (people is None or (rolled.people or 0) < people):
        return rolled
    if people is not None:
        return Hands("lift", people, _why(piece, people, alone, teams[people], because), alone, index, teams[people])
    most = max(teams)
    return Hands("ask a mover", None, _mover(piece, most, teams[most]), alone, index, teams[most])


def _rolled(
    piece: Piece, lifted: Lifted, weight_lb: Fraction, each: Fraction, alone: Fraction, index: Fraction | None
) -> Hands | None:
    """Rolled from floor to floor; None where it may not be (glass is not), or where its one end is too heavy too.

    At one end two find room at its corners, a third on a side that is long enough for three.
    """
    if not lifted.dolly or lifted.from_in16 or lifted.to_in16 or piece.glass:
        return None
    room = 3 if max(piece.width_in16, piece.depth_in16) >= 3 * ELBOW_ROOM_IN16 else 2
    for raising in range(1, room + 1):
        together = team_capability((each,) * raising)
        if weight_lb / 2 <= together:
            who = {1: "one raises", 2: "two raise", 3: "three raise"}[raising]
            why = (
                f"{_COUNTS[raising + 1]} people and a dolly: {piece.name} is {format_weight(piece.weight_oz or 0)}; {who} one "
                f"end, half of that, where {pounds(together)} is recommended, and one pushes the dolly under. Do not lift it."
            )
            return Hands("roll it", raising + 1, why, alone, index, together)
    return None


_COUNTS = {2: "Two", 3: "Three", 4: "Four"}


def hand_height(piece: Piece, lifted: Lifted, bottom_in16: int) -> Fraction:
    """Inches from the floor to the hands while the piece's bottom is at this height."""
    up_in16 = lifted.grip_up_in16
    if up_in16 is None:
        up_in16 = 0 if lifted.held == "under" else piece.height_in16 // 2
    return Fraction(bottom_in16 + up_in16, IN16_PER_INCH)


def _lift(piece: Piece, lifted: Lifted, into_in: Fraction) -> Lift:
    """The lift with the hands so far into the piece, in inches from its near face."""

    def at(bottom_in16: int) -> HandsAt:
        v_in = hand_height(piece, lifted, bottom_in16)
        return HandsAt(into_in + (BEFORE_BODY_IN if v_in >= LOW_HANDS_IN else BEFORE_BODY_LOW_IN), v_in, lifted.turned_deg)

    ends = at(lifted.from_in16), at(lifted.to_in16)
    return Lift(*ends, lifted.lifts_per_min, lifted.hours, _GRIP_OF[lifted.held])


def _least(piece: Piece) -> tuple[int, str]:
    """The fewest people for a piece however light, and why."""
    longest = max(piece.width_in16, piece.depth_in16, piece.height_in16)
    if piece.glass and longest > GLASS_ARMS_IN16:
        return 2, f"it is glass and {format_length(longest)} long"
    if longest > ARMS_IN16:
        return 2, f"it is {format_length(longest)} long"
    return 1, ""


def pounds(weight_lb: Fraction) -> str:
    """A recommended weight as it is told: a tenth of a pound, rounded down."""
    tenths = math.floor(weight_lb * 10)
    return f"{tenths // 10}.{tenths % 10} lb"


def _why(piece: Piece, people: int, alone: Fraction, together: Fraction, because: str) -> str:
    weight = format_weight(piece.weight_oz or 0)
    if people == 1:
        return f"One person: {piece.name} is {weight}, and {pounds(alone)} is recommended for one at most."
    if because and Fraction(piece.weight_oz or 0, OZ_PER_LB) <= alone:
        return f"{_COUNTS[people]} people: {piece.name} is only {weight}, but {because}."
    for_one = f"over the {pounds(alone)} recommended for one" if alone else "too far from the body of one who takes it alone"
    return f"{_COUNTS[people]} people: {piece.name} is {weight}, {for_one}; {people} may lift {pounds(together)} together."


def _mover(piece: Piece, people: int, together: Fraction) -> str:
    found = (
        "four people"
        if people == LARGEST_TEAM
        else f"the {people} who find room to take it"
        if people > 1
        else "one, with no room for two,"
    )
    return (
        f"{piece.name} is {format_weight(piece.weight_oz or 0)}. From the floor {found} should lift {pounds(together)} at most "
        "by the lifting equation, which is made for every day and is strict. Roll or slide it with straps and a dolly, take out "
        "its drawers, shelves or doors and weigh it again, or ask a mover."
    )


def _not_so(piece: Piece, lifted: Lifted) -> str:
    top = max(hand_height(piece, lifted, lifted.from_in16), hand_height(piece, lifted, lifted.to_in16))
    if top > HIGHEST_IN:
        up = format_length(math.ceil(top * IN16_PER_INCH))
        return (
            f"{piece.name} would be lifted with the hands {up} above the floor. Above {HIGHEST_IN} in. no lift is recommended: "
            "put it lower, take it from under, or stand on a steady platform."
        )
    return f"No lift is recommended for {piece.name} so. Lift it less often, with less turning of the body, or a shorter way up."
