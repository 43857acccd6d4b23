"""What a statement tells of turns: carried, owed, worked, let off, charged and credited, from the member's account of turns."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.core.templating import joined, short_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.shifts.models import Turn
from coop.shifts.month_end import dealers_of_accounts
from coop.shifts.turn_models import TurnAccount
from coop.shifts.wording import balance_shown, turns_shown
from coop.statements.domain import TurnLine

Rows = list[tuple[TurnAccount, Turn | None]]


def turn_lines(session: Session, mall: Mall, dealer: Dealer, month: Month) -> tuple[TurnLine, ...]:
    """Lines of a month's turns; none where no turns are kept, and under one only of a member's codes."""
    rows: Rows = [
        (account, turn)
        for account, turn in session.execute(
            select(TurnAccount, Turn)
            .outerjoin(Turn, Turn.id == TurnAccount.turn_id)
            .where(
                TurnAccount.mall_id == mall.id,
                TurnAccount.member_id == dealer.member_id,
                TurnAccount.first_day == month.first_day,
            )
            .order_by(Turn.on_date, TurnAccount.id)
        )
    ]
    earlier = select(func.sum(TurnAccount.turns)).where(
        TurnAccount.mall_id == mall.id, TurnAccount.member_id == dealer.member_id, TurnAccount.first_day < month.first_day
    )
    before = Decimal(session.scalar(earlier) or 0)
    after = before + sum((row.turns for row, _ in rows), Decimal(0))
    if not rows and not before:
        return ()
    if dealers_of_accounts(session, mall, month, member_id=dealer.member_id).get(dealer.member_id) != dealer.id:
        return ()
    lines = [TurnLine("Brought forward", balance_shown(before), _above(before))] if before else []
    for kind, label, working in _KINDS:
        of_kind: Rows = [(row, turn) for row, turn in rows if row.kind == kind]
        turns = sum((row.turns for row, _ in of_kind), Decimal(0))
        if of_kind:
            # What is set right, or came from paper, goes up or down; the label says the way of all else.
            count = balance_shown(turns) if kind in ("opening", "set right") else turns_shown(abs(turns))
            lines.append(TurnLine(label, count, working(of_kind)))
    lines.append(TurnLine("Carried on", balance_shown(after), _above(after)))
    return tuple(lines)


def _above(balance: Decimal) -> str:
    if not balance:
        return "nothing is owed either way"
    return "worked beyond those owed" if balance > 0 else "still owed"


def _days(rows: Rows) -> str:
    """`Dec 4, Dec 11 and Dec 19`"""
    return joined([short_day(turn.on_date) for _, turn in rows if turn is not None])


def _workings(rows: Rows) -> str:
    return "; ".join(row.working for row, _ in rows)


_KINDS: tuple[tuple[str, str, Callable[[Rows], str]], ...] = (
    ("opening", "From paper", _workings),
    ("owed", "Owed", _workings),
    ("worked", "Worked", _days),
    ("closed", "The mall stayed closed", _days),
    ("excused", "Excused", _workings),
    ("bought out", "Bought out", _workings),
    ("charged", "Charged", _workings),
    ("credited", "Credited", _workings),
    ("set right", "Set right", _workings),
)
"""Kinds of lines in the order they are told, with their label and how the rows of one are said."""
