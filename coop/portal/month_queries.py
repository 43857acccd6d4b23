"""What a dealer's first page reads of her month: sold today and so far, beside other months, and what covers the rent."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import ColumnElement, and_, case, false, func, or_, select
from sqlalchemy.orm import Session, aliased, selectinload

from coop.core.charts import Chart, Point
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import cents
from coop.core.periods import Month
from coop.core.templating import short_day
from coop.core.web import Visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.domain import TermsError
from coop.leases.domain.commission import Sold
from coop.leases.domain.covered import Covered, covered
from coop.leases.models import Charge, Lease
from coop.leases.posting import commission_of
from coop.leases.rents import OF_RENT, month_rents
from coop.leases.settling import GIVEN_BACK
from coop.portal.queries import own_dealers_query
from coop.sales.models import Ticket, TicketLine
from coop.statements.domain.pictures import Band, by_band

OF_SALES = ("commission", "card")
"""Kinds of charge that go by what was sold: they are no part of what the month costs whatever is sold."""


class SoldLine(NamedTuple):
    """An item of this month."""

    on: date
    mall_id: int
    dealer: str
    """Her code."""
    is_sale: bool
    quantity: int
    price_cents: int
    item: Sold
    """The same, as commission by tiers takes it."""


@dataclass(frozen=True)
class Place:
    """What was sold for one dealer at one mall in its month so far."""

    dealer: str
    mall: str
    pieces: int
    net_cents: int


@dataclass(frozen=True)
class Days:
    """What was sold over days, less what came back; known only where something was sold for her by then."""

    first: date
    last: date
    pieces: int
    net_cents: int


@dataclass(frozen=True)
class OwnMonth:
    """A dealer's month so far."""

    today: date
    lines: Sequence[SoldLine]
    places: Sequence[Place]
    so_far: Days
    of_today: Days
    before: Days | None
    """The same days of the month before."""
    year_before: Days | None

    @property
    def month(self) -> Month:
        return Month.of(self.today)

    @property
    def bands(self) -> list[Band]:
        """What was sold by the price of a piece; goods brought back are not taken off."""
        return by_band((line.quantity, line.price_cents) for line in self.lines if line.is_sale)

    @property
    def chart(self) -> Chart:
        """Net sales of each day; days to come are left empty."""
        sold: dict[date, int] = defaultdict(int)
        for line in self.lines:
            sold[line.on] += line.price_cents
        days = self.month.each_day()
        points = [Point(str(day.day), sold[day] if day <= self.today else None, short_day(day)) for day in days]
        return Chart(f"Net sales by day, {self.month.name}", points, heading="Day")


@dataclass(frozen=True)
class Calendar:
    """Each mall's own day, for two malls may stand in two time zones."""

    malls: Mapping[int, Mall]
    days: Mapping[int, date]

    @property
    def today(self) -> date | None:
        return max(self.days.values(), default=None)

    @property
    def timezone(self) -> str:
        """Of the first mall: where the office is."""
        return next((mall.timezone for mall in self.malls.values()), "UTC")

    def within(self, spans: Mapping[int, tuple[date, date]]) -> ColumnElement[bool]:
        """Lines credited in the days of their mall."""
        parts = (and_(TicketLine.mall_id == mall_id, TicketLine.credited_on.between(*span)) for mall_id, span in spans.items())
        return or_(false(), *parts)


def calendar(session: Session, now: datetime) -> Calendar:
    malls = {mall.id: mall for mall in session.scalars(select(Mall).order_by(Mall.code))}
    return Calendar(malls, {mall.id: local_date(now, mall.timezone) for mall in malls.values()})


def own_month(session: Session, user: Visitor, days: Calendar) -> OwnMonth | None:
    """This user's month so far on each mall's own calendar; None where there is no mall. Two queries."""
    today = days.today
    if today is None:
        return None
    lines = _lines(session, user, days)
    places = defaultdict(list)
    for line in lines:
        places[line.dealer, days.malls[line.mall_id].code].append(line)
    names = {mall.code: mall.name for mall in days.malls.values()}
    before, year_before = _earlier(session, user, days)
    return OwnMonth(
        today,
        lines,
        [Place(code, names[mall], _pieces(of), _net(of)) for (code, mall), of in sorted(places.items())],
        _days(Month.of(today).first_day, today, lines),
        _days(today, today, [line for line in lines if line.on == days.days[line.mall_id]]),
        before,
        year_before,
    )


def _pieces(lines: Sequence[SoldLine]) -> int:
    return sum(line.quantity for line in lines)


def _net(lines: Sequence[SoldLine]) -> int:
    return sum(line.price_cents for line in lines)


def _days(first: date, last: date, lines: Sequence[SoldLine]) -> Days:
    return Days(first, last, _pieces(lines), _net(lines))


