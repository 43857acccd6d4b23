"""Published turns offered: for nothing, for money, or for a turn in return; answered, and taken once.

Whoever offers signs by offering, whoever takes by taking; where the turn in return comes with the answer, the offerer signs last.
Malls, rotas, turns, offer and members are held in that order before anything is looked at: of two who press together the second
finds the offer ended, and is told by whom.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.shifts.judging import Broken, hard_ones, would_break
from coop.shifts.models import Rota, Turn
from coop.shifts.owing import workers_of
from coop.shifts.queries import said
from coop.shifts.reminding import tell_answered, tell_declined, tell_lapsed, tell_offered, tell_taken
from coop.shifts.rules import rules_on
from coop.shifts.substitutes import pay_substitute
from coop.shifts.turn_models import OFFER_KINDS, Attendance, TurnChange, TurnOffer
from coop.shifts.wording import moment_said

OPEN = ("open", "answered")
MOST_PAID_CENTS = 1_000_00
CONSENTED = frozenset({"never", "silent", "exempt"})
"""Rules that keep a draft from giving somebody a turn, and nobody from taking one."""


@dataclass(frozen=True)
class Terms:
    """What a turn is offered for, and to whom."""

    kind: str = "give"
    to_member_id: int | None = None
    """None: to all. With a turn in return it is whoever has that."""
    pays_cents: int = 0
    return_turn_id: int | None = None
    words: str = ""


# --- when and what may be offered -----------------------------------------------------------------------------------------


def cut_off(session: Session, turn: Turn) -> datetime:
    """The moment from which a turn is swapped no more: the hours of its month's rules before it begins."""
    rules = rules_on(session, turn.mall_id, Month.of(turn.on_date).first_day)
    return turn.starts_at - timedelta(hours=rules.swap_hours)


def _require_in_time(session: Session, now: datetime, turn: Turn) -> None:
    ends = cut_off(session, turn)
    if now >= ends:
        mall = session.get_one(Mall, turn.mall_id)
        raise Refusal(
            f"{said(session, turn)}: swaps of it ended {moment_said(ends, mall.timezone)}. The manager can still move it: ask."
        )


def _require_offerable(session: Session, now: datetime, turn: Turn, member_id: int) -> None:
    """Refuses a turn that is not this member's, not published, closed, begun, or past the co-op's cut-off."""
    if turn.member_id != member_id:
        name = session.get_one(Member, turn.member_id).name if turn.member_id else "nobody"
        raise Refusal(f"{said(session, turn)} is {name}’s turn now: only who has a turn can offer it.")
    if session.get_one(Rota, turn.rota_id).state != "published":
        raise Refusal(f"The rota of {Month.of(turn.on_date).name} is not published yet: say when you can in your availability.")
    if turn.state != "standing":
        raise Refusal(f"The mall does not open for {said(session, turn)}: nobody is needed there.")
    if session.scalar(select(Attendance.id).where(Attendance.turn_id == turn.id).limit(1)):
        raise Refusal(f"{said(session, turn)} has begun: it is swapped no more.")
    _require_in_time(session, now, turn)


def _require_taking_part(session: Session, turn: Turn, member_id: int) -> None:
    mall, month = session.get_one(Mall, turn.mall_id), Month.of(turn.on_date)
    worker = next((one for one in workers_of(session, mall, month) if one.member_id == member_id), None)
    if worker is None or not worker.is_there(turn.on_date):
        raise Refusal(f"{session.get_one(Member, member_id).name} has no lease at {mall.name} on {day(turn.on_date)}.")


def _require_unbroken(session: Session, moves: Mapping[int, int]) -> None:
    """Refuses an arrangement (turn to member) that breaks a hard rule which holds now, in the rule's own sentence."""
    first, *others = moves
    turn = session.get_one(Turn, first)
    found = would_break(session, turn, moves[first], also={one: moves[one] for one in others})
    if hard := in_the_way(found):
        raise Refusal(f"Then a rule would be broken: {hard[0].words}")


def in_the_way(broken: Iterable[Broken]) -> list[Broken]:
    """What keeps a turn from being taken: every hard rule but those that whoever takes it waives by taking it."""
    return [one for one in hard_ones(list(broken)) if one.rule not in CONSENTED]


