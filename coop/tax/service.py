"""Setting up what taxes a mall: jurisdictions, dated rates, rules, places, settings, certificates."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.books.accounts import ensure_account
from coop.core import audit
from coop.core.errors import Refusal
from coop.tax.domain.rules import Span, Stack
from coop.tax.domain.terms import StoredRule, TierRate, build_rule, check_terms, tier_names
from coop.tax.models import (
    Jurisdiction,
    TaxCertificate,
    TaxCharged,
    TaxPlace,
    TaxPlaceJurisdiction,
    TaxRate,
    TaxRule,
    TaxSetting,
)
from coop.tax.queries import allowance_of, compiled, due_rule, filing_rules, rules_of, scope_of

CLASS = re.compile(r"[a-z][a-z0-9-]{0,19}")
STATE = re.compile(r"[0-9]{2}")

# --- jurisdictions ------------------------------------------------------------------------------------------------------------


def add_jurisdiction(
    session: Session, *, code: str, name: str, kind: str, state_fips: str | None = None, fips: str | None = None
) -> Jurisdiction:
    """A taxing body and its account in the books. Refuses a code that an account could not carry, and one there is already.

    `state_fips` is the state it lies in; `fips` its own code there, for finding it by files and boundaries.
    """
    if not re.fullmatch(r"[A-Z0-9][A-Z0-9-]{0,39}", code):
        raise Refusal(f"Jurisdiction code {code!r}: use capitals, digits and hyphens, such as STATE-EL.")
    if state_fips is not None and not STATE.fullmatch(state_fips):
        raise Refusal(f"State {state_fips!r}: a state's FIPS code is two digits, such as 55.")
    if fips is not None and (state_fips is None or not re.fullmatch(r"[0-9A-Za-z]{1,10}", fips)):
        raise Refusal(f"FIPS code {fips!r}: give digits such as 079, and the state's code beside it.")
    if session.scalar(select(Jurisdiction.id).where(Jurisdiction.code == code)) is not None:
        raise Refusal(f"Jurisdiction code {code}: there is one already; change that one, or choose another code.")
    if fips is not None:
        same = select(Jurisdiction.name).where(
            Jurisdiction.state_fips == state_fips, Jurisdiction.kind == kind, Jurisdiction.fips == fips
        )
        if (there := session.scalar(same)) is not None:
            raise Refusal(f"FIPS code {fips}: {there} is the {kind} of that code in state {state_fips} already.")
    jurisdiction = Jurisdiction(
        code=code,
        name=name,
        kind=kind,
        account_id=ensure_account(session, f"Liabilities:Tax:{code}", "tax"),
        state_fips=state_fips,
        fips=fips,
    )
    session.add(jurisdiction)
    session.flush()
    return jurisdiction


# --- rates --------------------------------------------------------------------------------------------------------------------


def set_rate(
    session: Session,
    jurisdiction: Jurisdiction,
    percent: Decimal,
    *,
    starts_on: date,
    ends_on: date | None = None,
    tax_class: str = "general",
) -> TaxRate:
    """A dated rate. Refuses dates that run backwards, a negative rate, a class that is no word, and one that overlaps another.

    A rate whose class is the name of an upper tier of the jurisdiction's article rules is that tier's.
    """
    whose = f"The rate of {jurisdiction.name}"
    if not CLASS.fullmatch(tax_class):
        raise Refusal(f"Tax class {tax_class!r}: use small letters, digits and hyphens, such as clothing.")
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"{whose} ends on {ends_on}, before it starts on {starts_on}.")
    if not percent.is_finite() or percent < 0:
        raise Refusal(f"{whose} is {percent} percent: it cannot be negative.")
    if percent > 100:
        raise Refusal(f"{whose} is {percent} percent, more than the price: write 5.5 for five and a half percent.")
    if percent != round(percent, 6):
        raise Refusal(f"{whose} is {percent} percent: give at most six decimal places.")
    other = session.scalar(
        select(TaxRate)
        .where(
            TaxRate.jurisdiction_id == jurisdiction.id,
            TaxRate.tax_class == tax_class,
            TaxRate.starts_on <= (ends_on or date.max),
            or_(TaxRate.ends_on.is_(None), TaxRate.ends_on >= starts_on),
        )
        .order_by(TaxRate.starts_on)
        .limit(1)
    )
    if other is not None:
        until = f"to {other.ends_on}" if other.ends_on else "on"
        raise Refusal(
            f"{whose} for {tax_class} from {starts_on} overlaps the rate held from {other.starts_on} {until}: end that one first."
        )
    rate = TaxRate(jurisdiction_id=jurisdiction.id, tax_class=tax_class, percent=percent, starts_on=starts_on, ends_on=ends_on)
    session.add(rate)
    session.flush()
    return rate


def end_rate(session: Session, rate: TaxRate, ends_on: date) -> TaxRate:
    """The rate's last day. Refuses a day before it starts, and one before a ticket that was taxed at it."""
    if ends_on < rate.starts_on:
        raise Refusal(f"The rate starts on {rate.starts_on}: it cannot end on {ends_on}.")
    last = last_use(session, rate.id)
    if last is not None and last > ends_on:
        raise Refusal(f"A ticket of {last} was taxed at this rate: it can end on that day or later, not on {ends_on}.")
    rate.ends_on = ends_on
    session.flush()
    return rate


