"""Leaving: notice and its last day, taken back or gone through with; the moving-out list; the deposit; the end."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from sqlalchemy import delete, func, or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day
from coop.floor.models import Space
from coop.leases.agreements import held_name, lease_name, require_move
from coop.leases.changing import given_up, shared_past
from coop.leases.deposits import deposit_held, settle_lease_deposit
from coop.leases.domain.deposit import Deduction, DepositSettled
from coop.leases.domain.lifecycle import Facts
from coop.leases.domain.notice import NoticeRule, earliest_last_day, notice_refusal
from coop.leases.holding import lock, lock_spaces, require_open_day, today_at
from coop.leases.models import DepositLine, Lease, LeaseSpace, MoveOutItem, Offer
from coop.leases.pricing import named
from coop.leases.rules import rules_on

_DAY = timedelta(days=1)
BY = {"dealer": "the dealer", "coop": "the co-op"}


def notice_rule(lease: Lease) -> NoticeRule:
    """The days of notice the lease demands."""
    return NoticeRule(lease.notice_days, lease.notice_to_month_end)


def first_last_day(lease: Lease, given_on: date) -> date:
    """The earliest last day of a lease for notice given on a day."""
    return earliest_last_day(notice_rule(lease), given_on, _term_running(lease, given_on))


def _term_running(lease: Lease, on: date) -> date | None:
    return lease.term_ends_on if lease.term_ends_on is not None and lease.term_ends_on >= on else None


def give_notice(
    session: Session,
    now: datetime,
    lease: Lease,
    *,
    by: str,
    given_on: date,
    last_day: date | None = None,
    agreed: str = "",
    user_id: int | None = None,
) -> date:
    """Notice by the dealer or the co-op, through the earliest last day or a later one; that day. Spans end with it.

    `agreed` says why both agree to an earlier day than the lease demands; the log keeps it. Makes the moving-out list from the
    house rules. Refuses a day too early, a day of notice to come, and a shared space that runs on.
    """
    lock(session, lease)
    whose = lease_name(session, lease)
    today = today_at(session, now, lease.mall_id)
    if by not in BY:
        raise Refusal(f"Notice is given by {by!r}: choose dealer or coop.")
    if given_on > today:
        raise Refusal(f"The notice of {day(given_on)} is to come: enter the day it was given.")
    last_day = last_day or max(first_last_day(lease, given_on), lease.starts_on)
    early = notice_refusal(notice_rule(lease), given_on, last_day, _term_running(lease, given_on))
    facts = Facts(
        today=today, space=held_name(session, lease), last_day=last_day, notice_refusal=None if agreed.strip() else early
    )
    require_move(session, lease, "give_notice", facts)
    if last_day < lease.starts_on:
        raise Refusal(f"{whose} begins on {day(lease.starts_on)}: it cannot end before that.")
    require_open_day(session, lease.mall_id, last_day + _DAY, f"{whose} ended, its rent")
    shared = shared_past(session, lease, last_day)
    if shared is not None:
        raise Refusal(
            f"{named(shared.space)} is shared, and the shares run on after {day(last_day)}: say first who pays from "
            f"{day(last_day + _DAY)} on, or end the space with that day."
        )
    for held in _running_past(session, lease, last_day):
        if held.starts_on > last_day:
            raise Refusal(
                f"{named(held.space)} begins under this lease on {day(held.starts_on)}, after its last day: withdraw it first."
            )
        held.ends_on = last_day
    lease.ends_on, lease.notice_on, lease.notice_by = last_day, given_on, by
    session.flush()
    _make_list(session, lease, last_day)
    detail = f"by {BY[by]} on {given_on}, last day {last_day}{f', agreed: {agreed.strip()}' if agreed.strip() else ''}"
    audit.record(session, now, "notice given", "lease", lease.id, user_id=user_id, detail=detail)
    return last_day


def _running_past(session: Session, lease: Lease, last_day: date) -> Sequence[LeaseSpace]:
    later = or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on > last_day)
    return session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == lease.id, later).order_by(LeaseSpace.id)).all()


def _make_list(session: Session, lease: Lease, last_day: date) -> None:
    for what in dict.fromkeys(rules_on(session, lease.mall_id, last_day).checklist):
        session.add(MoveOutItem(lease_id=lease.id, what=what))
    session.flush()


def take_back_notice(session: Session, now: datetime, lease: Lease, *, user_id: int | None = None) -> None:
    """The lease runs on, with the spaces that would have ended with it. Refuses once one of them is promised to another.

    A space given up for that same day, before the notice or after it, stays given up.
    """
    lock(session, lease)
    last = session.scalars(
        select(LeaseSpace)
        .where(LeaseSpace.lease_id == lease.id, LeaseSpace.ends_on == lease.ends_on)
        .order_by(LeaseSpace.space_id)
    ).all()
    ending = [held for held in last if not given_up(session, held)]
    lock_spaces(session, [held.space for held in ending])
    promised = _promised(session, lease, [held.space_id for held in ending])
    facts = Facts(
        today=today_at(session, now, lease.mall_id),
        space=named(promised) if promised else held_name(session, lease),
        last_day=lease.ends_on,
        promised_to_another=promised is not None,
    )
    require_move(session, lease, "take_back_notice", facts)
    was = lease.ends_on
    lease.ends_on = lease.notice_on = None
    lease.notice_by = ""
    for held in ending:
        held.ends_on = None
    session.execute(delete(MoveOutItem).where(MoveOutItem.lease_id == lease.id))
    session.flush()
    audit.record(session, now, "notice taken back", "lease", lease.id, user_id=user_id, detail=f"last day was {was}")


def _promised(session: Session, lease: Lease, spaces: Sequence[int]) -> Space | None:
    """A space of these that is offered, or leased to another after the lease's last day."""
    if lease.ends_on is None:
        return None
    leased = select(LeaseSpace.space_id).where(LeaseSpace.space_id.in_(spaces), LeaseSpace.starts_on > lease.ends_on)
    offered = select(Offer.space_id).where(Offer.space_id.in_(spaces), Offer.state == "open")
    return session.scalar(select(Space).where(or_(Space.id.in_(leased), Space.id.in_(offered))).order_by(Space.id).limit(1))


