"""Published turns offered: for nothing, for money, or for a turn in return; answered, and taken once.

Whoever offers signs by offering, whoever takes by taking; where the turn in return comes with the answer, the offerer signs last.
Malls, rotas, turns, offer and members are held in that order before anything is looked at: of two who press together the second
finds the offer ended, and is told by whom.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.shifts.lapsing import end_offer, end_offers, open_again
from coop.shifts.models import Rota, Turn
from coop.shifts.offer_limits import (
    OPEN,
    hold_members,
    hold_offer,
    moves_of,
    require_addressed,
    require_offerable,
    require_open,
    require_own,
    require_still_good,
    require_taking_part,
    require_unbroken,
)
from coop.shifts.queries import said
from coop.shifts.reminding import tell_answered, tell_declined, tell_offered, tell_taken
from coop.shifts.rules import rules_on
from coop.shifts.seating import put_members
from coop.shifts.substitutes import pay_substitute
from coop.shifts.turn_models import OFFER_KINDS, TurnChange, TurnOffer

MOST_PAID_CENTS = 1_000_00


@dataclass(frozen=True)
class Terms:
    """What a turn is offered for, and to whom."""

    kind: str = "give"
    to_member_id: int | None = None
    """None: to all. With a turn in return it is whoever has that."""
    pays_cents: int = 0
    return_turn_id: int | None = None
    words: str = ""


# --- offering -------------------------------------------------------------------------------------------------------------


def offer_turn(
    session: Session, now: datetime, turn: Turn, terms: Terms, *, member_id: int, user_id: int | None = None
) -> TurnOffer:
    """Offer a published turn of a member's own. Raises Refusal, naming what stands in the way."""
    if terms.kind not in OFFER_KINDS:
        raise Refusal(f"The offer is {terms.kind!r}: choose one of {', '.join(OFFER_KINDS)}.")
    words = " ".join(terms.words.split())
    if len(words) > 200:
        raise Refusal(f"The words have {len(words)} letters: 200 is the most.")
    hold_offer(session, [turn.id, terms.return_turn_id])
    require_offerable(session, now, turn, member_id)
    _require_price(session, turn, terms)
    to_member_id = terms.to_member_id
    if terms.return_turn_id is not None:
        to_member_id = _owner_of_return(session, now, terms, member_id)
    if to_member_id is not None:
        if to_member_id == member_id:
            raise Refusal("That is you: choose somebody else, or offer it to all.")
        require_taking_part(session, turn, to_member_id)
    if session.scalar(select(TurnOffer.id).where(TurnOffer.turn_id == turn.id, TurnOffer.state.in_(OPEN))):
        raise Refusal(f"{said(session, turn)} is offered already: withdraw that offer first.")
    offer = TurnOffer(
        turn_id=turn.id,
        kind=terms.kind,
        by_member_id=member_id,
        to_member_id=to_member_id,
        pays_cents=terms.pays_cents,
        return_turn_id=terms.return_turn_id,
        state="open",
        words=words,
        made_at=now,
    )
    if to_member_id is not None and (terms.kind == "give" or terms.return_turn_id is not None):
        require_unbroken(session, moves_of(offer, to_member_id))
    session.add(offer)
    session.flush()
    _log(session, now, "turn offered", offer, user_id)
    tell_offered(session, now, offer)
    return offer


def _require_price(session: Session, turn: Turn, terms: Terms) -> None:
    if not terms.pays_cents:
        return
    if terms.kind != "give":
        raise Refusal("A turn in return is not paid for as well: leave the amount empty, or give the turn away.")
    if not 0 < terms.pays_cents <= MOST_PAID_CENTS:
        raise Refusal(f"A substitute is paid {format_dollars(terms.pays_cents)}: write $0 to {format_dollars(MOST_PAID_CENTS)}.")
    if not rules_on(session, turn.mall_id, Month.of(turn.on_date).first_day).paid_substitutes:
        raise Refusal("The house rules have no paid substitutes: give the turn away, or ask for one in return.")


def _owner_of_return(session: Session, now: datetime, terms: Terms, member_id: int) -> int:
    wanted = session.get(Turn, terms.return_turn_id)
    if terms.kind != "swap" or wanted is None:
        raise Refusal("Only a turn that is on a rota can be had in return: choose one of those listed.")
    if wanted.member_id is None or wanted.member_id == member_id:
        raise Refusal(f"{said(session, wanted)} is nobody else’s: choose a turn that somebody else has.")
    require_offerable(session, now, wanted, wanted.member_id)
    return wanted.member_id


