"""What a space costs a whole month on a day: for offers, agreements, deposits and increases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.models import Space
from coop.leases import queries
from coop.leases.domain import DatedRate, NoRateError, Rent
from coop.leases.domain.figures import TermsError
from coop.leases.domain.rates import rate_on
from coop.leases.domain.rent import Held, SpaceTerms, space_rent
from coop.leases.models import LeaseSpace

SPACE_NAMES = {"booth": "Booth", "case": "Case", "shelf": "Shelf", "wall": "Wall"}

Rates = Mapping[str, Sequence[DatedRate]]


@dataclass(frozen=True)
class Asked:
    """A space as it is to be leased. What is None is as measured, or at the zone's dated rate."""

    space: Space
    area_sqft100: int | None = None
    length_in16: int | None = None
    agreed_per: str | None = None
    agreed_price: Decimal | None = None


def known_rates(session: Session, mall_id: int) -> Rates:
    """Every zone's dated rates."""
    return queries.rates_by_zone(session, mall_id)


def named(space: Space) -> str:
    """`Booth 12`"""
    return f"{SPACE_NAMES[space.kind]} {space.code}"


def rate_of(asked: Asked | LeaseSpace, rates: Rates, on: date) -> DatedRate:
    """The price of a space on a day: the one agreed, else its zone's. Refuses a zone without a rate."""
    if asked.agreed_per is not None and asked.agreed_price is not None:
        return DatedRate(asked.agreed_per, asked.agreed_price, date.min)
    space = asked.space
    try:
        return rate_on(list(rates.get(space.zone, ())), on, space.zone)
    except NoRateError as error:
        raise Refusal(f"{named(space)} is in zone {space.zone}, and {error}: set a rate for that zone first.") from error


def monthly_rent(asked: Asked | LeaseSpace, rates: Rates, on: date) -> Rent:
    """The rent of a whole month at the price of a day, before raises, discounts and shares, with its working."""
    space = asked.space
    rate = rate_of(asked, rates, on)
    area, length = measures(asked)
    terms = SpaceTerms(named(space), space.zone, (Held(date.min, None, area or None, length),))
    try:
        return space_rent(Month.of(on), terms, {space.zone: [DatedRate(rate.per, rate.price, date.min)]})
    except TermsError as error:
        raise Refusal(str(error)) from error


def measures(asked: Asked | LeaseSpace) -> tuple[int, int | None]:
    """Leased area in hundredths of a square foot, and leased length in sixteenths of an inch, if any."""
    if isinstance(asked, LeaseSpace):
        return asked.leased_area_sqft100, asked.leased_length_in16
    space = asked.space
    area = space.measured_area_sqft100 if asked.area_sqft100 is None else asked.area_sqft100
    return area, space.length_in16 if asked.length_in16 is None else asked.length_in16
