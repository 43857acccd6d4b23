"""The money of a substitute: charged to whoever offered the turn, credited to whoever took it, once."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import short_day
from coop.dealers.models import Dealer, Member, UserAccount
from coop.floor.models import Mall
from coop.leases.holding import today_at
from coop.leases.models import Lease
from coop.leases.turn_charges import charge_turn
from coop.shifts.charging import charge_to, lease_charged
from coop.shifts.models import Turn
from coop.shifts.turn_models import TurnOffer

CAUTION = (
    "Work that is done for money, or instead of rent, can be employment under local law, with its wages, taxes and insurance: "
    "ask who advises the co-op before turns are paid for."
)
"""Shown wherever a turn is exchanged for money."""


def pay_substitute(
    session: Session, now: datetime, offer: TurnOffer, turn: Turn, taker_id: int, *, user_id: int | None = None
) -> None:
    """Move what an offer pays from its maker's account to the taker's, at the mall of the turn. Refuses whoever has no lease.

    Both post on the day the offer is taken (or a lease's first day, if that is to come): the credit in the name of whoever
    pays it, for nobody credits themselves.
    """
    payer, taker = (_lease(session, turn, one) for one in (offer.by_member_id, taker_id))
    codes = {one.id: session.get_one(Dealer, one.dealer_id).code for one in (payer, taker)}
    on = max(today_at(session, now, turn.mall_id), payer.starts_on, taker.starts_on)
    what = f"Turn of {short_day(turn.on_date)}"
    charge_turn(
        session,
        now,
        payer,
        offer.pays_cents,
        key=f"substitute:{offer.id}",
        label=f"{what}, worked by {codes[taker.id]}",
        working=f"{format_dollars(offer.pays_cents)} as offered",
        on=on,
        user_id=user_id,
    )
    charge_turn(
        session,
        now,
        taker,
        -offer.pays_cents,
        key=f"substitute:{offer.id}",
        label=f"{what}, worked for {codes[payer.id]}",
        working=f"{format_dollars(offer.pays_cents)} as offered",
        on=on,
        user_id=session.scalar(select(UserAccount.id).where(UserAccount.member_id == offer.by_member_id).limit(1)),
    )


def settle_substitute(
    session: Session, now: datetime, turn: Turn, whose: int | None, *, came: bool, user_id: int | None = None
) -> None:
    """Give back what a substitute got who did not come, or give it again where somebody did after all. Nothing where nobody paid.

    `whose` is who took the turn and was missed. Refuses whoever would credit themselves.
    """
    offer = session.scalar(
        select(TurnOffer)
        .where(TurnOffer.turn_id == turn.id, TurnOffer.state == "taken", TurnOffer.answered_by == whose, TurnOffer.pays_cents > 0)
        .order_by(TurnOffer.id.desc())
        .limit(1)
    )
    if offer is None or whose is None:
        return
    mall, day = session.get_one(Mall, turn.mall_id), short_day(turn.on_date)
    for member_id, cents in ((offer.by_member_id, offer.pays_cents), (whose, -offer.pays_cents)):
        charge_to(
            session,
            now,
            mall,
            member_id,
            cents if came else 0,
            key=f"substitute:{offer.id}",
            label=f"Turn of {day}, worked by a substitute" if came else f"Turn of {day}, not worked by a substitute",
            working="the substitute came after all" if came else "the substitute did not come",
            on=turn.on_date,
            user_id=user_id,
            shared=True,
        )


def _lease(session: Session, turn: Turn, member_id: int) -> Lease:
    lease = lease_charged(session, turn.mall_id, member_id, turn.on_date)
    if lease is None:
        name, mall = session.get_one(Member, member_id).name, session.get_one(Mall, turn.mall_id)
        raise Refusal(f"{name} has no lease at {mall.name}, to which money of a turn could be charged.")
    return lease
