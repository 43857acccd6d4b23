"""A member leaves the co-op, once no lease of the member's runs on; and is a member again."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.templating import day
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease


def leave_coop(
    session: Session,
    now: datetime,
    dealer: Dealer,
    left_on: date,
    *,
    today: date,
    user_id: int | None = None,
    request_id: str = "",
) -> None:
    """Write down a member's last day in the co-op, for every code the member sells under; `today` is the office's day.

    From the day after it nothing of turns is asked of the member, and the month-end settles the account of turns. Refuses a
    member who has left already, a day before joining or to come, and one after which a lease runs, naming it.
    """
    member = dealer.member
    session.refresh(member, with_for_update={"key_share": True})
    if member.left_on is not None:
        raise Refusal(f"{member.name} left on {day(member.left_on)} already: take that back first.")
    if left_on < member.joined_on:
        raise Refusal(f"{member.name} joined on {day(member.joined_on)}: write that day or a later one.")
    if left_on > today:
        raise Refusal(f"{day(left_on)} is to come: write it down on that day, or after it.")
    runs = (
        select(Lease, Mall.name)
        .join(Mall, Mall.id == Lease.mall_id)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .where(Dealer.member_id == member.id, or_(Lease.ends_on.is_(None), Lease.ends_on > left_on))
        .order_by(Lease.starts_on, Lease.id)
    )
    found = session.execute(runs).first()
    if found is not None:
        lease, mall = found
        until = f"until {day(lease.ends_on)}" if lease.ends_on else "and has no end"
        raise Refusal(
            f"The lease of {member.name} at {mall} from {day(lease.starts_on)} runs {until}: "
            "give notice on it first, or write a day when it is over."
        )
    member.left_on = left_on
    session.flush()
    audit.record(
        session, now, "member left", "dealer", dealer.code, user_id=user_id, request_id=request_id, detail=f"on {left_on}"
    )


def come_back(session: Session, now: datetime, dealer: Dealer, *, user_id: int | None = None, request_id: str = "") -> None:
    """Take back that a member has left: a member since joining, as before. Refuses one who has not."""
    member = dealer.member
    session.refresh(member, with_for_update={"key_share": True})
    if member.left_on is None:
        raise Refusal(f"{member.name} has not left: there is nothing to take back.")
    before, member.left_on = member.left_on, None
    session.flush()
    audit.record(
        session,
        now,
        "member back",
        "dealer",
        dealer.code,
        user_id=user_id,
        request_id=request_id,
        detail=f"had left on {before}",
    )
