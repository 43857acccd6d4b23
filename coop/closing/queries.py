"""Reads of a month: what each dealer's came to."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from coop.books import queries as books
from coop.books.models import Entry, Period
from coop.books.queries import SALE_KINDS, dealer_balances_before, dealer_movements
from coop.closing.models import CloseOverride, MonthClose
from coop.core.jobs import Job
from coop.core.money import cents
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.leases import queries as leases
from coop.leases.domain.commission import Sold
from coop.leases.posting import INCOME, SoldBy
from coop.leases.queries import charged_by_kind, dealers_in
from coop.leases.rents import SalesBetween
from coop.sales.models import Ticket, TicketLine
from coop.sales.queries import DealerSales, credited_between, month_sales
from coop.tax.dealer_tax import TO_DEALER
from coop.tax.queries import collected_for_dealers

RENT_KINDS = ("rent", "case", "shelf", "wall")


@dataclass(frozen=True)
class DealerMonth:
    """One dealer's month at a mall, in cents.

    closing = opening + net + tax to file - commission - rent - fees - paid. Returns, discounts and charges are positive when they
    take something off; `paid` is what went to the dealer, less what came in and any correction; opening and closing are positive
    when owed to the dealer. `tax_to_file` is what passed to a dealer who files it herself. Tax collected is all her buyers paid,
    for information: it is the state's, not the dealer's.
    """

    dealer_id: int
    dealer: str
    name: str
    gross: int
    returns: int
    discounts: int
    net: int
    commission: int
    rent: int
    fees: int
    tax_collected: int
    opening: int
    tax_to_file: int
    paid: int
    closing: int


def period_of(session: Session, mall_id: int, month: Month) -> Period | None:
    return session.scalar(select(Period).where(Period.mall_id == mall_id, Period.first_day == month.first_day))


def group_of(close_id: int) -> str:
    """The jobs of one month-end."""
    return f"close:{close_id}"


def books_empty(session: Session) -> bool:
    """Whether nothing has been posted yet, so that balances from paper may be brought."""
    return session.scalar(select(Entry.id).limit(1)) is None


def first_months(session: Session) -> dict[int, Month]:
    """The month each mall's books begin with, by mall id: the first in them; where nothing is in them yet, the first lease.

    A lease may be years older than the books: what it owed before they began was settled on paper. A mall that has neither is
    not there. The number of queries does not grow with the malls.
    """
    begun = leases.first_days(session) | books.first_days(session)
    return {mall_id: Month.of(day) for mall_id, day in begun.items()}


def close_first(session: Session, mall_id: int, month: Month) -> Month | None:
    """The month that must close before this one; None when it is this one's turn, or it is past.

    Months close one after the other, those too in which nothing was sold: each has its rent.
    """
    last = books.last_closed(session, mall_id)
    turn = first_months(session).get(mall_id) if last is None else last.next
    return turn if turn is not None and turn < month else None


def close_of(session: Session, mall_id: int, month: Month) -> MonthClose | None:
    return session.scalar(select(MonthClose).where(MonthClose.mall_id == mall_id, MonthClose.first_day == month.first_day))


def override_of(session: Session, mall_id: int, month: Month, step: str) -> CloseOverride | None:
    """What let a step of a month-end pass."""
    return session.scalar(
        select(CloseOverride)
        .join(MonthClose, MonthClose.id == CloseOverride.close_id)
        .where(MonthClose.mall_id == mall_id, MonthClose.first_day == month.first_day, CloseOverride.step == step)
    )


def late_tickets(session: Session, mall_id: int, month: Month) -> int:
    """How many tickets sold in a month came after it was locked: their tax belongs to an amended return of it."""
    late = select(func.count(Ticket.id)).where(
        Ticket.mall_id == mall_id,
        Ticket.sold_on.between(month.first_day, month.last_day),
        Ticket.posting_date > month.last_day,
    )
    return session.scalar(late) or 0


def stated_dealers(session: Session, mall_id: int, month: Month) -> set[int]:
    """The dealers a month's books speak of: by a sale, a charge, an entry, or a balance brought forward."""
    period = period_of(session, mall_id, month)
    ids = {dealer_id for dealer_id in month_sales(session, mall_id, month) if dealer_id is not None}
    ids |= {dealer_id for dealer_id, _ in charged_by_kind(session, mall_id, month)}
    ids |= {dealer_id for dealer_id, _ in dealer_movements(session, period)} if period else set()
    return ids | {d for d, balance in dealer_balances_before(session, mall_id, month.first_day).items() if balance}