# --- moving out ---------------------------------------------------------------------------------------------------------


def list_of(session: Session, lease: Lease) -> Sequence[MoveOutItem]:
    """What is gone through when a dealer moves out."""
    return session.scalars(select(MoveOutItem).where(MoveOutItem.lease_id == lease.id).order_by(MoveOutItem.id)).all()


def tick_item(session: Session, now: datetime, item: MoveOutItem, *, by: str, note: str = "", user_id: int | None = None) -> None:
    """One line of the list was looked at, today, by whom. Ticked again, the first stays. Refuses without a name."""
    lock(session, item)
    lease = session.get_one(Lease, item.lease_id)
    by, note = " ".join(by.split()), " ".join(note.split())
    if not by:
        raise Refusal(f"{item.what}: write who looked at it.")
    if len(by) > 120 or len(note) > 200:
        raise Refusal(f"{item.what}: a name has 120 letters at most, a note 200.")
    _require_not_ended(session, lease)
    if item.done_on is None:
        item.done_on, item.done_by, item.note = today_at(session, now, lease.mall_id), by, note
        session.flush()
        audit.record(session, now, "moving out: done", "lease", lease.id, user_id=user_id, detail=item.what)


def untick_item(session: Session, now: datetime, item: MoveOutItem, *, user_id: int | None = None) -> None:
    """One line of the list is open again."""
    lock(session, item)
    lease = session.get_one(Lease, item.lease_id)
    _require_not_ended(session, lease)
    item.done_on, item.done_by, item.note = None, "", ""
    session.flush()
    audit.record(session, now, "moving out: open again", "lease", lease.id, user_id=user_id, detail=item.what)


def _require_not_ended(session: Session, lease: Lease) -> None:
    if lease.settled_on is not None:
        raise Refusal(f"{lease_name(session, lease)} has ended: its list stays as it is.")


