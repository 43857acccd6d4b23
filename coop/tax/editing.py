"""What the office changes of what taxes: each change checked against what is there, made, and written in the log.

Every function takes `by`, the user. Ids and codes go into the log, never a person's name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

from sqlalchemy import exists, func, or_, select
from sqlalchemy.orm import Session

from coop.books.models import Period
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.templating import percent as shown
from coop.floor.models import Mall
from coop.tax.domain.rules import Span, Stack
from coop.tax.domain.terms import tier_names
from coop.tax.models import Jurisdiction, TaxCharged, TaxPlaceJurisdiction, TaxRate, TaxReturn, TaxRule, TaxSetting
from coop.tax.offices import Settings, period_at, slug
from coop.tax.queries import compiled, rules_of
from coop.tax.service import Terms, add_jurisdiction, add_rule, change_rate, end_rate, end_rule, last_use, set_rate, set_setting
from coop.tax.taxed_days import last_ticket, refuse_taxed_days


class By(NamedTuple):
    """Who does it, in which request."""

    user_id: int
    request_id: str = ""


def _log(session: Session, now: datetime, by: By, action: str, subject: Jurisdiction | str, detail: str) -> None:
    code = subject if isinstance(subject, str) else subject.code
    kind = "tax office" if isinstance(subject, str) else "jurisdiction"
    audit.record(session, now, action, kind, code, user_id=by.user_id, detail=detail, request_id=by.request_id)


def _whose(session: Session, row: TaxRate | TaxRule) -> Jurisdiction:
    return session.get_one(Jurisdiction, row.jurisdiction_id)


def _days(starts_on: date, ends_on: date | None) -> str:
    return f"from {starts_on}" + (f" to {ends_on}" if ends_on else "")


# --- jurisdictions and rates ----------------------------------------------------------------------------------------------


def found_jurisdiction(
    session: Session, now: datetime, by: By, *, code: str, name: str, kind: str, state_fips: str, fips: str | None
) -> Jurisdiction:
    """A jurisdiction added by hand. A state's own code is its FIPS code, as files have it."""
    own = fips or (state_fips if kind == "state" else None)
    made = add_jurisdiction(session, code=code, name=name, kind=kind, state_fips=state_fips, fips=own)
    _log(session, now, by, "jurisdiction added", made, f"{kind}, state {state_fips}" + (f", FIPS {own}" if own else ""))
    return made


def begin_rate(
    session: Session,
    now: datetime,
    by: By,
    jurisdiction: Jurisdiction,
    percent: Decimal,
    *,
    tax_class: str,
    starts_on: date,
    ends_on: date | None,
) -> TaxRate:
    """A rate of a class from a day on.

    Refuses what `set_rate` refuses, days that tickets were taxed on, and rules that contradict each other once it taxes.
    """
    rate = set_rate(session, jurisdiction, percent, tax_class=tax_class, starts_on=starts_on, ends_on=ends_on)
    refuse_taxed_days(session, jurisdiction, Span(starts_on, ends_on), "rate")
    # Where nothing was taxed, two rules that contradict each other went unseen.
    begins = select(TaxRule.starts_on).where(TaxRule.jurisdiction_id == jurisdiction.id, TaxRule.starts_on > starts_on)
    for day in sorted({starts_on, *(day for day in session.scalars(begins) if ends_on is None or day <= ends_on)}):
        compiled(Stack(rules_of(session, [jurisdiction], day)), day)
    _log(session, now, by, "rate set", jurisdiction, f"{tax_class} {shown(percent)} {_days(starts_on, ends_on)}")
    return rate


def raise_rate(session: Session, now: datetime, by: By, rate: TaxRate, percent: Decimal, *, from_day: date) -> TaxRate:
    """Another percent from a day on, as a row of its own. Refuses what `change_rate` refuses."""
    before = rate.percent
    made = change_rate(session, rate, percent, from_day=from_day)
    detail = f"{rate.tax_class} {shown(before)} to {shown(percent)} from {from_day}"
    _log(session, now, by, "rate changed", _whose(session, rate), detail)
    return made


