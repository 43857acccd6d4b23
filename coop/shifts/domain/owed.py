"""How many turns a member owes at a mall in a month: day by day, so that whoever comes, goes or changes owes for the days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from coop.core.money import format_decimal, round_half_up
from coop.core.periods import Month, shown_days

HUNDRED = Decimal(100)
ONE = timedelta(days=1)
LONGEST = 300
"""Letters of a working, as the account of turns keeps it."""


@dataclass(frozen=True)
class Owing:
    """What of the house rules says how much is owed: turns a month."""

    base: Decimal
    by_area: tuple[tuple[int, int], ...] = ()
    """(leased area in hundredths of a square foot, turns in hundredths) upwards: from so much on, so many more; not added up."""
    most: Decimal = Decimal(31)
    new_days: int = 0


@dataclass(frozen=True)
class Part:
    """A space held over days, with the percent of it that is this lease's."""

    starts_on: date
    ends_on: date | None
    area_sqft100: int
    share_percent: Decimal = HUNDRED


@dataclass(frozen=True)
class Held:
    """A lease over days with the spaces held under it or shared."""

    starts_on: date
    ends_on: date | None
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True)
class Fact:
    """A dated fact that lowers what is owed: `exempt`, or `office` with the turns a month that it is worth."""

    kind: str
    starts_on: date
    ends_on: date | None
    words: str = ""
    less: Decimal = Decimal(0)


@dataclass(frozen=True)
class Owed:
    """Turns owed in a month, to the hundredth, and how they come about, in words."""

    turns: Decimal
    working: str


def _on(thing: Held | Part | Fact, day: date) -> bool:
    return thing.starts_on <= day and (thing.ends_on is None or day <= thing.ends_on)


def turns_words(turns: Decimal | Fraction | int) -> str:
    """`1 turn`, `2.5 turns`, `0.93 turns`"""
    hundredths = round_half_up(Fraction(turns) * 100)
    text = format_decimal(Decimal(hundredths) / 100)
    return f"{text} turn{'' if text == '1' else 's'}"


def _number(turns: Decimal | Fraction | int) -> str:
    return turns_words(turns).partition(" ")[0]


def lease_turns(rules: Owing, lease: Held, day: date) -> tuple[Fraction, str]:
    """What one lease owes a month as it stands on a day, and how, in words.

    The base and what its area adds. A lease that holds only parts of shared booths owes that part of what whole ones would:
    two who share a booth by halves owe a half each. One without a space owes the base.
    """
    parts = [part for part in lease.parts if _on(part, day)]
    held = [(Fraction(part.share_percent) / 100, part.area_sqft100) for part in parts]
    weight = min(Fraction(1), sum((share for share, _ in held), Fraction(0))) if held else Fraction(1)
    area = sum((share * area for share, area in held), Fraction(0)) / weight
    more = max(((least, turns) for least, turns in rules.by_area if area >= least), default=(0, 0))[1]
    whole = Fraction(rules.base) + Fraction(more, 100)
    said = _number(rules.base)
    if more:
        said = f"{said} and {_number(Fraction(more, 100))} for {_number(area / 100)} sq ft"
    if weight != 1:
        said = f"{_number(weight * 100)}% of {said}" if not more else f"{_number(weight * 100)}% of ({said})"
    return weight * whole, said


def _of_day(rules: Owing, joined_on: date, leases: Sequence[Held], facts: Sequence[Fact], day: date) -> tuple[Fraction, str]:
    """Turns a month as the day has it, and why."""
    running = [lease for lease in leases if _on(lease, day)]
    if not running:
        return Fraction(0), ""
    exempt = next((fact for fact in facts if fact.kind == "exempt" and _on(fact, day)), None)
    if exempt is not None:
        return Fraction(0), f"exempt{f' ({exempt.words})' if exempt.words else ''}"
    if (day - joined_on).days < rules.new_days:
        return Fraction(0), "new"
    each = [lease_turns(rules, lease, day) for lease in running]
    owed = sum((turns for turns, _ in each), Fraction(0))
    said = " and ".join(words for _, words in each)
    if owed > Fraction(rules.most):
        owed, said = Fraction(rules.most), f"{_number(rules.most)} at most"
    for fact in facts:
        if fact.kind == "office" and _on(fact, day):
            owed -= Fraction(fact.less)
            said = f"{said} less {_number(fact.less)} ({fact.words or 'an office'})"
    return max(owed, Fraction(0)), said


def _steps(
    rules: Owing, month: Month, joined_on: date, left_on: date | None, leases: Sequence[Held], facts: Sequence[Fact]
) -> list[tuple[date, date]]:
    """The month in stretches of days within which nothing begins or ends: each day of one owes the same."""
    dated: list[Held | Part | Fact] = [*leases, *facts, *(part for lease in leases for part in lease.parts)]
    begins = {month.first_day, joined_on, *(thing.starts_on for thing in dated)}
    begins |= {day + ONE for day in (left_on, *(thing.ends_on for thing in dated)) if day is not None and day < month.last_day}
    if joined_on <= month.last_day:
        begins.add(joined_on + timedelta(days=rules.new_days))
    firsts = sorted(day for day in begins if day in month)
    return [(first, after - ONE) for first, after in pairwise([*firsts, month.last_day + ONE])]


def month_owed(
    rules: Owing, month: Month, joined_on: date, left_on: date | None, leases: Sequence[Held], facts: Sequence[Fact]
) -> Owed | None:
    """What is owed in a month, or None for one who held no lease on any of its days.

    Each day counts as its part of the month; days before joining, after leaving, without a lease, while new and while exempt
    owe nothing. Rounded once, to the hundredth, half up.
    """
    spans: list[tuple[date, date, Fraction, str]] = []
    for first, last in _steps(rules, month, joined_on, left_on, leases, facts):
        if first < joined_on or (left_on is not None and first > left_on):
            continue
        rate, said = _of_day(rules, joined_on, leases, facts, first)
        if not said:
            continue
        if spans and spans[-1][1] == first - ONE and spans[-1][2:] == (rate, said):
            spans[-1] = (spans[-1][0], last, rate, said)
        else:
            spans.append((first, last, rate, said))
    if not spans:
        return None
    owed = sum((rate * ((last - first).days + 1) / month.days for first, last, rate, _ in spans), Fraction(0))
    turns = Decimal(round_half_up(owed * 100)) / 100
    return Owed(turns, _working(month, spans, turns))


def _working(month: Month, spans: Sequence[tuple[date, date, Fraction, str]], turns: Decimal) -> str:
    """`2 and 1 for 240 sq ft` of a whole month; else each span with its days."""
    total = _number(turns)
    if len(spans) == 1 and spans[0][:2] == (month.first_day, month.last_day):
        said = spans[0][3]
        return said if said == total else f"{said} = {total}"
    told = []
    for first, last, rate, said in spans:
        days = (last - first).days + 1
        part = f", {days} of {month.days} days" if rate else ""
        told.append(f"{shown_days(first, last).rpartition(',')[0]}: {said}{part}")
    cut = list(told)
    while len(f"{'; '.join(told)} = {total}") > LONGEST:
        cut.pop()
        told = [*cut, "..."]
    return f"{'; '.join(told)} = {total}"
