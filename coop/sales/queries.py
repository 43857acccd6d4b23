"""Reads of tickets and imports."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Null, and_, case, extract, func, null, or_, select, true
from sqlalchemy.orm import Session, aliased

from coop.core.periods import Month
from coop.sales.models import ImportRefusal, SalesImport, Ticket, TicketLine


@dataclass(frozen=True)
class DealerSales:
    """A dealer's month in cents: gross - discounts - returns = net. Returns and discounts are zero or positive.

    Coupons that the dealer bears are among the discounts.
    """

    gross_cents: int
    discounts_cents: int
    returns_cents: int
    trade_ins_cents: int = 0
    """Paid to her in kind, less what came back of it."""
    pieces: int = 0
    """Sold, less what came back."""

    @property
    def net_cents(self) -> int:
        return self.gross_cents - self.discounts_cents - self.returns_cents


def credited_between(mall_id: int, first: date, last: date) -> ColumnElement[bool]:
    """Lines credited to a dealer of a mall on these days: sold then, or sold before and claimed then."""
    return and_(TicketLine.mall_id == mall_id, TicketLine.credited_on.between(first, last))


def unclaimed_between(mall_id: int, first: date, last: date) -> ColumnElement[bool]:
    """Lines posted on these days that were nobody's when they were over."""
    when_over = or_(TicketLine.credited_on.is_(None), TicketLine.credited_on > last)
    # It follows from the others. Said as the index ix_ticket_line_waited has it, it keeps all other lines of these days unread.
    waited = or_(TicketLine.credited_on.is_(None), TicketLine.credited_on > TicketLine.posting_date)
    return and_(TicketLine.mall_id == mall_id, TicketLine.posting_date.between(first, last), when_over, waited)


def month_sales(session: Session, mall_id: int, month: Month) -> dict[int | None, DealerSales]:
    """What each dealer sold and took back in a month, by dealer id; None is unclaimed when the month ends.

    A sale claimed in a later month is a sale of that month for its dealer.
    """
    days = (month.first_day, month.last_day)
    sums = _sums(session, TicketLine.dealer_id, credited_between(mall_id, *days))
    return sums | _sums(session, null(), unclaimed_between(mall_id, *days))