def _lines(session: Session, user: Visitor, days: Calendar) -> list[SoldLine]:
    """Every line of the month; a return counts at the price of its sale where commission goes by it."""
    original = aliased(TicketLine)
    months = {mall_id: Month.of(day) for mall_id, day in days.days.items()}
    rows = session.execute(
        select(
            TicketLine.credited_on,
            TicketLine.mall_id,
            Dealer.code,
            Ticket.kind,
            TicketLine.quantity,
            TicketLine.price_cents,
            func.coalesce(original.unit_price, TicketLine.unit_price),
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .join(Dealer, Dealer.id == TicketLine.dealer_id)
        .outerjoin(original, original.id == TicketLine.returns_line_id)
        .where(
            TicketLine.dealer_id.in_(own_dealers_query(user)),
            days.within({mall_id: (month.first_day, month.last_day) for mall_id, month in months.items()}),
        )
        .order_by(TicketLine.credited_on, TicketLine.id)
    )
    return [
        SoldLine(on, mall_id, code, kind == "sale", quantity, price_cents, Sold(cents(each), price_cents))
        for on, mall_id, code, kind, quantity, price_cents, each in rows
        if on is not None
    ]


def _same_days(month: Month, day: date) -> tuple[date, date]:
    """From a month's first to the same day of it, or its last where it is shorter."""
    return month.first_day, month.first_day.replace(day=min(day.day, month.days))


def _earlier(session: Session, user: Visitor, days: Calendar) -> tuple[Days | None, Days | None]:
    """The same days of the month before and of the year before, each None where nothing was ever sold for her by then."""
    hers = TicketLine.dealer_id.in_(own_dealers_query(user))
    spans = [
        {mall_id: _same_days(Month.of(day).previous, day) for mall_id, day in days.days.items()},
        {mall_id: _same_days(Month(day.year - 1, day.month), day) for mall_id, day in days.days.items()},
    ]
    began = select(func.min(TicketLine.credited_on)).where(hers).correlate(None).scalar_subquery()
    sums = [
        func.coalesce(func.sum(case((days.within(span), what), else_=0)), 0)
        for span in spans
        for what in (TicketLine.quantity, TicketLine.price_cents)
    ]
    first_sale, *found = session.execute(select(began, *sums).where(hers, or_(*(days.within(span) for span in spans)))).one()
    told: list[Days | None] = []
    for n, span in enumerate(spans):
        first, last = max(span.values())
        known = first_sale is not None and first_sale <= last
        told.append(Days(first, last, int(found[2 * n]), int(found[2 * n + 1])) if known else None)
    return told[0], told[1]


# --- the rent -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RentOfPlace:
    """How far a dealer's sales at a mall go towards what the month costs her there."""

    dealer: str
    mall: str
    month: Month
    covered: Covered


def own_rents(session: Session, user: Visitor, days: Calendar, lines: Sequence[SoldLine]) -> list[RentOfPlace]:
    """Of each dealer and mall with a lease this month; not those whose rent or commission cannot be worked out.

    Three queries, and some more for each mall she leases at, however many leases and sales there are.
    """
    sold: dict[tuple[str, int], list[SoldLine]] = defaultdict(list)
    for line in lines:
        sold[line.dealer, line.mall_id].append(line)
    charged = _charged(session, user, days)
    found = []
    for (dealer_id, mall_id), (dealer, lease) in _leases(session, user, days).items():
        mall, month = days.malls[mall_id], Month.of(days.days[mall_id])
        try:
            rents = month_rents(session, mall, month, dealer_id=dealer_id)
            due = sum(rent.rent.amount_cents for rent in rents) + charged.get((dealer_id, mall_id), 0)
            kept = list(_kept(lease, month, sold[dealer, mall_id]))
        except (Refusal, TermsError):
            # The page of the lease says that it cannot be worked out, and whom to ask.
            continue
        if due > 0:
            found.append(RentOfPlace(dealer, mall.name, month, covered(due, kept)))
    return found


def _leases(session: Session, user: Visitor, days: Calendar) -> dict[tuple[int, int], tuple[str, Lease]]:
    """The lease whose rules hold, the one that began last, by dealer and mall; of those that run this month."""
    rows = session.execute(
        select(Dealer.code, Lease)
        .join(Lease, Lease.dealer_id == Dealer.id)
        .where(Dealer.id.in_(own_dealers_query(user)))
        .options(selectinload(Lease.terms))
        .order_by(Lease.mall_id, Dealer.code, Lease.starts_on, Lease.id)
    )
    latest: dict[tuple[int, int], tuple[str, Lease]] = {}
    for code, lease in rows:
        month = Month.of(days.days[lease.mall_id])
        if lease.starts_on <= month.last_day and (lease.ends_on is None or lease.ends_on >= month.first_day):
            latest[lease.dealer_id, lease.mall_id] = (code, lease)
    return latest


def _charged(session: Session, user: Visitor, days: Calendar) -> dict[tuple[int, int], int]:
    """What is charged for this month beside rent and what goes by sales: fees and the like, by dealer and mall."""
    months = or_(
        false(),
        *(and_(Charge.mall_id == mall_id, Charge.first_day == Month.of(day).first_day) for mall_id, day in days.days.items()),
    )
    rows = session.execute(
        select(Charge.dealer_id, Charge.mall_id, Charge.what, Charge.amount_cents).where(
            Charge.dealer_id.in_(own_dealers_query(user)), Charge.kind.not_in(OF_SALES), months
        )
    )
    sums: dict[tuple[int, int], int] = defaultdict(int)
    for dealer_id, mall_id, what, amount_cents in rows:
        if what.partition(":")[0] not in (*OF_RENT, GIVEN_BACK):  # Given back may be a charge of another month.
            sums[dealer_id, mall_id] += amount_cents
    return sums


def _kept(lease: Lease, month: Month, lines: Sequence[SoldLine]) -> Iterator[tuple[date, int]]:
    """What of all sales up to each day is left after commission; commission is rounded once, as the month-end does."""
    items: list[Sold] = []
    for n, line in enumerate(lines):
        items.append(line.item)
        if n + 1 == len(lines) or lines[n + 1].on != line.on:
            yield line.on, sum(item.net_cents for item in items) - commission_of(lease, month, items).amount_cents
