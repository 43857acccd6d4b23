"""What the forms of jurisdictions, rates, rules and settings read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.office.tax_queries import all_rates, all_rules
from coop.sales.models import LayawayAgreement, Ticket, TicketLine
from coop.tax.domain.rules import GENERAL, Span
from coop.tax.domain.terms import tier_names
from coop.tax.editing import Scope, all_tier_names, terms_in, tier_rates
from coop.tax.models import Jurisdiction, TaxRate, TaxRule, TaxSetting
from coop.tax.offices import Settings
from coop.tax.queries import scope_of
from coop.tax.service import Terms, last_use
from coop.tax.taxed_days import last_ticket
from coop.tax.wording import KINDS, rule_sentence


def classes_of(rules: Sequence[TaxRule]) -> set[str]:
    """Classes of goods that rules name."""
    named = {word for rule in rules for word in rule.terms.get("tax_classes", ())}
    return named | {rule.terms["tax_class"] for rule in rules if rule.kind == "exempt"}


def known_classes(session: Session) -> set[str]:
    """Tax classes of goods in use: those that rates, rules and tickets name."""
    rules = session.scalars(select(TaxRule)).all()
    rated = set(session.scalars(select(TaxRate.tax_class).distinct()))
    sold = set(session.scalars(select(TicketLine.tax_class).distinct()))
    return {GENERAL} | (rated - all_tier_names(rules)) | classes_of(rules) | sold


def rate_by_id(session: Session, rate_id: int) -> tuple[Jurisdiction, TaxRate] | None:
    rate = session.get(TaxRate, rate_id)
    return None if rate is None else (session.get_one(Jurisdiction, rate.jurisdiction_id), rate)


def rule_by_id(session: Session, rule_id: int) -> tuple[Jurisdiction, TaxRule] | None:
    rule = session.get(TaxRule, rule_id)
    return None if rule is None else (session.get_one(Jurisdiction, rule.jurisdiction_id), rule)


def rate_used(session: Session, rate: TaxRate) -> date | None:
    """The latest day a ticket was taxed at it."""
    return last_use(session, rate.id)


def rule_used(session: Session, rule: TaxRule) -> date | None:
    """The latest day within it on which its jurisdiction's tax was worked out."""
    return last_ticket(session, rule.jurisdiction_id, Span(rule.starts_on, rule.ends_on))


def taxed_layaways(session: Session, since: date) -> list[tuple[int, date]]:
    """Layaways agreed on since a day that months not yet closed have taxed: mall id, day of the agreement.

    Those agreed on here are not among them: each keeps by which day it is taxed.
    """
    closed = (
        select(Period.mall_id, func.max(Period.last_day).label("last_day"))
        .where(Period.state == "closed")
        .group_by(Period.mall_id)
        .subquery()
    )
    rows = (
        select(Ticket.mall_id, Ticket.layaway_accepted_on)
        .outerjoin(closed, closed.c.mall_id == Ticket.mall_id)
        .outerjoin(LayawayAgreement, LayawayAgreement.ticket_id == Ticket.id)
        .where(
            Ticket.taxed.is_(True),
            LayawayAgreement.id.is_(None),
            Ticket.layaway_accepted_on >= since,
            or_(closed.c.last_day.is_(None), Ticket.posting_date > closed.c.last_day),
        )
        .distinct()
    )
    return [(mall_id, on) for mall_id, on in session.execute(rows) if on is not None]


# --- rules in words -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RuleRow:
    """A stored rule as a page has it."""

    rule: TaxRule
    kind: str
    sentence: str


def rule_row(session: Session, jurisdiction: Jurisdiction, rule: TaxRule, today: date) -> RuleRow:
    """The rule in words, with its tiers' rates of today, or of the nearest day it holds."""
    day = max(rule.starts_on, min(today, rule.ends_on or today))
    names = tier_names(rule.terms)
    tiers = tier_rates(session, jurisdiction, names, day) if names else {}
    return RuleRow(rule, KINDS[rule.kind], rule_sentence(rule.kind, rule.terms, Span(rule.starts_on, rule.ends_on), tiers))


def rule_rows(session: Session, jurisdiction: Jurisdiction, today: date) -> list[RuleRow]:
    return [rule_row(session, jurisdiction, rule, today) for rule in all_rules(session, jurisdiction)]


def tiers_here(session: Session, jurisdiction: Jurisdiction) -> set[str]:
    """Names of its upper tiers: classes of its rates that are no goods."""
    return all_tier_names(all_rules(session, jurisdiction))


def goods_here(session: Session, jurisdiction: Jurisdiction) -> set[str]:
    """Classes of goods its rates and rules name."""
    rules = all_rules(session, jurisdiction)
    rated = {rate.tax_class for rate in all_rates(session, jurisdiction)}
    return (rated - all_tier_names(rules)) | classes_of(rules)


# --- settings -------------------------------------------------------------------------------------------------------------


def malls(session: Session) -> Sequence[Mall]:
    return session.scalars(select(Mall).order_by(Mall.code)).all()


def mall_names(session: Session) -> dict[int, str]:
    return {mall.id: mall.name for mall in malls(session)}


@dataclass(frozen=True)
class InForce:
    """What holds for a scope: its terms, the setting they are from (None: nothing is set), and the next one of the same scope."""

    terms: Terms
    setting: TaxSetting | None
    own: bool
    """Whether the setting is of this very scope, and not of a wider one."""
    next_on: date | None


def in_force(session: Session, jurisdiction: Jurisdiction, scope: Scope, on: date) -> InForce:
    """The narrowest setting that covers a scope on a day, as `coop.tax.queries.setting_on` counts them."""
    malls_from = [scope.mall_id, None] if scope.mall_id is not None else [None]
    scopes = [scope_of(jurisdiction_id=jurisdiction.id, mall_id=mall) for mall in malls_from] if scope.jurisdiction else []
    if jurisdiction.state_fips:
        scopes += [scope_of(state_fips=jurisdiction.state_fips, mall_id=mall) for mall in malls_from]
    by_scope = Settings(session).by_scope
    found = None
    for key in scopes:
        began = [row for row in by_scope.get(key, ()) if row.starts_on <= on]
        if began:
            found = began[-1]
            break
    coming = [row.starts_on for row in by_scope.get(scopes[0], ()) if row.starts_on > on]
    terms = terms_in(found) if found else Terms()
    return InForce(terms, found, found is not None and found.scope == scopes[0], min(coming, default=None))


def first_day_offered(found: InForce, today: date) -> date:
    """A change begins with the next month unless nothing was set before: then with this one."""
    month = Month.of(today)
    return month.first_day if found.setting is None else month.next.first_day
