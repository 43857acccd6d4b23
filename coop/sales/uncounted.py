"""Drawers that are to be counted: cash moved in them, or came into the books since they were."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sqlalchemy import ColumnElement, and_, exists, false, func, or_, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Account, Entry, Period, Posting
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.sales.drawers import DRAWERS, OVER_SHORT, PAID_OUT, last_counts, name_in, titled
from coop.sales.models import DrawerCount


@dataclass(frozen=True)
class Uncounted:
    """A drawer in which cash moved in a month, and that was not counted since."""

    mall_id: int
    name: str
    month: Month
    moved_on: date
    """The last of the days asked for on which cash moved."""
    last: DrawerCount | None
    """Its last count. For that day or a later one: cash of days before came into the books since."""


def uncounted_drawers(session: Session, through: Mapping[int, date], month: Month | None = None) -> list[Uncounted]:
    """The drawers of malls that are to be counted, for cash that moved through a day (mall id -> day) of a month, or of any that
    is open.

    Counted for the last day on which cash moved, or for a later one; and, where sales or payments came into the books for those
    days after the count was made, counted again. Three queries, however many malls and drawers there are.
    """
    asked = and_(
        Period.state == "open" if month is None else Period.first_day == month.first_day,
        or_(false(), *(and_(Period.mall_id == mall_id, Entry.business_date <= day) for mall_id, day in through.items())),
    )
    rows = session.execute(
        select(Account.mall_id, Account.path, Account.id, Period.first_day, func.max(Entry.business_date))
        .select_from(Period)
        .join(Entry, Entry.period_id == Period.id)
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, and_(Account.id == Posting.account_id, Account.path.like(f"{DRAWERS}%")))
        .where(asked)
        .group_by(Account.mall_id, Account.path, Account.id, Period.first_day)
        .order_by(Account.path, Period.first_day)
    ).all()
    last = last_counts(session, through)
    counts = {account_id: last.get((mall_id or 0, name_in(path))) for mall_id, path, account_id, *_days in rows}
    late = _came_since(session, asked, {account_id: count for account_id, count in counts.items() if count is not None})
    found = []
    for mall_id, path, account_id, first_day, moved_on in rows:
        assert mall_id is not None, "a drawer is in a mall"
        count = counts[account_id]
        if count is None or count.on < moved_on or (account_id, first_day) in late:
            found.append(Uncounted(mall_id, name_in(path), Month.of(first_day), moved_on, count))
    return found


def _came_since(session: Session, asked: ColumnElement[bool], counts: Mapping[int, DrawerCount]) -> set[tuple[int, date]]:
    """Drawers (their account) and months (their first day) of whose counted days cash came to be known after the last count of
    them: what a person takes out knowingly apart."""
    if not counts:
        return set()
    bank = aliased(Posting)
    at_bank = exists().where(bank.entry_id == Entry.id, bank.account_id == Account.id, Account.kind == "bank")
    known_later = (
        and_(Posting.account_id == account_id, Entry.business_date <= count.on, Entry.posted_at > count.counted_at)
        for account_id, count in counts.items()
    )
    rows = session.execute(
        select(Posting.account_id, Period.first_day)
        .select_from(Period)
        .join(Entry, Entry.period_id == Period.id)
        .join(Posting, Posting.entry_id == Entry.id)
        .where(asked, or_(*known_later), Entry.kind.not_in((OVER_SHORT, PAID_OUT)), ~at_bank)
        .distinct()
    )
    return {(account_id, first_day) for account_id, first_day in rows}


def uncounted(session: Session, mall: Mall, month: Month) -> list[str]:
    """A sentence for each drawer in which cash moved in a month and that was not counted since. Three queries."""
    found = []
    for drawer in uncounted_drawers(session, {mall.id: month.last_day}, month):
        said, moved, last = f"The {titled(drawer.name)} of {mall.code}", written(drawer.moved_on), drawer.last
        if last is None:
            found.append(f"{said} was never counted, and cash moved in it on {moved}: count it.")
        elif last.on < drawer.moved_on:
            found.append(f"{said} was last counted for {written(last.on)}, and cash moved in it on {moved}: count it.")
        else:
            found.append(
                f"{said} was counted for {written(last.on)}, and cash of days before came into the books since: count it."
            )
    return found
