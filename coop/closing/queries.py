"""Reads of a month: what each dealer's came to."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.books.queries import dealer_balances_before, dealer_movements
from coop.closing.models import MonthClose
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.queries import charges_of, leases_in
from coop.leases.service import INCOME
from coop.sales.queries import DealerSales, month_sales
from coop.tax.queries import collected_for_dealers

RENT_KINDS = ("rent", "case", "shelf", "wall")
SALE_KINDS = ("sale", "return")


@dataclass(frozen=True)
class DealerMonth:
    """One dealer's month at a mall, in cents.

    closing = opening + net - commission - rent - fees - paid. Returns, discounts and charges are positive when they take
    something off; `paid` is what went to the dealer, less what the dealer paid in; opening and closing are positive when owed to
    the dealer. Tax collected is for information: it is the state's, not the dealer's.
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
    paid: int
    closing: int


def period_of(session: Session, mall_id: int, month: Month) -> Period | None:
    return session.scalar(select(Period).where(Period.mall_id == mall_id, Period.first_day == month.first_day))


def close_of(session: Session, mall_id: int, month: Month) -> MonthClose | None:
    return session.scalar(select(MonthClose).where(MonthClose.mall_id == mall_id, MonthClose.first_day == month.first_day))


def dealer_rows(session: Session, mall_id: int, month: Month) -> list[DealerMonth]:
    """Every dealer who has a lease, a sale, a charge, a payment or a balance in the month, by code.

    For a month that is open, what has been posted so far. The number of queries does not grow with the dealers.
    """
    period = period_of(session, mall_id, month)
    sales = month_sales(session, mall_id, month)
    opening = dealer_balances_before(session, mall_id, month.first_day)
    movements = dealer_movements(session, period.id) if period else {}
    charged: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for charge in charges_of(session, mall_id, month):
        group = "commission" if charge.kind == "commission" else "rent" if charge.kind in RENT_KINDS else "fees"
        charged[charge.dealer_id][group] += charge.amount_cents
    paid: dict[int, int] = defaultdict(int)
    moved: dict[int, int] = defaultdict(int)
    for (dealer_id, kind), amount in movements.items():
        moved[dealer_id] += amount
        if kind not in SALE_KINDS and kind not in INCOME:
            paid[dealer_id] -= amount
    tax: dict[int, int] = defaultdict(int)
    for row in collected_for_dealers(session, mall_id, month):
        tax[row.dealer_id] += row.amount_cents
    ids = {d for d in sales if d is not None} | set(moved) | set(charged)
    ids |= {d for d, balance in opening.items() if balance} | {lease.dealer_id for lease in leases_in(session, mall_id, month)}
    dealers = session.scalars(select(Dealer).where(Dealer.id.in_(ids)).order_by(Dealer.code)).all()
    nothing = DealerSales(0, 0, 0)
    rows = []
    for dealer in dealers:
        sold = sales.get(dealer.id, nothing)
        rows.append(
            DealerMonth(
                dealer_id=dealer.id,
                dealer=dealer.code,
                name=dealer.trade_name or dealer.member.name,
                gross=sold.gross_cents,
                returns=sold.returns_cents,
                discounts=sold.discounts_cents,
                net=sold.net_cents,
                commission=charged[dealer.id]["commission"],
                rent=charged[dealer.id]["rent"],
                fees=charged[dealer.id]["fees"],
                tax_collected=tax[dealer.id],
                opening=opening.get(dealer.id, 0),
                paid=paid[dealer.id],
                closing=opening.get(dealer.id, 0) + moved[dealer.id],
            )
        )
    return rows


def months_of(session: Session, mall: Mall) -> list[Period]:
    """A mall's months that have begun in the books, newest first."""
    return list(session.scalars(select(Period).where(Period.mall_id == mall.id).order_by(Period.first_day.desc())))
