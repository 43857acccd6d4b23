"""Money for turns: a no-show charged, a turn bought out, turns beyond what is carried. Brought to an amount, once, by a key."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlalchemy import func, or_, select, true
from sqlalchemy.orm import Session

from coop.books.queries import last_closed
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.leases.models import Charge, Lease
from coop.leases.turn_charges import TURN, charge_turn

AGAIN = "#"
"""What comes under a key again, because it is another amount now: `noshow:17`, `noshow:17#1`."""


def lease_charged(session: Session, mall_id: int, member_id: int, on: date) -> Lease | None:
    """The lease a member is charged under at a mall: one that runs on the day, by the dealer's code, or the last there was."""
    rows = session.execute(
        select(Lease, Dealer.code)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .where(Dealer.member_id == member_id, Lease.mall_id == mall_id, Lease.starts_on <= on)
        .order_by(Dealer.code, Lease.starts_on.desc(), Lease.id.desc())
    ).all()
    running = [lease for lease, _ in rows if lease.ends_on is None or lease.ends_on >= on]
    if running:
        return running[0]
    return max((lease for lease, _ in rows), key=lambda lease: lease.ends_on or date.max, default=None)


def charged_under(
    session: Session, mall_id: int, keys: Iterable[str], *, dealer_id: int | None = None
) -> dict[str, tuple[int, int]]:
    """(cents, how many times) charged so far under each of these keys at a mall, to one dealer if so. The others are left out."""
    wanted = [f"{TURN}:{key}" for key in keys]
    if not wanted:
        return {}
    again = (Charge.what.startswith(what + AGAIN, autoescape=True) for what in wanted)
    rows = session.execute(
        select(Charge.what, func.sum(Charge.amount_cents))
        .where(Charge.mall_id == mall_id, or_(Charge.what.in_(wanted), *again))
        .where(true() if dealer_id is None else Charge.dealer_id == dealer_id)
        .group_by(Charge.what)
    )
    found: dict[str, tuple[int, int]] = {}
    for what, cents in rows:
        key = what.removeprefix(f"{TURN}:").partition(AGAIN)[0]
        before = found.get(key, (0, 0))
        found[key] = (before[0] + int(cents), before[1] + 1)
    return found


def charge_to(
    session: Session,
    now: datetime,
    mall: Mall,
    member_id: int,
    cents: int,
    *,
    key: str,
    label: str,
    working: str,
    on: date,
    user_id: int | None = None,
    shared: bool = False,
) -> int:
    """Charge a member what makes the sum under a key come to `cents` (below zero: a credit); what was charged now.

    `shared`: the key is another's too, of whom nothing is counted. Refuses one who never had a lease at the mall.
    """
    lease = lease_charged(session, mall.id, member_id, on)
    alone = lease.dealer_id if shared and lease is not None else None
    stood, times = charged_under(session, mall.id, [key], dealer_id=alone).get(key, (0, 0))
    if stood == cents:
        return 0
    if lease is None:
        name = session.get_one(Member, member_id).name
        raise Refusal(f"{name} has no lease at {mall.name} to charge {label.lower()} under: let the turn be owed, or excuse it.")
    charge_turn(
        session,
        now,
        lease,
        cents - stood,
        key=f"{key}{AGAIN}{times}" if times else key,
        label=label,
        working=f"{working}; {format_dollars(stood)} was charged before" if stood else working,
        on=max(on, lease.starts_on),
        user_id=user_id,
    )
    return cents - stood


def require_open_month(session: Session, mall: Mall, month: Month) -> None:
    """Refuse to decide on turns that a closed month has counted."""
    closed = last_closed(session, mall.id)
    if closed is not None and month <= closed:
        raise Refusal(f"{month.name} is closed at {mall.name} and has counted its turns: set the member's account right instead.")
