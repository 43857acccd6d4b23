"""Days on which tickets were taxed: nothing that begins on one may change their tax, for the month-end taxes them again.

Who sets rates and rules by hand (`editing`) and who takes them from a file (`rates`) hold them to the same days.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.tax.domain.rules import Span
from coop.tax.models import Jurisdiction, TaxCharged, TaxPlace, TaxPlaceJurisdiction, TaxUntaxed


def last_ticket(session: Session, jurisdiction_id: int, during: Span) -> date | None:
    """The latest business date, within days, of a ticket that the jurisdiction taxed or left untaxed."""
    whose = TaxCharged.jurisdiction_id == jurisdiction_id, TaxUntaxed.jurisdiction_id == jurisdiction_id
    return _last(session, *whose, during)


def _last(session: Session, charged: ColumnElement[bool], untaxed: ColumnElement[bool], during: Span) -> date | None:
    """The latest business date within days of rows of tax."""
    found = []
    for which, sold_on in (
        (charged, func.coalesce(TaxCharged.sold_on, TaxCharged.posting_date)),
        (untaxed, TaxUntaxed.sold_on),
    ):
        query = select(func.max(sold_on)).where(which, sold_on >= during.starts_on)
        found.append(session.scalar(query if during.ends_on is None else query.where(sold_on <= during.ends_on)))
    return max((one for one in found if one is not None), default=None)


def last_ticket_there(session: Session, jurisdiction_id: int, during: Span) -> date | None:
    """As `last_ticket`, and of a ticket taxed where the jurisdiction's place was: without a rate it left nothing on it."""
    found = [last_ticket(session, jurisdiction_id, during)]
    for mall_id, held in _places(session, jurisdiction_id):
        both = _meet(held, during)
        if both is not None:
            found.append(_last(session, TaxCharged.mall_id == mall_id, TaxUntaxed.mall_id == mall_id, both))
    return max((one for one in found if one is not None), default=None)


def _places(session: Session, jurisdiction_id: int) -> Iterator[tuple[int, Span]]:
    """The malls that a jurisdiction taxes, and the days on which."""
    its = select(TaxPlaceJurisdiction.place_id).where(TaxPlaceJurisdiction.jurisdiction_id == jurisdiction_id)
    taxing = set(session.scalars(its))
    malls = select(TaxPlace.mall_id).where(TaxPlace.id.in_(taxing))
    places = session.execute(
        select(TaxPlace.id, TaxPlace.mall_id, TaxPlace.starts_on)
        .where(TaxPlace.mall_id.in_(malls))
        .order_by(TaxPlace.mall_id, TaxPlace.starts_on)
    ).all()
    for (place_id, mall_id, since), after in zip(places, [*places[1:], None], strict=False):
        if place_id in taxing:
            follows = after is not None and after.mall_id == mall_id
            yield mall_id, Span(since, after.starts_on - timedelta(days=1) if after is not None and follows else None)


def _meet(one: Span, other: Span) -> Span | None:
    starts_on = max(one.starts_on, other.starts_on)
    ends_on = min(one.ends_on or date.max, other.ends_on or date.max)
    return None if ends_on < starts_on else Span(starts_on, None if ends_on == date.max else ends_on)


def days_left(during: Span, held: Iterable[Span]) -> list[Span]:
    """The days of a span that no other has, in their order."""
    left = []
    begin, end = during.starts_on, during.ends_on or date.max
    for other in sorted(held, key=lambda span: span.starts_on):
        if begin > end or other.starts_on > end:
            break
        if other.starts_on > begin:
            left.append(Span(begin, other.starts_on - timedelta(days=1)))
        if other.ends_on is None:
            return left
        begin = max(begin, other.ends_on + timedelta(days=1))
    return [*left, Span(begin, during.ends_on)] if begin <= end else left


def refuse_taxed_days(session: Session, jurisdiction: Jurisdiction, during: Span, what: str) -> None:
    """Refuse days on which tickets were taxed without this rate or rule, and say the first that is free."""
    last = (last_ticket_there if what == "rate" else last_ticket)(session, jurisdiction.id, during)
    if last is not None:
        free = last + timedelta(days=1)
        raise Refusal(f"A ticket of {last} was taxed without this {what} and keeps its tax: begin on {free} or later.")
