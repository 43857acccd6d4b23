"""House rules of leases, dated prices, terms of a lease and index values: set, refused in a sentence, and looked up by day."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict, dataclass, field, fields
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import format_dollars, parse_decimal
from coop.core.periods import Month
from coop.core.templating import day
from coop.floor.models import Mall
from coop.leases.domain import TermsError, plain, plain_percent
from coop.leases.domain.late import LateRule
from coop.leases.domain.proration import METHODS
from coop.leases.domain.waiting import RULES, in_order
from coop.leases.models import Lease, LeaseRule, LeaseSpace, LeaseTerm, PriceIndex, RentRate
from coop.leases.terms import read_term
from coop.leases.wording import UNITS

CHECKLIST = ("Space cleared and swept", "Walls and fixtures as they were", "Keys given back", "Tags of unsold items taken down")
_PLACES = 6
"""Decimals a rate keeps."""


@dataclass(frozen=True)
class HouseRules:
    """A mall's rules of leases on a day. Where none are set: as is usual (common practice, no source), with no late fee."""

    starts_on: date = date.min
    rent_posts: str = "arrears"
    proration: str = "actual"
    notice_days: int = 30
    notice_to_month_end: bool = True
    increase_days: int = 30
    renewal_days: int = 60
    offer_days: int = 7
    deposit_months: Decimal = Decimal(1)
    late_after_day: int = 10
    late_how: str = "none"
    late_flat_cents: int = 0
    late_percent: Decimal = Decimal(0)
    waiting_order: tuple[str, ...] = RULES
    checklist: tuple[str, ...] = field(default=CHECKLIST)
    clauses: str = ""

    @property
    def in_advance(self) -> bool:
        """Rent posts on the month's first day, else on its last."""
        return self.rent_posts == "advance"

    @property
    def late_rule(self) -> LateRule | None:
        """What a late payment costs; None when nothing."""
        if self.late_how == "none":
            return None
        return LateRule(
            self.late_after_day,
            self.late_flat_cents if self.late_how in ("flat", "greater") else None,
            self.late_percent if self.late_how in ("percent", "greater") else None,
        )


def rules_on(session: Session, mall_id: int, day: date) -> HouseRules:
    """The rules of a mall in force on a day."""
    row = session.scalar(
        select(LeaseRule)
        .where(LeaseRule.mall_id == mall_id, LeaseRule.starts_on <= day)
        .order_by(LeaseRule.starts_on.desc())
        .limit(1)
    )
    if row is None:
        return HouseRules()
    said = {f.name: getattr(row, f.name) for f in fields(HouseRules)}
    return HouseRules(**said | {"waiting_order": tuple(row.waiting_order), "checklist": tuple(row.checklist)})


def set_rules(session: Session, mall: Mall, starts_on: date, **changes: Any) -> LeaseRule:
    """The house rules of a mall from a day on: those in force before with some changed (names of HouseRules' fields).

    Rent goes by the rules of its month's first day. Refuses, naming the field, what cannot be meant, and two sets for one day.
    """
    if session.scalar(select(LeaseRule.id).where(LeaseRule.mall_id == mall.id, LeaseRule.starts_on == starts_on)) is not None:
        raise Refusal(f"{mall.name} has house rules from {day(starts_on)} already: choose another day.")
    rules = HouseRules(**asdict(rules_on(session, mall.id, starts_on)) | changes | {"starts_on": starts_on})
    require_rules(rules)
    values = asdict(rules) | {"waiting_order": list(rules.waiting_order), "checklist": list(rules.checklist)}
    row = LeaseRule(mall_id=mall.id, **values)
    session.add(row)
    session.flush()
    return row


