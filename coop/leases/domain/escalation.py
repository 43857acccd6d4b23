"""How a lease's price rises: a fixed percent, dated steps, or the Consumer Price Index.

Each function gives the raises that have begun by a day: what the first price is multiplied by from a date on, with words for the
working. Raises compound: each is over what came before it. Prices agreed in dollars for dates to come need no raise: they are
dated rates of the lease's own.

Sources: index point and percent change, base month, and caps and floors as the Bureau of Labor Statistics describes them in "How
to Use the Consumer Price Index for Escalation"; the rest is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from coop.core.money import Exact, exact, round_half_up
from coop.core.periods import Month, add_months, shown_day
from coop.leases.domain.figures import TermsError, checked_percent, plain_percent


@dataclass(frozen=True)
class Raise:
    """From a day on, until the next raise: the first price times `factor`; `words` are that factor in the working."""

    starts_on: date
    factor: Fraction
    words: str


@dataclass(frozen=True)
class Step:
    """A raise agreed by its date: so many percent (less, when negative) over what was paid before."""

    starts_on: date
    percent: Exact


@dataclass(frozen=True)
class CpiTerms:
    """The price follows an index every so many months from the lease's first day.

    The first adjustment compares with the index of `base`; each later one with the index the one before it used. An adjustment
    uses the index of the month that lies `lag_months` before it, since an index is published after its month. Each adjustment is
    held between `floor_percent` and `cap_percent`, where given; `decimals` rounds its percent first, as BLS publishes one.
    """

    starts_on: date
    base: Month
    every_months: int = 12
    lag_months: int = 2
    cap_percent: Exact | None = None
    floor_percent: Exact | None = None
    decimals: int | None = None

    def __post_init__(self) -> None:
        _check_interval(self.every_months)
        if self.lag_months < 0:
            raise TermsError(f"The index's lag is {self.lag_months} months: it cannot be negative.")
        cap, floor = self.cap_percent, self.floor_percent
        if cap is not None and floor is not None and exact(cap) < exact(floor):
            said = f"The floor of {plain_percent(floor)}% is above the cap of {plain_percent(cap)}%"
            raise TermsError(f"{said}: turn them round.")


@dataclass(frozen=True)
class IndexChange:
    """What BLS calls index point change and percent change; the percent is exact."""

    points: Fraction
    percent: Fraction

    @property
    def published_percent(self) -> Decimal:
        """To one decimal, half-up, as BLS publishes it."""
        return Decimal(round_half_up(self.percent * 10)).scaleb(-1)


def index_change(base: Exact, current: Exact) -> IndexChange:
    """From one index value to another. Raises TermsError for a value that is not above zero."""
    for value in (base, current):
        if exact(value) <= 0:
            raise TermsError(f"The index value {value} is not above zero: write it as published, such as 322.561.")
    points = exact(current) - exact(base)
    return IndexChange(points, points / exact(base) * 100)


def fixed_raises(percent: Exact, starts_on: date, until: date, *, every_months: int = 12) -> tuple[Raise, ...]:
    """The same percent each anniversary of the lease's first day, or every so many months. Source: common practice, no source."""
    _check_interval(every_months)
    factor = 1 + checked_percent(percent, "the raise", least=-99, most=None) / 100
    raises = []
    for n, day in enumerate(_anniversaries(starts_on, every_months, until), start=1):
        if n == 1:
            words = f"{plain_percent(factor)} ({_more(percent)} from {shown_day(day)})"
        else:
            words = f"{plain_percent(factor)}^{n} ({_more(percent)}, {n} times by {shown_day(day)})"
        raises.append(Raise(day, factor**n, words))
    return tuple(raises)


