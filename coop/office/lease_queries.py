"""What the office's pages of leases read. No page's number of queries grows with its rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session, selectinload

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.leases.agreements import state_of
from coop.leases.deposits import deposits_held
from coop.leases.models import Lease, LeaseRule, LeaseShare, LeaseSpace, PriceIndex, RentRate
from coop.leases.pricing import named
from coop.leases.rents import RentDraft, month_rents
from coop.leases.rules import HouseRules, rules_on
from coop.leases.settling import arrears_of
from coop.leases.wording import STATES

__all__ = ["rules_on"]


# --- what holds for all -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RateRow:
    """A zone's rate, and whether it holds today, is over, or is to come."""

    rate: RentRate
    when: str


def rate_rows(session: Session, mall_id: int, today: date) -> list[RateRow]:
    """Every dated rate, by zone, the newest first."""
    rows = session.scalars(select(RentRate).where(RentRate.mall_id == mall_id).order_by(RentRate.zone, RentRate.starts_on.desc()))
    made: list[RateRow] = []
    holding: set[str] = set()
    for rate in rows:
        if rate.starts_on > today:
            when = "to come"
        else:
            when = "over" if rate.zone in holding else "today"
            holding.add(rate.zone)
        made.append(RateRow(rate, when))
    return made


def zones_without_rate(session: Session, mall_id: int, today: date) -> list[str]:
    """Zones of spaces that have no rate today: their rent cannot be worked out."""
    rated = select(RentRate.zone).where(RentRate.mall_id == mall_id, RentRate.starts_on <= today)
    return sorted(session.scalars(_standing_zones(mall_id, today).where(Space.zone.not_in(rated))))


def zones_of_floor(session: Session, mall_id: int, today: date) -> list[str]:
    """The zones that spaces of a mall stand in."""
    return sorted(session.scalars(_standing_zones(mall_id, today)))


def _standing_zones(mall_id: int, today: date) -> Select[str]:
    """Each zone of a space that is not retired, once."""
    standing = or_(Space.retired_on.is_(None), Space.retired_on > today)
    return select(Space.zone).where(Space.mall_id == mall_id, standing).distinct()


def rates_without_space(session: Session, mall_id: int, today: date) -> list[str]:
    """Zones that have a rate and no space: set ahead of the floor, or misspelt."""
    drawn = _standing_zones(mall_id, today)
    query = select(RentRate.zone).where(RentRate.mall_id == mall_id, RentRate.zone.not_in(drawn)).distinct()
    return sorted(session.scalars(query))


def dated_rules(session: Session, mall_id: int) -> Sequence[LeaseRule]:
    """The house rules of a mall, the newest first."""
    return session.scalars(select(LeaseRule).where(LeaseRule.mall_id == mall_id).order_by(LeaseRule.starts_on.desc())).all()


def latest_rules(session: Session, mall_id: int, today: date) -> HouseRules:
    """The rules that hold last of all: those to come, if any are set."""
    newest = session.scalar(
        select(LeaseRule.starts_on).where(LeaseRule.mall_id == mall_id).order_by(LeaseRule.starts_on.desc()).limit(1)
    )
    return rules_on(session, mall_id, max(today, newest or today))


def index_values(session: Session) -> Sequence[PriceIndex]:
    """Published values by series, the newest first; the last twenty years of one series at most."""
    return session.scalars(select(PriceIndex).order_by(PriceIndex.series, PriceIndex.first_day.desc()).limit(240)).all()


# --- leases -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Part:
    """A space a lease holds on a day, or pays a share of."""

    span: LeaseSpace
    percent: str
    """Of its rent, empty for all of it."""

    @property
    def name(self) -> str:
        return named(self.span.space)


