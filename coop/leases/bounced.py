"""A dealer's check that came back, with what the bank asked for it passed on as a fee where the co-op wishes."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.books import payments
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases import queries
from coop.leases.posting import post_fee


def bounce_check(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    payment_entry_id: int,
    *,
    on: date,
    reference: str,
    bank_fee_cents: int = 0,
    passed_on: bool = False,
    user_id: int | None = None,
) -> int:
    """Take a check back that the bank did not pay (`books.payments.bounce_check`), and charge her the bank's fee if asked to.

    Refuses, beside what that refuses, to pass on a fee that is nothing, or to a dealer without a lease at the mall.
    """
    entry_id = payments.bounce_check(
        session,
        now,
        mall,
        dealer,
        payment_entry_id,
        on=on,
        reference=reference,
        bank_fee_cents=bank_fee_cents,
        user_id=user_id,
    )
    if passed_on:
        lease = queries.latest_leases(session, mall.id, on).get(dealer.id)
        if lease is None:
            raise Refusal(f"{dealer.code} has no lease at {mall.name} to charge the bank's fee under: leave it with the co-op.")
        if not bank_fee_cents:
            raise Refusal("The bank's fee is nothing: write what it asked for, or do not pass it on.")
        post_fee(
            session,
            now,
            lease,
            bank_fee_cents,
            key=f"bounced:{payment_entry_id}",
            label="Check that came back",
            working=f"the bank's fee, notice {reference.strip()}"[:200],
            on=on,
        )
    return entry_id
