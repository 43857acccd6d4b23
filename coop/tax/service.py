"""Setting up what taxes a mall."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.books.service import ensure_account
from coop.core.errors import Refusal
from coop.tax.models import Jurisdiction, TaxPlace, TaxPlaceJurisdiction, TaxRate


def add_jurisdiction(session: Session, *, code: str, name: str, kind: str) -> Jurisdiction:
    """A taxing body and its account in the books. Refuses a code that an account could not carry."""
    if not re.fullmatch(r"[A-Z0-9][A-Z0-9-]{0,39}", code):
        raise Refusal(f"Jurisdiction code {code!r}: use capitals, digits and hyphens, such as STATE-EL.")
    jurisdiction = Jurisdiction(
        code=code, name=name, kind=kind, account_id=ensure_account(session, f"Liabilities:Tax:{code}", "tax")
    )
    session.add(jurisdiction)
    session.flush()
    return jurisdiction


def set_rate(
    session: Session,
    jurisdiction: Jurisdiction,
    percent: Decimal,
    *,
    starts_on: date,
    ends_on: date | None = None,
    tax_class: str = "general",
) -> TaxRate:
    """A dated rate. Refuses dates that run backwards, a negative rate, and (by the database) one that overlaps another."""
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The rate of {jurisdiction.name} ends on {ends_on}, before it starts on {starts_on}.")
    if percent < 0:
        raise Refusal(f"The rate of {jurisdiction.name} is {percent} percent: it cannot be negative.")
    rate = TaxRate(jurisdiction_id=jurisdiction.id, tax_class=tax_class, percent=percent, starts_on=starts_on, ends_on=ends_on)
    session.add(rate)
    session.flush()
    return rate


def set_place(
    session: Session,
    mall_id: int,
    jurisdictions: Sequence[Jurisdiction],
    *,
    starts_on: date,
    basis: str = "ticket",
    aggregated: bool = True,
) -> TaxPlace:
    """The stack that taxes a mall from a date, in its order, and how tax is rounded there."""
    place = TaxPlace(mall_id=mall_id, starts_on=starts_on, basis=basis, aggregated=aggregated)
    session.add(place)
    session.flush()
    session.add_all(
        TaxPlaceJurisdiction(place_id=place.id, jurisdiction_id=j.id, position=n) for n, j in enumerate(jurisdictions)
    )
    session.flush()
    return place
