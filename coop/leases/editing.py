"""What is set for all leases and for one: prices, house rules, terms, index values; disputes. Each is written in the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day
from coop.floor.models import Mall
from coop.leases import rules, settling
from coop.leases.changing import zone_increase_refusal
from coop.leases.domain import plain
from coop.leases.holding import lock, require_open_day, today_at
from coop.leases.models import Charge, Dispute, Lease, LeaseRule, LeaseTerm, PriceIndex, RentRate


@dataclass(frozen=True)
class By:
    """Who does it, and in which request."""

    user_id: int
    request_id: str = ""


def _log(session: Session, now: datetime, by: By, action: str, kind: str, subject: object, detail: str) -> None:
    audit.record(session, now, action, kind, subject, user_id=by.user_id, request_id=by.request_id, detail=detail)


# --- prices -------------------------------------------------------------------------------------------------------------


def begin_rate(
    session: Session, now: datetime, by: By, mall: Mall, zone: str, price: Decimal, *, per: str, starts_on: date
) -> RentRate:
    """The price of a zone from a day on.

    Refuses, beside what `rules.set_rate` does, an increase that a lease must be told earlier of, and a day in a closed month.
    """
    require_open_day(session, mall.id, starts_on, f"The rate of zone {zone}")
    said = zone_increase_refusal(session, now, mall, zone.strip(), price, per=per, starts_on=starts_on)
    if said:
        raise Refusal(said)
    rate = rules.set_rate(session, mall, zone, price, per=per, starts_on=starts_on)
    detail = f"{rate.zone} {plain(price)} {per} from {starts_on}"
    _log(session, now, by, "rent rate set", "rent rate", rate.id, detail)
    return rate


def take_back_rate(session: Session, now: datetime, by: By, rate: RentRate) -> None:
    """Remove a rate that has not begun. Refuses one that has: rent is, or may be, charged at it."""
    if rate.starts_on <= today_at(session, now, rate.mall_id):
        raise Refusal(f"The rate of zone {rate.zone} holds since {day(rate.starts_on)}: set another from a later day on.")
    _log(session, now, by, "rent rate taken back", "rent rate", rate.id, f"{rate.zone} {plain(rate.price)} from {rate.starts_on}")
    session.delete(rate)
    session.flush()


# --- house rules --------------------------------------------------------------------------------------------------------


def change_rules(session: Session, now: datetime, by: By, mall: Mall, starts_on: date, **changes: Any) -> LeaseRule:
    """The house rules from a day on. Refuses a day in a closed month, and what `rules.set_rules` does."""
    require_open_day(session, mall.id, starts_on, "The house rules", many=True)
    row = rules.set_rules(session, mall, starts_on, **changes)
    _log(session, now, by, "house rules set", "lease rules", row.id, f"{mall.code} from {starts_on}")
    return row


def take_back_rules(session: Session, now: datetime, by: By, row: LeaseRule) -> None:
    """Remove house rules that have not begun."""
    if row.starts_on <= today_at(session, now, row.mall_id):
        raise Refusal(f"These rules hold since {day(row.starts_on)}: set others from a later day on.")
    _log(session, now, by, "house rules taken back", "lease rules", row.id, f"from {row.starts_on}")
    session.delete(row)
    session.flush()


# --- terms of a lease ---------------------------------------------------------------------------------------------------


def begin_term(
    session: Session,
    now: datetime,
    by: By,
    lease: Lease,
    kind: str,
    terms: dict[str, Any],
    *,
    starts_on: date,
    ends_on: date | None,
) -> LeaseTerm:
    """A term of a lease from a day on. Refuses a day in a closed month, a lease that is over, and what `rules.add_term` does."""
    lock(session, lease)
    if lease.settled_on is not None or lease.moved_out_on is not None:
        raise Refusal("The lease is over: nothing more is agreed under it.")
    require_open_day(session, lease.mall_id, starts_on, "The term")
    term = rules.add_term(session, lease, kind, terms, starts_on=starts_on, ends_on=ends_on)
    _log(session, now, by, "lease term set", "lease", lease.id, f"{kind} from {starts_on}")
    return term


def end_term(session: Session, now: datetime, by: By, term: LeaseTerm, ends_on: date) -> None:
    """End a term on a day. Refuses a day before it begins, and one that would change a closed month."""
    lease = session.get_one(Lease, term.lease_id)
    lock(session, lease, term)
    if ends_on < term.starts_on:
        raise Refusal(f"It begins on {day(term.starts_on)}: write that day or a later one.")
    require_open_day(session, lease.mall_id, ends_on, "The term's last day,")
    term.ends_on = ends_on
    session.flush()
    _log(session, now, by, "lease term ended", "lease", lease.id, f"{term.kind} of {term.starts_on} through {ends_on}")


def take_back_term(session: Session, now: datetime, by: By, term: LeaseTerm) -> None:
    """Remove a term that has not begun."""
    lease = session.get_one(Lease, term.lease_id)
    lock(session, lease, term)
    if term.starts_on <= today_at(session, now, lease.mall_id):
        raise Refusal(f"It holds since {day(term.starts_on)}: end it instead.")
    _log(session, now, by, "lease term taken back", "lease", lease.id, f"{term.kind} from {term.starts_on}")
    session.delete(term)
    session.flush()
    session.expire(lease, ["terms"])


# --- index values -------------------------------------------------------------------------------------------------------


def enter_index(session: Session, now: datetime, by: By, series: str, month: Month, value: Decimal) -> PriceIndex:
    """A published value of an index."""
    index = rules.set_index(session, series, month, value)
    _log(session, now, by, "index value entered", "price index", index.id, f"{index.series} {month}")
    return index


def bring_index(session: Session, now: datetime, by: By, text: str) -> int:
    """Index values as CSV; how many were new."""
    count = rules.import_index(session, text)
    _log(session, now, by, "index values brought in", "price index", "csv", f"{count} new")
    return count


# --- disputes -----------------------------------------------------------------------------------------------------------


def raise_dispute(session: Session, now: datetime, by: By, charge: Charge, *, on: date, reason: str) -> Dispute:
    """A charge disputed, by its dealer or for her."""
    dispute = settling.open_dispute(session, charge, on=on, reason=reason)
    _log(session, now, by, "charge disputed", "lease", charge.lease_id, _named(charge))
    return dispute


def decide_dispute(session: Session, now: datetime, by: By, dispute: Dispute, *, on: date, outcome: str) -> None:
    """A dispute decided."""
    settling.close_dispute(session, dispute, on=on, outcome=outcome)
    charge = session.get_one(Charge, dispute.charge_id)
    _log(session, now, by, "dispute decided", "lease", charge.lease_id, _named(charge))


def give_back(session: Session, now: datetime, by: By, dispute: Dispute, amount_cents: int, *, on: date) -> None:
    """What is given back of a charge whose dispute was decided."""
    settling.give_back(session, now, dispute, amount_cents, on=on, user_id=by.user_id)
    charge = session.get_one(Charge, dispute.charge_id)
    detail = f"{format_dollars(amount_cents)} of {_named(charge)}"
    _log(session, now, by, "disputed charge given back", "lease", charge.lease_id, detail)


def _named(charge: Charge) -> str:
    """A charge as the log names it."""
    return f"{charge.label}, {Month.of(charge.first_day)}"
