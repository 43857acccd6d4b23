"""What a month-end makes of a balance of turns: carried; credited and charged beyond what is carried; settled at leaving."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from coop.core.money import format_dollars, round_half_up
from coop.shifts.domain.owed import turns_words


@dataclass(frozen=True)
class Prices:
    """What the house rules say of money: dollars as cents a turn."""

    carry_most: Decimal | None
    """Turns beyond, up or down, that are carried. None: all are."""
    short_cents: int | None
    """One short costs it. None: nobody is charged."""
    over_cents: int
    """One beyond brings it."""


@dataclass(frozen=True)
class Settled:
    """A line that changes a balance, and the money for it: above zero charged, below credited."""

    kind: str
    turns: Decimal
    cents: int
    working: str


def beyond(balance: Decimal, prices: Prices) -> Settled | None:
    """What of a balance is more, up or down, than is carried; None where all is carried."""
    most = prices.carry_most
    if most is None or -most <= balance <= most:
        return None
    if balance > most:
        over = balance - most
        return Settled("credited", -over, *_credit(over, prices, f"beyond {turns_words(most)} that are carried"))
    short = -most - balance
    if prices.short_cents is None:
        return None
    return Settled("charged", short, *_charge(short, prices.short_cents, f"short of {turns_words(most)} that are carried"))


def at_leaving(balance: Decimal, prices: Prices) -> Settled | None:
    """What brings the balance of one who has left to nothing: charged or credited, or let off where the rules have no price."""
    if balance > 0:
        return Settled("credited", -balance, *_credit(balance, prices, "left with them"))
    if balance == 0:
        return None
    if prices.short_cents is None:
        return Settled("excused", -balance, 0, f"left owing {turns_words(-balance)}, which cost nothing by the rules")
    return Settled("charged", -balance, *_charge(-balance, prices.short_cents, "left owing them"))


def _credit(turns: Decimal, prices: Prices, why: str) -> tuple[int, str]:
    cents = round_half_up(turns * prices.over_cents)
    return -cents, f"{turns_words(turns)} {why}, at {format_dollars(prices.over_cents)} each: {format_dollars(cents)}"


def _charge(turns: Decimal, each_cents: int, why: str) -> tuple[int, str]:
    cents = round_half_up(turns * each_cents)
    return cents, f"{turns_words(turns)} {why}, at {format_dollars(each_cents)} each: {format_dollars(cents)}"
