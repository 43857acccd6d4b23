"""A yard: three booths in a row at $2.25 a square foot, three dealers, and the day that passes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions
from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.dealers.models import Dealer, Member
from coop.floor.models import Space
from coop.floor.service import add_space
from coop.leases.agreements import Terms, make_lease
from coop.leases.models import Lease, LeaseSpace
from coop.leases.pricing import Asked
from tests.factories.leases import make_rate
from tests.factories.people import make_coop, make_dealer, make_mall


class Yard:
    """Booths 11, 12 and 13 stand side by side, 120 sq ft each; 15 across the aisle. Dealers D01, D02, D03."""

    def __init__(self, session: Session, now: datetime) -> None:
        self.session, self.now = session, now
        self.coop = make_coop(session, now)
        self.mall = make_mall(session, now)
        self.dealers = {code: make_dealer(session, now, code) for code in ("D01", "D02", "D03")}
        self.spaces = {
            code: add_space(
                session,
                now,
                self.mall,
                code,
                kind="booth",
                zone="front",
                width_in16=10 * FOOT,
                depth_in16=12 * FOOT,
                x_in16=10 * n * FOOT,
                y_in16=y * FOOT,
            )
            for n, (code, y) in enumerate((("11", 0), ("12", 0), ("13", 0), ("15", 18)))
        }
        make_rate(session, self.mall, "2.25")

    @property
    def today(self) -> date:
        return self.now.date()

    def on(self, day: date) -> None:
        """It is this day now, three in the afternoon in UTC."""
        self.now = datetime(day.year, day.month, day.day, 15, 0, tzinfo=UTC)

    def member(self, code: str) -> Member:
        return self.dealers[code].member

    def dealer(self, code: str) -> Dealer:
        return self.dealers[code]

    def lease(self, code: str, *spaces: str | Asked, starts_on: date = date(2026, 6, 1), terms: Terms | None = None) -> Lease:
        asked: list[Space | Asked] = [self.spaces[one] if isinstance(one, str) else one for one in spaces]
        return make_lease(
            self.session,
            self.now,
            self.mall,
            self.dealers[code],
            starts_on=starts_on,
            commission_percent=Decimal(10),
            spaces=asked,
            terms=terms,
        )

    def spans(self, lease: Lease) -> list[tuple[str, date, date | None, int]]:
        """Code, first and last day, and area of each span, by first day."""
        rows = self.session.scalars(
            select(LeaseSpace).where(LeaseSpace.lease_id == lease.id).order_by(LeaseSpace.starts_on, LeaseSpace.id)
        )
        return [(row.space.code, row.starts_on, row.ends_on, row.leased_area_sqft100) for row in rows]

    def held(self, lease: Lease, code: str = "12") -> LeaseSpace:
        """The last span of a space under a lease."""
        return self.session.scalars(
            select(LeaseSpace)
            .where(LeaseSpace.lease_id == lease.id, LeaseSpace.space_id == self.spaces[code].id)
            .order_by(LeaseSpace.starts_on.desc())
            .limit(1)
        ).one()


@pytest.fixture
def yard(sessions: Sessions, now: datetime) -> Iterator[Yard]:
    with sessions() as session:
        yield Yard(session, now)
