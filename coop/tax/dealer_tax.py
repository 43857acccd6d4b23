"""Tax on one dealer's sales, told apart by who files it: what her statement says of tax."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.tax.domain.returns import FilingPeriod
from coop.tax.models import TaxCharged, TaxRate
from coop.tax.offices import Settings, period_at
from coop.tax.queries import KINDS

TO_DEALER = "tax to dealer"
"""Kind of the entries that pass tax to a dealer's account."""


@dataclass(frozen=True)
class DealerTaxLine:
    """Tax on a dealer's sales of a month for one jurisdiction at one rate, in cents."""

    jurisdiction: str
    percent: Decimal
    taxable_cents: int
    amount_cents: int
    theirs: bool
    """The dealer's own to file; else the co-op's."""
    office: str
    """Whose return it belongs to when it is hers, by the setting of the day of sale; with its period and the day it is due."""
    period: FilingPeriod | None
    due_on: date | None


def charged_to(
    mall_id: int, month: Month, dealer_id: int, other_sales: Collection[str] = (), also_sold: Collection[str] = ()
) -> ColumnElement[bool]:
    """Rows of tax that are a dealer's of a month, by the tickets' keys as `tax_of_dealer` takes them."""
    posted = TaxCharged.posting_date.between(month.first_day, month.last_day) & TaxCharged.ticket_key.not_in(other_sales)
    return and_(
        TaxCharged.mall_id == mall_id, TaxCharged.dealer_id == dealer_id, or_(posted, TaxCharged.ticket_key.in_(also_sold))
    )


def tax_of_dealer(
    session: Session,
    mall_id: int,
    month: Month,
    dealer_id: int,
    *,
    other_sales: Collection[str] = (),
    also_sold: Collection[str] = (),
) -> list[DealerTaxLine]:
    """Tax on a dealer's sales posted in a month by jurisdiction and rate, the state first. Three queries.

    By ticket key: `other_sales` are left out, though tax of theirs was posted in the month; of `also_sold` every row counts,
    whenever it was posted. Both are for what is taxed before it is sold.
    """
    settings = Settings(session)
    percents = dict(session.execute(select(TaxRate.id, TaxRate.percent)).all())
    sums: dict[tuple[int, Decimal, bool, str, FilingPeriod | None], list[int]] = defaultdict(lambda: [0, 0])
    by = (TaxCharged.jurisdiction_id, TaxCharged.rate_id, TaxCharged.sold_on, TaxCharged.posting_date)
    rows = session.execute(
        select(*by, func.sum(TaxCharged.taxable_cents), func.sum(TaxCharged.amount_cents))
        .where(charged_to(mall_id, month, dealer_id, other_sales, also_sold))
        .group_by(*by)
    )
    for key, rate_id, sold_on, posted_on, taxable, amount in rows:
        day = sold_on or posted_on
        setting = settings.of(key, mall_id, day)
        theirs = setting is not None and setting.owed_by == "dealer"
        office = setting.office if setting is not None and theirs else ""
        cell = sums[key, percents[rate_id], theirs, office, period_at(settings, office, day) if office else None]
        cell[0] += int(taxable)
        cell[1] += int(amount)
    found = []
    for (key, percent, theirs, office, period), (taxable, amount) in sums.items():
        terms = settings.terms(office, period.last_day) if period else None
        due_on = terms.due_on(period) if terms and period else None
        jurisdiction = settings.jurisdictions[key]
        line = DealerTaxLine(jurisdiction.name, percent, taxable, amount, theirs, office, period, due_on)
        found.append((list(KINDS).index(jurisdiction.kind), jurisdiction.name, due_on or date.min, percent, line))
    lines = [row[4] for row in sorted(found, key=lambda row: row[:4])]
    return [line for line in lines if line.taxable_cents or line.amount_cents]
