"""Reads of rates, rules, places, settings and of tax charged."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.tax.domain.boundary_files import BoundaryRow, Located, locate
from coop.tax.domain.compiled import CompiledStack, compile_stack
from coop.tax.domain.duedates import DueRule
from coop.tax.domain.rate_files import Kind, Place
from coop.tax.domain.returns import Allowance, FilingRules, Interest
from coop.tax.domain.rules import ClassRate, JurisdictionRules, Span, Stack
from coop.tax.domain.terms import StoredRule, TierRate, build_jurisdiction, tier_names
from coop.tax.domain.ticket import BuyerKind, Certificate
from coop.tax.models import (
    Jurisdiction,
    TaxBoundary,
    TaxCertificate,
    TaxCharged,
    TaxImport,
    TaxPlace,
    TaxRate,
    TaxRule,
    TaxSetting,
)

# --- what taxes -------------------------------------------------------------------------------------------------------------


def place_on(session: Session, mall_id: int, on: date) -> TaxPlace | None:
    """The mall's place in force on a day, if any."""
    held = select(TaxPlace).where(TaxPlace.mall_id == mall_id, TaxPlace.starts_on <= on)
    return session.scalar(held.order_by(TaxPlace.starts_on.desc()).limit(1))


def place_in_force(session: Session, mall_id: int, on: date) -> TaxPlace:
    """The mall's place on a date. Refuses when the mall has none: it would sell untaxed without saying so."""
    place = place_on(session, mall_id, on)
    if place is None:
        raise Refusal(f"The mall has no tax place on {on}: set the jurisdictions that tax there first.")
    return place


def rules_of(session: Session, jurisdictions: Iterable[Jurisdiction], on: date) -> tuple[JurisdictionRules, ...]:
    """Jurisdictions, in their order, with the rates and rules that hold on a day, and all their holidays (for layaways).

    The rate rows that bear an upper tier's name are the tier's, and no class's.
    """
    jurisdictions = list(jurisdictions)
    ids = [j.id for j in jurisdictions]
    rates: dict[int, list[TaxRate]] = defaultdict(list)
    for row in session.scalars(
        select(TaxRate)
        .where(TaxRate.jurisdiction_id.in_(ids), TaxRate.starts_on <= on, or_(TaxRate.ends_on.is_(None), TaxRate.ends_on >= on))
        .order_by(TaxRate.id)
    ):
        rates[row.jurisdiction_id].append(row)
    rules: dict[int, list[TaxRule]] = defaultdict(list)
    for rule in session.scalars(select(TaxRule).where(TaxRule.jurisdiction_id.in_(ids)).order_by(TaxRule.id)):
        rules[rule.jurisdiction_id].append(rule)
    made = []
    for j in jurisdictions:
        tiers = {name for rule in rules[j.id] for name in tier_names(rule.terms)}
        holding = [
            StoredRule(rule.kind, Span(rule.starts_on, rule.ends_on), rule.terms)
            for rule in rules[j.id]
            if rule.kind == "holiday" or (rule.starts_on <= on and (rule.ends_on is None or on <= rule.ends_on))
        ]
        made.append(
            build_jurisdiction(
                j.id,
                j.name,
                j.state_fips or "",
                [
                    ClassRate(row.id, row.percent, row.tax_class, Span(row.starts_on, row.ends_on))
                    for row in rates[j.id]
                    if row.tax_class not in tiers
                ],
                holding,
                {row.tax_class: TierRate(row.id, row.percent) for row in rates[j.id] if row.tax_class in tiers},
            )
        )
    return tuple(made)


def stack_on(session: Session, mall_id: int, on: date) -> Stack:
    """What taxes a mall on a day. It is that day's stack: of no use on another. Refuses when the mall has no place."""
    place = place_in_force(session, mall_id, on)
    return Stack(rules_of(session, place.jurisdictions, on), "item" if place.basis == "item" else "ticket", place.aggregated)


def compiled_on(session: Session, mall_id: int, on: date) -> CompiledStack:
    """The mall's stack made ready for a day's tickets. Refuses rules that contradict each other."""
    return compiled(stack_on(session, mall_id, on), on)


def compiled(stack: Stack, on: date) -> CompiledStack:
    """A stack made ready for a day. Refuses rules that contradict each other, naming the jurisdiction."""
    try:
        return compile_stack(stack, on)
    except ValueError as error:
        raise Refusal(str(error)) from error


