"""What floor costs: by the foot-week, by the piece-week, or nothing, by the day, in whole cents with the working.

A week is seven days, and a day a seventh of its price. Nothing is rounded but the sum, once, half-up: so the months of a stay
add up to the whole within a cent a month.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import groupby

from coop.core.geometry import IN16_PER_FOOT, format_length
from coop.core.money import format_dollars, round_half_up
from coop.core.periods import Month
from coop.core.words import joined

KINDS = ("free", "foot-week", "piece-week")


@dataclass(frozen=True)
class FeeRule:
    """`cents` for a foot of running length a week, or for a piece a week; a free one has no price whatever it says.

    Raises ValueError for another kind.
    """

    kind: str
    cents: int

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"The fee is {self.kind!r}: choose {joined(KINDS, 'or')}.")


@dataclass(frozen=True)
class Fee:
    """What is owed, and how it was worked out in words: `4' 6" × 2 weeks 3 days × $1.50 a foot-week`."""

    cents: int
    working: str


FREE = FeeRule("free", 0)


def months_of(
    rule_on: Callable[[date], FeeRule],
    length_in16: int,
    starts_on: date,
    ends_on: date,
    month: Month,
    *,
    free_days: int = 0,
) -> Fee:
    """What a stay owes for its days within one month, each by the rule of that day.

    `length_in16` is how much of it stands along the bay. `free_days` of the stay are free, from its first on, whichever month
    they are in: a sold piece waits to be fetched.
    """
    first, last = max(starts_on, month.first_day), min(ends_on, month.last_day)
    paid_from = starts_on + timedelta(days=free_days)

    def rule_of(day: date) -> FeeRule:
        rule = rule_on(day)
        return FREE if day < paid_from or rule.kind == "free" else rule

    days = (first + timedelta(days=n) for n in range((last - first).days + 1))
    spans = [(rule, len(list(span))) for rule, span in groupby(days, rule_of)]
    cents = round_half_up(sum((_exact(rule, length_in16, count) for rule, count in spans), Fraction(0)))
    return Fee(cents, " + ".join(_working(rule, length_in16, count) for rule, count in spans) or "no days")


def expected_fee(rule: FeeRule, length_in16: int, weeks: int) -> int:
    """Cents that whole weeks would bring."""
    return round_half_up(_exact(rule, length_in16, 7 * weeks))


def _exact(rule: FeeRule, length_in16: int, days: int) -> Fraction:
    if rule.kind == "free":
        return Fraction(0)
    feet = Fraction(length_in16, IN16_PER_FOOT) if rule.kind == "foot-week" else 1
    return rule.cents * feet * Fraction(days, 7)


def _working(rule: FeeRule, length_in16: int, days: int) -> str:
    weeks, rest = divmod(days, 7)
    span = " ".join(f"{count} {word}{'s' if count > 1 else ''}" for count, word in ((weeks, "week"), (rest, "day")) if count)
    if rule.kind == "free":
        return f"{span} free"
    length = f"{format_length(length_in16)} × " if rule.kind == "foot-week" else ""
    return f"{length}{span} × {format_dollars(rule.cents)} a {rule.kind}"