def finish_rate(session: Session, now: datetime, by: By, rate: TaxRate, ends_on: date) -> None:
    """The rate's last day. Refuses what `end_rate` refuses, and a day on which the class's next rate holds already."""
    later = select(func.min(TaxRate.starts_on)).where(
        TaxRate.jurisdiction_id == rate.jurisdiction_id, TaxRate.tax_class == rate.tax_class, TaxRate.starts_on > rate.starts_on
    )
    follows = session.scalar(later)
    if follows is not None and ends_on >= follows:
        raise Refusal(f"The next rate for {rate.tax_class} begins on {follows}: end this one before that day.")
    end_rate(session, rate, ends_on)
    _log(session, now, by, "rate ended", _whose(session, rate), f"{rate.tax_class} {shown(rate.percent)} on {ends_on}")


def withdraw_rate(session: Session, now: datetime, by: By, rate: TaxRate) -> None:
    """Take back a rate that no ticket was taxed at. Refuses one that was used: it can only end."""
    last = last_use(session, rate.id)
    if last is not None:
        raise Refusal(f"A ticket of {last} was taxed at this rate: it cannot be taken back. End it instead.")
    _log(
        session,
        now,
        by,
        "rate taken back",
        _whose(session, rate),
        f"{rate.tax_class} {shown(rate.percent)} {_days(rate.starts_on, rate.ends_on)}",
    )
    session.delete(rate)
    session.flush()


# --- rules ----------------------------------------------------------------------------------------------------------------


def begin_rule(
    session: Session,
    now: datetime,
    by: By,
    jurisdiction: Jurisdiction,
    kind: str,
    terms: Mapping[str, Any],
    *,
    starts_on: date,
    ends_on: date | None,
    tiers: Mapping[str, Decimal] | None = None,
) -> TaxRule:
    """A rule, with the rates of those upper tiers that have none yet, over the same days.

    Refuses what `add_rule` refuses, the same rule a second time (a form sent twice), and days that tickets were taxed on: they
    keep their tax, and the month-end, which taxes them again, would find another.
    """
    rows = select(TaxRule).where(
        TaxRule.jurisdiction_id == jurisdiction.id,
        TaxRule.kind == kind,
        TaxRule.starts_on <= (ends_on or date.max),
        or_(TaxRule.ends_on.is_(None), TaxRule.ends_on >= starts_on),
    )
    for there in session.scalars(rows):
        if there.terms == terms:
            raise Refusal(f"This very rule is set already {_days(there.starts_on, there.ends_on)}: end that one first.")
    for name, percent in (tiers or {}).items():
        set_rate(session, jurisdiction, percent, tax_class=name, starts_on=starts_on, ends_on=ends_on)
    rule = add_rule(session, jurisdiction, kind, terms, starts_on=starts_on, ends_on=ends_on)
    refuse_taxed_days(session, jurisdiction, Span(starts_on, ends_on), "rule")
    rates = "".join(f", {name} {shown(percent)}" for name, percent in (tiers or {}).items())
    _log(session, now, by, "tax rule set", jurisdiction, f"{kind} {_days(starts_on, ends_on)}{rates}")
    return rule


def finish_rule(session: Session, now: datetime, by: By, rule: TaxRule, ends_on: date) -> None:
    """The rule's last day, not later than it was: a longer rule is a further one, held against the others like any.

    Refuses a day before a ticket that was taxed while the rule held.
    """
    if rule.ends_on is not None and ends_on > rule.ends_on:
        raise Refusal(f"The rule ends on {rule.ends_on} already: add another one for the days after.")
    if rule.starts_on <= ends_on < (rule.ends_on or date.max):
        last = last_ticket(session, rule.jurisdiction_id, Span(ends_on + timedelta(days=1), rule.ends_on))
        if last is not None:
            raise Refusal(f"A ticket of {last} was taxed while this rule held: end it on that day or later, not on {ends_on}.")
    end_rule(session, rule, ends_on)
    _log(session, now, by, "tax rule ended", _whose(session, rule), f"{rule.kind} from {rule.starts_on} on {ends_on}")


