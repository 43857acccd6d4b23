"""What a mall sold in a month, for the office: by day, beside other months, and by dealer. No query grows with the rows.

By day a ticket counts on its day in the books; by dealer a line counts when it was credited to her, as on her statement. What
lies between the two (nobody's yet, and claimed now but sold before) is told apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from coop.books.rules import rules_on
from coop.closing.queries import items_sold, period_of
from coop.core.charts import Chart, Point
from coop.core.listing import Column, Listing, Words
from coop.core.money import plain_cents
from coop.core.periods import Month
from coop.core.templating import short_day
from coop.floor.models import Mall
from coop.leases.posting import commissions_so_far
from coop.leases.queries import commissions_charged
from coop.office.lease_queries import dealer_names
from coop.sales.claims import UnclaimedSum, unclaimed_sum
from coop.sales.gifts import certificates_held
from coop.sales.layaway import OpenLayaways, open_layaways
from coop.sales.models import Ticket
from coop.sales.queries import DealerSales, month_sales


@dataclass(frozen=True)
class Sold:
    """What was sold over some days, in cents."""

    tickets: int = 0
    """Sales; a return is none."""
    sold_cents: int = 0
    back_cents: int = 0
    """Brought back; zero or positive."""
    tax_cents: int = 0
    """On goods and on delivery, less what returns gave back."""

    @property
    def net_cents(self) -> int:
        return self.sold_cents - self.back_cents

    def __add__(self, other: Sold) -> Sold:
        return Sold(
            self.tickets + other.tickets,
            self.sold_cents + other.sold_cents,
            self.back_cents + other.back_cents,
            self.tax_cents + other.tax_cents,
        )


@dataclass(frozen=True)
class SoldMonth:
    """A month of a mall by its days; of the running one, up to today."""

    month: Month
    days: Sequence[tuple[date, Sold]]
    """Every day that has come, those too on which nothing was sold."""

    @property
    def whole(self) -> Sold:
        return sum((sold for _day, sold in self.days), Sold())

    @property
    def runs(self) -> bool:
        return len(self.days) < self.month.days

    @property
    def last_day(self) -> date | None:
        return self.days[-1][0] if self.days else None

    def up_to(self, day: int) -> Sold:
        """Its first days together: what another month that has come so far is held against."""
        return sum((sold for on, sold in self.days if on.day <= day), Sold())


def sold_month(session: Session, mall_id: int, month: Month, today: date) -> SoldMonth:
    """A month by its days in the books; one query."""
    is_sale = Ticket.kind == "sale"
    rows = session.execute(
        select(
            Ticket.posting_date,
            func.sum(case((is_sale, 1), else_=0)),
            func.sum(case((is_sale, Ticket.net_cents), else_=0)),
            func.sum(case((is_sale, 0), else_=-Ticket.net_cents)),
            func.sum(Ticket.tax_cents),
        )
        .where(Ticket.mall_id == mall_id, Ticket.posting_date.between(month.first_day, month.last_day))
        .group_by(Ticket.posting_date)
    )
    found = {on: Sold(*map(int, sums)) for on, *sums in rows}
    # A ticket that came late may stand on a day that is still to come at the mall.
    last = max([min(today, month.last_day), *found])
    return SoldMonth(month, [(on, found.get(on, Sold())) for on in month.each_day() if on <= last])


def chart_of_days(sold: SoldMonth) -> Chart:
    """A month's net sales by day; the days to come have their place and no bar."""
    come = dict(sold.days)
    points = [Point(str(on.day), come[on].net_cents if on in come else None, short_day(on)) for on in sold.month.each_day()]
    return Chart(f"Net sales by day in {sold.month.name}", points, heading="Day")


def first_sale(session: Session, mall_id: int) -> date | None:
    """The day of a mall's first ticket in the books."""
    return session.scalar(select(func.min(Ticket.posting_date)).where(Ticket.mall_id == mall_id))


@dataclass(frozen=True)
class Beside:
    """A month that the one shown is held against."""

    words: str
    month: Month
    sold: Sold
    """Of as many days as the month shown has."""
    whole: Sold


