"""A period of overflow as the solver's problem, and its answer: plain values, weeks counted from the period's first.

A **unit** is what is placed as one: a piece, or pieces that stand side by side for the same weeks. A bay's length and the weeks
make a rectangle; a unit takes a rectangle in it, as long as it is along the bay and as high as its weeks. No two overlap.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from coop.core.geometry import IN16_PER_INCH

TIERS = ("standing", "fairness", "waiting", "distance", "tones", "money")
"""In the order they count: each is made as good as it can be before the next, and never given up for it. All are costs.

standing  floor taken from what stood before and finds no place any more
fairness  what dealers could have had, by what the next foot-week is worth to each (`Share`), less what they have
waiting   days waited by whoever gets nothing, and weeks until the others begin
distance  feet to walk from each unit to its dealer's nearest space
tones     hundredths of dE00 from each unit's colour to the bay's palette
money     cents (fee or price) of what gets nothing
"""


@dataclass(frozen=True)
class Room:
    """A bay, by its code, and how long it is."""

    bay: str
    length_in16: int


@dataclass(frozen=True)
class Place:
    """A bay in which a unit may stand, and what that costs. `length_in16` is along the bay, the gap beside it included."""

    bay: str
    length_in16: int
    turned: bool = False
    feet: int = 0
    tone: int = 0
    starts: tuple[int, ...] | None = None
    """Weeks in which it may begin here; None means all of the unit's."""


@dataclass(frozen=True)
class Unit:
    """What is asked for: `weeks` in a row, beginning in one of `starts`, ending within the period. At most one place a bay."""

    key: str
    dealer: str
    weeks: int
    starts: tuple[int, ...]
    places: tuple[Place, ...]
    pieces: int = 1
    waited_days: int = 0
    cents: int = 0
    is_standing: bool = False
    """It stood in a bay and cannot stay where it is."""

    @property
    def floor(self) -> int:
        """Inch-weeks it counts as wherever it stands: whole inches, rounded up, of the least length it takes, times weeks.

        A bay in which it must be turned the long way gives its dealer nothing more.
        """
        return -(-min((place.length_in16 for place in self.places), default=0) // IN16_PER_INCH) * self.weeks


@dataclass(frozen=True)
class Fixed:
    """What stays where it is: it covers a part of a bay over weeks `first` to `last`, both included."""

    key: str
    dealer: str
    bay: str
    from_in16: int
    to_in16: int
    first: int
    last: int
    pieces: int = 1


@dataclass(frozen=True)
class Share:
    """What floor is worth to a dealer: the first `width` inch-weeks of the period `worth` each, then the next step's.

    Worths fall from step to step. Floor beyond the last step is worth nothing.
    """

    dealer: str
    steps: tuple[tuple[int, int], ...]
    """(width in inch-weeks, worth)."""

    def worth(self, floor: int) -> int:
        total = 0
        for width, each in self.steps:
            total += min(width, floor) * each
            floor -= width
            if floor <= 0:
                break
        return total


@dataclass(frozen=True)
class Problem:
    """A period of `weeks`. Limits and rotation hold for fixed and placed together."""

    weeks: int
    rooms: tuple[Room, ...]
    units: tuple[Unit, ...]
    fixed: tuple[Fixed, ...] = ()
    shares: tuple[Share, ...] = ()
    most_in16: int | None = None
    """Running length a dealer may have at a time."""
    most_pieces: int | None = None
    """Pieces a dealer may have at a time."""
    weeks_left: Mapping[tuple[str, str], int] = field(default_factory=dict)
    """By dealer and bay: in how many more weeks of the period anything of that dealer may stand there. No key, no limit."""


@dataclass(frozen=True)
class Placed:
    """A unit in a bay from `start` on, covering from one place along the bay to another."""

    unit: str
    bay: str
    from_in16: int
    to_in16: int
    start: int
    turned: bool = False