def refusal_to_take(session: Session, now: datetime, offer: TurnOffer, member_id: int) -> str:
    """Why this member could not take an offer as it stands, in a sentence; empty when nothing is in the way."""
    try:
        turn = session.get_one(Turn, offer.turn_id)
        _require_still_good(session, now, offer)
        _require_addressed(session, offer, member_id)
        _require_taking_part(session, turn, member_id)
        if offer.kind == "give" or offer.return_turn_id is not None:
            _require_unbroken(session, _moves(session, offer, member_id))
    except Refusal as refusal:
        return str(refusal)
    return ""


# --- holding --------------------------------------------------------------------------------------------------------------


def _hold(session: Session, turn_ids: Iterable[int | None], offer: TurnOffer | None = None) -> list[Turn]:
    """Hold turns with what they belong to, and an offer of them, and read them anew. Always in one order."""
    wanted = sorted({one for one in turn_ids if one is not None})
    places = session.execute(select(Turn.mall_id, Turn.rota_id).where(Turn.id.in_(wanted))).all()
    for mall_id in sorted({mall_id for mall_id, _ in places}):
        hold_mall(session, mall_id)
    rotas = select(Rota).where(Rota.id.in_({rota_id for _, rota_id in places})).order_by(Rota.id)
    session.scalars(rotas.with_for_update(key_share=True).execution_options(populate_existing=True)).all()
    turns = select(Turn).where(Turn.id.in_(wanted)).order_by(Turn.id)
    found = session.scalars(turns.with_for_update(key_share=True).execution_options(populate_existing=True)).all()
    if offer is not None:
        session.refresh(offer, with_for_update={"key_share": True})
    return list(found)


def _hold_members(session: Session, member_ids: Iterable[int]) -> None:
    """Hold members: of two turns taken at two malls at once the second is judged with the first."""
    wanted = select(Member.id).where(Member.id.in_(set(member_ids))).order_by(Member.id)
    session.execute(wanted.with_for_update(key_share=True))


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
    _hold(session, [turn.id, terms.return_turn_id])
    _require_offerable(session, now, turn, member_id)
    _require_price(session, turn, terms)
    to_member_id = terms.to_member_id
    if terms.return_turn_id is not None:
        to_member_id = _owner_of_return(session, now, terms, member_id)
    if to_member_id is not None:
        if to_member_id == member_id:
            raise Refusal("That is you: choose somebody else, or offer it to all.")
        _require_taking_part(session, turn, to_member_id)
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
        _require_unbroken(session, _moves(session, offer, to_member_id))
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
    _require_offerable(session, now, wanted, wanted.member_id)
    return wanted.member_id


def withdraw_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever offered a turn keeps it. Raises Refusal for an offer that has ended, or is another's."""
    _hold(session, [offer.turn_id, offer.return_turn_id], offer)
    _require_own(offer, member_id)
    _require_open(session, offer)
    _end(session, now, offer, "withdrawn")
    _log(session, now, "turn offer withdrawn", offer, user_id)


def decline_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever alone was asked does not take it: the offer ends, and who made it is told."""
    _hold(session, [offer.turn_id, offer.return_turn_id], offer)
    if offer.to_member_id != member_id:
        raise Refusal("This offer is not to you alone: leave it for the others.")
    _require_open(session, offer)
    _end(session, now, offer, "withdrawn")
    _log(session, now, "turn offer declined", offer, user_id)
    tell_declined(session, now, offer, member_id)


# --- answers --------------------------------------------------------------------------------------------------------------


def take_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Take an offered turn: as a gift, for its money, or for the turn named in return. Of two at once one takes it.

    Pressed twice by whoever has taken it, it is taken once. Raises Refusal: it has ended (and who took it), is to somebody else,
    or a rule of the house stands in the way on either side.
    """
    _hold(session, [offer.turn_id, offer.return_turn_id], offer)
    if offer.state == "taken" and offer.answered_by == member_id:
        return
    _require_still_good(session, now, offer)
    _require_addressed(session, offer, member_id)
    if offer.kind == "swap" and offer.return_turn_id is None:
        raise Refusal("A turn is wanted in return: choose which of yours you give.")
    if offer.state == "answered":
        raise Refusal("Somebody has answered this offer, and whoever made it has yet to agree: look again tomorrow.")
    _carry_out(session, now, offer, member_id, user_id)