def stepped_raises(steps: Sequence[Step], until: date) -> tuple[Raise, ...]:
    """Raises agreed by their dates. Raises TermsError for two on one day. Source: common practice, no source."""
    days = [step.starts_on for step in steps]
    for day in days:
        if days.count(day) > 1:
            raise TermsError(f"Two steps begin on {shown_day(day)}: make them one.")
    raises: list[Raise] = []
    factor, words = Fraction(1), []
    for step in sorted(steps, key=lambda s: s.starts_on):
        own = 1 + checked_percent(step.percent, f"the step on {shown_day(step.starts_on)}", least=-99, most=None) / 100
        factor *= own
        words.append(f"{plain_percent(own)} ({_more(step.percent)} from {shown_day(step.starts_on)})")
        raises.append(Raise(step.starts_on, factor, " × ".join(words)))
    return tuple(r for r in raises if r.starts_on <= until)


def cpi_raises(terms: CpiTerms, indexes: Mapping[date, Decimal], until: date) -> tuple[Raise, ...]:
    """Raises by the index; `indexes` has a value under any day of its month. Raises TermsError naming a month without one."""
    values = _by_month(indexes)
    plainly = terms.cap_percent is None and terms.floor_percent is None and terms.decimals is None
    raises, words = [], []
    before, factor = terms.base, Fraction(1)
    for day in _anniversaries(terms.starts_on, terms.every_months, until):
        month = Month.of(add_months(date(day.year, day.month, 1), -terms.lag_months))
        if month <= terms.base:
            raise TermsError(
                f"The raise on {shown_day(day)} uses the CPI of {month.name}, which is not after the base {terms.base.name}: "
                "choose an earlier base or a shorter lag."
            )
        then, now = _value(values, before), _value(values, month)
        own, said = _adjustment(terms, then, now, f"CPI of {month.name} over {before.name}")
        factor *= own
        words.append(said)
        # Without cap, floor or rounding the index cancels out in between: the last over the base is the whole of it.
        whole = f"{now}/{_value(values, terms.base)} (CPI of {month.name} over {terms.base.name})"
        raises.append(Raise(day, factor, whole if plainly else " × ".join(words)))
        before = month
    return tuple(raises)


def _adjustment(terms: CpiTerms, then: Decimal, now: Decimal, name: str) -> tuple[Fraction, str]:
    exactly = index_change(then, now).percent
    percent = exactly
    if terms.decimals is not None:
        percent = Fraction(round_half_up(percent * 10**terms.decimals), 10**terms.decimals)
    shown, note = percent, ""
    if terms.cap_percent is not None and percent > exact(terms.cap_percent):
        percent, note = exact(terms.cap_percent), f", at most {plain_percent(terms.cap_percent)}%"
    elif terms.floor_percent is not None and percent < exact(terms.floor_percent):
        percent, note = exact(terms.floor_percent), f", at least {plain_percent(terms.floor_percent)}%"
    if percent == exactly:
        return 1 + percent / 100, f"{now}/{then} ({name})"
    about = plain_percent(shown) if terms.decimals is not None else plain_percent(Fraction(round_half_up(shown * 100), 100))
    return 1 + percent / 100, f"{plain_percent(1 + percent / 100)} ({name}: {about}%{note})"


def _anniversaries(starts_on: date, every_months: int, until: date) -> list[date]:
    """Every so many months after the first day, through `until`; on the last of a month that has no such day."""
    days: list[date] = []
    while (day := add_months(starts_on, every_months * (len(days) + 1))) <= until:
        days.append(day)
    return days


def _by_month(indexes: Mapping[date, Decimal]) -> dict[Month, Decimal]:
    values: dict[Month, Decimal] = {}
    for day, value in indexes.items():
        if Month.of(day) in values:
            raise TermsError(f"There are two CPI values for {Month.of(day).name}: keep the published one.")
        values[Month.of(day)] = value
    return values


def _value(values: Mapping[Month, Decimal], month: Month) -> Decimal:
    if month not in values:
        raise TermsError(f"There is no CPI value for {month.name}: enter the published one.")
    return values[month]


def _check_interval(every_months: int) -> None:
    if every_months < 1:
        raise TermsError(f"The price rises every {every_months} months: write 1 or more, such as 12.")


def _more(percent: Exact) -> str:
    return f"{plain_percent(percent)}% more" if exact(percent) >= 0 else f"{plain_percent(-exact(percent))}% less"
