"""A dealer's month read from the books into the value that is stated."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.queries import dealer_balances_before
from coop.books.rules import rules_on
from coop.core.geometry import format_sqft
from coop.core.money import format_decimal
from coop.core.periods import Month, days_within
from coop.core.templating import joined, short_day
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.leases.deposits import held_of_dealer
from coop.leases.models import Charge, Lease, LeaseSpace
from coop.leases.pricing import named
from coop.leases.queries import charges_of, held_in
from coop.payouts.domain.days import pay_day, settling_day
from coop.sales.card_cost import paid_by_tickets
from coop.sales.domain import Tendered
from coop.sales.layaway_books import taxed_before_sale
from coop.sales.models import TicketLine
from coop.sales.queries import StatedLine, credited_between, lines_of_dealer
from coop.statements.domain import (
    ChargeLine,
    OwedTaxLine,
    SaleLine,
    StatementValue,
    TaxLine,
    TurnLine,
    prove,
)
from coop.statements.figures import Middle, books_begun, floor_figures, next_rent, other_malls, pending_layaways, year_figures
from coop.statements.payday import late_after
from coop.statements.payment_lines import payment_lines
from coop.tax.dealer_tax import tax_of_dealer


def statement_number(mall: Mall, dealer: Dealer, month: Month) -> str:
    """`MAIN.D01.2010-12`: no code holds a point, so no two statements share a number."""
    return f"{mall.code}.{dealer.code}.{month}"


def payout_date(month: Month, payout_day: int, made_on: date) -> date:
    """The day a month's balance is paid: a payout run's own day, moved as that is to one on which banks settle."""
    planned = pay_day(month, payout_day, made_on)
    return settling_day(planned, made_on, by_bank=False)


def sale_line(stated: StatedLine, paid: Mapping[int, Tendered] | None = None) -> SaleLine:
    """A ticket's line as it is stated; `paid` says how tickets were paid, by id, where that is told."""
    line, ticket = stated.line, stated.ticket
    how = (paid or {}).get(ticket.id, Tendered(0, 0))
    from_layaway = ticket.kind == "sale" and ticket.key.startswith("layaway/")
    return SaleLine(
        sold_on=ticket.sold_on,
        ticket=ticket.number,
        position=line.position,
        tag=line.tag,
        description=line.description,
        quantity=line.quantity,
        tag_cents=line.tag_cents,
        discount_cents=line.discount_cents + line.seller_coupon_cents,
        coupon_cents=line.seller_coupon_cents,
        discount_reason=line.discount_reason,
        discount_authority=line.discount_authority,
        price_cents=line.price_cents,
        posted_on=line.posting_date,
        returns=stated.returns,
        claimed_on=line.credited_on if line.credited_on != line.posting_date else None,
        card_cents=how.card_cents,
        ticket_cents=how.money_cents if how.card_cents else 0,
        layaway=int(ticket.key.rpartition("/")[2]) if from_layaway else 0,
    )


def _charge_label(charge: Charge, month: Month) -> str:
    """What it is for, with the month it belongs to where that was closed when it was posted."""
    own = Month.of(charge.first_day)
    return charge.label if own == month else f"{charge.label}, {own.name}"


def _held_days(held: LeaseSpace, left_on: date | None, month: Month) -> tuple[date, date]:
    """The first and the last day of a month on which a space is held."""
    ends = min(held.ends_on or date.max, left_on or date.max, month.last_day)
    return max(held.starts_on, month.first_day), ends


def _space_line(held: LeaseSpace, percent: Decimal, left_on: date | None, month: Month) -> str:
    first, last = _held_days(held, left_on, month)
    name = f"{named(held.space)}, {format_sqft(held.leased_area_sqft100)} sq ft"
    if first > month.first_day:
        name += f", from {short_day(first)}"
    if last < month.last_day:
        name += f", until {short_day(last)}"
    return name if percent == 100 else f"{name}, of whose rent your share is {format_decimal(percent)}%"


def _area_working(spans: Sequence[tuple[LeaseSpace, Decimal]], left_on: date | None, month: Month) -> str:
    """How spaces held for a part of a month, or shared, count; nothing where each is held whole."""
    said, is_plain = [], True
    for held, percent in spans:
        if not held.leased_area_sqft100:
            continue
        words = f"{format_sqft(held.leased_area_sqft100)} sq ft"
        first, last = _held_days(held, left_on, month)
        if (first, last) != (month.first_day, month.last_day):
            words += f" for {days_within(month, first, last)} of {month.days} days"
        if percent != 100:
            words = f"{format_decimal(percent)}% of {words}"
        is_plain = is_plain and words.endswith("sq ft") and percent == 100
        said.append(words)
    return "" if is_plain else joined(said)


def _left_on(session: Session, mall_id: int, dealer_id: int, month: Month) -> date | None:
    """The last day of a dealer's last lease, where none goes on after a month."""
    ends = session.scalars(select(Lease.ends_on).where(Lease.mall_id == mall_id, Lease.dealer_id == dealer_id)).all()
    last = max((end or date.max for end in ends), default=date.max)
    return last if last <= month.last_day else None