def withdraw_rule(session: Session, now: datetime, by: By, rule: TaxRule) -> None:
    """Take back a rule and its upper tiers' rates. Refuses once its jurisdiction's tax was worked out in its days."""
    last = last_ticket(session, rule.jurisdiction_id, Span(rule.starts_on, rule.ends_on))
    if last is not None:
        raise Refusal(f"A ticket of {last} was taxed while this rule held: it cannot be taken back. End it instead.")
    _log(session, now, by, "tax rule taken back", _whose(session, rule), f"{rule.kind} {_days(rule.starts_on, rule.ends_on)}")
    others = select(TaxRule).where(TaxRule.jurisdiction_id == rule.jurisdiction_id, TaxRule.id != rule.id)
    for name in set(tier_names(rule.terms)) - all_tier_names(session.scalars(others).all()):
        rows = select(TaxRate).where(TaxRate.jurisdiction_id == rule.jurisdiction_id, TaxRate.tax_class == name)
        for rate in session.scalars(rows).all():
            withdraw_rate(session, now, by, rate)
    session.delete(rule)
    session.flush()


def tier_rates(session: Session, jurisdiction: Jurisdiction, names: Sequence[str], on: date) -> dict[str, Decimal]:
    """The percents of upper tiers on a day; a name without a rate that day is left out."""
    rows = select(TaxRate).where(
        TaxRate.jurisdiction_id == jurisdiction.id,
        TaxRate.tax_class.in_(names),
        TaxRate.starts_on <= on,
        or_(TaxRate.ends_on.is_(None), TaxRate.ends_on >= on),
    )
    return {rate.tax_class: rate.percent for rate in session.scalars(rows)}


def all_tier_names(rules: Sequence[TaxRule]) -> set[str]:
    """Names of every upper tier of rules: classes of rates that are no class of goods."""
    return {name for rule in rules for name in tier_names(rule.terms)}


# --- settings -------------------------------------------------------------------------------------------------------------

OWN = ("owed_by", "layaway_at", "office")
"""What a setting says for itself; all else is the office's, and alike wherever the office is named."""


@dataclass(frozen=True)
class Scope:
    """Whom a setting is of: a state or a jurisdiction, at one mall or at all."""

    state_fips: str | None = None
    jurisdiction: Jurisdiction | None = None
    mall_id: int | None = None

    @property
    def words(self) -> str:
        what = f"state {self.state_fips}" if self.jurisdiction is None else self.jurisdiction.code
        return what if self.mall_id is None else f"{what} at mall {self.mall_id}"


def terms_in(setting: TaxSetting) -> Terms:
    """What a stored setting says."""
    said = {name: getattr(setting, name) for name in asdict(Terms())}
    return Terms(**{**said, "closed_days": tuple(setting.closed_days)})


def change_setting(
    session: Session,
    now: datetime,
    by: By,
    scope: Scope,
    terms: Terms,
    *,
    starts_on: date,
    layaways: Iterable[tuple[int, date]],
    everywhere: bool = False,
) -> TaxSetting:
    """A setting from a day on; `everywhere` gives its office the same terms in every other setting that names it.

    `layaways`, of whoever knows the tickets: those that open months have taxed, by mall and the day of the agreement.
    Refuses what `set_setting` refuses, an office that reads like another in addresses, terms that would contradict another
    setting of the office (its return could not be drawn up), those that would take a filed return's period away, and those by
    which such a layaway would have been taxed on another day.
    """
    settings = Settings(session)
    before = settings.kept()
    alike = [name for name in settings.offices() if slug(name) == slug(terms.office) and name != terms.office]
    if terms.office and alike:
        raise Refusal(f"There is an office called {alike[0]}: write the same name, or one that differs in more than its marks.")
    made = set_setting(
        session,
        terms,
        starts_on=starts_on,
        state_fips=scope.state_fips,
        jurisdiction=scope.jurisdiction,
        mall_id=scope.mall_id,
    )
    _log_setting(session, now, by, scope, terms, starts_on)
    if terms.office:
        if everywhere:
            _give_everywhere(session, now, by, made, terms)
        settings = Settings(session)
        for day in sorted({starts_on, *(day for day in settings.starts if day > starts_on)}):
            settings.terms(terms.office, day)
    _keep_filed_periods(session, starts_on)
    _keep_who_owed(session, before, starts_on)
    _keep_layaways(session, before, layaways)
    return made


def _keep_filed_periods(session: Session, starts_on: date) -> None:
    """Refuse a setting under which a filed return's period would be none: its days would be filed twice, or it never amended."""
    settings = Settings(session)
    filed = (
        select(TaxReturn).where(TaxReturn.state == "filed", TaxReturn.last_day >= starts_on).order_by(TaxReturn.last_day.desc())
    )
    for one in session.scalars(filed):
        period = period_at(settings, one.office, one.first_day)
        if period is None or (period.first_day, period.last_day) != (one.first_day, one.last_day):
            raise Refusal(
                f"The return {one.number} is filed for {one.first_day} to {one.last_day}, which would be no period of "
                f"{one.office} any more: begin on {one.last_day + timedelta(days=1)} or later."
            )


