"""Who takes part in the turns of a mall's month, what each of them owes, and the balances that are carried."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.shifts.domain.owed import Held, Owed, Part, month_owed
from coop.shifts.models import TurnFact
from coop.shifts.people import as_owed, fact_rows
from coop.shifts.rules import rules_on
from coop.shifts.turn_models import TurnAccount

Days = tuple[tuple[date, date], ...]
"""Spans of a month, first and last day of each."""


def _within(days: Days, day: date) -> bool:
    return any(first <= day <= last for first, last in days)


@dataclass(frozen=True)
class Worker:
    """A member who takes part at a mall in a month: the days with a lease there, and those on which the facts hold."""

    member_id: int
    name: str
    dealer_code: str
    """The first of the member's codes with a lease here."""
    joined_on: date
    left_on: date | None
    there: Days
    trained: Days
    keys: Days
    exempt: tuple[tuple[date, date, str], ...]
    """With the words why."""

    def is_there(self, day: date) -> bool:
        return _within(self.there, day)

    def is_trained(self, day: date) -> bool:
        return _within(self.trained, day)

    def holds_keys(self, day: date) -> bool:
        return _within(self.keys, day)

    def is_exempt(self, day: date) -> bool:
        return any(first <= day <= last for first, last, _ in self.exempt)


def _lease_rows(session: Session, mall_id: int, month: Month) -> dict[int, list[Any]]:
    """Leases in the month with their dealers' codes and members, by member id, in the order of the codes: plain values."""
    rows = session.execute(
        select(
            Lease.id.label("lease_id"),
            Lease.starts_on,
            Lease.ends_on,
            Dealer.code,
            Member.id.label("member_id"),
            Member.name,
            Member.joined_on,
            Member.left_on,
        )
        .select_from(Lease)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .join(Member, Member.id == Dealer.member_id)
        .where(_runs_in(mall_id, month))
        .order_by(Dealer.code, Lease.starts_on, Lease.id)
    )
    found: dict[int, list[Any]] = {}
    for row in rows:
        found.setdefault(row.member_id, []).append(row)
    return found


def _runs_in(mall_id: int, month: Month) -> ColumnElement[bool]:
    return and_(
        Lease.mall_id == mall_id,
        Lease.starts_on <= month.last_day,
        or_(Lease.ends_on.is_(None), Lease.ends_on >= month.first_day),
    )


def _clip(month: Month, first: date, last: date | None) -> tuple[date, date] | None:
    begins, ends = max(first, month.first_day), min(last or date.max, month.last_day)
    return (begins, ends) if begins <= ends else None


def _clipped(month: Month, rows: list[TurnFact], kind: str) -> tuple[tuple[date, date, str], ...]:
    spans = ((_clip(month, row.starts_on, row.ends_on), row.words) for row in rows if row.kind == kind)
    return tuple((*span, words) for span, words in spans if span)


def workers_of(session: Session, mall: Mall, month: Month) -> list[Worker]:
    """Members with a lease at a mall in a month, by code, as they are in it. Two queries, of plain values."""
    leases = _lease_rows(session, mall.id, month)
    facts = fact_rows(session, mall.id, month.first_day, month.last_day)
    workers = []
    for member_id, own in leases.items():
        one, known = own[0], facts.get(member_id, [])
        spans = (_clip(month, max(row.starts_on, one.joined_on), _earlier(row.ends_on, one.left_on)) for row in own)
        there = tuple(span for span in spans if span)
        if not there:
            continue
        workers.append(
            Worker(
                member_id=member_id,
                name=one.name,
                dealer_code=one.code,
                joined_on=one.joined_on,
                left_on=one.left_on,
                there=there,
                trained=tuple((first, last) for first, last, _ in _clipped(month, known, "trained")),
                keys=tuple((first, last) for first, last, _ in _clipped(month, known, "keys")),
                exempt=_clipped(month, known, "exempt"),
            )
        )
    return workers


def _earlier(one: date | None, other: date | None) -> date | None:
    return min((day for day in (one, other) if day is not None), default=None)


def owed_of_month(session: Session, mall: Mall, month: Month) -> dict[int, Owed]:
    """Turns owed at a mall in a month with their working, by member id. Nobody owes any where no rules of turns are set."""
    rules = rules_on(session, mall.id, month.first_day)
    if not rules.are_set:
        return {}
    facts = fact_rows(session, mall.id, month.first_day, month.last_day)
    parts = _parts(session, mall.id, month)
    owed: dict[int, Owed] = {}
    for member_id, leases in _lease_rows(session, mall.id, month).items():
        held = [Held(row.starts_on, row.ends_on, tuple(parts.get(row.lease_id, ()))) for row in leases]
        known = [as_owed(row) for row in facts.get(member_id, ())]
        made = month_owed(rules.owing, month, leases[0].joined_on, leases[0].left_on, held, known)
        if made is not None:
            owed[member_id] = made
    return owed


def _parts(session: Session, mall_id: int, month: Month) -> dict[int, list[Part]]:
    """Spaces held in the month by the lease that pays for them, whole or, of a shared booth, its part."""
    columns = (LeaseSpace.starts_on, LeaseSpace.ends_on, LeaseSpace.leased_area_sqft100)
    in_month = and_(
        LeaseSpace.starts_on <= month.last_day, or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= month.first_day)
    )
    whole = (
        select(Lease.id, *columns)
        .join(LeaseSpace, LeaseSpace.lease_id == Lease.id)
        .where(
            _runs_in(mall_id, month), in_month, ~select(LeaseShare.id).where(LeaseShare.lease_space_id == LeaseSpace.id).exists()
        )
        .order_by(LeaseSpace.id)
    )
    shared = (
        select(Lease.id, *columns, LeaseShare.share_percent)
        .join(LeaseShare, LeaseShare.lease_id == Lease.id)
        .join(LeaseSpace, LeaseSpace.id == LeaseShare.lease_space_id)
        .where(_runs_in(mall_id, month), in_month)
        .order_by(LeaseSpace.id)
    )
    found: dict[int, list[Part]] = {}
    for query in (whole, shared):
        for lease_id, *part in session.execute(query):
            found.setdefault(lease_id, []).append(Part(*part))
    return found


def balances(
    session: Session, mall_ids: Collection[int] | None = None, before: Month | None = None
) -> dict[tuple[int, int], Decimal]:
    """Balances of the accounts of turns, by (mall id, member id): below zero is owed. `before`: without that month and later."""
    rows = select(TurnAccount.mall_id, TurnAccount.member_id, func.sum(TurnAccount.turns)).group_by(
        TurnAccount.mall_id, TurnAccount.member_id
    )
    if mall_ids is not None:
        rows = rows.where(TurnAccount.mall_id.in_(mall_ids))
    if before is not None:
        rows = rows.where(TurnAccount.first_day < before.first_day)
    return {(mall_id, member_id): Decimal(turns) for mall_id, member_id, turns in session.execute(rows)}
