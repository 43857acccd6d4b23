"""A mall's dated place: found by its ZIP code or chosen by hand, shown, and confirmed by a person."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.floor.models import Mall
from coop.tax.domain.rules import GENERAL, Stack, combined_percent, rate_in_force
from coop.tax.models import Jurisdiction, TaxCharged, TaxPlace
from coop.tax.queries import KINDS, compiled, rules_of
from coop.tax.service import set_place


def split_zip(text: str) -> tuple[str, str | None]:
    """A ZIP code and its +4: `55401`, `55401-0123`, `554010123`. Refuses what is neither."""
    found = re.fullmatch(r"([0-9]{5})(?:[- ]?([0-9]{4}))?", text.strip())
    if found is None:
        raise Refusal(f"ZIP {text!r}: a ZIP code is five digits, such as 55401, or nine, such as 55401-0123.")
    return found[1], found[2]


@dataclass(frozen=True)
class ShownStack:
    """Jurisdictions with their general percents on a day (None: no rate that day), and what they come to together."""

    rows: tuple[tuple[Jurisdiction, Decimal | None], ...]
    combined_percent: Decimal


def show_stack(session: Session, jurisdictions: Sequence[Jurisdiction], on: date) -> ShownStack:
    """What a stack would tax at on a day. Refuses rules that contradict each other."""
    stack = Stack(rules_of(session, jurisdictions, on))
    compiled(stack, on)
    rates = [rate_in_force(rules, GENERAL, on) for rules in stack.jurisdictions]
    rows = tuple((one, rate.percent if rate else None) for one, rate in zip(jurisdictions, rates, strict=True))
    return ShownStack(rows, combined_percent(stack, on, GENERAL))


def jurisdictions_called(session: Session, codes: Sequence[str]) -> list[Jurisdiction]:
    """The jurisdictions of these codes: the state first, then county, city and districts. Refuses a code there is not."""
    found = {one.code: one for one in session.scalars(select(Jurisdiction).where(Jurisdiction.code.in_(codes)))}
    for code in codes:
        if code not in found:
            raise Refusal(f"There is no jurisdiction {code}: look for it by its name.")
    order = list(KINDS)
    return sorted(found.values(), key=lambda one: (order.index(one.kind), codes.index(one.code)))


def confirm_place(
    session: Session,
    now: datetime,
    mall: Mall,
    jurisdictions: Sequence[Jurisdiction],
    *,
    starts_on: date,
    basis: str = "ticket",
    aggregated: bool = True,
    by: int | None = None,
) -> TaxPlace:
    """What taxes a mall from a day on, as a person confirms it; the place before ends the day before, and is kept.

    Refuses a day from which tickets there were taxed already, a place from the same day, and two states at once.
    """
    session.scalar(select(Mall.id).where(Mall.id == mall.id).with_for_update())
    states = [one.name for one in jurisdictions if one.kind == "state"]
    if len(states) > 1:
        raise Refusal(f"{' and '.join(states)} cannot both tax one place: leave one out.")
    last = _last_taxed(session, mall.id, starts_on, None)
    if last is not None:
        raise Refusal(f"Tickets of {mall.name} were taxed up to {last}, and stay as they were: choose a day after that.")
    show_stack(session, jurisdictions, starts_on)
    place = set_place(session, mall.id, jurisdictions, starts_on=starts_on, basis=basis, aggregated=aggregated)
    codes = ", ".join(one.code for one in jurisdictions)
    audit.record(session, now, "tax place confirmed", "tax place", place_name(mall, starts_on), user_id=by, detail=codes)
    session.flush()
    return place


def withdraw_place(session: Session, now: datetime, mall: Mall, place: TaxPlace, *, by: int | None = None) -> None:
    """Take a place back; the one before it goes on. Refuses one that tickets were taxed at."""
    session.scalar(select(Mall.id).where(Mall.id == mall.id).with_for_update())
    later = select(func.min(TaxPlace.starts_on)).where(TaxPlace.mall_id == mall.id, TaxPlace.starts_on > place.starts_on)
    last = _last_taxed(session, mall.id, place.starts_on, session.scalar(later))
    if last is not None:
        raise Refusal(f"Tickets were taxed at this place up to {last}: it stays. Confirm another from a day after that.")
    session.delete(place)
    audit.record(session, now, "tax place taken back", "tax place", place_name(mall, place.starts_on), user_id=by)
    session.flush()


def place_name(mall: Mall, starts_on: date) -> str:
    """`MAIN 2026-12-01`: how the log names a place."""
    return f"{mall.code} {starts_on}"


def _last_taxed(session: Session, mall_id: int, since: date, before: date | None) -> date | None:
    """The last day from `since` on (and before another) of which a ticket at the mall was taxed."""
    day = func.coalesce(TaxCharged.sold_on, TaxCharged.posting_date)
    found = select(func.max(day)).where(TaxCharged.mall_id == mall_id, day >= since)
    return session.scalar(found if before is None else found.where(day < before))
