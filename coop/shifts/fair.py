"""How turns were shared out: for everybody to see, over the trailing year and since joining, at every mall together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.shifts.domain.fairness import jain, spread
from coop.shifts.domain.posing import SHARED
from coop.shifts.models import Rota, Turn
from coop.shifts.month_facts import first_of_year, owed_over, turns_had, waiting_months
from coop.shifts.owing import balances, workers_of
from coop.shifts.turn_models import TurnAccount


@dataclass(frozen=True)
class FairRow:
    """One member's part. The year's figures are of published turns, and of what was owed in its months."""

    member_id: int
    name: str
    code: str
    joined_on: date
    owed: Decimal
    """Turns owed over the year."""
    turns: int
    weekend: int
    holiday: int
    opening: int
    closing: int
    owed_since: Decimal
    """Turns owed since joining, as month-ends wrote them."""
    turns_since: int
    balance: Decimal
    """Of the account of turns at the mall; below zero is owed."""

    def per_owed(self, count: int) -> Decimal | None:
        """Turns of a kind for each turn owed, to the hundredth; None for who owed none."""
        return (Decimal(count) / self.owed).quantize(Decimal("0.01")) if self.owed > 0 else None


@dataclass(frozen=True)
class Fairness:
    """The sharing at a mall over twelve months that end with `through`."""

    through: Month
    rows: tuple[FairRow, ...]
    weekend_jain: Decimal | None
    """Jain's index of weekend turns for each turn owed: 1 is even. None where nobody owes or none were worked."""
    holiday_spread: int | None
    """Most holidays of a member less the fewest: a few holidays share out evenly while it is 1 at most. None without any."""


def fairness(session: Session, now: datetime, mall: Mall, through: Month | None = None) -> Fairness:
    """How turns are shared among who has a lease at a mall now, in a fixed number of queries but for months not closed yet.

    `through`: the last month counted; without it the latest that is published, or this one.
    """
    through = through or _latest(session, mall) or Month.of(local_date(now, mall.timezone))
    workers = workers_of(session, mall, through)
    members = [worker.member_id for worker in workers]
    first = first_of_year(through)
    had, waiting = turns_had(session, first, through.next, members), waiting_months(session, first, through.next)
    owed = owed_over(session, first, through.next, members, waiting)
    turns = _turns(session, members, first, through.last_day)
    since = _turns(session, members, date.min, through.last_day)
    carried = balances(session, [mall.id])
    owed_since = _owed_since(session, members)
    none = dict.fromkeys(SHARED, 0)
    rows = tuple(
        FairRow(
            member_id=worker.member_id,
            name=worker.name,
            code=worker.dealer_code,
            joined_on=worker.joined_on,
            owed=owed.get(worker.member_id, Decimal(0)),
            turns=turns.get(worker.member_id, 0),
            owed_since=owed_since.get(worker.member_id, Decimal(0)),
            turns_since=since.get(worker.member_id, 0),
            balance=carried.get((mall.id, worker.member_id), Decimal(0)),
            **had.get(worker.member_id, none),
        )
        for worker in workers
    )
    return Fairness(through, rows, weekend_index(rows), _holidays(rows))


def weekend_index(rows: Sequence[FairRow]) -> Decimal | None:
    """Jain's index of weekend turns for each turn owed, to four places, among those who owe."""
    shares = [Decimal(row.weekend) / row.owed for row in rows if row.owed > 0]
    return jain(shares).quantize(Decimal("0.0001")) if any(shares) else None


def _holidays(rows: Iterable[FairRow]) -> int | None:
    counts = [row.holiday for row in rows if row.owed > 0]
    return int(spread(counts)) if any(counts) else None


def _latest(session: Session, mall: Mall) -> Month | None:
    latest = session.scalar(select(func.max(Rota.first_day)).where(Rota.mall_id == mall.id, Rota.state == "published"))
    return Month.of(latest) if latest else None


def _turns(session: Session, members: Sequence[int], first: date, last: date) -> dict[int, int]:
    rows = (
        select(Turn.member_id, func.count(Turn.id))
        .join(Rota, Rota.id == Turn.rota_id)
        .where(Rota.state == "published", Turn.state == "standing", Turn.member_id.in_(members))
        .where(Turn.on_date.between(first, last))
        .group_by(Turn.member_id)
    )
    counts: dict[int, int] = defaultdict(int)
    for member_id, count in session.execute(rows):
        counts[member_id] += count  # type: ignore[index]
    return dict(counts)


def _owed_since(session: Session, members: Sequence[int]) -> dict[int, Decimal]:
    rows = (
        select(TurnAccount.member_id, func.sum(TurnAccount.turns))
        .where(TurnAccount.kind == "owed", TurnAccount.member_id.in_(members))
        .group_by(TurnAccount.member_id)
    )
    return {member_id: -Decimal(turns) for member_id, turns in session.execute(rows)}