def change_rate(session: Session, rate: TaxRate, percent: Decimal, *, from_day: date) -> TaxRate:
    """Another percent from a day on: the rate ends the day before, a new row goes on to its old end. Past tickets keep theirs.

    Refuses what `end_rate` and `set_rate` refuse, and the rate's own first day: end it there, or mend it by hand.
    """
    if rate.ends_on is not None and from_day > rate.ends_on:
        raise Refusal(f"The rate ended on {rate.ends_on}: set a new one from {from_day}.")
    ends_on = rate.ends_on
    jurisdiction = session.get_one(Jurisdiction, rate.jurisdiction_id)
    end_rate(session, rate, from_day - timedelta(days=1))
    return set_rate(session, jurisdiction, percent, starts_on=from_day, ends_on=ends_on, tax_class=rate.tax_class)


def last_use(session: Session, rate_id: int) -> date | None:
    """The latest business date of a ticket taxed at a rate row; None when none was."""
    day = func.coalesce(TaxCharged.sold_on, TaxCharged.posting_date)
    return session.scalar(select(func.max(day)).where(TaxCharged.rate_id == rate_id))


# --- rules --------------------------------------------------------------------------------------------------------------------


def add_rule(
    session: Session,
    jurisdiction: Jurisdiction,
    kind: str,
    terms: Mapping[str, Any],
    *,
    starts_on: date,
    ends_on: date | None = None,
) -> TaxRule:
    """A dated rule; `terms` as coop.tax.domain.terms has them. Refuses terms that cannot be meant, and a contradiction.

    The rates of upper tiers are set with `set_rate` under the tiers' names as classes.
    """
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The rule of {jurisdiction.name} ends on {ends_on}, before it starts on {starts_on}.")
    try:
        check_terms(kind, terms)
        build_rule(StoredRule(kind, Span(starts_on, ends_on), terms), {n: TierRate(0, Decimal(0)) for n in tier_names(terms)})
    except ValueError as error:
        raise Refusal(f"The rule of {jurisdiction.name}: {error}") from error
    rule = TaxRule(jurisdiction_id=jurisdiction.id, kind=kind, starts_on=starts_on, ends_on=ends_on, terms=dict(terms))
    session.add(rule)
    session.flush()
    others = session.scalars(
        select(TaxRule).where(TaxRule.jurisdiction_id == jurisdiction.id, TaxRule.kind == kind, TaxRule.starts_on > starts_on)
    )
    # A contradiction begins where one of two rules does.
    for day in {starts_on, *(r.starts_on for r in others if ends_on is None or r.starts_on <= ends_on)}:
        compiled(Stack(rules_of(session, [jurisdiction], day)), day)
    return rule


def end_rule(session: Session, rule: TaxRule, ends_on: date) -> TaxRule:
    """The rule's last day. Refuses one before it starts."""
    if ends_on < rule.starts_on:
        raise Refusal(f"The rule starts on {rule.starts_on}: it cannot end on {ends_on}.")
    rule.ends_on = ends_on
    session.flush()
    return rule


# --- places -------------------------------------------------------------------------------------------------------------------


def set_place(
    session: Session,
    mall_id: int,
    jurisdictions: Sequence[Jurisdiction],
    *,
    starts_on: date,
    basis: str = "ticket",
    aggregated: bool = True,
) -> TaxPlace:
    """The stack that taxes a mall from a date, in its order, and how tax is rounded there.

    A jurisdiction that came with a file gets its own account now. Refuses a second place from the same day, a jurisdiction twice.
    """
    if len({j.id for j in jurisdictions}) != len(jurisdictions):
        raise Refusal("A place names a jurisdiction twice: leave it once.")
    if session.scalar(select(TaxPlace.id).where(TaxPlace.mall_id == mall_id, TaxPlace.starts_on == starts_on)) is not None:
        raise Refusal(f"The mall has a place from {starts_on} already: choose another day.")
    for jurisdiction in jurisdictions:
        jurisdiction.account_id = ensure_account(session, f"Liabilities:Tax:{jurisdiction.code}", "tax")
    place = TaxPlace(mall_id=mall_id, starts_on=starts_on, basis=basis, aggregated=aggregated)
    session.add(place)
    session.flush()
    session.add_all(
        TaxPlaceJurisdiction(place_id=place.id, jurisdiction_id=j.id, position=n) for n, j in enumerate(jurisdictions)
    )
    session.flush()
    return place