def answer_offer(
    session: Session, now: datetime, offer: TurnOffer, given: Turn, *, member_id: int, user_id: int | None = None
) -> None:
    """Answer an offer that wants a turn in return with one of the member's own; whoever offered has yet to sign."""
    _hold(session, [offer.turn_id, given.id], offer)
    _require_still_good(session, now, offer)
    _require_addressed(session, offer, member_id)
    if offer.kind != "swap" or offer.return_turn_id is not None or offer.state != "open":
        raise Refusal("Somebody has answered this offer, and whoever made it has yet to agree: look again tomorrow.")
    _require_offerable(session, now, given, member_id)
    _require_taking_part(session, session.get_one(Turn, offer.turn_id), member_id)
    _require_unbroken(session, {offer.turn_id: member_id, given.id: offer.by_member_id})
    offer.state, offer.answered_by, offer.answered_at, offer.return_turn_id = "answered", member_id, now, given.id
    session.flush()
    _log(session, now, "turn offer answered", offer, user_id)
    tell_answered(session, now, offer)


def sign_offer(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever offered agrees to the turn in return: the two are swapped. Raises Refusal as `take_offer`."""
    _hold(session, [offer.turn_id, offer.return_turn_id], offer)
    _require_own(offer, member_id)
    _require_still_good(session, now, offer)
    if offer.state != "answered" or offer.answered_by is None:
        raise Refusal("Nobody has answered with a turn in return yet.")
    _carry_out(session, now, offer, offer.answered_by, user_id)


def turn_down(session: Session, now: datetime, offer: TurnOffer, *, member_id: int, user_id: int | None = None) -> None:
    """Whoever offered does not want that turn in return: the offer is open again, and who answered is told."""
    _hold(session, [offer.turn_id, offer.return_turn_id], offer)
    _require_own(offer, member_id)
    if offer.state != "answered" or offer.answered_by is None:
        raise Refusal("Nobody has answered with a turn in return yet.")
    tell_declined(session, now, offer, member_id)
    _open_again(offer)
    session.flush()
    _log(session, now, "turn in return declined", offer, user_id)


def _open_again(offer: TurnOffer) -> None:
    offer.state, offer.answered_by, offer.answered_at, offer.return_turn_id = "open", None, None, None


# --- what is refused ------------------------------------------------------------------------------------------------------


def _require_own(offer: TurnOffer, member_id: int) -> None:
    if offer.by_member_id != member_id:
        raise Refusal("This offer is somebody else’s: only whoever made it can do that.")


def _require_addressed(session: Session, offer: TurnOffer, member_id: int) -> None:
    if offer.by_member_id == member_id:
        raise Refusal("This offer is your own: somebody else takes it, or you withdraw it.")
    if offer.to_member_id not in (None, member_id):
        name = session.get_one(Member, offer.to_member_id).name
        raise Refusal(f"This turn is offered to {name} alone.")


def _require_open(session: Session, offer: TurnOffer) -> None:
    if offer.state in OPEN:
        return
    what = said(session, session.get_one(Turn, offer.turn_id))
    if offer.state == "taken":
        raise Refusal(f"{what} is taken already, by {session.get_one(Member, offer.answered_by).name}.")
    raise Refusal(f"The offer of {what} {'was withdrawn' if offer.state == 'withdrawn' else 'has run out'}.")


def _require_still_good(session: Session, now: datetime, offer: TurnOffer) -> None:
    """Refuses an offer that has ended, and one whose turns are no longer what they were when it was made."""
    _require_open(session, offer)
    _require_offerable(session, now, session.get_one(Turn, offer.turn_id), offer.by_member_id)
    if offer.return_turn_id is not None:
        wanted = session.get_one(Turn, offer.return_turn_id)
        _require_offerable(session, now, wanted, offer.answered_by or offer.to_member_id or 0)


# --- carried out ----------------------------------------------------------------------------------------------------------


def _moves(session: Session, offer: TurnOffer, taker_id: int) -> dict[int, int]:
    """Who is to have which turn once it is taken."""
    moves = {offer.turn_id: taker_id}
    if offer.return_turn_id is not None:
        moves[offer.return_turn_id] = offer.by_member_id
    return moves


def _carry_out(session: Session, now: datetime, offer: TurnOffer, taker_id: int, user_id: int | None) -> None:
    """Judge both sides, move the turns, and the money; keep who had what, end other offers of these turns, tell both."""
    _hold_members(session, (offer.by_member_id, taker_id))
    turn = session.get_one(Turn, offer.turn_id)
    _require_taking_part(session, turn, taker_id)
    moves = _moves(session, offer, taker_id)
    _require_unbroken(session, moves)
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
    """Write who has which turn: first nobody, for a member cannot have two at once even for a moment."""
    zone = session.get_one(Mall, turns[0].mall_id).timezone
    why = f"{'Taken over' if len(turns) == 1 else 'Swapped'} on {day(local_date(now, zone))}."
    try:
        with session.begin_nested():
            for turn in turns:
                turn.member_id = turn.for_member_id = turn.helper_id = None
            session.flush()
            for turn in turns:
                turn.member_id, turn.for_member_id, turn.why = moves[turn.id], works_off[turn.id], why
            session.flush()
    except IntegrityError as error:
        if "overlap" in str(error):
            raise Refusal(f"{said(session, turns[0])} overlaps another turn of whoever takes it.") from error
        raise


def take_free_turn(session: Session, now: datetime, turn: Turn, *, member_id: int, user_id: int | None = None) -> None:
    """Take a published turn that nobody has, until it begins. Raises Refusal: somebody has it by now, or a rule is in the way."""
    _hold(session, [turn.id])
    what = said(session, turn)
    if turn.member_id == member_id:
        return
    if turn.member_id is not None:
        raise Refusal(f"{what} is taken already, by {session.get_one(Member, turn.member_id).name}.")
    if session.get_one(Rota, turn.rota_id).state != "published" or turn.state != "standing":
        raise Refusal(f"{what} is not to be had: look at the rota again.")
    if now >= turn.starts_at:
        raise Refusal(f"{what} has begun: whoever stands in signs in at the desk.")
    _hold_members(session, [member_id])
    _require_taking_part(session, turn, member_id)
    _require_unbroken(session, {turn.id: member_id})
    _put(session, now, [turn], {turn.id: member_id}, {turn.id: None})
    change = TurnChange(turn_id=turn.id, at=now, how="given", to_member_id=member_id, by_user_id=user_id)
    session.add(change)
    session.flush()
    audit.record(session, now, "turn taken", "turn", turn.id, user_id=user_id, detail="nobody had it")


# --- ending ---------------------------------------------------------------------------------------------------------------


def _end(session: Session, now: datetime, offer: TurnOffer, state: str) -> None:
    offer.state, offer.answered_by, offer.answered_at, offer.ended_at = state, None, None, now
    session.flush()


def end_offers(session: Session, now: datetime, turn: Turn, *, but: int | None = None) -> int:
    """End every open offer that a turn, which has gone to another or is closed, makes void; how many.

    Where it was only the answer to an offer, that is open again. The caller holds the turn's rota.
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
            _open_again(offer)
            continue
        _end(session, now, offer, "lapsed")
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
            _require_still_good(session, now, offer)
        except Refusal:
            pass
        else:
            if not has_left:
                continue
        in_vain = turn.member_id == offer.by_member_id and turn.state == "standing" and not has_left
        _end(session, now, offer, "lapsed")
        audit.record(session, now, "turn offer lapsed", "turn", turn.id)
        if in_vain:
            tell_lapsed(session, now, offer)
        lapsed += 1
    return lapsed


@short_job("shifts.lapse_offers")
def _lapse(session: Session, now: datetime, args: dict[str, Any]) -> None:
    lapse_offers(session, now)


def _log(session: Session, now: datetime, action: str, offer: TurnOffer, user_id: int | None) -> None:
    back = f", for turn {offer.return_turn_id}" if offer.return_turn_id is not None else ""
    price = f", for {format_dollars(offer.pays_cents)}" if offer.pays_cents else ""
    audit.record(session, now, action, "turn", offer.turn_id, user_id=user_id, detail=f"offer {offer.id}{back}{price}")
