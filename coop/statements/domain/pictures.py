"""What is drawn of a month: its sales by day and by the price of a piece, as sums and as bars. Figures only, no words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from coop.core.money import round_half_up
from coop.statements.domain.value import StatementValue

BANDS = (("under 10", 0), ("10–24.99", 10_00), ("25–99.99", 25_00), ("from 100", 100_00))
"""Bands of what a piece was sold for, in dollars, each from so many cents up. Round prices; common practice, no source."""
TOP = 100
"""Height of a picture: its highest bar is as high."""


@dataclass(frozen=True)
class Band:
    """What was sold at prices within a band."""

    label: str
    pieces: int
    cents: int


def sold_by_day(value: StatementValue) -> list[tuple[date, int]]:
    """Each day of the month and what was credited of sales on it; goods taken back are not taken off."""
    sums = dict.fromkeys(value.month.each_day(), 0)
    for line in value.sales:
        sums[line.credited_on] += line.price_cents
    return list(sums.items())


def sold_by_band(value: StatementValue) -> list[Band]:
    """What was sold by what one piece was sold for; goods taken back are not taken off."""
    return by_band((line.quantity, line.price_cents) for line in value.sales)


def by_band(sold: Iterable[tuple[int, int]]) -> list[Band]:
    """Lines, each its pieces and its cents, by what one piece was sold for."""
    pieces, cents = [0] * len(BANDS), [0] * len(BANDS)
    for quantity, price_cents in sold:
        each = Fraction(price_cents, max(1, quantity))
        at = max(n for n, (_, least) in enumerate(BANDS) if n == 0 or each >= least)
        pieces[at] += quantity
        cents[at] += price_cents
    return [Band(label, pieces[n], cents[n]) for n, (label, _) in enumerate(BANDS)]


def bars(amounts: Sequence[int], *, pitch: int, width: int) -> str:
    """The path of one bar an amount, side by side on a base line; an amount of nothing or less has no bar."""
    most = max((*amounts, 1))
    path = [f"M0 {TOP}h{pitch * len(amounts)}v1H0z"]
    for n, amount in enumerate(amounts):
        height = round_half_up(Fraction(max(0, amount) * TOP, most))
        if amount > 0:
            path.append(f"M{n * pitch + (pitch - width) // 2} {TOP}v-{max(1, height)}h{width}v{max(1, height)}z")
    return "".join(path)
