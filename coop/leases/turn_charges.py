"""Charges and credits of turns, and rent of the overflow: each posted once under its key, with its working."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.service import posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.models import Dealer
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.leases.domain import Rent
from coop.leases.models import Charge, Lease
from coop.leases.posting import ChargeDraft, Due, hold_charges, post_due

TURN, OVERFLOW = "turn", "overflow"
LONGEST_KEY = 31
"""With the kind before it, it is the charge's `what`."""


def charge_turn(
    session: Session,
    now: datetime,
    lease: Lease,
    amount_cents: int,
    *,
    key: str,
    label: str,
    working: str,
    on: date,
    user_id: int | None = None,
) -> None:
    """Charge a no-show or a turn bought out; below zero, give a dealer credit for turns worked beyond what is owed. Once a key.

    Refuses nothing, a second under the key, a day before the lease begins, and a manager who credits that manager's own booth.
    """
    if not amount_cents:
        raise Refusal(f"{label} is $0.00: write what is charged or given.")
    if amount_cents < 0:
        require_not_own(session, user_id, lease.dealer_id, "a credit of your own")
    _post(session, now, lease, TURN, amount_cents, key=key, label=label, working=working, on=on, user_id=user_id)


def charge_overflow(
    session: Session,
    now: datetime,
    lease: Lease,
    amount_cents: int,
    *,
    key: str,
    label: str,
    working: str,
    on: date,
    user_id: int | None = None,
) -> None:
    """Charge rent for a bay of the overflow, once a key. Refuses what is not above zero, and what `charge_turn` refuses."""
    if amount_cents <= 0:
        raise Refusal(f"{label} is {format_dollars(amount_cents)}: write a rent above zero.")
    _post(session, now, lease, OVERFLOW, amount_cents, key=key, label=label, working=working, on=on, user_id=user_id)


def _post(
    session: Session,
    now: datetime,
    lease: Lease,
    kind: str,
    amount_cents: int,
    *,
    key: str,
    label: str,
    working: str,
    on: date,
    user_id: int | None,
) -> None:
    what = f"{kind}:{key}"
    if not 0 < len(key) <= LONGEST_KEY:
        raise Refusal(f"The key {key!r} has {len(key)} characters: it takes 1 to {LONGEST_KEY}.")
    if not 0 < len(label.strip()) <= 120 or not working.strip():
        raise Refusal(f"A charge of kind {kind} says what it is, in 120 characters, and how it was computed.")
    if on < lease.starts_on:
        raise Refusal(f"The lease begins on {written(lease.starts_on)}, after {written(on)}: choose a day under the lease.")
    mall, dealer = session.get_one(Mall, lease.mall_id), session.get_one(Dealer, lease.dealer_id)
    hold_charges(session, mall)
    posted = select(Charge.first_day).where(Charge.mall_id == mall.id, Charge.dealer_id == dealer.id, Charge.what == what)
    before = session.scalar(posted.limit(1))
    if before is not None:
        raise Refusal(f"{label} of {dealer.code} is posted in {Month.of(before).name} already.")
    day = posting_date(session, mall.id, on)
    draft = ChargeDraft(lease.id, dealer.id, kind, what, label.strip(), Rent(amount_cents, working.strip()), day)
    post_due(session, now, mall, Month.of(day), [Due(draft, None)])
    deed = "charge posted" if amount_cents > 0 else "credit posted"
    audit.record(session, now, deed, "dealer", dealer.code, user_id=user_id, detail=f"{mall.code}, {kind}")
