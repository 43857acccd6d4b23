"""How lent floor was shared out at a mall over a year, against rent paid: for everybody to see why a draft gives as it does."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.geometry import IN16_PER_INCH
from coop.core.money import round_half_up
from coop.floor.models import Mall
from coop.leases.holding import today_at
from coop.overflow.domain.fairness import due_of, shared_out
from coop.overflow.models import OverflowRequest
from coop.overflow.period import YEAR, floor_had, rents_of, tenants
from coop.overflow.queries import WAITING
from coop.overflow.reading import bays_on, standing_between

_PLACES = Decimal("0.0001")
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class FairRow:
    """One dealer's part. Floor is in inch-weeks of bays: twelve are a foot for a week."""

    dealer_id: int
    code: str
    name: str
    rent_cents: int
    """Rent paid over the year: charged for months that began in it, less what was owed when the last of them was closed."""
    had: int
    due: int
    """By rent paid, of all bays there are; 0 where there are none."""
    waiting: int
    """Requests that wait for floor."""

    @property
    def percent(self) -> int:
        """What was had, of what is due, in whole percent; 0 where nothing is."""
        return round_half_up(Fraction(100 * self.had, self.due)) if self.due else 0


@dataclass(frozen=True)
class Fairness:
    """The year of 365 days that ended with `through`. Rows by code."""

    since: date
    through: date
    rows: tuple[FairRow, ...]
    has_bays: bool
    """There are bays today: without any, nothing is due to anybody."""
    index: Decimal | None
    """Jain's index of floor had by floor due, to four places: 1 when all had the same part of theirs; None when none was had, or
    none is due.
    """
    least_percent: int
    """The least part of what is due that anybody had."""
    most_percent: int


def fairness(session: Session, now: datetime, mall: Mall) -> Fairness:
    """How floor was shared among who has a lease at a mall today, in a fixed number of queries."""
    today = today_at(session, now, mall.id)
    since, through = today - YEAR, today - _DAY
    dealers = tenants(session, mall, today, today)
    rents = rents_of(session, mall, today)
    had = floor_had(standing_between(session, mall.id, since, through), today)
    bays = bays_on(session, mall.id, today)
    floor_in = sum(row.length_in16 for row in bays) // IN16_PER_INCH
    due = due_of({dealer.code: rents.get(dealer.id, 0) for dealer in dealers}, floor_in) if bays else {}
    asking = select(OverflowRequest.dealer_id).where(OverflowRequest.mall_id == mall.id, OverflowRequest.state.in_(WAITING))
    waiting = Counter(session.scalars(asking))
    rows = tuple(
        FairRow(
            dealer_id=dealer.id,
            code=dealer.code,
            name=dealer.trade_name or dealer.member.name,
            rent_cents=rents.get(dealer.id, 0),
            had=had.get(dealer.id, 0),
            due=due.get(dealer.code, 0),
            waiting=waiting[dealer.id],
        )
        for dealer in dealers
    )
    shared = shared_out({row.code: row.had for row in rows}, due)
    return Fairness(
        since=since,
        through=through,
        rows=rows,
        has_bays=bool(bays),
        index=None if shared.index is None else shared.index.quantize(_PLACES),
        least_percent=round_half_up(100 * shared.least),
        most_percent=round_half_up(100 * (shared.least + shared.spread)),
    )
