"""Offers of turns that end untaken: because the turn is another's or closed, because its time is over, or its member has left."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.dealers.models import Member
from coop.shifts.models import Turn
from coop.shifts.offer_limits import OPEN, require_still_good
from coop.shifts.reminding import tell_lapsed
from coop.shifts.turn_models import TurnOffer


def open_again(offer: TurnOffer) -> None:
    """Take the answer off an offer."""
    offer.state, offer.answered_by, offer.answered_at, offer.return_turn_id = "open", None, None, None


def end_offer(session: Session, now: datetime, offer: TurnOffer, state: str) -> None:
    """End an offer untaken: `withdrawn` or `lapsed`."""
    offer.state, offer.answered_by, offer.answered_at, offer.ended_at = state, None, None, now
    session.flush()


def end_offers(session: Session, now: datetime, turn: Turn, *, but: int | None = None) -> int:
    """End every open offer that a turn, which has gone to another or is closed, makes void; how many.

    Where it was only the answer to an offer, that is open again. The caller holds the turn.
    """
    rows = (
        select(TurnOffer)
        .where(TurnOffer.state.in_(OPEN), or_(TurnOffer.turn_id == turn.id, TurnOffer.return_turn_id == turn.id))
        .order_by(TurnOffer.id)
        .with_for_update(key_share=True)
    )
    ended = 0
    for offer in session.scalars(rows).all():
        if offer.id == but:
            continue
        if offer.turn_id != turn.id and offer.state == "answered":
            open_again(offer)
            continue
        end_offer(session, now, offer, "lapsed")
        ended += 1
    session.flush()
    return ended


def lapse_offers(session: Session, now: datetime) -> int:
    """End every open offer that can be taken no more; how many. Who made one is told, where time alone ended it.

    Its time is over, the mall is closed then, its turn is another's, or whoever made it has left.
    """
    lapsed = 0
    rows = select(TurnOffer).where(TurnOffer.state.in_(OPEN)).order_by(TurnOffer.id)
    # One that is just being taken is left to whoever takes it.
    for offer in session.scalars(rows.with_for_update(key_share=True, skip_locked=True)).all():
        turn, member = session.get_one(Turn, offer.turn_id), session.get_one(Member, offer.by_member_id)
        has_left = member.left_on is not None and member.left_on < turn.on_date
        try:
            require_still_good(session, now, offer)
        except Refusal:
            pass
        else:
            if not has_left:
                continue
        in_vain = turn.member_id == offer.by_member_id and turn.state == "standing" and not has_left
        end_offer(session, now, offer, "lapsed")
        audit.record(session, now, "turn offer lapsed", "turn", turn.id)
        if in_vain:
            tell_lapsed(session, now, offer)
        lapsed += 1
    return lapsed


@short_job("shifts.lapse_offers")
def _lapse(session: Session, now: datetime, args: dict[str, Any]) -> None:
    lapse_offers(session, now)