def _keep_who_owed(session: Session, before: Settings, starts_on: date) -> None:
    """Refuse another who owes the tax of what closed months hold: it passed to the dealers as they closed, or stayed."""
    after = Settings(session)
    closed = (
        select(Mall.id, func.max(Period.last_day))
        .join(Period, Period.mall_id == Mall.id)
        .where(Period.state == "closed", Period.last_day >= starts_on)
        .group_by(Mall.id)
    )
    sold_on = func.coalesce(TaxCharged.sold_on, TaxCharged.posting_date)
    for mall_id, last in session.execute(closed):
        for begin, end in after.parts(starts_on, last):
            other = [
                k for k in after.jurisdictions if before.dealers_owe(k, mall_id, begin) != after.dealers_owe(k, mall_id, begin)
            ]
            held = (TaxCharged.mall_id == mall_id) & sold_on.between(begin, end) & (TaxCharged.posting_date <= last)
            held &= TaxCharged.dealer_id.is_not(None)
            if other and session.scalar(select(exists().where(held, TaxCharged.jurisdiction_id.in_(other)))):
                raise Refusal(
                    f"The tax of closed months has gone to who owed it then: begin on {last + timedelta(days=1)} or later, "
                    "or leave who owes it as it is."
                )


def _keep_layaways(session: Session, before: Settings, layaways: Iterable[tuple[int, date]]) -> None:
    """Refuse another day for the tax of a layaway that has its tax: the month-end, which taxes it again, would find another."""
    after = Settings(session)
    taxing = set(session.scalars(select(TaxPlaceJurisdiction.jurisdiction_id)))

    def taxed_at(settings: Settings, mall_id: int, on: date) -> list[str]:
        found = [settings.of(key, mall_id, on) for key in sorted(taxing)]
        return [setting.layaway_at if setting else "completion" for setting in found]

    moved = [on for mall_id, on in set(layaways) if taxed_at(before, mall_id, on) != taxed_at(after, mall_id, on)]
    if moved:
        raise Refusal(
            f"A layaway of {max(moved)} was taxed by the day that was set then and keeps its tax: begin on "
            f"{max(moved) + timedelta(days=1)} or later, or leave when layaways are taxed as it is."
        )


def _give_everywhere(session: Session, now: datetime, by: By, made: TaxSetting, terms: Terms) -> None:
    """The office's terms in every other scope that names it, for the days on which this setting holds."""
    by_scope = Settings(session).by_scope
    follows = min((row.starts_on for row in by_scope[made.scope] if row.starts_on > made.starts_on), default=date.max)
    for scope, rows in by_scope.items():
        if scope == made.scope:
            continue
        began = [row for row in rows if row.starts_on <= made.starts_on]
        held = [(began[-1], made.starts_on)] if began else []
        held += [(row, row.starts_on) for row in rows if made.starts_on < row.starts_on < follows]
        for row, day in held:
            own = {name: getattr(row, name) for name in OWN}
            wanted = replace(terms, **own)
            if row.office == terms.office and terms_in(row) != wanted:
                jurisdiction = session.get(Jurisdiction, row.jurisdiction_id) if row.jurisdiction_id else None
                other = Scope(row.state_fips, jurisdiction, row.mall_id)
                set_setting(
                    session,
                    wanted,
                    starts_on=day,
                    state_fips=other.state_fips,
                    jurisdiction=other.jurisdiction,
                    mall_id=other.mall_id,
                )
                _log_setting(session, now, by, other, wanted, day)


def _log_setting(session: Session, now: datetime, by: By, scope: Scope, terms: Terms, starts_on: date) -> None:
    said = f"from {starts_on}: owed by {terms.owed_by}, layaways at {terms.layaway_at}"
    if terms.office:
        said += f", filed by the {terms.frequency}, due day {terms.due_day}"
    subject: Jurisdiction | str = scope.jurisdiction or f"state:{scope.state_fips}"
    _log(session, now, by, "tax setting set", subject, said + (f", mall {scope.mall_id}" if scope.mall_id else ""))