@dataclass(frozen=True)
class LeaseRow:
    """A lease as the list shows it."""

    lease: Lease
    dealer_code: str
    dealer_name: str
    state: str
    parts: Sequence[Part]
    """Today; of one to come, on its first day; of one that is over, on its last."""
    rent_cents: int
    """Of this month, before commission."""
    deposit_cents: int
    """Held."""
    late_cents: int
    """What its dealer owes and is late with, all her leases together."""

    @property
    def words(self) -> str:
        return STATES[self.state]

    @property
    def until(self) -> date | None:
        """Its last day, or that of the term it runs through; a term that is over says nothing of a lease by the month."""
        return self.lease.ends_on or (self.lease.term_ends_on if self.state == "fixed" else None)

    @property
    def spaces(self) -> str:
        return ", ".join(part.span.space.code for part in self.parts)

    @property
    def zones(self) -> frozenset[str]:
        return frozenset(part.span.space.zone for part in self.parts)


@dataclass(frozen=True)
class Leases:
    """Every lease of a mall, and why rents could not be worked out (empty when they could)."""

    rows: Sequence[LeaseRow]
    fault: str


def lease_rows(session: Session, mall: Mall, today: date) -> Leases:
    """Every lease of a mall by dealer's code, the newest first."""
    leases = session.scalars(select(Lease).where(Lease.mall_id == mall.id).options(selectinload(Lease.spaces))).all()
    names = dealer_names(session)
    held = {row.lease_id: row.held_cents for row in deposits_held(session, mall.id)}
    late = {row.dealer_id: row.late_cents for row in arrears_of(session, mall.id, today)}
    rents, fault = rents_of_month(session, mall, Month.of(today))
    by_lease: dict[int, int] = {}
    for draft in rents:
        by_lease[draft.lease_id] = by_lease.get(draft.lease_id, 0) + draft.rent.amount_cents
    shared = shared_spans(leases)
    rows = [
        LeaseRow(
            lease,
            *names[lease.dealer_id],
            state_of(lease, today),
            parts_on(lease, shared, _shown_day(lease, today)),
            by_lease.get(lease.id, 0),
            held.get(lease.id, 0),
            late.get(lease.dealer_id, 0),
        )
        for lease in leases
    ]
    rows.sort(key=lambda row: (row.dealer_code, -row.lease.starts_on.toordinal(), -row.lease.id))
    return Leases(rows, fault)


def _shown_day(lease: Lease, today: date) -> date:
    return max(lease.starts_on, min(today, lease.ends_on or today))


def rents_of_month(session: Session, mall: Mall, month: Month) -> tuple[list[RentDraft], str]:
    """What the rents of a month come to before sales decide anything; or none, and the sentence of what is in the way."""
    try:
        return month_rents(session, mall, month), ""
    except Refusal as refusal:
        return [], str(refusal)


def shared_spans(leases: Sequence[Lease]) -> dict[int, list[tuple[LeaseSpace, LeaseShare]]]:
    """Spans whose rent each lease pays a share of, by the lease's id."""
    found: dict[int, list[tuple[LeaseSpace, LeaseShare]]] = {}
    for lease in leases:
        for span in lease.spaces:
            for share in span.shares:
                found.setdefault(share.lease_id, []).append((span, share))
    return found


def parts_on(lease: Lease, shared: Mapping[int, list[tuple[LeaseSpace, LeaseShare]]], day: date) -> list[Part]:
    """The spaces a lease holds or pays a share of on a day."""
    own = [Part(span, "") for span in lease.spaces if not span.shares and holds(span, day)]
    parts = [Part(span, f"{share.share_percent.normalize():f}%") for span, share in shared.get(lease.id, ()) if holds(span, day)]
    return own + parts


def holds(span: LeaseSpace, day: date) -> bool:
    return span.starts_on <= day and (span.ends_on is None or day <= span.ends_on)


def dealer_names(session: Session) -> dict[int, tuple[str, str]]:
    """Code and name of every dealer, by id."""
    rows = session.execute(
        select(Dealer.id, Dealer.code, Dealer.trade_name, Member.name).join(Member, Member.id == Dealer.member_id)
    )
    return {dealer_id: (code, trade_name or name) for dealer_id, code, trade_name, name in rows}