def step_faults(session: Session, close: MonthClose) -> list[str]:
    """A sentence for each step whose job failed by a fault of the program, and so could say nothing itself."""
    rows = session.execute(
        select(Job.args, Job.error)
        .where(Job.group_key == group_of(close.id), Job.kind.in_(("closing.step", "closing.watch")), Job.state == "failed")
        .order_by(Job.id)
    )
    return [f"The step {args['step']!r} failed: {error} Tell whoever keeps the program." for args, error in rows]


def sales_between(session: Session, mall_id: int) -> SalesBetween:
    """Net sales of a mall's dealers over days, for percentage rent; each span is asked for once."""
    found: dict[tuple[date, date], dict[int, int]] = {}

    def net(first: date, last: date) -> dict[int, int]:
        if (first, last) not in found:
            rows = session.execute(
                select(TicketLine.dealer_id, func.sum(TicketLine.price_cents))
                .where(credited_between(mall_id, first, last))
                .group_by(TicketLine.dealer_id)
            )
            found[first, last] = {dealer_id: int(cents) for dealer_id, cents in rows if dealer_id is not None}
        return found[first, last]

    return net


def items_sold(session: Session, mall_id: int, month: Month) -> SoldBy:
    """What dealers sold in a month by the price of an item, for commission by tiers; a return counts at the price of its sale."""
    original = aliased(TicketLine)
    each = func.coalesce(original.unit_price, TicketLine.unit_price)

    def items(dealer_ids: set[int]) -> dict[int, list[Sold]]:
        sold: dict[int, list[Sold]] = defaultdict(list)
        rows = session.execute(
            select(TicketLine.dealer_id, each, func.sum(TicketLine.price_cents))
            .outerjoin(original, original.id == TicketLine.returns_line_id)
            .where(credited_between(mall_id, month.first_day, month.last_day), TicketLine.dealer_id.in_(dealer_ids))
            .group_by(TicketLine.dealer_id, each)
        )
        for dealer_id, price, net_cents in rows:
            if dealer_id is not None:
                sold[dealer_id].append(Sold(cents(price), int(net_cents)))
        return sold

    return items


def dealer_rows(session: Session, mall_id: int, month: Month) -> list[DealerMonth]:
    """Every dealer who has a lease, a sale, a charge, a payment or a balance in the month, by code.

    For a month that is open, what has been posted so far. The number of queries does not grow with the dealers.
    """
    period = period_of(session, mall_id, month)
    sales = month_sales(session, mall_id, month)
    opening = dealer_balances_before(session, mall_id, month.first_day)
    movements = dealer_movements(session, period) if period else {}
    charged: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for (dealer_id, kind), amount in charged_by_kind(session, mall_id, month).items():
        charged[dealer_id]["commission" if kind == "commission" else "rent" if kind in RENT_KINDS else "fees"] += amount
    paid: dict[int, int] = defaultdict(int)
    to_file: dict[int, int] = defaultdict(int)
    moved: dict[int, int] = defaultdict(int)
    for (dealer_id, kind), amount in movements.items():
        moved[dealer_id] += amount
        if kind == TO_DEALER:
            to_file[dealer_id] += amount
        elif kind not in SALE_KINDS and kind not in INCOME:
            paid[dealer_id] -= amount
    tax: dict[int, int] = defaultdict(int)
    for row in collected_for_dealers(session, mall_id, month):
        tax[row.dealer_id] += row.amount_cents
    ids = {d for d in sales if d is not None} | set(moved) | set(charged)
    ids |= {d for d, balance in opening.items() if balance} | dealers_in(session, mall_id, month)
    named = func.coalesce(func.nullif(Dealer.trade_name, ""), Member.name)
    dealers = session.execute(
        select(Dealer.id, Dealer.code, named)
        .join(Member, Member.id == Dealer.member_id)
        .where(Dealer.id.in_(ids))
        .order_by(Dealer.code)
    )
    nothing = DealerSales(0, 0, 0)
    rows = []
    for dealer_id, code, name in dealers:
        sold = sales.get(dealer_id, nothing)
        rows.append(
            DealerMonth(
                dealer_id=dealer_id,
                dealer=code,
                name=name,
                gross=sold.gross_cents,
                returns=sold.returns_cents,
                discounts=sold.discounts_cents,
                net=sold.net_cents,
                commission=charged[dealer_id]["commission"],
                rent=charged[dealer_id]["rent"],
                fees=charged[dealer_id]["fees"],
                tax_collected=tax[dealer_id],
                opening=opening.get(dealer_id, 0),
                tax_to_file=to_file[dealer_id],
                paid=paid[dealer_id] + sold.trade_ins_cents,
                closing=opening.get(dealer_id, 0) + moved[dealer_id],
            )
        )
    return rows
