"""Dated prices of a zone, and which is in force when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from coop.leases.domain.figures import TermsError

PER = ("sqft", "foot", "flat")


@dataclass(frozen=True)
class DatedRate:
    """A zone's price from a date on, in dollars a month: per square foot (`sqft`), per linear foot (`foot`), or `flat`."""

    per: str
    price: Decimal
    starts_on: date

    def __post_init__(self) -> None:
        if self.per not in PER:
            raise TermsError(f"The rate from {self.starts_on} is per {self.per!r}: choose sqft, foot or flat.")
        if self.price < 0:
            raise TermsError(f"The rate from {self.starts_on} is {self.price}: it cannot be negative.")


class NoRateError(Exception):
    """Some day of the span has no rate in force; the message names the day, and the zone where one was asked for."""

    def __init__(self, day: date, zone: str = "") -> None:
        super().__init__(f"there is no rate in force on {day}" + (f" in zone {zone}" if zone else ""))
        self.day, self.zone = day, zone


def rates_of_zone(rates: Mapping[str, Sequence[DatedRate]], zone: str, space: str) -> Sequence[DatedRate]:
    """The zone's rates (none when it has none). Raises TermsError for a space, and for a rate, that names no zone."""
    if not zone.strip():
        raise TermsError(f"{space} has no zone: name the zone it is priced in, such as front.")
    for name, dated in rates.items():
        if not name.strip() and dated:
            raise TermsError(f"The rate from {dated[0].starts_on} has no zone: name the zone it is for, such as front.")
    return rates.get(zone, ())


def rate_on(rates: Sequence[DatedRate], day: date, zone: str = "") -> DatedRate:
    """The rate in force on a day. Raises NoRateError."""
    begun = [rate for rate in rates if rate.starts_on <= day]
    if not begun:
        raise NoRateError(day, zone)
    return max(begun, key=lambda rate: rate.starts_on)
