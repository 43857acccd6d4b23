"""Rent from dated facts: area x rate x days, with its working."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

from coop.core.geometry import format_sqft
from coop.core.money import Exact, format_dollars, round_half_up
from coop.core.periods import Month, days_within, prorate_actual


@dataclass(frozen=True)
class DatedRate:
    """A zone's price from a date on: dollars per square foot per month (`sqft`), or per month (`flat`)."""

    per: str
    price: Decimal
    starts_on: date


@dataclass(frozen=True)
class Rent:
    """A month's rent of one space in cents (zero or more), and how it came about."""

    amount_cents: int
    working: str


class NoRateError(Exception):
    """Some day of the span has no rate in force; the message names the day."""


def plain(value: Decimal) -> str:
    """A price as people write it: 2.25, 1.125, 45.00."""
    text = f"{value:.6f}".rstrip("0")
    whole, _, part = text.partition(".")
    return f"{whole}.{part.ljust(2, '0')}"


def month_rent(month: Month, *, area_sqft100: int, rates: Sequence[DatedRate], starts_on: date, ends_on: date | None) -> Rent:
    """Rent of one space for the days of a month it is held, by actual days, rounded once.

    A rate that changes within the month splits it; the parts are added before rounding, so that however a month is cut the same
    rate gives the same rent.

    Source of the proration: HUD Handbook 4350.3 as commonly described ($1,500 a month, in on April 17: 14/30, $700.00).
    """
    first, last = max(month.first_day, starts_on), min(month.last_day, ends_on or month.last_day)
    if first > last:
        return Rent(0, "no days in this month")
    total, parts = Fraction(0), []
    for rate, begin, end in _spans(sorted(rates, key=lambda r: r.starts_on), first, last):
        days = days_within(month, begin, end)
        units = Fraction(area_sqft100, 100) if rate.per == "sqft" else Fraction(1)
        total += units * Fraction(rate.price) * prorate_actual(month, begin, end)
        price = f"${plain(rate.price)} a month"
        if rate.per == "sqft":
            price = f"{format_sqft(area_sqft100)} sq ft × {price}"
        parts.append(price if days == month.days else f"{price} × {days}/{month.days} days")
    return Rent(round_half_up(total * 100), " + ".join(parts))


def _spans(rates: Sequence[DatedRate], first: date, last: date) -> list[tuple[DatedRate, date, date]]:
    """Each rate with the days of [first, last] it is in force."""
    spans = []
    for n, rate in enumerate(rates):
        end = rates[n + 1].starts_on - timedelta(days=1) if n + 1 < len(rates) else last
        begin, end = max(first, rate.starts_on), min(last, end)
        if begin <= end:
            spans.append((rate, begin, end))
    if not spans or spans[0][1] > first:
        raise NoRateError(f"there is no rate in force on {first}")
    return spans


def commission(net_cents: int, percent: Exact) -> Rent:
    """Commission on a month's net sales in cents, rounded once. A negative month gives commission back."""
    amount = round_half_up(Fraction(net_cents) * Fraction(percent) / 100)
    return Rent(amount, f"{plain_percent(percent)}% of {format_dollars(net_cents)}")


def plain_percent(percent: Exact) -> str:
    text = f"{Decimal(percent):f}" if isinstance(percent, int | Decimal) else str(percent)
    return text.rstrip("0").rstrip(".") if "." in text else text