def move_out(session: Session, now: datetime, lease: Lease, *, on: date, user_id: int | None = None) -> None:
    """The space is empty and handed over since a day. Rent runs to the lease's last day whenever that is."""
    lock(session, lease)
    whose = lease_name(session, lease)
    facts = Facts(today=today_at(session, now, lease.mall_id), space=held_name(session, lease), moved_out_on=on)
    require_move(session, lease, "move_out", facts)
    if on < lease.starts_on:
        raise Refusal(f"{whose} begins on {day(lease.starts_on)}: nobody moved out on {day(on)}.")
    lease.moved_out_on = on
    session.flush()
    audit.record(session, now, "moved out", "lease", lease.id, user_id=user_id, detail=str(on))


def settle_leaving(
    session: Session,
    now: datetime,
    lease: Lease,
    *,
    on: date,
    damages: Sequence[Deduction] = (),
    reference: str = "",
    user_id: int | None = None,
) -> DepositSettled:
    """Settle the deposit of a lease that was moved out of: owed first, then damages, the rest goes back.

    Refuses before the list is done, while the lease still runs, and a day to come.
    """
    lock(session, lease)
    whose = lease_name(session, lease)
    today = today_at(session, now, lease.mall_id)
    if lease.moved_out_on is None or lease.ends_on is None:
        raise Refusal(f"{whose} is not moved out of: enter the day it was, then settle the deposit.")
    _require_not_ended(session, lease)
    if on > today:
        raise Refusal(f"The deposit is settled on {day(on)}, a day to come: enter the day it is done.")
    if today <= lease.ends_on:
        raise Refusal(f"{whose} runs through {day(lease.ends_on)}, and rent with it: settle the deposit after that day.")
    undone = [item.what for item in list_of(session, lease) if item.done_on is None]
    if undone:
        raise Refusal(f"The moving-out list of {whose[0].lower()}{whose[1:]} is not done: {', '.join(undone)}.")
    settled = settle_lease_deposit(session, now, lease, on=on, damages=damages, reference=reference)
    detail = f"{format_dollars(settled.returned_cents)} returned"
    audit.record(session, now, "deposit settled", "lease", lease.id, user_id=user_id, detail=detail)
    return settled


def end_lease(
    session: Session, now: datetime, lease: Lease, *, on: date, final_statement_made: bool, user_id: int | None = None
) -> None:
    """End a lease for good. Refuses until its list, its deposit and its final statement are done.

    The final statement is of the month its last day is in, or of a later one: whoever makes statements says that there is one.
    """
    lock(session, lease)
    facts = Facts(
        today=today_at(session, now, lease.mall_id),
        space=held_name(session, lease),
        checklist_done=all(item.done_on is not None for item in list_of(session, lease)),
        final_statement_made=final_statement_made,
        deposit_settled=deposit_held(session, lease) == 0,
    )
    require_move(session, lease, "end", facts)
    lease.settled_on = on
    session.flush()
    audit.record(session, now, "lease ended", "lease", lease.id, user_id=user_id, detail=str(on))


def end_stated_leases(session: Session, now: datetime, mall_id: int, dealer_id: int, month: Month) -> int:
    """End the leases that a dealer's statement of a month was the final one of; how many.

    Those whose last day is within the month or before, that were moved out of, whose list is done, and whose deposit was settled
    by the month's end, so that this statement tells of it.
    """
    last_line = select(func.max(DepositLine.on)).where(DepositLine.lease_id == Lease.id).correlate(Lease).scalar_subquery()
    over = session.scalars(
        select(Lease)
        .where(
            Lease.mall_id == mall_id,
            Lease.dealer_id == dealer_id,
            Lease.settled_on.is_(None),
            Lease.moved_out_on.is_not(None),
            Lease.ends_on <= month.last_day,
            func.coalesce(last_line, Lease.ends_on) <= month.last_day,
        )
        .order_by(Lease.id)
    ).all()
    ended = 0
    for lease in over:
        done = all(item.done_on is not None for item in list_of(session, lease)) and deposit_held(session, lease) == 0
        if done:
            end_lease(session, now, lease, on=today_at(session, now, mall_id), final_statement_made=True)
            ended += 1
    return ended
