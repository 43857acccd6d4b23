"""Drawers that nobody counted, and month-ends that stopped or could begin: what of the months waits for a person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sqlalchemy import and_, case, func, literal, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Account, Entry, Period, Posting
from coop.closing.models import MonthClose
from coop.closing.queries import first_months
from coop.core.periods import Month
from coop.dealers.queries import cooperative
from coop.floor.models import Mall
from coop.office.queries import moving_closes
from coop.office.waiting_counts import Days
from coop.payouts.domain.days import pay_day
from coop.sales.drawers import OVER_SHORT, PAID_OUT
from coop.sales.models import DrawerCount

_DRAWER = "Assets:Drawer:"

# --- drawers --------------------------------------------------------------------------------------------------------------


def uncounted_drawers(session: Session, days: Days, codes: Mapping[int, str]) -> dict[tuple[str, Month, bool], list[str]]:
    """By mall's code, month, and whether that is over: the drawers in which cash moved in an open month before today, and that
    nobody counted since. Three queries.
    """
    moved = session.execute(
        select(Account.mall_id, Account.path, func.max(Entry.business_date))
        .select_from(Period)
        .join(Entry, Entry.period_id == Period.id)
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, and_(Account.id == Posting.account_id, Account.path.like(f"{_DRAWER}%")))
        .where(Period.state == "open", Period.mall_id.in_(days))
        .group_by(Account.mall_id, Account.path, Period.first_day)
    ).all()
    counts = session.execute(
        select(DrawerCount.mall_id, DrawerCount.drawer, func.max(DrawerCount.on)).group_by(
            DrawerCount.mall_id, DrawerCount.drawer
        )
    )
    last = {(mall_id, drawer): on for mall_id, drawer, on in counts}
    late = _came_since(session)
    found: dict[tuple[str, Month, bool], list[str]] = {}
    for mall_id, path, moved_on in moved:
        assert mall_id is not None, "a drawer is in a mall"
        today, month = days[mall_id], Month.of(moved_on)
        drawer = path.removeprefix(f"{_DRAWER}{codes[mall_id]}").removeprefix(":")
        counted = last.get((mall_id, drawer))
        is_counted = counted is not None and counted >= moved_on and (path, month.first_day) not in late
        if moved_on < today and not is_counted:
            found.setdefault((codes[mall_id], month, month.last_day < today), []).append(drawer)
    return found


def _came_since(session: Session) -> set[tuple[str, date]]:
    """Drawers (their account) and open months (their first day) into which cash of days already counted came afterwards, but for
    what a person takes out knowingly."""
    newest = select(func.max(DrawerCount.id)).group_by(DrawerCount.mall_id, DrawerCount.drawer)
    path = literal(_DRAWER) + Mall.code + case((DrawerCount.drawer == "", ""), else_=literal(":") + DrawerCount.drawer)
    bank, at_bank = aliased(Posting), aliased(Account)
    with_bank = (
        select(bank.id)
        .join(at_bank, at_bank.id == bank.account_id)
        .where(bank.entry_id == Entry.id, at_bank.kind == "bank")
        .correlate(Entry)
        .exists()
    )
    rows = session.execute(
        select(Account.path, Period.first_day)
        .select_from(DrawerCount)
        .join(Mall, Mall.id == DrawerCount.mall_id)
        .join(Account, Account.path == path)
        .join(Period, and_(Period.mall_id == Mall.id, Period.state == "open"))
        .join(Entry, and_(Entry.period_id == Period.id, Entry.posted_at > DrawerCount.counted_at))
        .join(Posting, and_(Posting.entry_id == Entry.id, Posting.account_id == Account.id))
        .where(
            DrawerCount.id.in_(newest),
            Entry.business_date <= DrawerCount.on,
            Entry.kind.not_in((OVER_SHORT, PAID_OUT)),
            ~with_bank,
        )
        .distinct()
    )
    return {(path, first_day) for path, first_day in rows}


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
