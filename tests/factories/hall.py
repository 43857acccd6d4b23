"""A mall whose leases' money is tried: spans, shares, house rules, payments, and what was charged, in a form that reads."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Entry
from coop.books.queries import dealer_balances_before
from coop.books.service import post_entry
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Space
from coop.leases.models import Charge, Lease, LeaseShare, LeaseSpace
from coop.leases.posting import post_rents
from coop.leases.rules import set_rules
from tests.factories.books import sale
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall

LATER = date(2030, 1, 1)
ADVANCE: dict[str, Any] = {
    "rent_posts": "advance",
    "late_after_day": 10,
    "late_how": "greater",
    "late_flat_cents": 25_00,
    "late_percent": Decimal(10),
}


class Hall:
    """Booth 12 of 120 sq ft at $2.25 and case C3 at $45.00, two dealers, no leases yet."""

    def __init__(self, session: Session, now: datetime, **rules: Any) -> None:
        self.session, self.now = session, now
        make_coop(session, now)
        self.mall = make_mall(session, now)
        self.ida, self.amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
        self.booth = make_space(session, now, self.mall, "12")
        self.case = make_space(session, now, self.mall, "C3", kind="case", zone="case", feet=(2, 4))
        make_rate(session, self.mall, "2.25")
        make_rate(session, self.mall, "45", zone="case", per="flat")
        if rules:
            set_rules(session, self.mall, date(2020, 1, 1), **rules)

    def lease(self, dealer: Dealer, *spaces: Space, **terms: Any) -> Lease:
        return make_lease(self.session, self.now, self.mall, dealer, spaces, **terms)

    def hold(
        self,
        lease: Lease,
        space: Space,
        starts_on: date,
        ends_on: date | None = None,
        *,
        sqft: int = 120,
        shares: Mapping[Lease, int] | None = None,
    ) -> LeaseSpace:
        """A span of a space under a lease, with those who share its rent."""
        held = LeaseSpace(
            lease_id=lease.id, space_id=space.id, starts_on=starts_on, ends_on=ends_on, leased_area_sqft100=sqft * 100
        )
        held.shares = [LeaseShare(lease_id=who.id, share_percent=Decimal(part)) for who, part in (shares or {}).items()]
        lease.spaces.append(held)
        self.session.flush()
        return held

    def post(self, month: Month, on: date | None = None, **more: Any) -> int:
        """Post rents, at noon of a day."""
        return post_rents(self.session, self.at(on), self.mall, month, **more)

    def at(self, day: date | None) -> datetime:
        return self.now if day is None else self.now.replace(year=day.year, month=day.month, day=day.day, hour=18)

    def pay(self, dealer: Dealer, cents: int, on: date, source_id: str = "1", *, kind: str = "payment") -> int:
        """Money from a dealer into the bank; to her when negative."""
        postings = ((bank_account(self.session), cents), (dealer_account(self.session, self.mall, dealer), -cents))
        draft = EntryDraft(self.mall.id, on, kind, kind, source_id, kind, postings)
        return post_entry(self.session, self.now, draft)

    def sell(self, dealer: Dealer, cents: int, on: date, source_id: str = "1") -> int:
        return post_entry(self.session, self.now, sale(self.session, self.mall, dealer, cents, on, source_id))

    def charged(self, dealer: Dealer) -> list[tuple[str, str, str, int, str]]:
        """(day, what, change, cents, working) of everything charged to a dealer, as it was posted."""
        rows = self.session.execute(
            select(Entry.business_date, Charge)
            .join(Entry, Entry.id == Charge.entry_id)
            .where(Charge.dealer_id == dealer.id)
            .order_by(Entry.business_date, Charge.id)
        )
        return [(f"{day:%b %d}", c.label, str(c.change), c.amount_cents, c.working) for day, c in rows]

    def owed(self, dealer: Dealer) -> int:
        return dealer_balances_before(self.session, self.mall.id, LATER).get(dealer.id, 0)
