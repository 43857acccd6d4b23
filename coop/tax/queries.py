"""Reads of rates and of tax charged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.tax.domain import StackRate
from coop.tax.models import Jurisdiction, TaxCharged, TaxPlace, TaxRate


@dataclass(frozen=True)
class StackInForce:
    """What taxes a mall on a day: the rates by tax class, and how they are rounded."""

    basis: str
    aggregated: bool
    by_class: dict[str, tuple[StackRate, ...]]

    def rates(self, tax_class: str) -> tuple[StackRate, ...]:
        return self.by_class.get(tax_class, ())


def stack_in_force(session: Session, mall_id: int, on: date) -> StackInForce:
    """The mall's stack on a date. Refuses when the mall has none: it would sell untaxed without saying so."""
    place = session.scalar(
        select(TaxPlace).where(TaxPlace.mall_id == mall_id, TaxPlace.starts_on <= on).order_by(TaxPlace.starts_on.desc()).limit(1)
    )
    if place is None:
        raise Refusal(f"The mall has no tax place on {on}: set the jurisdictions that tax there first.")
    order = {jurisdiction.id: n for n, jurisdiction in enumerate(place.jurisdictions)}
    rows = session.scalars(
        select(TaxRate).where(
            TaxRate.jurisdiction_id.in_(order),
            TaxRate.starts_on <= on,
            (TaxRate.ends_on.is_(None)) | (TaxRate.ends_on >= on),
        )
    ).all()
    by_class: dict[str, list[StackRate]] = {}
    for row in sorted(rows, key=lambda r: order[r.jurisdiction_id]):
        by_class.setdefault(row.tax_class, []).append(StackRate(row.jurisdiction_id, row.id, row.percent))
    return StackInForce(place.basis, place.aggregated, {k: tuple(v) for k, v in by_class.items()})


def charged_by_account(session: Session, mall_id: int, month: Month) -> dict[int, int]:
    """Tax charged by the tickets posted in a month: tax account id -> cents."""
    rows = session.execute(
        select(Jurisdiction.account_id, func.sum(TaxCharged.amount_cents))
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .where(
            TaxCharged.mall_id == mall_id,
            TaxCharged.posting_date >= month.first_day,
            TaxCharged.posting_date <= month.last_day,
        )
        .group_by(Jurisdiction.account_id)
    )
    return {account_id: int(amount) for account_id, amount in rows}


@dataclass(frozen=True)
class DealerTax:
    """Tax the mall collected on one dealer's sales for one jurisdiction, in cents."""

    dealer_id: int
    jurisdiction: str
    taxable_cents: int
    amount_cents: int


def collected_for_dealers(session: Session, mall_id: int, month: Month, *, dealer_id: int | None = None) -> list[DealerTax]:
    """Tax collected on dealers' sales in a month, by dealer and jurisdiction."""
    rows = (
        select(
            TaxCharged.dealer_id,
            Jurisdiction.name,
            func.sum(TaxCharged.taxable_cents),
            func.sum(TaxCharged.amount_cents),
        )
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .where(
            TaxCharged.mall_id == mall_id,
            TaxCharged.posting_date >= month.first_day,
            TaxCharged.posting_date <= month.last_day,
            TaxCharged.dealer_id.is_not(None) if dealer_id is None else TaxCharged.dealer_id == dealer_id,
        )
        .group_by(TaxCharged.dealer_id, Jurisdiction.id, Jurisdiction.name)
        .order_by(TaxCharged.dealer_id, Jurisdiction.id)
    )
    return [
        DealerTax(dealer, name, int(taxable), int(amount))
        for dealer, name, taxable, amount in session.execute(rows)
        if dealer is not None
    ]
