"""Which charge each payment settles, and how old what is left is.

Payments and month-end sales credits settle the oldest charge first (by due day, then key), leaving out what is in dispute. Money
that finds nothing due waits as a credit, and settles what falls due next. Each day's money is taken together, so the order of
payments on one day decides nothing about what stays open; and a later day changes nothing settled before it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from coop.core.money import format_dollars
from coop.leases.domain.figures import TermsError


@dataclass(frozen=True)
class Owed:
    """A charge: its key, the day it is due, its cents above zero, and the days it is in dispute (until None: still).

    On the day it is decided it is in dispute no more: what was decided holds from that day.
    """

    key: str
    due_on: date
    amount_cents: int
    kind: str = "rent"
    disputed_from: date | None = None
    disputed_until: date | None = None

    def __post_init__(self) -> None:
        if self.amount_cents <= 0:
            raise TermsError(f"Charge {self.key} is {format_dollars(self.amount_cents)}: hand a credit in as a payment.")
        if self.disputed_until is not None and (self.disputed_from is None or self.disputed_until < self.disputed_from):
            raise TermsError(f"The dispute of charge {self.key} ends before it begins: turn the dates round.")

    def in_dispute(self, day: date) -> bool:
        return self.was_in_dispute(day) and self.disputed_until != day

    def was_in_dispute(self, day: date) -> bool:
        """For a part of the day at least."""
        return self.disputed_from is not None and self.disputed_from <= day and (self.disputed_until or date.max) >= day


@dataclass(frozen=True)
class Paid:
    """Money of a dealer, above zero: a payment, a month-end's sales credit, a charge given back.

    One that came back (a bounced check) is left out. `disputed` is one that may yet come back.
    """

    key: str
    on: date
    amount_cents: int
    disputed: bool = False

    def __post_init__(self) -> None:
        if self.amount_cents <= 0:
            raise TermsError(f"Payment {self.key} is {format_dollars(self.amount_cents)}: hand in what came in, above zero.")


@dataclass(frozen=True)
class Settled:
    """So much of a charge settled by so much of a payment, on the day when both were there."""

    owed: str
    paid: str
    on: date
    amount_cents: int


@dataclass(frozen=True)
class Settlement:
    """What was settled through a day; what is open by charge (zero when settled; those not yet due too); what waits as credit."""

    settled: tuple[Settled, ...]
    open_cents: Mapping[str, int]
    credit_cents: Mapping[str, int]


def settle(owed: Sequence[Owed], paid: Sequence[Paid], through: date) -> Settlement:
    """Settle charges by payments through a day, that day included. Raises TermsError for two of one key."""
    for keys, what in (([o.key for o in owed], "charges"), ([p.key for p in paid], "payments")):
        twice = next((key for key in keys if keys.count(key) > 1), None) if len(set(keys)) < len(keys) else None
        if twice is not None:
            raise TermsError(f"Two {what} are called {twice}: give each its own key.")
    open_cents = {o.key: o.amount_cents for o in owed}
    left = {p.key: p.amount_cents for p in paid if p.on <= through}
    queue = sorted(owed, key=lambda o: (o.due_on, o.key))
    money = deque(sorted((p for p in paid if p.on <= through), key=lambda p: (p.on, p.key)))
    days = {o.due_on for o in owed} | {p.on for p in paid} | {day for o in owed if (day := o.disputed_until)}
    settled: list[Settled] = []
    for day in sorted(d for d in days if d <= through):
        if not money:
            break
        if money[0].on > day:
            continue
        for charge in queue:
            if charge.due_on > day or not money or money[0].on > day:
                break
            while money and money[0].on <= day and open_cents[charge.key] and not charge.in_dispute(day):
                payment = money[0]
                amount = min(left[payment.key], open_cents[charge.key])
                settled.append(Settled(charge.key, payment.key, day, amount))
                open_cents[charge.key] -= amount
                left[payment.key] -= amount
                if not left[payment.key]:
                    money.popleft()
        queue = [charge for charge in queue if open_cents[charge.key]]
    return Settlement(tuple(settled), open_cents, {key: cents for key, cents in left.items() if cents})


@dataclass(frozen=True)
class Arrears:
    """What is open by its age in cents. What is in dispute is apart, in no age; so is credit that waits: it is never netted."""

    current_cents: int = 0
    days_1_30_cents: int = 0
    days_31_60_cents: int = 0
    days_61_90_cents: int = 0
    over_90_cents: int = 0
    disputed_cents: int = 0
    credit_cents: int = 0

    @property
    def ages(self) -> tuple[int, int, int, int, int]:
        """Current, 1-30, 31-60, 61-90 and over 90 days past due."""
        return self.current_cents, self.days_1_30_cents, self.days_31_60_cents, self.days_61_90_cents, self.over_90_cents

    @property
    def late_cents(self) -> int:
        """Past due, and not in dispute."""
        return sum(self.ages[1:])

    @property
    def open_cents(self) -> int:
        """Of every age, and in dispute."""
        return sum(self.ages) + self.disputed_cents


def arrears(owed: Sequence[Owed], paid: Sequence[Paid], on: date) -> Arrears:
    """What is open on a day by days past due; due on that day or later is current, and in dispute is in no age.

    Source of the ages: common practice, no source.
    """
    settlement = settle(owed, paid, on)
    ages, disputed = [0, 0, 0, 0, 0], 0
    for charge in owed:
        open_cents = settlement.open_cents[charge.key]
        days = (on - charge.due_on).days
        if charge.in_dispute(on):
            disputed += open_cents
        else:
            ages[sum(days > limit for limit in (0, 30, 60, 90))] += open_cents
    return Arrears(ages[0], ages[1], ages[2], ages[3], ages[4], disputed, sum(settlement.credit_cents.values()))