def withdraw_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever offered a turn keeps it; who has answered it is told. Raises Refusal for one that has ended, or is another's."""
    hold_offer(session, [offer.turn_id, offer.return_turn_id], offer)
    require_own(offer, member_id)
    require_open(session, offer)
    if offer.state == "answered":
        tell_declined(session, now, offer, member_id)
    end_offer(session, now, offer, "withdrawn")
    _log(session, now, "turn offer withdrawn", offer, user_id)


def decline_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever alone was asked does not take it: the offer ends, and who made it is told."""
    hold_offer(session, [offer.turn_id, offer.return_turn_id], offer)
    if offer.to_member_id != member_id:
        raise Refusal("This offer is not to you alone: leave it for the others.")
    require_open(session, offer)
    end_offer(session, now, offer, "withdrawn")
    _log(session, now, "turn offer declined", offer, user_id)
    tell_declined(session, now, offer, member_id)


# --- answers --------------------------------------------------------------------------------------------------------------


def take_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Take an offered turn: as a gift, for its money, or for the turn named in return. Of two at once one takes it.

    Pressed twice by whoever has taken it, it is taken once. Raises Refusal: it has ended (and who took it), is to somebody else,
    or a rule of the house stands in the way on either side.
    """
    hold_offer(session, [offer.turn_id, offer.return_turn_id], offer)
    if offer.state == "taken" and offer.answered_by == member_id:
        return
    require_still_good(session, now, offer)
    require_addressed(session, offer, member_id)
    if offer.kind == "swap" and offer.return_turn_id is None:
        raise Refusal("A turn is wanted in return: choose which of yours you give.")
    if offer.state == "answered":
        raise Refusal("Somebody has answered this offer, and whoever made it has yet to agree: look again tomorrow.")
    _carry_out(session, now, offer, member_id, user_id)


def answer_offer(
    session: Session, now: datetime, offer: TurnOffer, given: Turn, *, member_id: int, user_id: int | None = None
) -> None:
    """Answer an offer that wants a turn in return with one of the member's own; whoever offered has yet to sign."""
    hold_offer(session, [offer.turn_id, given.id], offer)
    require_still_good(session, now, offer)
    require_addressed(session, offer, member_id)
    if offer.kind != "swap" or offer.return_turn_id is not None or offer.state != "open":
        raise Refusal("Somebody has answered this offer, and whoever made it has yet to agree: look again tomorrow.")
    require_offerable(session, now, given, member_id)
    require_taking_part(session, session.get_one(Turn, offer.turn_id), member_id)
    require_unbroken(session, {offer.turn_id: member_id, given.id: offer.by_member_id})
    offer.state, offer.answered_by, offer.answered_at, offer.return_turn_id = "answered", member_id, now, given.id
    session.flush()
    _log(session, now, "turn offer answered", offer, user_id)
    tell_answered(session, now, offer)


def sign_offer(
    session: Session, now: datetime, offer: TurnOffer, *, member_id: int, agreed_turn_id: int, user_id: int | None = None
) -> None:
    """Whoever offered agrees to the turn in return (`agreed_turn_id`, as it was shown): the two are swapped.

    Raises Refusal as `take_offer`, and where another turn is given in return by now.
    """
    hold_offer(session, [offer.turn_id, offer.return_turn_id, agreed_turn_id], offer)
    require_own(offer, member_id)
    require_still_good(session, now, offer)
    if offer.state != "answered" or offer.answered_by is None:
        raise Refusal("Nobody has answered with a turn in return yet.")
    if offer.return_turn_id != agreed_turn_id:
        raise Refusal("Another turn is given in return by now: look at the offer as it is, and agree then.")
    _carry_out(session, now, offer, offer.answered_by, user_id)