def _sums(session: Session, whose: Any, which: ColumnElement[bool]) -> dict[int | None, DealerSales]:
    is_sale = Ticket.kind == "sale"
    rows = session.execute(
        select(
            whose,
            func.sum(case((is_sale, TicketLine.tag_cents), else_=0)),
            func.sum(case((is_sale, TicketLine.discount_cents + TicketLine.seller_coupon_cents), else_=0)),
            func.sum(case((is_sale, 0), else_=-TicketLine.price_cents)),
            func.sum(TicketLine.trade_in_cents),
            func.sum(case((is_sale, TicketLine.quantity), else_=-func.abs(TicketLine.quantity))),
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(which)
        .group_by(*([] if isinstance(whose, Null) else [whose]))
        .having(func.count(TicketLine.id) > 0)
    )
    return {dealer_id: DealerSales(*map(int, sums)) for dealer_id, *sums in rows}


_BROUGHT_BACK, _ITS_TICKET = aliased(TicketLine), aliased(Ticket)
"""The line that a return gives back, and its ticket."""


@dataclass(frozen=True)
class StatedLine:
    """A ticket line as a statement shows it, with the number of the ticket it returns (empty when untied)."""

    line: TicketLine
    ticket: Ticket
    returns: str


def net_between(session: Session, mall_id: int, first: date, last: date) -> dict[int, int]:
    """What each dealer sold of a mall, less goods taken back, credited from one day to another: dealer id -> cents."""
    rows = session.execute(
        select(TicketLine.dealer_id, func.sum(TicketLine.price_cents))
        .where(credited_between(mall_id, first, last))
        .group_by(TicketLine.dealer_id)
    )
    return {dealer_id: int(amount) for dealer_id, amount in rows if dealer_id is not None}


SHOWN_MONTHS = 13
"""This month, and the same one a year ago at the other end."""


def sold_by_month(session: Session, whose: ColumnElement[bool], today: date) -> list[tuple[Month, int | None]]:
    """Net sales, in cents, of each of the last thirteen months, the running one last: of some lines, such as a dealer's, as they
    were credited. None before the first of them: of that nothing is known. Two queries.
    """
    months = [Month.of(today)]
    while len(months) < SHOWN_MONTHS:
        months.insert(0, months[0].previous)
    began = session.scalar(select(func.min(TicketLine.credited_on)).where(whose))
    year, month = extract("year", TicketLine.credited_on), extract("month", TicketLine.credited_on)
    rows = session.execute(
        select(year, month, func.sum(TicketLine.price_cents))
        .where(whose, TicketLine.credited_on.between(months[0].first_day, months[-1].last_day))
        .group_by(year, month)
    )
    sold = {Month(int(in_year), int(in_month)): int(cents) for in_year, in_month, cents in rows}
    return [(one, sold.get(one, 0) if began is not None and one >= Month.of(began) else None) for one in months]


def lines_of_dealer(
    session: Session, mall_id: int, dealer_id: int, month: Month, *, ticket: str | None = None
) -> list[StatedLine]:
    """A dealer's lines of a month, or those of the tickets of one number, by when they were sold."""
    rows = session.execute(
        select(TicketLine, Ticket, _ITS_TICKET.number)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .outerjoin(_BROUGHT_BACK, _BROUGHT_BACK.id == TicketLine.returns_line_id)
        .outerjoin(_ITS_TICKET, _ITS_TICKET.id == _BROUGHT_BACK.ticket_id)
        .where(
            TicketLine.dealer_id == dealer_id,
            credited_between(mall_id, month.first_day, month.last_day),
            true() if ticket is None else Ticket.number == ticket,
        )
        .order_by(Ticket.sold_at, Ticket.id, TicketLine.position)
    )
    return [StatedLine(line, ticket, number or "") for line, ticket, number in rows]


def unfinished_imports(session: Session, mall_id: int) -> list[SalesImport]:
    """Imports of a mall that were stopped before their last row."""
    return list(session.scalars(select(SalesImport).where(SalesImport.mall_id == mall_id, SalesImport.state == "running")))


def refusals_of(session: Session, import_id: int) -> list[str]:
    """Every refused row's sentence, in order of the file."""
    return list(
        session.scalars(select(ImportRefusal.sentence).where(ImportRefusal.import_id == import_id).order_by(ImportRefusal.row))
    )


def unclaimed_in(session: Session, mall_id: int, month: Month) -> tuple[int, int]:
    """Lines of a month that were unclaimed when it ended: how many, and their cents."""
    count, amount = session.execute(
        select(func.count(TicketLine.id), func.coalesce(func.sum(TicketLine.price_cents), 0)).where(
            unclaimed_between(mall_id, month.first_day, month.last_day)
        )
    ).one()
    return int(count), int(amount)


def claimed_from_before(session: Session, mall_id: int, month: Month) -> int:
    """Cents of lines of days before a month that were claimed in it.

    What dealers were credited with in a month and what was nobody's at its end come to its days' net sales and this.
    """
    total = select(func.coalesce(func.sum(TicketLine.price_cents), 0)).where(
        TicketLine.mall_id == mall_id,
        TicketLine.posting_date < month.first_day,
        TicketLine.credited_on.between(month.first_day, month.last_day),
        # It follows from the others, and keeps what was never unclaimed unread: the index ix_ticket_line_waited has it.
        TicketLine.credited_on > TicketLine.posting_date,
    )
    return int(session.scalar(total) or 0)


def late_tickets(session: Session, import_id: int) -> list[tuple[str, int, date]]:
    """Tickets of an import whose month was closed when they came: (month of the sale, how many, the date they are posted on)."""
    counts: dict[tuple[Month, date], int] = {}
    for sold_on, posted_on, count in session.execute(
        select(Ticket.sold_on, Ticket.posting_date, func.count())
        .where(Ticket.import_id == import_id, Ticket.posting_date != Ticket.sold_on)
        .group_by(Ticket.sold_on, Ticket.posting_date)
    ):
        key = (Month.of(sold_on), posted_on)
        counts[key] = counts.get(key, 0) + count
    return [(month.name, count, posted_on) for (month, posted_on), count in sorted(counts.items())]
