"""Who takes a return and on which terms: the dated settings, the one that counts, and the periods they make."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from copy import copy
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import inspect, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.tax.domain.duedates import DueRule, due_on
from coop.tax.domain.returns import FilingPeriod, FilingRules, Frequency, period_of
from coop.tax.models import Jurisdiction, TaxSetting
from coop.tax.queries import due_rule, filing_rules, scopes_of


def slug(office: str) -> str:
    """An office's name in an address and in numbers: `elder-revenue-office`."""
    plain = re.sub(r"[^a-z0-9]+", "-", office.lower()).strip("-")
    return plain[:48].rstrip("-") or "office"


def return_number(office: str, period: FilingPeriod) -> str:
    """`elder-revenue-office.2026-09`; a quarter and a year say so: `elder-revenue-office.2026-07-quarter`."""
    return f"{slug(office)}.{period.first}" + ("" if period.frequency == "month" else f"-{period.frequency}")


# --- settings -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class OfficeTerms:
    """How an office takes returns from a day on."""

    frequency: Frequency
    year_begins: int
    rules: FilingRules
    due: DueRule

    def due_on(self, period: FilingPeriod) -> date:
        return due_on(period.last, self.due)


def terms_of(setting: TaxSetting) -> OfficeTerms:
    """A setting's terms. Raises Refusal, naming the setting, for terms that cannot be."""
    try:
        frequency: Frequency = setting.frequency  # type: ignore[assignment]
        return OfficeTerms(frequency, setting.year_begins, filing_rules(setting), due_rule(setting))
    except (ValueError, KeyError, TypeError, ArithmeticError) as error:
        raise Refusal(
            f"The tax setting {setting.scope} from {setting.starts_on} cannot be meant: {error} Set it again."
        ) from error


COLUMNS = tuple(attribute.key for attribute in inspect(TaxSetting).column_attrs)


class Settings:
    """Every tax setting, and which one counts: of one jurisdiction at one mall, else anywhere, else of its state so."""

    def __init__(self, session: Session) -> None:
        self.jurisdictions = {j.id: j for j in session.scalars(select(Jurisdiction).order_by(Jurisdiction.id))}
        self.by_scope: dict[str, list[TaxSetting]] = defaultdict(list)
        for setting in session.scalars(select(TaxSetting).order_by(TaxSetting.starts_on)):
            self.by_scope[setting.scope].append(setting)
        self.starts = sorted({s.starts_on for settings in self.by_scope.values() for s in settings})
        self.dealers_ever_owe = any(s.owed_by == "dealer" for settings in self.by_scope.values() for s in settings)

    def kept(self) -> Settings:
        """The same settings, which stay as they are whatever is set afterwards: setting one of a day again changes its row."""
        kept = copy(self)
        kept.by_scope = defaultdict(list)
        for scope, rows in self.by_scope.items():
            kept.by_scope[scope] = [TaxSetting(**{name: getattr(row, name) for name in COLUMNS}) for row in rows]
        return kept

    def of(self, jurisdiction_id: int, mall_id: int, on: date) -> TaxSetting | None:
        """The setting that counts for a jurisdiction at a mall on a day; None where nothing is set."""
        scopes = scopes_of(self.jurisdictions[jurisdiction_id], mall_id)
        found = (self._in_force(scope, on) for scope in scopes)
        return next((setting for setting in found if setting is not None), None)

    def _in_force(self, scope: str, on: date) -> TaxSetting | None:
        began = [setting for setting in self.by_scope.get(scope, ()) if setting.starts_on <= on]
        return began[-1] if began else None

    def dealers_owe(self, jurisdiction_id: int, mall_id: int, on: date) -> bool:
        setting = self.of(jurisdiction_id, mall_id, on)
        return setting is not None and setting.owed_by == "dealer"

    def offices(self) -> dict[str, date]:
        """Every office a setting names, and the day from which: name -> day."""
        named: dict[str, date] = {}
        for settings in self.by_scope.values():
            for setting in settings:
                if setting.office:
                    named[setting.office] = min(setting.starts_on, named.get(setting.office, setting.starts_on))
        return dict(sorted(named.items()))

    def terms(self, office: str, on: date) -> OfficeTerms | None:
        """The office's terms on a day; None when nothing is filed with it then. Refuses settings that contradict each other."""
        in_force = [setting for scope in self.by_scope if (setting := self._in_force(scope, on)) and setting.office == office]
        terms = [terms_of(setting) for setting in in_force]
        if any(one != terms[0] for one in terms):
            scopes = " and ".join(setting.scope for setting in in_force)
            raise Refusal(f"The tax settings {scopes} give {office} different terms on {on}: make them the same.")
        return terms[0] if terms else None

    def parts(self, first: date, last: date) -> Iterator[tuple[date, date]]:
        """The days cut where a setting starts, so that one setting counts throughout each part."""
        begins = [first, *(day for day in self.starts if first < day <= last)]
        for begin, after in zip(begins, [*begins[1:], None], strict=True):
            yield begin, (last if after is None else after - timedelta(days=1))


def office_called(settings: Settings, name: str) -> str | None:
    """The office whose name makes this slug."""
    return next((office for office in settings.offices() if slug(office) == name), None)


# --- periods ------------------------------------------------------------------------------------------------------------


def period_at(settings: Settings, office: str, day: date) -> FilingPeriod | None:
    """The office's period that a day lies in; None when nothing is filed with it then.

    Where terms change within what would be one period, its months are filed one by one until the new terms' next begins.
    """
    terms = settings.terms(office, day)
    if terms is None:
        return None
    period = period_of(day, terms.frequency, year_begins=terms.year_begins)
    ends = [settings.terms(office, period.first_day), settings.terms(office, period.last_day)]
    kinds = {(end.frequency, end.year_begins) if end else None for end in ends}
    return period if kinds == {(terms.frequency, terms.year_begins)} else FilingPeriod(Month.of(day), "month")


def periods_of(settings: Settings, office: str, since: date, until: date) -> list[FilingPeriod]:
    """The office's periods from the one `since` lies in to the one `until` lies in, the earliest first."""
    periods: list[FilingPeriod] = []
    day = since
    while day <= until:
        period = period_at(settings, office, day)
        if period is not None:
            periods.append(period)
        day = (period.last if period is not None else Month.of(day)).next.first_day
    return periods
