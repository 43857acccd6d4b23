"""What the office's tax pages read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.clock import local_date
from coop.core.money import format_dollars
from coop.floor.models import Mall
from coop.office.queries import office_timezone
from coop.sales.models import Ticket
from coop.tax.domain.returns import FilingPeriod
from coop.tax.models import (
    Jurisdiction,
    TaxCharged,
    TaxImport,
    TaxPlace,
    TaxRate,
    TaxReturn,
    TaxRule,
    TaxSetting,
)


def today(session: Session, now: datetime) -> date:
    """The day in the office: where the first mall is."""
    return local_date(now, office_timezone(session))


def tickets_apart(session: Session, period: FilingPeriod) -> list[str]:
    """Sentences for tickets sold in the period whose own tax differs from their rows by jurisdiction; twenty at most."""
    rows_tax = func.coalesce(func.sum(TaxCharged.amount_cents), 0)
    found = session.execute(
        select(Ticket.number, Ticket.tax_cents, rows_tax)
        .outerjoin(TaxCharged, TaxCharged.ticket_key == Ticket.key)
        .where(Ticket.sold_on.between(period.first_day, period.last_day), Ticket.posting_date >= period.first_day)
        .group_by(Ticket.id, Ticket.number, Ticket.tax_cents)
        .having(rows_tax != Ticket.tax_cents)
        .order_by(Ticket.id)
        .limit(20)
    )
    return [
        f"Ticket {number}: it charged {format_dollars(own)}, its rows by jurisdiction {format_dollars(int(rows))}."
        for number, own, rows in found
    ]


def return_by_number(session: Session, number: str) -> TaxReturn | None:
    return session.scalar(select(TaxReturn).where(TaxReturn.number == number, TaxReturn.state == "filed"))


def replaced_by(session: Session, filed: TaxReturn) -> str | None:
    """The number of the return that amends this one."""
    return session.scalar(select(TaxReturn.number).where(TaxReturn.amends_id == filed.id))


@dataclass(frozen=True)
class JurisdictionRow:
    """A jurisdiction with what holds there on a day."""

    jurisdiction: Jurisdiction
    rates: Sequence[TaxRate]
    rules: Sequence[TaxRule]


PAGE = 100


def jurisdiction_rows(session: Session, on: date, *, wanted: str = "", after: str = "") -> list[JurisdictionRow]:
    """Jurisdictions by code from beyond `after`, a page and one more; `wanted` is a part of a code or name."""
    query = select(Jurisdiction).where(Jurisdiction.code > after).order_by(Jurisdiction.code).limit(PAGE + 1)
    if wanted:
        like = f"%{wanted.replace('%', '').replace('_', ' ')}%"
        query = query.where(Jurisdiction.name.ilike(like) | Jurisdiction.code.ilike(like))
    jurisdictions = session.scalars(query).all()
    ids = [j.id for j in jurisdictions]
    rates: dict[int, list[TaxRate]] = defaultdict(list)
    for rate in session.scalars(
        select(TaxRate)
        .where(TaxRate.jurisdiction_id.in_(ids), TaxRate.starts_on <= on, (TaxRate.ends_on.is_(None)) | (TaxRate.ends_on >= on))
        .order_by(TaxRate.tax_class)
    ):
        rates[rate.jurisdiction_id].append(rate)
    rules: dict[int, list[TaxRule]] = defaultdict(list)
    for rule in session.scalars(
        select(TaxRule)
        .where(TaxRule.jurisdiction_id.in_(ids), TaxRule.starts_on <= on, (TaxRule.ends_on.is_(None)) | (TaxRule.ends_on >= on))
        .order_by(TaxRule.kind, TaxRule.id)
    ):
        rules[rule.jurisdiction_id].append(rule)
    return [JurisdictionRow(j, rates[j.id], rules[j.id]) for j in jurisdictions]


def jurisdiction_by_code(session: Session, code: str) -> Jurisdiction | None:
    return session.scalar(select(Jurisdiction).where(Jurisdiction.code == code))


def all_rates(session: Session, jurisdiction: Jurisdiction) -> Sequence[TaxRate]:
    """Its rates by class, the newest first."""
    rows = select(TaxRate).where(TaxRate.jurisdiction_id == jurisdiction.id)
    return session.scalars(rows.order_by(TaxRate.tax_class, TaxRate.starts_on.desc())).all()


def all_rules(session: Session, jurisdiction: Jurisdiction) -> Sequence[TaxRule]:
    rows = select(TaxRule).where(TaxRule.jurisdiction_id == jurisdiction.id)
    return session.scalars(rows.order_by(TaxRule.kind, TaxRule.starts_on.desc())).all()


def settings_of(session: Session, jurisdiction: Jurisdiction) -> Sequence[TaxSetting]:
    """Settings that may count for it, the newest first."""
    of_it = TaxSetting.jurisdiction_id == jurisdiction.id
    of_state = (TaxSetting.state_fips == jurisdiction.state_fips) & TaxSetting.jurisdiction_id.is_(None)
    return session.scalars(select(TaxSetting).where(of_it | of_state).order_by(TaxSetting.starts_on.desc())).all()


@dataclass(frozen=True)
class MallPlaces:
    """A mall, and what taxed it from which day on, the newest first; the day each ended is None for the one in force."""

    mall: Mall
    places: Sequence[TaxPlace]


def mall_places(session: Session) -> list[MallPlaces]:
    places: dict[int, list[TaxPlace]] = defaultdict(list)
    for place in session.scalars(select(TaxPlace).order_by(TaxPlace.starts_on.desc())):
        places[place.mall_id].append(place)
    return [MallPlaces(mall, places[mall.id]) for mall in session.scalars(select(Mall).order_by(Mall.code))]


def confirmed_places(session: Session) -> dict[str, datetime]:
    """When a person confirmed each place, by the name the log has it under."""
    rows = select(AuditLog.subject_id, AuditLog.at).where(
        AuditLog.subject_kind == "tax place", AuditLog.action == "tax place confirmed"
    )
    return dict(session.execute(rows.order_by(AuditLog.id)).all())


def states_here(session: Session) -> frozenset[str]:
    """FIPS codes of the states that jurisdictions here lie in."""
    return frozenset(code for code in session.scalars(select(Jurisdiction.state_fips).distinct()) if code)


def imports(session: Session) -> Sequence[TaxImport]:
    return session.scalars(select(TaxImport).order_by(TaxImport.id.desc()).limit(PAGE)).all()


def import_by_id(session: Session, import_id: int) -> TaxImport | None:
    return session.get(TaxImport, import_id)