# --- settings -----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Terms:
    """What a setting says; see TaxSetting for each."""

    owed_by: str = "coop"
    layaway_at: str = "completion"
    office: str = ""
    frequency: str = "month"
    year_begins: int = 1
    remits: str = "greater"
    due_day: int = 20
    due_months_after: int = 1
    due_region: str = ""
    due_roll: str = "next"
    closed_days: tuple[str, ...] = ()
    allowance: dict[str, Any] | None = field(default=None)
    interest_percent: Decimal | None = None
    interest_per: str = "year"


CHOICES = {
    "owed_by": ("coop", "dealer"),
    "layaway_at": ("agreement", "completion"),
    "frequency": ("month", "quarter", "year"),
    "remits": ("greater", "due", "collected"),
    "due_roll": ("next", "previous", "none"),
    "interest_per": ("year", "month"),
}


def set_setting(
    session: Session,
    terms: Terms,
    *,
    starts_on: date,
    state_fips: str | None = None,
    jurisdiction: Jurisdiction | None = None,
    mall_id: int | None = None,
) -> TaxSetting:
    """A dated setting of a state or of one jurisdiction, at one mall or at all. The same scope and day again replaces it.

    Whether the co-op or the dealer owes the tax is the state's rule, not ours: whoever sets it is told so where it is set.
    """
    if (state_fips is None) == (jurisdiction is None):
        raise Refusal("A setting is of a state or of a jurisdiction: give one of them.")
    if state_fips is not None and not STATE.fullmatch(state_fips):
        raise Refusal(f"State {state_fips!r}: a state's FIPS code is two digits, such as 55.")
    for name, choices in CHOICES.items():
        if getattr(terms, name) not in choices:
            raise Refusal(f"{name}: {getattr(terms, name)!r} is not known; it is one of {', '.join(choices)}.")
    if not 1 <= terms.year_begins <= 12:
        raise Refusal("year_begins: give a month from 1 to 12.")
    if terms.interest_percent is not None and not 0 <= terms.interest_percent <= 100:
        raise Refusal("interest_percent: give a percent from 0 to 100.")
    scope = scope_of(state_fips=state_fips, jurisdiction_id=jurisdiction.id if jurisdiction else None, mall_id=mall_id)
    setting = session.scalar(select(TaxSetting).where(TaxSetting.scope == scope, TaxSetting.starts_on == starts_on))
    if setting is None:
        setting = TaxSetting(
            scope=scope,
            state_fips=state_fips,
            jurisdiction_id=jurisdiction.id if jurisdiction else None,
            mall_id=mall_id,
            starts_on=starts_on,
        )
    for name, value in asdict(terms).items():
        setattr(setting, name, list(value) if isinstance(value, tuple) else value)
    try:
        due_rule(setting)
        allowance_of(setting)
        filing_rules(setting)
    except (ValueError, ArithmeticError, KeyError, TypeError) as error:
        raise Refusal(f"The setting cannot be meant: {error}") from error
    session.add(setting)
    session.flush()
    return setting


# --- certificates -------------------------------------------------------------------------------------------------------------


def file_certificate(
    session: Session,
    now: datetime,
    *,
    number: str,
    kind: str,
    buyer_name: str,
    states: Sequence[str],
    starts_on: date,
    expires_on: date | None = None,
    by: int | None = None,
) -> TaxCertificate:
    """A buyer's certificate, put on file. Refuses one without a number or a state, and a number there is already."""
    number, buyer_name = number.strip(), buyer_name.strip()
    if not number or not buyer_name:
        raise Refusal("A certificate needs its number and the buyer's name.")
    if kind not in ("resale", "exempt"):
        raise Refusal(f"Certificate {number}: its kind is resale or exempt, not {kind}.")
    if not states or not all(STATE.fullmatch(state) for state in states):
        raise Refusal(f"Certificate {number}: name the states it holds in by their FIPS codes, such as 55.")
    if expires_on is not None and expires_on < starts_on:
        raise Refusal(f"Certificate {number} expires on {expires_on}, before it starts on {starts_on}.")
    if session.scalar(select(TaxCertificate.id).where(TaxCertificate.number == number)) is not None:
        raise Refusal(f"Certificate {number} is on file already.")
    certificate = TaxCertificate(
        number=number,
        kind=kind,
        buyer_name=buyer_name,
        states=list(states),
        starts_on=starts_on,
        expires_on=expires_on,
        created_at=now,
    )
    session.add(certificate)
    try:
        session.flush()
    except IntegrityError as error:
        raise Refusal(f"Certificate {number} was put on file a moment ago by somebody else: open it.") from error
    audit.record(session, now, "tax certificate filed", "tax certificate", certificate.id, user_id=by, detail=number)
    return certificate