def require_rules(rules: HouseRules) -> None:
    """Raises Refusal, naming the field, for rules that cannot be meant."""
    for value, known, what in (
        (rules.rent_posts, ("advance", "arrears"), "When rent posts"),
        (rules.proration, METHODS, "The proration"),
        (rules.late_how, ("none", "flat", "percent", "greater"), "The late fee's kind"),
    ):
        if value not in known:
            raise Refusal(f"{what} is {value!r}: choose one of {', '.join(known)}.")
    for days, what in (
        (rules.notice_days, "days of notice"),
        (rules.increase_days, "days before an increase"),
        (rules.renewal_days, "days before a renewal"),
    ):
        if not 0 <= days <= 366:
            raise Refusal(f"The {what} are {days}: write 0 to 366.")
    if not 1 <= rules.offer_days <= 90:
        raise Refusal(f"The days an offer stands are {rules.offer_days}: write 1 to 90.")
    if not 0 <= rules.deposit_months <= 12:
        raise Refusal(f"The deposit is {plain_percent(rules.deposit_months)} months' rent: write 0 to 12.")
    if not 1 <= rules.late_after_day <= 28:
        raise Refusal(f"Rent is late after day {rules.late_after_day}: choose a day of the month from 1 to 28, such as 10.")
    if rules.late_flat_cents < 0:
        raise Refusal(f"The late fee is {format_dollars(rules.late_flat_cents)}: it cannot be negative.")
    if not 0 <= rules.late_percent <= 100:
        raise Refusal(f"The late fee's percent is {plain_percent(rules.late_percent)}: write one between 0 and 100.")
    if rules.late_how in ("flat", "greater") and not rules.late_flat_cents:
        raise Refusal("The late fee's dollars are 0: write how much, or choose another kind.")
    if rules.late_how in ("percent", "greater") and not rules.late_percent:
        raise Refusal("The late fee's percent is 0: write how much, or choose another kind.")
    _require_places(rules.late_percent, "The late fee's percent")
    _require_places(rules.deposit_months, "The deposit's months")
    try:
        in_order((), rules.waiting_order)
    except TermsError as error:
        raise Refusal(str(error)) from error
    if any(not line.strip() for line in rules.checklist):
        raise Refusal("The list for moving out has an empty line: take it out.")
    longest = max((len(line) for line in rules.checklist), default=0)
    if longest > 120:
        raise Refusal(f"A line of the list for moving out has {longest} letters: 120 is the most.")


# --- prices -------------------------------------------------------------------------------------------------------------


def set_rate(session: Session, mall: Mall, zone: str, price: Decimal, *, per: str, starts_on: date) -> RentRate:
    """The price of a zone from a date. Refuses a negative one, one without a zone, and a second one for the same day."""
    zone = zone.strip()
    if not zone:
        raise Refusal("The rate's zone is empty: name the zone it is for, such as front.")
    if len(zone) > 20:
        raise Refusal(f"The zone {zone} has {len(zone)} letters: 20 is the most.")
    _require_price(price, per, f"rate of zone {zone}")
    taken = select(RentRate.id).where(RentRate.mall_id == mall.id, RentRate.zone == zone, RentRate.starts_on == starts_on)
    if session.scalar(taken) is not None:
        raise Refusal(f"Zone {zone} has a rate from {day(starts_on)} already: choose another day.")
    rate = RentRate(mall_id=mall.id, zone=zone, per=per, price=price, starts_on=starts_on)
    session.add(rate)
    session.flush()
    return rate


def agree_price(session: Session, held: LeaseSpace, price: Decimal | None, *, per: str = "sqft") -> None:
    """A price for this held space alone, or (None) the zone's dated rate again. A change within a lease is a span of its own."""
    if price is None:
        held.agreed_per = held.agreed_price = None
    else:
        name = f"price agreed for {held.space.code}"
        _require_price(price, per, name)
        if per == "foot" and not held.leased_length_in16:
            raise Refusal(f"The {name} is by the foot, but its length is not known: measure it, or agree a flat price.")
        held.agreed_per, held.agreed_price = per, price
    session.flush()


def _require_price(price: Decimal, per: str, what: str) -> None:
    if per not in UNITS:
        ways = ", ".join(f"{unit} ({words})" for unit, words in UNITS.items())
        raise Refusal(f"The {what} is per {per}: use {ways}.")
    if price < 0:
        raise Refusal(f"The {what} is {price}: it cannot be negative.")
    if price > 1_000_000:
        raise Refusal(f"The {what} is {plain(price)}: it is dollars a month, at most 1,000,000.")
    _require_places(price, f"The {what}")


def _require_places(value: Decimal, what: str) -> None:
    if value != round(value, _PLACES):
        raise Refusal(f"{what} is {value}: it has at most six decimals.")


# --- terms of a lease ---------------------------------------------------------------------------------------------------


