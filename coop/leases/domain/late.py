"""The late fee: after a grace day, flat or a percent or the greater, once a month. Source: common practice, no source.

Local law may cap a late fee or ask for it in the lease: the page that sets the rule says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from coop.core.money import Exact, format_dollars, round_half_up
from coop.core.periods import Month, shown_day
from coop.leases.domain.figures import Rent, TermsError, checked_percent, plain_percent
from coop.leases.domain.settlement import Owed, Paid, settle

LATE = "late"
OTHER = "other"
"""What is owed and is no charge: more paid out than was there, more returns than sales."""
FEES = frozenset({LATE, "fee", OTHER})
"""Kinds that no late fee is ever taken on."""


@dataclass(frozen=True)
class LateRule:
    """Late after `grace_day` of the month: `flat_cents`, or `percent` of what is overdue; the greater when both are given.

    `arrears_again` takes the percent of all that is overdue, older months too; without it only of what fell due since the grace
    day of the month before (rent in arrears falls due on a month's last day), so that no charge bears a second fee.
    """

    grace_day: int
    flat_cents: int | None = None
    percent: Exact | None = None
    arrears_again: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.grace_day <= 28:
            raise TermsError(f"The grace day is {self.grace_day}: choose a day of the month from 1 to 28, such as 5.")
        if self.flat_cents is None and self.percent is None:
            raise TermsError("The late fee has neither dollars nor a percent: write one, or both for the greater.")
        if self.flat_cents is not None and self.flat_cents < 0:
            raise TermsError(f"The late fee is {format_dollars(self.flat_cents)}: it cannot be negative.")
        if self.percent is not None:
            checked_percent(self.percent, "the late fee")


def late_fee(rule: LateRule, owed: Sequence[Owed], paid: Sequence[Paid], on: date) -> Rent:
    """The late fee of a day's month, by what was open when the grace day ended; nothing, with the reason, when none is due.

    A charge of kind `late` due in this month means that the fee was charged. What is in dispute, on the grace day or now, bears
    no fee; while a payment is in dispute there is none at all.
    """
    month = Month.of(on)
    grace, grace_before = (date(m.year, m.month, rule.grace_day) for m in (month, month.previous))
    if on <= grace:
        return Rent(0, f"nothing is late before {shown_day(grace)} has passed")
    if any(charge.kind == LATE and charge.due_on in month for charge in owed):
        return Rent(0, f"the late fee for {month.name} was charged already")
    if any(payment.disputed and payment.on <= on for payment in paid):
        return Rent(0, "no late fee while a payment is in dispute")
    still_open = settle(owed, paid, grace).open_cents
    overdue = [
        replace(charge, amount_cents=still_open[charge.key])
        for charge in owed
        if charge.due_on <= grace
        and still_open[charge.key]
        and charge.kind not in FEES
        and not charge.was_in_dispute(grace)
        and not charge.was_in_dispute(on)
        and (rule.arrears_again or charge.due_on > grace_before)
    ]
    total = sum(charge.amount_cents for charge in overdue)
    if not total:
        return Rent(0, f"nothing that bears a late fee was overdue after {shown_day(grace)}")
    return _fee(rule, total, f"overdue after {shown_day(grace)}")


def _fee(rule: LateRule, overdue_cents: int, when: str) -> Rent:
    flat = rule.flat_cents
    of_overdue = None
    if rule.percent is not None:
        of_overdue = round_half_up(overdue_cents * checked_percent(rule.percent, "the late fee") / 100)
    said = f"{format_dollars(overdue_cents)} {when}"
    if of_overdue is None:
        return Rent(flat or 0, f"{format_dollars(flat or 0)}, as {said}")
    percent = f"{plain_percent(rule.percent or 0)}% of {said}"
    if flat is None:
        return Rent(of_overdue, percent)
    return Rent(max(flat, of_overdue), f"the greater of {format_dollars(flat)} and {percent} ({format_dollars(of_overdue)})")
