"""What is known of a period of overflow before it is drafted, as plain values: bays, what is asked, what stands, the dealers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import cached_property

from coop.overflow.domain.bay import Bay
from coop.overflow.domain.piece import AskedPiece, PieceRules

WEEK = timedelta(weeks=1)


@dataclass(frozen=True)
class Widened:
    """From a day on an aisle must keep more clear than when its bays were cut."""

    aisle: str
    required_in16: int
    since: date


@dataclass(frozen=True)
class Closed:
    """A stretch of a bay that is not lent in some weeks, first and last included: a wider aisle or opening needs it."""

    from_in16: int
    to_in16: int
    first: int
    last: int
    because: Widened | None = None
    """The width that needs it, where it is a width alone."""


@dataclass(frozen=True)
class BayFacts:
    bay: Bay
    depth_by_week: tuple[int, ...]
    """For each week of the period, the depth it may be used to, in sixteenths of an inch; 0 when it is not lent."""
    palette: tuple[str, ...] = ()
    """Colours `#rrggbb` that pieces there are to suit: the manager's, and those of what stays there."""
    feet_to: Mapping[str, int] = field(default_factory=dict)
    """By the code of a space, how far it is to walk there."""
    closed: tuple[Closed, ...] = ()
    """What of its length may not be used in some weeks."""
    widened: tuple[Widened | None, ...] = ()
    """For each week, the width that made it less deep than it was cut, where a width did; empty for none in any."""

    @property
    def as_cut(self) -> BayFacts:
        """As it would be if no aisle had to keep more clear than when it was cut."""
        if not any(self.widened) and not any(each.because for each in self.closed):
            return self
        because = self.widened or (None,) * len(self.depth_by_week)
        depths = tuple(self.bay.depth_in16 if why else depth for depth, why in zip(self.depth_by_week, because, strict=True))
        return replace(self, depth_by_week=depths, widened=(), closed=tuple(each for each in self.closed if not each.because))


@dataclass(frozen=True)
class AskedFor:
    """A request that is open when the period begins. Dealers are named by their codes."""

    key: str
    dealer: str
    pieces: tuple[AskedPiece, ...]
    asked_on: date
    """Days waited run from here."""
    not_before: date
    weeks: int
    flexible_weeks: int = 0
    """It may begin so many weeks later."""
    together: bool = False
    """Side by side for the same weeks, or nothing; else each piece by itself."""
    wished_bay: str = ""
    cents: Mapping[str, int] = field(default_factory=dict)
    """By the key of a piece, what it brings: its fee or its price, as the house counts."""


@dataclass(frozen=True)
class StandingStay:
    """A piece that has floor on days of the period, from `starts_on` to `ends_on`, both included."""

    key: str
    dealer: str
    bay: str
    from_in16: int
    to_in16: int
    depth_in16: int
    starts_on: date
    ends_on: date
    piece: AskedPiece
    kind: str = "asked"
    """`asked`, or `sold`: waiting to be fetched."""
    must_move: bool = False
    """It may not stay where it is: another place is looked for, for the rest of its days."""
    because: Widened | None = None
    """The width for which it must move, where it is a width to come."""
    was_due: date | None = None
    """Sold, it was to be fetched by this day, and nobody has said that it was: it has no floor any more, and stands on it."""


@dataclass(frozen=True)
class DealerFacts:
    """The year is the 365 days before the period; weeks are counted in the 52 before it."""

    code: str
    spaces: Mapping[str, str] = field(default_factory=dict)
    """What is held, by code: its kind (booth, case, shelf, wall)."""
    rent_cents: int = 0
    """Rent paid in the year."""
    had_inch_weeks: int = 0
    """Floor of bays had in the year."""
    weeks_had: Mapping[str, int] = field(default_factory=dict)
    """By bay, in how many weeks anything of the dealer's stood there."""


@dataclass(frozen=True)
class PeriodFacts:
    """A period of whole weeks. A limit that is None is not set."""

    first_day: date
    weeks: int
    rooms: tuple[BayFacts, ...]
    asked: tuple[AskedFor, ...]
    dealers: tuple[DealerFacts, ...]
    """All who pay rent, not only those who ask: what is due is a part of the whole."""
    standing: tuple[StandingStay, ...] = ()
    rules: PieceRules = field(default_factory=PieceRules)
    most_in16: int | None = None
    most_pieces: int | None = None
    rotation_weeks: int | None = 12

    @property
    def last_day(self) -> date:
        return self.day_of(self.weeks) - timedelta(days=1)

    def day_of(self, week: int) -> date:
        """The first day of a week, 0 being the period's first."""
        return self.first_day + week * WEEK

    def week_of(self, day: date) -> int:
        """The week a day lies in; below zero before the period."""
        return (day - self.first_day).days // 7

    @cached_property
    def bays(self) -> dict[str, BayFacts]:
        return {room.bay.code: room for room in self.rooms}

    @cached_property
    def dealer(self) -> dict[str, DealerFacts]:
        """By code. Who is not known pays nothing and holds nothing."""
        unknown = {one.dealer for one in self.asked} | {one.dealer for one in self.standing}
        return {code: DealerFacts(code) for code in sorted(unknown)} | {dealer.code: dealer for dealer in self.dealers}
