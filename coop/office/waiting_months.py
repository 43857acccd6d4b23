"""Drawers that nobody counted, and month-ends that stopped or could begin: what of the months waits for a person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.closing.models import MonthClose
from coop.closing.queries import first_months
from coop.core.periods import Month
from coop.dealers.queries import cooperative
from coop.office.queries import moving_closes
from coop.office.waiting_counts import Days
from coop.payouts.domain.days import pay_day
from coop.sales.uncounted import uncounted_drawers

# --- drawers --------------------------------------------------------------------------------------------------------------


def uncounted_before(session: Session, days: Days, codes: Mapping[int, str]) -> dict[tuple[str, Month, bool], list[str]]:
    """By mall's code, month, and whether that is over: the drawers in which cash moved in an open month before today, and that
    nobody counted since. Three queries.
    """
    found: dict[tuple[str, Month, bool], list[str]] = {}
    for drawer in uncounted_drawers(session, {mall_id: today - timedelta(days=1) for mall_id, today in days.items()}):
        is_over = drawer.month.last_day < days[drawer.mall_id]
        found.setdefault((codes[drawer.mall_id], drawer.month, is_over), []).append(drawer.name)
    return found


# --- month-ends -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StandingMonth:
    """A month of a mall whose month-end waits for the manager: it stopped, or it can begin."""

    code: str
    month: Month
    stopped: bool
    by: date
    """The day of the payouts, which need it."""
    late: bool


def standing_months(session: Session, days: Days, codes: Mapping[int, str]) -> list[StandingMonth]:
    """Month-ends that stopped, and each mall's next month where it is over and its month-end has not begun."""
    coop = cooperative(session)
    payout_day = coop.payout_day if coop else 1
    closed = {
        mall_id: Month.of(day)
        for mall_id, day in session.execute(
            select(Period.mall_id, func.max(Period.first_day))
            .where(Period.state == "closed", Period.mall_id.in_(days))
            .group_by(Period.mall_id)
        )
    }
    open_closes = session.scalars(select(MonthClose).where(MonthClose.finished_at.is_(None)).order_by(MonthClose.first_day)).all()
    moving = moving_closes(session, [close.id for close in open_closes])
    first = first_months(session)
    begun = {(close.mall_id, close.first_day) for close in open_closes}
    found: list[StandingMonth] = []
    for close in open_closes:
        if close.id not in moving or any(step.state == "refused" for step in close.steps):
            found.append(_standing(codes[close.mall_id], Month.of(close.first_day), True, payout_day, days[close.mall_id]))
    for mall_id, today in days.items():
        turn = closed[mall_id].next if mall_id in closed else first.get(mall_id)
        if turn is not None and turn.last_day < today and (mall_id, turn.first_day) not in begun:
            found.append(_standing(codes[mall_id], turn, False, payout_day, today))
    return sorted(found, key=lambda row: (row.code, row.month))


def _standing(code: str, month: Month, stopped: bool, payout_day: int, today: date) -> StandingMonth:
    by = pay_day(month, payout_day, month.last_day)
    return StandingMonth(code, month, stopped, by, by < today)