class MallStacks:
    """The compiled stacks of a mall, each day's read once: one object a batch, never kept beyond its transaction."""

    def __init__(self, session: Session, mall_id: int) -> None:
        self.session, self.mall_id = session, mall_id
        self._by_day: dict[date, CompiledStack] = {}

    def on(self, day: date) -> CompiledStack:
        if day not in self._by_day:
            self._by_day[day] = compiled_on(self.session, self.mall_id, day)
        return self._by_day[day]


# --- places by code -----------------------------------------------------------------------------------------------------------


def jurisdictions_at(
    session: Session, state: str, *, county: str | None = None, city: str | None = None, districts: Iterable[str] = ()
) -> list[Jurisdiction]:
    """The jurisdictions of these FIPS codes, the state first. Refuses one that is not stored, naming it."""
    wanted: list[Place] = [Place(state, "state", state)]
    wanted += [Place(state, "county", county)] if county else []
    wanted += [Place(state, "city", city)] if city else []
    wanted += [Place(state, "district", code) for code in districts]
    return jurisdictions_of(session, wanted)


def jurisdictions_of(session: Session, places: Iterable[Place]) -> list[Jurisdiction]:
    """The stored jurisdictions of places as files name them, in their order. Refuses one that is not stored, naming it."""
    places = list(dict.fromkeys(places))
    stored = {
        place_of(j): j
        for j in session.scalars(
            select(Jurisdiction).where(
                Jurisdiction.state_fips.in_({p.state for p in places}), Jurisdiction.fips.in_({p.code for p in places})
            )
        )
    }
    for place in places:
        if place not in stored:
            raise Refusal(f"There is no {place}: check the code, or bring the state's rate file in first.")
    return [stored[place] for place in places]


KINDS: dict[str, Kind] = {"state": "state", "county": "county", "city": "city", "district": "district"}


def place_of(jurisdiction: Jurisdiction) -> Place:
    """The jurisdiction as Streamlined files name it (with empty codes when it has none)."""
    return Place(jurisdiction.state_fips or "", KINDS[jurisdiction.kind], jurisdiction.fips or "")


def locate_zip(session: Session, zip5: str, plus4: str | None = None, *, state: str | None = None, on: date) -> Located:
    """Where a ZIP code lies on a day by the boundary rows there are; a person confirms it. Refuses what is no ZIP code."""
    query = select(TaxBoundary).where(TaxBoundary.zip_high >= zip5, TaxBoundary.zip_low <= zip5)
    # A file that is being applied has rows here before it counts.
    query = query.join(TaxImport, TaxImport.id == TaxBoundary.import_id).where(TaxImport.state == "applied")
    if state:
        query = query.where(TaxBoundary.state_fips == state)
    try:
        return locate(map(boundary_row, session.scalars(query.order_by(TaxBoundary.id))), zip5, plus4, state=state, on=on)
    except ValueError as error:
        raise Refusal(str(error)) from error


def has_boundaries(session: Session) -> bool:
    """Whether any file of boundaries is applied."""
    return (
        session.scalar(select(TaxImport.id).where(TaxImport.kind == "boundary", TaxImport.state == "applied").limit(1))
        is not None
    )


def boundary_row(row: TaxBoundary) -> BoundaryRow:
    """A stored row as files have it."""
    places = tuple(Place(row.state_fips, KINDS[kind], code) for kind, code in row.places)
    record: tuple[str, str] = (row.zip_low + row.plus4_low, row.zip_high + row.plus4_high)
    return BoundaryRow("Z" if row.record == "Z" else "4", *record, places, row.starts_on, row.ends_on)


# --- settings and certificates ------------------------------------------------------------------------------------------------


def setting_on(session: Session, jurisdiction: Jurisdiction, mall_id: int | None, on: date) -> TaxSetting | None:
    """The setting that counts: of the jurisdiction at the mall, of the jurisdiction, of its state at the mall, of its state."""
    scopes = scopes_of(jurisdiction, mall_id)
    rows = session.scalars(
        select(TaxSetting).where(TaxSetting.scope.in_(scopes), TaxSetting.starts_on <= on).order_by(TaxSetting.starts_on)
    )
    newest = {row.scope: row for row in rows}
    return next((newest[scope] for scope in scopes if scope in newest), None)


def scope_of(*, state_fips: str | None = None, jurisdiction_id: int | None = None, mall_id: int | None = None) -> str:
    """The key of a setting's scope."""
    what = f"state:{state_fips}" if jurisdiction_id is None else f"jurisdiction:{jurisdiction_id}"
    return what if mall_id is None else f"{what}/mall:{mall_id}"


