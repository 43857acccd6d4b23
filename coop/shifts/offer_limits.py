"""What limits offers of turns: the cut-off, who takes part, the rules of the house; and what is held before it is looked at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.shifts.judging import Broken, hard_ones, would_break
from coop.shifts.models import Rota, Turn
from coop.shifts.owing import workers_of
from coop.shifts.queries import said
from coop.shifts.rules import rules_on
from coop.shifts.turn_models import Attendance, TurnOffer
from coop.shifts.wording import moment_said

OPEN = ("open", "answered")
CONSENTED = frozenset({"never", "silent", "exempt"})
"""Rules that keep a draft from giving somebody a turn, and nobody from taking one."""


# --- when and what may be offered -----------------------------------------------------------------------------------------


def cut_off(session: Session, turn: Turn) -> datetime:
    """The moment from which a turn is swapped no more: the hours of its month's rules before it begins."""
    rules = rules_on(session, turn.mall_id, Month.of(turn.on_date).first_day)
    return turn.starts_at - timedelta(hours=rules.swap_hours)


def require_in_time(session: Session, now: datetime, turn: Turn) -> None:
    """Refuses a turn that the co-op’s cut-off has come to."""
    ends = cut_off(session, turn)
    if now >= ends:
        mall = session.get_one(Mall, turn.mall_id)
        raise Refusal(
            f"{said(session, turn)}: swaps of it ended {moment_said(ends, mall.timezone)}. The manager can still move it: ask."
        )


def require_offerable(session: Session, now: datetime, turn: Turn, member_id: int) -> None:
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
    require_in_time(session, now, turn)


def require_taking_part(session: Session, turn: Turn, member_id: int) -> None:
    """Refuses a member without a lease at the mall of a turn on its day."""
    mall, month = session.get_one(Mall, turn.mall_id), Month.of(turn.on_date)
    worker = next((one for one in workers_of(session, mall, month) if one.member_id == member_id), None)
    if worker is None or not worker.is_there(turn.on_date):
        raise Refusal(f"{session.get_one(Member, member_id).name} has no lease at {mall.name} on {day(turn.on_date)}.")


def require_unbroken(session: Session, moves: Mapping[int, int]) -> None:
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
        require_still_good(session, now, offer)
        require_addressed(session, offer, member_id)
        require_taking_part(session, turn, member_id)
        if offer.kind == "give" or offer.return_turn_id is not None:
            require_unbroken(session, moves_of(offer, member_id))
    except Refusal as refusal:
        return str(refusal)
    return ""


# --- holding --------------------------------------------------------------------------------------------------------------


def hold_offer(session: Session, turn_ids: Iterable[int | None], offer: TurnOffer | None = None) -> list[Turn]:
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


def hold_members(session: Session, member_ids: Iterable[int]) -> None:
    """Hold members: of two turns taken at two malls at once the second is judged with the first."""
    wanted = select(Member.id).where(Member.id.in_(set(member_ids))).order_by(Member.id)
    session.execute(wanted.with_for_update(key_share=True))


# --- what is refused ------------------------------------------------------------------------------------------------------


def require_own(offer: TurnOffer, member_id: int) -> None:
    """Refuses an offer that another made."""
    if offer.by_member_id != member_id:
        raise Refusal("This offer is somebody else’s: only whoever made it can do that.")


def require_addressed(session: Session, offer: TurnOffer, member_id: int) -> None:
    """Refuses an offer to somebody else alone, and whoever made it."""
    if offer.by_member_id == member_id:
        raise Refusal("This offer is your own: somebody else takes it, or you withdraw it.")
    if offer.to_member_id not in (None, member_id):
        name = session.get_one(Member, offer.to_member_id).name
        raise Refusal(f"This turn is offered to {name} alone.")


def require_open(session: Session, offer: TurnOffer) -> None:
    """Refuses an offer that has ended: who took it, or how it ended."""
    if offer.state in OPEN:
        return
    what = said(session, session.get_one(Turn, offer.turn_id))
    if offer.state == "taken":
        raise Refusal(f"{what} is taken already, by {session.get_one(Member, offer.answered_by).name}.")
    raise Refusal(f"The offer of {what} {'was withdrawn' if offer.state == 'withdrawn' else 'has run out'}.")


def require_still_good(session: Session, now: datetime, offer: TurnOffer) -> None:
    """Refuses an offer that has ended, and one whose turns are no longer what they were when it was made."""
    require_open(session, offer)
    require_offerable(session, now, session.get_one(Turn, offer.turn_id), offer.by_member_id)
    if offer.return_turn_id is not None:
        wanted = session.get_one(Turn, offer.return_turn_id)
        require_offerable(session, now, wanted, offer.answered_by or offer.to_member_id or 0)


def moves_of(offer: TurnOffer, taker_id: int) -> dict[int, int]:
    """Who is to have which turn once it is taken."""
    moves = {offer.turn_id: taker_id}
    if offer.return_turn_id is not None:
        moves[offer.return_turn_id] = offer.by_member_id
    return moves
