"""Money a dealer brings to the desk or sends: what she owes goes down by it, and it waits in the drawer or with the checks."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import dealer_account, tender_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Entry
from coop.books.service import post_entry
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_cents
from coop.dealers.models import Dealer
from coop.floor.models import Mall

PAYMENT = "payment"
PAID_BY = ("check", "cash")


def receive_payment(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    *,
    amount_cents: int,
    paid_by: str,
    on: date,
    reference: str,
    user_id: int | None = None,
) -> int:
    """Post a dealer's payment at a mall; the entry's id. The reference (a check's or receipt's number) is one of hers, once.

    Refuses an amount that is not above zero, a way of paying that is neither check nor cash, no reference or one that is there
    already, and a day in a closed month.
    """
    reference = reference.strip()
    if amount_cents <= 0:
        raise Refusal(f"The amount {dealer.code} paid must be above zero, not {format_cents(amount_cents)}.")
    if paid_by not in PAID_BY:
        raise Refusal(f"{dealer.code} paid by {paid_by}: it is one of {', '.join(PAID_BY)}.")
    if not reference:
        raise Refusal("The reference is empty: write the number of the check or of the receipt.")
    key = f"{mall.code}/{dealer.code}/{reference}"
    taken = select(Entry.id).where(Entry.source_kind == PAYMENT, Entry.source_id == key, Entry.purpose == PAYMENT)
    if session.scalar(taken) is not None:
        raise Refusal(f"A payment of {dealer.code} with the reference {reference} is posted already.")
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=on,
            kind=PAYMENT,
            source_kind=PAYMENT,
            source_id=key,
            purpose=PAYMENT,
            postings=netted(
                [(tender_account(session, mall, paid_by), amount_cents), (dealer_account(session, mall, dealer), -amount_cents)]
            ),
            memo=f"Your payment by {paid_by}, {reference}",
        ),
    )
    audit.record(session, now, "payment received", "dealer", dealer.code, user_id=user_id, detail=f"{mall.code}, {reference}")
    return entry_id