def scopes_of(jurisdiction: Jurisdiction, mall_id: int | None) -> list[str]:
    """Scopes that cover a jurisdiction at a mall, narrowest first."""
    malls = (mall_id, None) if mall_id is not None else (None,)
    scopes = [scope_of(jurisdiction_id=jurisdiction.id, mall_id=mall) for mall in malls]
    if jurisdiction.state_fips:
        scopes += [scope_of(state_fips=jurisdiction.state_fips, mall_id=mall) for mall in malls]
    return scopes


def owed_by(session: Session, jurisdiction: Jurisdiction, mall_id: int | None, on: date) -> str:
    """`coop` or `dealer`: who collects and remits. The co-op where nothing is set."""
    setting = setting_on(session, jurisdiction, mall_id, on)
    return setting.owed_by if setting else "coop"


def due_rule(setting: TaxSetting) -> DueRule:
    """When a return under this setting is due."""
    return DueRule(
        setting.due_day,
        setting.due_months_after,
        setting.due_region,
        "none" if setting.due_roll == "none" else "previous" if setting.due_roll == "previous" else "next",
        frozenset(date.fromisoformat(day) for day in setting.closed_days),
    )


def filing_rules(setting: TaxSetting) -> FilingRules:
    """How the office takes a return under this setting."""
    interest = None
    if setting.interest_percent is not None:
        interest = Interest(setting.interest_percent, "month" if setting.interest_per == "month" else "year")
    remits = setting.remits
    return FilingRules(
        "due" if remits == "due" else "collected" if remits == "collected" else "greater",
        allowance_of(setting),
        interest,
    )


def allowance_of(setting: TaxSetting) -> Allowance | None:
    """The timely-filing allowance as stored; None for none. Raises ValueError for what is none."""
    terms = setting.allowance
    if terms is None:
        return None
    tiers = tuple((upto, Decimal(percent)) for upto, percent in terms["tiers"])
    prepaid = Decimal(terms.get("prepaid_percent", "0"))
    return Allowance(tiers, terms.get("cap_cents"), terms.get("minimum_cents", 0), prepaid)


def certificate_of(session: Session, number: str) -> Certificate:
    """A certificate on file as a ticket needs it. Refuses a number there is not."""
    row = session.scalar(select(TaxCertificate).where(TaxCertificate.number == number))
    if row is None:
        raise Refusal(f"Certificate {number} is not on file: file it first, or tax the sale.")
    kind: BuyerKind = "resale" if row.kind == "resale" else "exempt"
    return Certificate(row.number, kind, frozenset(row.states), row.starts_on, row.expires_on)


# --- what was charged -----------------------------------------------------------------------------------------------------------


def charged_by_account(session: Session, mall_id: int, month: Month) -> dict[int, int]:
    """Tax charged by the tickets posted in a month: tax account id -> cents."""
    rows = session.execute(
        select(Jurisdiction.account_id, func.sum(TaxCharged.amount_cents))
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .where(
            TaxCharged.mall_id == mall_id,
            TaxCharged.posting_date >= month.first_day,
            TaxCharged.posting_date <= month.last_day,
        )
        .group_by(Jurisdiction.account_id)
    )
    return {account_id: int(amount) for account_id, amount in rows}


@dataclass(frozen=True)
class DealerTax:
    """Tax the mall collected on one dealer's sales for one jurisdiction, in cents."""

    dealer_id: int
    jurisdiction: str
    taxable_cents: int
    amount_cents: int


def collected_for_dealers(session: Session, mall_id: int, month: Month, *, dealer_id: int | None = None) -> list[DealerTax]:
    """Tax collected on dealers' sales in a month, by dealer and jurisdiction. An upper tier's base is not added to the base."""
    base = func.sum(TaxCharged.taxable_cents).filter(TaxCharged.part == "")
    rows = (
        select(TaxCharged.dealer_id, Jurisdiction.name, func.coalesce(base, 0), func.sum(TaxCharged.amount_cents))
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .where(
            TaxCharged.mall_id == mall_id,
            TaxCharged.posting_date >= month.first_day,
            TaxCharged.posting_date <= month.last_day,
            TaxCharged.dealer_id.is_not(None) if dealer_id is None else TaxCharged.dealer_id == dealer_id,
        )
        .group_by(TaxCharged.dealer_id, Jurisdiction.id, Jurisdiction.name)
        .order_by(TaxCharged.dealer_id, Jurisdiction.id)
    )
    return [
        DealerTax(dealer, name, int(taxable), int(amount))
        for dealer, name, taxable, amount in session.execute(rows)
        if dealer is not None
    ]
