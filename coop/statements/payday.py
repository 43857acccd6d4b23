"""How a dealer is paid for a month, and why she is not: asked of her papers when her statement is frozen, kept as sentences.

And until when one who owes can pay without a late fee.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.paying import detail_of, details_of, how_paid
from coop.leases.domain.late import late_fee
from coop.leases.rules import rules_on
from coop.leases.settling import DealerAccount, accounts_of
from coop.payouts.holding import HoldReason, hold_reasons, is_held

RENT_UNKNOWN = "Next month’s rent stays back from what is paid, and is not settled yet: ask the office."


@dataclass(frozen=True)
class Payday:
    """What is known of a payout before it is made."""

    how: str
    """`by check`."""
    held: tuple[str, ...] = ()
    """Why it is not made, a sentence each; empty when nothing holds it."""


def payday_of(session: Session, now: datetime, dealer_id: int, month: Month) -> Payday:
    """How a dealer is paid for a month, and what holds it as things stand."""
    how = how_paid(detail_of(session, dealer_id))
    try:
        reasons = hold_reasons(session, now, month, dealer_id=dealer_id).get(dealer_id, ())
    except Refusal:
        # Next month's rent is netted and cannot be worked out; whoever prepares the payouts is told of which space.
        return Payday(how, (RENT_UNKNOWN,))
    return _payday(how, reasons)


def paydays_of(session: Session, now: datetime, dealer_ids: Iterable[int], month: Month) -> dict[int, Payday]:
    """The same of many, by dealer id; the number of queries does not grow with them."""
    details = details_of(session)
    try:
        reasons = hold_reasons(session, now, month)
    except Refusal:
        # It may be one dealer's rent alone that cannot be worked out.
        return {dealer_id: payday_of(session, now, dealer_id, month) for dealer_id in dealer_ids}
    return {one: _payday(how_paid(details.get(one)), reasons.get(one, ())) for one in dealer_ids}


def _payday(how: str, reasons: Sequence[HoldReason]) -> Payday:
    if not is_held(reasons):
        return Payday(how)
    return Payday(how, tuple(_sentence(reason.words) for reason in reasons if reason.pays is not True))


def late_after(session: Session, mall_id: int, dealer_id: int, month: Month) -> date | None:
    """The next month's grace day, where a late fee would be charged on what a dealer owes at a month's end and did not pay since.

    By the house rules of that month's first day. None where there is no such fee, or nothing that bears one.
    """
    rule = rules_on(session, mall_id, month.next.first_day).late_rule
    if rule is None:
        return None
    grace = month.next.first_day.replace(day=rule.grace_day)
    accounts = accounts_of(session, mall_id, month.last_day, money_through=grace, dealer_id=dealer_id)
    account = accounts.get(dealer_id, DealerAccount())
    fee = late_fee(rule, account.owed, account.paid, grace + timedelta(days=1))
    return grace if fee.amount_cents else None


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."