def charge_lines(session: Session, mall_id: int, dealer_id: int, month: Month) -> tuple[ChargeLine, ...]:
    return tuple(
        ChargeLine(charge.kind, _charge_label(charge, month), charge.working, -charge.amount_cents)
        for charge in charges_of(session, mall_id, month, dealer_id=dealer_id)
    )


def build_value(
    session: Session,
    mall: Mall,
    dealer: Dealer,
    month: Month,
    *,
    made_on: date,
    pay_how: str = "",
    held: Sequence[str] = (),
    turns: Sequence[TurnLine] = (),
    middle: Middle | None = None,
    to_come: Sequence[ChargeLine] | None = None,
) -> StatementValue:
    """A dealer's month from the books. Raises StatementError when its lines do not add up to the ledger.

    How her payout goes, why it is held, and her turns are handed in: none of them is part of the balance. So may the mall's
    median be (`middle`) and her next month's rent (`to_come`), by who builds many.
    """
    coop = session.get_one(Cooperative, 1)
    stated = lines_of_dealer(session, mall.id, dealer.id, month)
    credited = (TicketLine.dealer_id == dealer.id, credited_between(mall.id, month.first_day, month.last_day))
    paid = paid_by_tickets(session, select(TicketLine.ticket_id).where(*credited)) if stated else {}
    sales = tuple(sale_line(s, paid) for s in stated if s.ticket.kind == "sale")
    returns = tuple(sale_line(s, paid) for s in stated if s.ticket.kind == "return")
    left_on = _left_on(session, mall.id, dealer.id, month)
    gross = sum(line.tag_cents for line in sales)
    discounts = sum(line.discount_cents for line in sales)
    given_back = -sum(line.price_cents for line in returns)
    before_sale, sold = taxed_before_sale(session, mall, month)
    taxes = tax_of_dealer(session, mall.id, month, dealer.id, other_sales=before_sale, also_sold=sold)
    spans = held_in(session, mall.id, month, dealer.id)
    spaces = [_space_line(span, percent, left_on, month) for span, percent in spans]
    opening = dealer_balances_before(session, mall.id, month.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    closing = dealer_balances_before(session, mall.id, month.next.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    value = StatementValue(
        number=statement_number(mall, dealer, month),
        coop_name=coop.name,
        mall_code=mall.code,
        mall_name=mall.name,
        mall_address=mall.address,
        dealer_code=dealer.code,
        dealer_name=dealer.member.name,
        trade_name=dealer.trade_name,
        dealer_address=dealer.member.address,
        first_day=month.first_day,
        last_day=month.last_day,
        made_on=made_on,
        spaces=tuple(spaces),
        paper=coop.paper,
        opening_cents=opening,
        sales=sales,
        returns=returns,
        gross_cents=gross,
        discounts_cents=discounts,
        returns_cents=given_back,
        net_cents=gross - discounts - given_back,
        charges=charge_lines(session, mall.id, dealer.id, month),
        payments=payment_lines(session, mall.id, dealer.id, month, stated),
        closing_cents=closing,
        deposit_cents=held_of_dealer(session, mall.id, dealer.id, before=month.next.first_day),
        pay_on=None,
        tax_collected=tuple(
            TaxLine(t.jurisdiction, t.taxable_cents, t.amount_cents, format_decimal(t.percent)) for t in taxes if not t.theirs
        ),
        tax_owed=tuple(
            OwedTaxLine(
                t.jurisdiction,
                format_decimal(t.percent),
                t.taxable_cents,
                t.amount_cents,
                t.office,
                t.period.name if t.period else "",
                t.due_on,
            )
            for t in taxes
            if t.theirs
        ),
        layaways=pending_layaways(session, mall.id, dealer.id, month),
        next_rent=next_rent(session, mall, dealer.id, month) if to_come is None else tuple(to_come),
        next_rent_netted=rules_on(session, month.last_day).next_rent == "netted",
        turns=tuple(turns),
        elsewhere=other_malls(session, mall.id, dealer.id),
        left_on=left_on,
        late_after=late_after(session, mall.id, dealer.id, month) if closing < 0 else None,
        books_from=books_begun(session, month),
    )
    value = _with_figures(session, mall, dealer, month, value, middle, _area_working(spans, left_on, month))
    if closing > value.kept_for_rent_cents:
        # Held only where there is something to hold.
        is_held = bool(held)
        value = dataclasses.replace(
            value,
            pay_on=None if is_held else payout_date(month, coop.payout_day, made_on),
            pay_how="" if is_held else pay_how,
            held=tuple(held),
        )
    prove(value)
    return value


def _with_figures(
    session: Session, mall: Mall, dealer: Dealer, month: Month, value: StatementValue, middle: Middle | None, working: str
) -> StatementValue:
    """The value with what is worked out of its own lines and the year's."""
    of_month = value.month_figures | value.foot_figures
    net, rent = value.net_cents, -of_month["rent"]
    return dataclasses.replace(
        value,
        year=year_figures(
            session, mall.id, dealer.id, month, of_month, opening_cents=value.opening_cents, books_from=value.books_from
        ),
        floor=floor_figures(session, mall.id, dealer.id, month, net_cents=net, rent_cents=rent, middle=middle, working=working),
    )
