"""What is proved of month-ends that are finished, ever after."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.sums import add_up_anew
from coop.closing import queries
from coop.closing.models import MonthClose
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.statements.models import Statement


def check_months(session: Session) -> list[str]:
    """That each finished month has a statement, with its document, of every dealer its books speak of.

    A sentence for each that has not.
    """
    add_up_anew(session)
    return list(_month_faults(session))


def _month_faults(session: Session) -> Iterator[str]:
    codes = {dealer.id: dealer.code for dealer in session.scalars(select(Dealer))}
    finished = session.execute(
        select(MonthClose.first_day, Mall)
        .join(Mall, Mall.id == MonthClose.mall_id)
        .where(MonthClose.finished_at.is_not(None))
        .order_by(MonthClose.first_day, Mall.code)
    ).all()
    for first_day, mall in finished:
        month = Month.of(first_day)
        statements = session.scalars(
            select(Statement).where(Statement.mall_id == mall.id, Statement.first_day == first_day)
        ).all()
        made = {statement.dealer_id for statement in statements}
        missing = sorted(codes[dealer_id] for dealer_id in queries.stated_dealers(session, mall.id, month) - made)
        if missing:
            yield f"{month.name} is closed at {mall.code}, but these dealers have no statement of it: {', '.join(missing)}."
        bare = sorted(codes[s.dealer_id] for s in statements if s.document_id is None)
        if bare:
            yield f"{month.name} is closed at {mall.code}, but these dealers' statements have no document: {', '.join(bare)}."
