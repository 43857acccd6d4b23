"""Percentage rent: a percent of the sales above a breakpoint, by the month or added up over the lease's year.

The natural breakpoint is the sales at which the percent would equal the base rent: base rent over the percent. Source: common
practice of retail leases, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from coop.core.money import Exact, format_dollars, round_half_up
from coop.leases.domain.figures import Rent, TermsError, checked_percent, plain_percent


@dataclass(frozen=True)
class PercentageRent:
    """So many percent of the sales above the breakpoint of a period; `breakpoint_cents` None is the natural one.

    `period` is `month`, or `year`: the lease's year, whose sales so far are compared with the year's whole breakpoint.
    """

    percent: Exact
    period: str = "month"
    breakpoint_cents: int | None = None

    def __post_init__(self) -> None:
        if not checked_percent(self.percent, "the percentage rent"):
            raise TermsError("The percent of the percentage rent is 0: write one above zero, or leave the term out.")
        if self.period not in ("month", "year"):
            raise TermsError(f"The percentage rent's period is {self.period!r}: choose month or year.")
        if self.breakpoint_cents is not None and self.breakpoint_cents < 0:
            raise TermsError(f"The breakpoint is {format_dollars(self.breakpoint_cents)}: it cannot be negative.")


def breakpoint_of(rule: PercentageRent, base_rent_cents: int) -> int:
    """The period's breakpoint in cents: as stated, or the base rent of the period over the percent, half-up."""
    if rule.breakpoint_cents is not None:
        return rule.breakpoint_cents
    return round_half_up(base_rent_cents * 100 / Fraction(rule.percent))


def percentage_rent(
    rule: PercentageRent, *, sales_cents: int, base_rent_cents: int, charged_cents: int = 0, part: Fraction = Fraction(1)
) -> Rent:
    """Percentage rent due for a period and not charged yet, rounded once.

    By the month: the month's net sales and base rent. By the year: the net sales of the lease's year so far, the base rent of the
    whole year, and what was charged in it before; sales taken back since make it negative, so that the year comes out right.
    `part` is the part of the period the lease runs, which a stated breakpoint is cut to; the base rent is handed in cut.
    """
    if not 0 < part <= 1:
        raise TermsError(f"The part of the period is {part}: it is above 0 and at most 1.")
    if base_rent_cents < 0 or charged_cents < 0:
        raise TermsError("The base rent and what was charged before cannot be negative.")
    limit = breakpoint_of(rule, base_rent_cents)
    if rule.breakpoint_cents is not None:
        limit = round_half_up(limit * part)
    kind = "natural " if rule.breakpoint_cents is None else ""
    over = sales_cents - limit
    when = "" if rule.period == "month" else " in the lease's year so far"
    words = f"sales of {format_dollars(sales_cents)}{when}"
    if over <= 0:
        due, words = 0, f"{words} are not above the {kind}breakpoint of {format_dollars(limit)}"
    else:
        due = round_half_up(over * Fraction(rule.percent) / 100)
        words = f"{plain_percent(rule.percent)}% of {words} above the {kind}breakpoint of {format_dollars(limit)}"
    if charged_cents:
        words += f", less {format_dollars(charged_cents)} charged before"
    return Rent(due - charged_cents, words)
