"""Moves ticked off in the booth, at once or long after: what came, what is done, and where things stand now."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.leases.holding import lock
from coop.resets.planning import OPEN, SUBJECT
from coop.resets.reset_models import Reset, ResetPlan, ResetTick

AHEAD = timedelta(minutes=10)
"""How far a device's clock may be ahead of ours before its word for the time is not taken."""


@dataclass(frozen=True)
class Tick:
    """A move ticked, or its tick taken back, at a time by the device's clock."""

    move_number: int
    is_done: bool
    ticked_at: datetime


def take_ticks(
    session: Session, now: datetime, row: Reset, plan: ResetPlan, ticks: Iterable[Tick], *, user_id: int | None
) -> set[int]:
    """Write ticks down, each move once: of two for one move the later by the device's clock counts. Safe to send twice.

    Returns the numbers that are done now. Refuses numbers the plan does not have, and nothing is written then.
    """
    lock(session, row)
    if row.state not in OPEN:
        raise Refusal("This reset is over: nothing more is ticked.")
    wanted = list(ticks)
    known = {move["number"] for move in plan.value["moves"]}
    for tick in wanted:
        if tick.move_number not in known:
            raise Refusal(f"Plan {plan.number} has no move {tick.move_number}: open the plan again and tick there.")
    have = {tick.move_number: tick for tick in _ticks(session, plan)}
    for tick in wanted:
        at = min(tick.ticked_at, now + AHEAD)
        old = have.get(tick.move_number)
        if old is None:
            old = ResetTick(
                plan_id=plan.id,
                move_number=tick.move_number,
                is_done=tick.is_done,
                ticked_at=at,
                received_at=now,
                user_id=user_id,
            )
            session.add(old)
            have[tick.move_number] = old
        elif old.ticked_at <= at:
            old.is_done, old.ticked_at, old.received_at, old.user_id = tick.is_done, at, now, user_id
    if row.state == "planned" and any(tick.is_done for tick in have.values()):
        row.state = "under way"
        audit.record(session, now, "reset begun", SUBJECT, row.id, user_id=user_id, detail=f"plan {plan.number}")
    session.flush()
    return {number for number, tick in have.items() if tick.is_done}


def done_of(session: Session, plan: ResetPlan) -> set[int]:
    """Numbers of the moves that are ticked."""
    return {tick.move_number for tick in _ticks(session, plan) if tick.is_done}


def _ticks(session: Session, plan: ResetPlan) -> Sequence[ResetTick]:
    return session.scalars(select(ResetTick).where(ResetTick.plan_id == plan.id)).all()


def plan_numbered(session: Session, row: Reset, number: int) -> ResetPlan | None:
    return session.scalar(select(ResetPlan).where(ResetPlan.reset_id == row.id, ResetPlan.number == number))
