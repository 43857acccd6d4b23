"""A rota published: once and for good. Its members are told, and from then on each turn keeps who had it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.shifts.drafting import is_drafted_now
from coop.shifts.judging import Broken, judge
from coop.shifts.models import Rota, Turn
from coop.shifts.moving import take_version
from coop.shifts.queries import said
from coop.shifts.reminding import tell_published
from coop.shifts.turn_models import TurnChange


def publish(session: Session, now: datetime, rota: Rota, user_id: int | None, *, version: int | None = None) -> int:
    """Publish a rota: every turn that has a member begins its history, and its members get a mail. How many are uncovered.

    Uncovered turns are published as such: who could stand in is asked for them. `version` is the rota's, as it was looked at.
    Raises Refusal: it is published already, has no turns, is being drafted, has begun to change since, or breaks a hard rule.
    """
    take_version(session, rota, rota.version if version is None else version)
    month = Month.of(rota.first_day).name
    if rota.state == "published":
        raise Refusal(f"The rota of {month} is published already: it stands, and what changes now goes by consent.")
    if is_drafted_now(session, rota):
        raise Refusal(f"A draft of {month} is going on: let it end, or stop it, and publish what it leaves.")
    turns = session.scalars(select(Turn).where(Turn.rota_id == rota.id, Turn.state == "standing").order_by(Turn.id)).all()
    if not turns:
        raise Refusal(f"The rota of {month} has no turns: set when the mall is open and who its posts need, and lay them out.")
    if hard := [one for one in judge(session, rota) if one.hard]:
        raise Refusal(_refused(session, hard))
    rota.state, rota.published_at, rota.published_by = "published", now, user_id
    covered = [turn for turn in turns if turn.member_id is not None]
    session.add_all(
        TurnChange(turn_id=turn.id, at=now, how="published", to_member_id=turn.member_id, by_user_id=user_id) for turn in covered
    )
    session.flush()
    mall = session.get_one(Mall, rota.mall_id)
    audit.record(
        session,
        now,
        "rota published",
        "rota",
        f"{mall.code} {Month.of(rota.first_day)}",
        user_id=user_id,
        detail=f"{len(covered)} turns covered, {len(turns) - len(covered)} uncovered",
    )
    tell_published(session, now, rota)
    return len(turns) - len(covered)


def _refused(session: Session, hard: Sequence[Broken]) -> str:
    first, more = hard[0], len(hard) - 1
    turn = session.get(Turn, first.turn_id) if first.turn_id is not None else None
    others = f" {more} more {'is' if more == 1 else 'are'} told on the page of the month." if more else ""
    return (
        f"{f'{said(session, turn)}: ' if turn else ''}{first.words} "
        f"Give the turn to somebody else, or change the house rule, and publish then.{others}"
    )