def months_beside(session: Session, mall_id: int, shown: SoldMonth, today: date) -> list[Beside]:
    """The month before and the same month a year before, where the mall sold anything in them. Two queries."""
    found = []
    for words, month in (
        ("the month before", shown.month.previous),
        ("a year before", Month(shown.month.year - 1, shown.month.month)),
    ):
        other = sold_month(session, mall_id, month, today)
        if any(sold != Sold() for _day, sold in other.days):
            last = len(shown.days) if shown.runs else month.days
            found.append(Beside(words, month, other.up_to(last), other.whole))
    return found


# --- what waits ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MoneyWaiting:
    """Money of a mall's sales that waits for its dealer, its bearer or its buyer."""

    unclaimed: UnclaimedSum
    unclaimed_days: int
    """After how many an unclaimed sale has waited long."""
    gifts_cents: int
    """Owed on gift certificates, at any mall."""
    layaways: OpenLayaways


def money_waiting(session: Session, mall: Mall, today: date) -> MoneyWaiting:
    """Four queries."""
    days = rules_on(session, today).unclaimed_days
    return MoneyWaiting(
        unclaimed_sum(session, mall, old_before=today - timedelta(days=days)),
        days,
        certificates_held(session),
        open_layaways(session, mall.id),
    )


# --- by dealer ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DealerRow:
    """One dealer's month at a mall."""

    code: str
    name: str
    sales: DealerSales
    commission_cents: int | None
    """As posted, or as the lease has it for what was sold so far; None where that cannot be worked out."""


@dataclass(frozen=True)
class ByDealer:
    """A month of a mall by dealer."""

    rows: Sequence[DealerRow]
    nobodys: DealerSales
    closed: bool
    """Whether its commission is posted for good."""

    @property
    def dealers_net_cents(self) -> int:
        return sum(row.sales.net_cents for row in self.rows)

    def claimed_cents(self, sold: Sold) -> int:
        """What was sold before the month and claimed in it: dealers and nobody have it beyond what the days have."""
        return self.dealers_net_cents + self.nobodys.net_cents - sold.net_cents


def by_dealer(session: Session, mall: Mall, month: Month) -> ByDealer:
    """Every dealer who sold in a month, or took something back. Six queries at most."""
    sales = month_sales(session, mall.id, month)
    nobodys = sales.pop(None, DealerSales(0, 0, 0))
    net = {dealer_id: one.net_cents for dealer_id, one in sales.items() if dealer_id is not None}
    period = period_of(session, mall.id, month)
    closed = period is not None and period.state == "closed"
    commission: dict[int, int] = {}
    if closed:
        commission = commissions_charged(session, mall.id, month)
    elif net:
        commission = commissions_so_far(session, mall, month, net, sold_by=items_sold(session, mall.id, month))
    names = dealer_names(session)
    rows = [
        DealerRow(*names[dealer_id], one, commission.get(dealer_id)) for dealer_id, one in sales.items() if dealer_id is not None
    ]
    rows.sort(key=lambda row: (-row.sales.net_cents, row.code))
    return ByDealer(rows, nobodys, closed)


DEALERS: Listing[DealerRow] = Listing(
    columns=(
        Column("code", "Dealer", lambda row: row.code, by=lambda row: row.code),
        Column("name", "Name", lambda row: row.name, by=lambda row: row.name.casefold()),
        Column("pieces", "Pieces", lambda row: str(row.sales.pieces), by=lambda row: row.sales.pieces, amount=True),
        Column(
            "gross", "At tag", lambda row: plain_cents(row.sales.gross_cents), by=lambda row: row.sales.gross_cents, amount=True
        ),
        Column(
            "discounts",
            "Discounts",
            lambda row: plain_cents(row.sales.discounts_cents),
            by=lambda row: row.sales.discounts_cents,
            amount=True,
        ),
        Column(
            "returns",
            "Returns",
            lambda row: plain_cents(row.sales.returns_cents),
            by=lambda row: row.sales.returns_cents,
            amount=True,
        ),
        Column("net", "Net", lambda row: plain_cents(row.sales.net_cents), by=lambda row: row.sales.net_cents, amount=True),
        Column(
            "commission",
            "Commission",
            lambda row: "" if row.commission_cents is None else plain_cents(row.commission_cents),
            by=lambda row: row.commission_cents or 0,
            amount=True,
        ),
    ),
    usual="-net",
    filters=(Words("find", "Code or name", of=lambda row: [row.code, row.name]),),
)