def turn_down(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever offered does not want that turn in return: the offer is open again, and who answered is told."""
    hold_offer(session, [offer.turn_id, offer.return_turn_id], offer)
    require_own(offer, member_id)
    if offer.state != "answered" or offer.answered_by is None:
        raise Refusal("Nobody has answered with a turn in return yet.")
    tell_declined(session, now, offer, member_id)
    open_again(offer)
    session.flush()
    _log(session, now, "turn in return declined", offer, user_id)


# --- carried out ----------------------------------------------------------------------------------------------------------


def _carry_out(session: Session, now: datetime, offer: TurnOffer, taker_id: int, user_id: int | None) -> None:
    """Judge both sides, move the turns, and the money; keep who had what, end other offers of these turns, tell both."""
    hold_members(session, (offer.by_member_id, taker_id))
    turn = session.get_one(Turn, offer.turn_id)
    require_taking_part(session, turn, taker_id)
    moves = moves_of(offer, taker_id)
    require_unbroken(session, moves)
    offer.state, offer.answered_by, offer.answered_at, offer.ended_at = "taken", taker_id, offer.answered_at or now, now
    turns = [session.get_one(Turn, one) for one in moves]
    before = {one.id: one.member_id for one in turns}
    _put(session, now, turns, moves, _works_off(offer, turns, taker_id))
    for one in turns:
        session.add(
            TurnChange(
                turn_id=one.id,
                at=now,
                how="given" if offer.kind == "give" else "swapped",
                from_member_id=before[one.id],
                to_member_id=one.member_id,
                by_user_id=user_id,
                offer_id=offer.id,
            )
        )
        end_offers(session, now, one, but=offer.id)
    if offer.pays_cents:
        pay_substitute(session, now, offer, turn, taker_id, user_id=user_id)
    session.flush()
    _log(session, now, "turn taken", offer, user_id)
    tell_taken(session, now, offer, taker_id)


def _works_off(offer: TurnOffer, turns: Sequence[Turn], taker_id: int) -> dict[int, int | None]:
    """Whose owed turn each turn works off, by its id.

    A paid substitute works off the payer's. Otherwise the one who was already paid for stays so when the turn is given on; and
    who swaps carries along for whom the work is done.
    """
    turn = turns[0]
    if len(turns) == 1:
        whose = turn.for_member_id or (offer.by_member_id if offer.pays_cents else None)
        return {turn.id: None if whose == taker_id else whose}
    back = turns[1]
    return {
        turn.id: None if back.for_member_id == taker_id else back.for_member_id,
        back.id: None if turn.for_member_id == offer.by_member_id else turn.for_member_id,
    }


def _put(
    session: Session, now: datetime, turns: Sequence[Turn], moves: Mapping[int, int], works_off: Mapping[int, int | None]
) -> None:
    """Write who has which turn, and whose owed one it works off."""
    zone = session.get_one(Mall, turns[0].mall_id).timezone
    why = f"{'Taken over' if len(turns) == 1 else 'Swapped'} on {day(local_date(now, zone))}."
    put_members(session, {turn: moves[turn.id] for turn in turns})
    for turn in turns:
        turn.for_member_id, turn.why = works_off[turn.id], why
    session.flush()


def take_free_turn(session: Session, now: datetime, turn: Turn, *, member_id: int, user_id: int | None = None) -> None:
    """Take a published turn that nobody has, until it begins. Raises Refusal: somebody has it by now, or a rule is in the way."""
    hold_offer(session, [turn.id])
    what = said(session, turn)
    if turn.member_id == member_id:
        return
    if turn.member_id is not None:
        raise Refusal(f"{what} is taken already, by {session.get_one(Member, turn.member_id).name}.")
    if session.get_one(Rota, turn.rota_id).state != "published" or turn.state != "standing":
        raise Refusal(f"{what} is not to be had: look at the rota again.")
    if now >= turn.starts_at:
        raise Refusal(f"{what} has begun: whoever stands in signs in at the desk.")
    hold_members(session, [member_id])
    require_taking_part(session, turn, member_id)
    require_unbroken(session, {turn.id: member_id})
    _put(session, now, [turn], {turn.id: member_id}, {turn.id: None})
    change = TurnChange(turn_id=turn.id, at=now, how="given", to_member_id=member_id, by_user_id=user_id)
    session.add(change)
    session.flush()
    audit.record(session, now, "turn taken", "turn", turn.id, user_id=user_id, detail="nobody had it")


def _log(session: Session, now: datetime, action: str, offer: TurnOffer, user_id: int | None) -> None:
    back = f", for turn {offer.return_turn_id}" if offer.return_turn_id is not None else ""
    price = f", for {format_dollars(offer.pays_cents)}" if offer.pays_cents else ""
    audit.record(session, now, action, "turn", offer.turn_id, user_id=user_id, detail=f"offer {offer.id}{back}{price}")
