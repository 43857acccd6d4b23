"""Discounts off the rent: introductory months, member, prepayment. Source: common practice, no source.

They are taken in that order, whatever order they are handed in, each off what the one before it left, each rounded to the cent on
its own since each is a figure the dealer reads. Nothing is ever below zero. Of two of one kind the one that began first is
first, and of two of one day dollars come before a percent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from coop.core.money import Exact, format_dollars, round_half_up
from coop.core.periods import add_months, shown_day
from coop.leases.domain.figures import Rent, TermsError, checked_percent, plain_percent
from coop.leases.domain.proration import part_of_month
from coop.leases.domain.rent import Piece

ORDER = ("introductory", "member", "prepayment")
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Discount:
    """Off the rent of the days from one to another (None: no end): a percent, or dollars a whole month. One of the two.

    `name` completes "less 10% ...": `for members`. A free month is 100 percent.
    """

    kind: str
    name: str
    starts_on: date
    ends_on: date | None
    percent: Exact | None = None
    flat_cents: int | None = None

    def __post_init__(self) -> None:
        if self.kind not in ORDER:
            raise TermsError(f"The discount {self.name} is of kind {self.kind!r}: choose introductory, member or prepayment.")
        if (self.percent is None) == (self.flat_cents is None):
            raise TermsError(f"The discount {self.name} is a percent or dollars a month: write one of the two.")
        if self.percent is not None:
            checked_percent(self.percent, f"the discount {self.name}")
        if self.flat_cents is not None and self.flat_cents < 0:
            raise TermsError(f"The discount {self.name} is {format_dollars(self.flat_cents)}: it cannot be negative.")
        if self.ends_on is not None and self.ends_on < self.starts_on:
            raise TermsError(
                f"The discount {self.name} ends on {shown_day(self.ends_on)}, before it starts on {shown_day(self.starts_on)}."
            )


def introductory(
    name: str, starts_on: date, months: int, *, percent: Exact | None = None, flat_cents: int | None = None
) -> Discount:
    """A discount of a lease's first so many months, counted from its first day: three from April 17 end on July 16."""
    if months < 1:
        raise TermsError(f"The introductory months are {months}: write 1 or more.")
    return Discount("introductory", name, starts_on, add_months(starts_on, months) - _DAY, percent, flat_cents)


@dataclass
class _Stretch:
    """Days with one rent and the same discounts: what is left of it, and the part of a month they are."""

    starts_on: date
    ends_on: date
    cents: Fraction
    part: Fraction


def discounted(rent: Rent, pieces: Sequence[Piece], discounts: Sequence[Discount]) -> tuple[Rent, list[Rent]]:
    """The rent after its discounts, and each discount's amount with its words.

    `rent` is what the pieces (of one or more spaces, one month, one method) came to in cents. A discount that begins or ends
    within the month takes its percent off the rent of its own days, and its dollars by the same part of the month.
    """
    stretches = _stretches(rent, pieces, discounts)
    left, taken, working = rent.amount_cents, [], rent.working
    for discount in sorted(discounts, key=_place):
        held = [s for s in stretches if discount.starts_on <= s.starts_on and (discount.ends_on or date.max) >= s.ends_on]
        base = sum((s.cents for s in held), Fraction(0))
        part = sum((s.part for s in held), Fraction(0))
        if base <= 0:
            continue
        if discount.percent is not None:
            exactly = base * checked_percent(discount.percent, discount.name) / 100
            words = f"{plain_percent(discount.percent)}% {discount.name}"
        else:
            exactly = min(base, Fraction(discount.flat_cents or 0) * part)
            words = f"{format_dollars(discount.flat_cents or 0)} a month {discount.name}"
        amount = min(round_half_up(exactly), left)
        if len(held) < len(stretches):
            words += f" from {shown_day(held[0].starts_on)} to {shown_day(held[-1].ends_on)}"
        taken.append(Rent(amount, words))
        working += f", less {words} ({format_dollars(amount)})"
        for s in held:
            s.cents -= s.cents * exactly / base
        left -= amount
        _rescale(stretches, left)
    return Rent(left, working), taken


def _place(d: Discount) -> tuple[int, date, bool, str, date, Fraction]:
    """Its place in the order, to the last term, so that two that differ at all never change places."""
    amount = Fraction(d.flat_cents or 0) + Fraction(d.percent or 0)
    return ORDER.index(d.kind), d.starts_on, d.flat_cents is None, d.name, d.ends_on or date.max, amount


def _stretches(rent: Rent, pieces: Sequence[Piece], discounts: Sequence[Discount]) -> list[_Stretch]:
    begins = {piece.starts_on for piece in pieces} | {piece.ends_on + _DAY for piece in pieces}
    begins |= {d.starts_on for d in discounts} | {d.ends_on + _DAY for d in discounts if d.ends_on}
    stretches = []
    days = sorted(begins)
    for first, following in pairwise(days):
        last = following - _DAY
        there = [piece for piece in pieces if piece.starts_on <= first and last <= piece.ends_on]
        if there:
            cents = sum((piece.dollars(first, last) for piece in there), Fraction(0)) * 100
            stretches.append(_Stretch(first, last, cents, part_of_month(there[0].month, first, last, there[0].method)))
    # What was rounded (or shared by largest remainder) is what the discounts are of.
    _rescale(stretches, rent.amount_cents)
    return stretches


def _rescale(stretches: Sequence[_Stretch], total_cents: int) -> None:
    whole = sum((s.cents for s in stretches), Fraction(0))
    for s in stretches:
        s.cents = s.cents * total_cents / whole if whole else Fraction(0)
