"""Offers: a space offered to somebody on the waiting list until a day, and what comes of it. One open offer a space."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.core.templating import day
from coop.dealers.membership import add_dealer, make_dealer, next_code
from coop.dealers.models import Cooperative, Dealer, Member
from coop.floor.models import Mall, Space
from coop.leases.agreements import Terms, deposit_asked, make_lease
from coop.leases.asking import called, dealers_of, next_for
from coop.leases.domain.lifecycle import Facts, refusal
from coop.leases.domain.notice import offer_deadline
from coop.leases.holding import first_free_day, lock, lock_spaces, today_at
from coop.leases.models import Lease, Offer, Waiting
from coop.leases.pricing import Asked, named
from coop.leases.rules import rules_on


def make_offer(
    session: Session,
    now: datetime,
    space: Space,
    asked: Waiting,
    *,
    starts_on: date | None = None,
    answer_by: date | None = None,
    reason: str = "",
    user_id: int | None = None,
) -> Offer:
    """Offer a space: from the first day it is free, open for the house rules' days, unless other days are given.

    Refuses whoever is not next, unless a reason says why she comes first; a space that is not free then, or offered to another.
    """
    lock_spaces(session, [space])
    lock(session, asked)
    today = today_at(session, now, space.mall_id)
    name = named(space)
    if asked.mall_id != space.mall_id or asked.kind != space.kind:
        raise Refusal(f"{name} is not what was asked for: a {asked.kind} is waited for; offer such a space of the same mall.")
    if asked.state != "waiting":
        raise Refusal(f"{name} cannot be offered: that one is {_OFF_LIST[asked.state]}.")
    free = first_free_day(session, space, today)
    facts = Facts(
        today=today,
        space=name,
        space_free_from=free,
        starts_on=starts_on or free or today,
        offered_to_another=_open_offer(session, space) is not None,
        offer_deadline=answer_by or offer_deadline(today, rules_on(session, space.mall_id, today).offer_days),
    )
    said = refusal("waiting", "offer", facts)
    if said is not None:
        raise Refusal(said)
    assert facts.starts_on is not None
    assert facts.offer_deadline is not None
    if space.retired_on is not None:
        raise Refusal(f"{name} is not rented from {day(space.retired_on)} on: offer another space.")
    why = _why(session, space, asked, today, reason)
    offer = Offer(
        waiting_id=asked.id,
        space_id=space.id,
        made_on=today,
        answer_by=facts.offer_deadline,
        starts_on=facts.starts_on,
        why=why[:200],
        state="open",
    )
    try:
        with session.begin_nested():
            session.add(offer)
            session.flush()
    except IntegrityError as error:
        if "offer" in str(error):
            raise Refusal(f"{name} is offered to another: wait for the answer or let that offer run out.") from error
        raise
    asked.state = "offered"
    session.flush()
    audit.record(session, now, "space offered", "offer", offer.id, user_id=user_id, detail=f"{space.code}, {offer.why}")
    return offer


_OFF_LIST = {"offered": "offered another space already", "leased": "off the list with a lease", "withdrawn": "off the list"}


def _open_offer(session: Session, space: Space) -> Offer | None:
    return session.scalar(select(Offer).where(Offer.space_id == space.id, Offer.state == "open"))


def _why(session: Session, space: Space, asked: Waiting, today: date, reason: str) -> str:
    turn = next_for(session, space, today)
    if turn is not None and turn.waiting.id == asked.id:
        return turn.why
    if not reason.strip():
        if turn is None:
            raise Refusal(f"{named(space)} was turned down by this one before: say why it is offered again.")
        raise Refusal(f"{turn.why} To offer it to another, say why.")
    who = called(asked, dealers_of(session, [asked.member_id] if asked.member_id else []))
    return f"{named(space)} goes to {who}: {' '.join(reason.split())}"


# --- answers ------------------------------------------------------------------------------------------------------------


def accept_offer(
    session: Session,
    now: datetime,
    offer: Offer,
    *,
    code: str = "",
    commission_percent: Decimal | None = None,
    terms: Terms | None = None,
    asked: Asked | None = None,
    answered_on: date | None = None,
    member_id: int | None = None,
    user_id: int | None = None,
) -> Lease:
    """Make the lease of an offer that was taken; who is no member or dealer yet becomes one, under `code` or the next free one.

    The deposit is the house rules' unless the terms say one. `member_id`: whose answer it is, if she gives it herself.
    Refuses an answer after the deadline, and one to an offer that is not open or not hers.
    """
    space, row = _require_open(session, offer, member_id)
    today = today_at(session, now, space.mall_id)
    answered_on = answered_on or today
    if answered_on > today:
        raise Refusal(f"The answer of {day(answered_on)} is to come: enter the day it was given.")
    if answered_on > offer.answer_by:
        raise Refusal(f"The offer of {named(space)} ran out on {day(offer.answer_by)}: make a new offer.")
    wanted = asked or Asked(space)
    if wanted.space.id != space.id:
        raise Refusal(f"{named(wanted.space)} is not what was offered: {named(space)} was.")
    mall = session.get_one(Mall, space.mall_id)
    dealer = _as_dealer(session, now, row, code, today)
    # Taken before the lease is made: a space under an open offer is leased to nobody.
    offer.state = "accepted"
    session.flush()
    if commission_percent is None:
        commission_percent = session.get_one(Cooperative, 1).commission_percent
    lease = make_lease(
        session,
        now,
        mall,
        dealer,
        starts_on=offer.starts_on,
        commission_percent=commission_percent,
        spaces=[wanted],
        terms=terms or Terms(deposit_cents=deposit_asked(session, mall, [wanted], offer.starts_on).amount_cents),
        user_id=user_id,
    )
    offer.lease_id = lease.id
    row.state = "leased"
    session.flush()
    audit.record(session, now, "offer accepted", "offer", offer.id, user_id=user_id, detail=f"lease {lease.id} of {dealer.code}")
    return lease


def _as_dealer(session: Session, now: datetime, row: Waiting, code: str, today: date) -> Dealer:
    """The dealer she is, or becomes; from then on her name is with the members alone."""
    if row.member_id is not None:
        known = dealers_of(session, [row.member_id]).get(row.member_id)
        member = session.get_one(Member, row.member_id)
        return known[0] if known else make_dealer(session, now, member, code or next_code(session))
    dealer = add_dealer(
        session,
        now,
        code or next_code(session),
        name=row.name,
        email=row.email,
        phone=row.phone,
        address=row.address,
        joined_on=today,
    )
    row.member_id = dealer.member_id
    row.name = row.email = row.phone = row.address = ""
    session.flush()
    return dealer


def decline_offer(
    session: Session, now: datetime, offer: Offer, *, member_id: int | None = None, user_id: int | None = None
) -> None:
    """Who was offered a space does not take it, and keeps her place for others."""
    _end(session, now, offer, "declined", member_id, user_id)


def withdraw_offer(session: Session, now: datetime, offer: Offer, *, user_id: int | None = None) -> None:
    """The co-op takes an offer back; who had it waits on in her place."""
    _end(session, now, offer, "withdrawn", None, user_id)


def _end(session: Session, now: datetime, offer: Offer, state: str, member_id: int | None, user_id: int | None) -> None:
    space, row = _require_open(session, offer, member_id)
    offer.state, row.state = state, "waiting"
    session.flush()
    audit.record(session, now, f"offer {state}", "offer", offer.id, user_id=user_id, detail=space.code)


_ANSWERED = {
    "accepted": "was accepted already",
    "declined": "was declined already",
    "lapsed": "ran out",
    "withdrawn": "was withdrawn",
}


def _require_open(session: Session, offer: Offer, member_id: int | None) -> tuple[Space, Waiting]:
    """The offer's space and who it is to, with the offer held. Refuses one that is not open, or not to this member."""
    space = session.get_one(Space, offer.space_id)
    row = session.get_one(Waiting, offer.waiting_id)
    if member_id is not None and row.member_id != member_id:
        raise Refusal("This offer is somebody else's: only she can answer it.")
    lock_spaces(session, [space])
    lock(session, row, offer)
    if offer.state != "open":
        raise Refusal(f"The offer of {named(space)} {_ANSWERED[offer.state]}: make a new offer.")
    return space, row


# --- running out --------------------------------------------------------------------------------------------------------


def lapse_offers(session: Session, now: datetime) -> int:
    """End every open offer whose last day is over at its mall; how many. Who had one waits on; the work list names the space."""
    lapsed = 0
    rows: Any = session.execute(
        select(Offer, Waiting, Mall.timezone)
        .join(Space, Space.id == Offer.space_id)
        .join(Mall, Mall.id == Space.mall_id)
        .join(Waiting, Waiting.id == Offer.waiting_id)
        .where(Offer.state == "open")
        .order_by(Offer.id)
        # One that is just being answered is left to the answer.
        .with_for_update(of=(Offer, Waiting), skip_locked=True)
    )
    for offer, asked, timezone in rows.all():
        if offer.answer_by < local_date(now, timezone):
            offer.state, asked.state = "lapsed", "waiting"
            audit.record(session, now, "offer lapsed", "offer", offer.id)
            lapsed += 1
    session.flush()
    return lapsed


@short_job("leases.lapse_offers")
def _lapse(session: Session, now: datetime, args: dict[str, Any]) -> None:
    lapse_offers(session, now)
