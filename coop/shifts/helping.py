"""A member's helper sent to a turn in the member's place, and called off."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.templating import day
from coop.leases.editing import By
from coop.shifts.models import Rota, Turn, TurnHelper
from coop.shifts.people import end_helper, train_helper
from coop.shifts.queries import said
from coop.shifts.rules import NOBODY
from coop.shifts.turn_models import Attendance, TurnChange


def send_helper(
    session: Session, now: datetime, turn: Turn, helper: TurnHelper | None, *, member_id: int, user_id: int | None = None
) -> None:
    """Say that a helper comes to a member's own turn, or (None) that the member does.

    Refuses another's turn or helper, one that has begun, and a helper who is not trained: whoever is beside may swap away.
    """
    if helper is not None:
        hold_helper(session, helper.id)
    session.refresh(turn, with_for_update={"key_share": True})
    if turn.member_id != member_id or (helper is not None and helper.member_id != member_id):
        raise Refusal(f"{said(session, turn)} is not yours, or the helper is not: only who has a turn sends somebody to it.")
    if session.get_one(Rota, turn.rota_id).state != "published" or turn.state != "standing":
        raise Refusal(f"Nobody is needed for {said(session, turn)}.")
    if session.scalar(_signed_in([turn.id])) is not None or now >= turn.ends_at:
        raise Refusal(f"{said(session, turn)} has begun: who came stays.")
    if helper is not None:
        require_able(session, turn, helper)
    if (helper.id if helper else None) == turn.helper_id:
        return
    turn.helper_id = helper.id if helper else None
    change = TurnChange(
        turn_id=turn.id, at=now, how="helper", from_member_id=member_id, to_member_id=member_id, by_user_id=user_id
    )
    session.add(change)
    session.flush()
    detail = f"helper {helper.id}" if helper else "no helper"
    audit.record(session, now, "helper sent", "turn", turn.id, user_id=user_id, detail=detail)


def drop_helper(session: Session, now: datetime, helper: TurnHelper, last_day: date, *, by: By = NOBODY) -> None:
    """A helper works for the member through a day, today or one before; to turns that begin later the member comes again."""
    end_helper(session, now, helper, last_day, by=by)
    _call_off(session, now, helper, by)


def untrain_helper(session: Session, now: datetime, helper: TurnHelper, *, by: By = NOBODY) -> None:
    """The co-op lets a helper stand alone no more; to turns that begin later the member comes again."""
    train_helper(session, now, helper, None, by=by)
    _call_off(session, now, helper, by)


def _call_off(session: Session, now: datetime, helper: TurnHelper, by: By) -> None:
    """The member comes to turns that begin later; where the helper, early, has signed in, the helper stays."""
    to_come = select(Turn).where(Turn.helper_id == helper.id, Turn.starts_at > now, Turn.state == "standing").order_by(Turn.id)
    # Held before it is looked who has signed in: whoever signs in holds the turn.
    turns = session.scalars(to_come.with_for_update(key_share=True).execution_options(populate_existing=True)).all()
    came = set(session.scalars(_signed_in([turn.id for turn in turns])))
    for turn in turns:
        if turn.id not in came:
            send_helper(session, now, turn, None, member_id=helper.member_id, user_id=by.user_id)


def hold_helper(session: Session, helper_id: int) -> TurnHelper | None:
    """Hold a helper, before any turn: whoever ends one holds it, and then calls off the turns."""
    wanted = select(TurnHelper).where(TurnHelper.id == helper_id)
    return session.scalar(wanted.with_for_update(key_share=True).execution_options(populate_existing=True))


def _signed_in(turn_ids: Iterable[int]) -> Select[int]:
    """Of these turns, those that somebody has signed in to."""
    return select(Attendance.turn_id).where(Attendance.turn_id.in_(list(turn_ids)), Attendance.signed_in_at.is_not(None))


def require_able(session: Session, turn: Turn, helper: TurnHelper) -> None:
    if helper.ended_on is not None and helper.ended_on < turn.on_date:
        raise Refusal(f"{helper.name} is your helper no more on {day(turn.on_date)}: name the helper anew first.")
    if helper.trained_on is not None and helper.trained_on <= turn.on_date:
        return
    raise Refusal(
        f"{helper.name} may not stand alone yet: ask the manager to have the helper trained, "
        f"or come to {said(session, turn)} as well."
    )
