"""What turns worked take off the rent or the commission, by the lease's rule. Source: common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from coop.core.money import Exact, format_dollars, round_half_up
from coop.leases.domain.figures import Rent, TermsError, checked_percent, plain_percent


@dataclass(frozen=True)
class Less:
    """What is taken off, with its words: percent points of a commission."""

    amount: Fraction
    words: str


NOTHING_LESS = Less(Fraction(0), "")


@dataclass(frozen=True)
class TurnRule:
    """Each turn worked beyond `unpaid` (those that are owed anyway) takes something off; at most `at_most` turns count.

    `cents` a turn off the rent, or `percent` a turn: of the rent, or points of the commission. One of the two.
    """

    cents: int | None = None
    percent: Exact | None = None
    unpaid: int = 0
    at_most: int | None = None

    def __post_init__(self) -> None:
        if (self.cents is None) == (self.percent is None):
            raise TermsError("A turn takes off dollars or a percent: write one of the two.")
        if self.cents is not None and self.cents < 0:
            raise TermsError(f"A turn takes off {format_dollars(self.cents)}: it cannot be negative.")
        if self.percent is not None:
            checked_percent(self.percent, "a turn")
        if self.unpaid < 0 or (self.at_most is not None and self.at_most < 0):
            raise TermsError("The number of turns cannot be negative: write 0 or more.")


def turns_that_count(rule: TurnRule, worked: int) -> int:
    if worked < 0:
        raise TermsError(f"The turns worked are {worked}: write 0 or more.")
    beyond = max(0, worked - rule.unpaid)
    return beyond if rule.at_most is None else min(beyond, rule.at_most)


def rent_less_turns(rent: Rent, rule: TurnRule, worked: int) -> Rent:
    """The rent less what turns take off, rounded once, never below zero."""
    count = turns_that_count(rule, worked)
    if not count or rent.amount_cents <= 0:
        return rent
    if rule.cents is not None:
        taken, each = rule.cents * count, f"{format_dollars(rule.cents)} a turn"
    else:
        percent = checked_percent(rule.percent or 0, "a turn")
        taken, each = round_half_up(rent.amount_cents * percent * count / 100), f"{plain_percent(percent)}% a turn"
    taken = min(taken, rent.amount_cents)
    words = f"less {each} for {_turns(count)} ({format_dollars(taken)})"
    return Rent(rent.amount_cents - taken, f"{rent.working}, {words}")


def points_less_turns(rule: TurnRule, worked: int) -> Less:
    """Percent points of commission that turns take off. Raises TermsError for a rule in dollars."""
    if rule.percent is None:
        raise TermsError("Turns take points off a commission: write the rule in percent, not in dollars.")
    count = turns_that_count(rule, worked)
    percent = checked_percent(rule.percent, "a turn")
    return Less(percent * count, f"{plain_percent(percent)}% a turn for {_turns(count)}") if count else NOTHING_LESS


def _turns(count: int) -> str:
    return "1 turn" if count == 1 else f"{count} turns"