def add_term(
    session: Session,
    lease: Lease,
    kind: str,
    terms: dict[str, Any],
    *,
    starts_on: date | None = None,
    ends_on: date | None = None,
) -> LeaseTerm:
    """A term of a lease from a day (its first, if none is given) to another. Its keys are those of coop.leases.terms.

    Refuses what the strict reader refuses, days that run backwards or begin before the lease, and a second term in those days of
    a kind of which only one can hold.
    """
    starts_on = starts_on or lease.starts_on
    if starts_on < lease.starts_on:
        raise Refusal(
            f"The term begins on {day(starts_on)}, before the lease does on {day(lease.starts_on)}: choose a later day."
        )
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The term ends on {day(ends_on)}, before it starts on {day(starts_on)}: turn the dates round.")
    try:
        read_term(kind, terms, starts_on, ends_on)
    except ValueError as error:
        raise Refusal(str(error)) from error
    for other in lease.terms:
        overlaps = other.starts_on <= (ends_on or date.max) and (other.ends_on or date.max) >= starts_on
        if kind != "discount" and other.kind == kind and overlaps:
            raise Refusal(
                f"The lease has a term of the kind {kind} from {day(other.starts_on)} already: end that one the day before."
            )
    term = LeaseTerm(lease_id=lease.id, kind=kind, starts_on=starts_on, ends_on=ends_on, terms=terms)
    lease.terms.append(term)
    session.flush()
    return term


# --- price index --------------------------------------------------------------------------------------------------------

INDEX_HEADING = ["series", "month", "value"]


def set_index(session: Session, series: str, month: Month, value: Decimal) -> PriceIndex:
    """The published value of an index for a month. Refuses a second value: rent was, or may be, charged by the first."""
    series = series.strip()
    if not series:
        raise Refusal("The index's series is empty: name it, such as CPI-U.")
    if len(series) > 40:
        raise Refusal(f"The series {series} has {len(series)} letters: 40 is the most.")
    if not 0 < value < 1_000_000:
        raise Refusal(f"The value of {series} for {month.name} is {value}: write it as published, such as 322.561.")
    _require_places(value, f"The value of {series} for {month.name}")
    there = session.scalar(select(PriceIndex).where(PriceIndex.series == series, PriceIndex.first_day == month.first_day))
    if there is not None:
        if there.value == value:
            return there
        raise Refusal(f"{series} for {month.name} is {plain_percent(there.value)} already, so it cannot become {value}.")
    index = PriceIndex(series=series, first_day=month.first_day, value=value)
    session.add(index)
    session.flush()
    return index


def import_index(session: Session, text: str) -> int:
    """Values of a price index as CSV with the heading `series,month,value`; how many were new.

    All or nothing: every bad row is refused by its row, field and reason in one Refusal.
    """
    rows = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    heading = [cell.strip().lower() for cell in next(rows, [])]
    if heading != INDEX_HEADING:
        raise Refusal(f"The file's first row is {','.join(heading) or 'empty'}: it must be {','.join(INDEX_HEADING)}.")
    faults, good = [], []
    seen: dict[tuple[str, Month], int] = {}
    known = {(index.series, index.first_day): index.value for index in session.scalars(select(PriceIndex))}
    for row, cells in enumerate(rows, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        try:
            series, month, value = _index_row(cells)
            if (series, month) in seen:
                raise ValueError(f"month: {month} of {series} stands in row {seen[series, month]} already; leave one")
            seen[series, month] = row
            there = known.get((series, month.first_day))
            if there not in (None, value):
                raise ValueError(f"value: {series} for {month} is {plain_percent(there or 0)} already; it stays as published")
        except ValueError as error:
            faults.append(f"Row {row}, {error}.")
            continue
        if there is None:
            good.append((series, month, value))
    if faults:
        raise Refusal(" ".join([*faults[:20], *([f"And {len(faults) - 20} more."] if faults[20:] else ())]))
    for series, month, value in good:
        session.add(PriceIndex(series=series, first_day=month.first_day, value=value))
    session.flush()
    return len(good)


def _index_row(cells: list[str]) -> tuple[str, Month, Decimal]:
    """Raises ValueError with `field: reason`."""
    if len(cells) != len(INDEX_HEADING):
        raise ValueError(f"the whole: it has {len(cells)} cells; it must have {len(INDEX_HEADING)}")
    series, month_text, value_text = (cell.strip() for cell in cells)
    if not 0 < len(series) <= 40:
        raise ValueError("series: it is empty or too long; name the index, such as CPI-U")
    try:
        month = Month.parse(month_text)
    except ValueError as error:
        raise ValueError(f"month: {month_text!r} {error}") from None
    try:
        value = parse_decimal(value_text)
        if not 0 < value < 1_000_000 or value != round(value, _PLACES):
            raise ValueError("is not above zero with at most six decimals")
    except ValueError:
        raise ValueError(f"value: {value_text!r} is no index value; write it as published, such as 322.561") from None
    return series, month, value
