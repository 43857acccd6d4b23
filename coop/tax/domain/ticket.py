"""A ticket as tax sees it, and the answer: tax and taxable base per line and jurisdiction, and what was not taxed and why.

All money is integer cents. A returned line has negative price and quantity, and its reductions are negative too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple, TypeVar

from coop.tax.domain.rules import GENERAL

DELIVERY = -1
"""The line number under which the delivery charge is answered."""

BuyerKind = Literal["resale", "exempt"]


class TicketRefused(ValueError):
    """A ticket that cannot be taxed as it stands; the message is a sentence for a person, with the mend."""


@dataclass(frozen=True)
class LineToTax:
    """One line: `quantity` articles (never zero, negative when returned) that cost `price_cents` together, before reductions.

    Articles of a line are alike; a price that does not divide leaves them a cent apart. Reductions are whole-line cents:
    `discount_cents` the seller's, `seller_coupon_cents` and `maker_coupon_cents` by who bears them, `trade_in_cents` for a thing
    taken in. `own_use`: a resale buyer takes it for the shop itself, so it is taxed.
    """

    price_cents: int
    quantity: int = 1
    tax_class: str = GENERAL
    discount_cents: int = 0
    seller_coupon_cents: int = 0
    maker_coupon_cents: int = 0
    trade_in_cents: int = 0
    own_use: bool = False


@dataclass(frozen=True)
class Certificate:
    """Why a buyer pays no tax: a certificate on file, the states it holds in, and its days (both included; no end is None)."""

    number: str
    kind: BuyerKind
    states: frozenset[str]
    starts_on: date
    expires_on: date | None = None


@dataclass(frozen=True)
class Layaway:
    """Days that decide whether a holiday covers a layaway: accepted, and finally paid and handed over (None: not yet)."""

    accepted_on: date
    completed_on: date | None = None


@dataclass(frozen=True)
class TicketToTax:
    """What is sold on a day. Ticket-level reductions are shared among the lines by what is left of their prices.

    `delivery_cents` is one charge for everything. `certificate` makes the buyer exempt. A sale has positive reductions, a
    ticket of returns negative ones.
    """

    on: date
    lines: tuple[LineToTax, ...]
    discount_cents: int = 0
    seller_coupon_cents: int = 0
    maker_coupon_cents: int = 0
    trade_in_cents: int = 0
    delivery_cents: int = 0
    certificate: Certificate | None = None
    layaway: Layaway | None = None


class TaxPart(NamedTuple):
    """Tax of a line (or DELIVERY) for one jurisdiction under one rate row: the base it was taken of, and the tax, in cents.

    `part` is "" for the jurisdiction's rate and the tier's name for an upper tier, whose base lies within the same price.
    """

    line: int
    jurisdiction_id: int
    rate_id: int
    part: str
    taxable_cents: int
    amount_cents: int


class Untaxed(NamedTuple):
    """Cents of a line (or DELIVERY) that a jurisdiction does not tax at its rate, and why.

    `kind` "deduction": discount, seller's coupon, maker's coupon, trade-in. `kind` "exempt": resale, exempt buyer, exempt class,
    holiday, threshold, over the cap, delivery, no rate.
    """

    line: int
    jurisdiction_id: int
    kind: Literal["deduction", "exempt"]
    reason: str
    amount_cents: int


@dataclass(frozen=True)
class TicketTax:
    """For each line and jurisdiction: price = deductions + exempt + the taxable base of part "" (0 where there is none).

    The parts' amounts add up to `total_cents`, however they are grouped. Parts of nothing are kept (an item of $0.00 has its tax
    of 0.00); untaxed rows of nothing are not.
    """

    parts: tuple[TaxPart, ...]
    untaxed: tuple[Untaxed, ...]

    @property
    def total_cents(self) -> int:
        return sum(part.amount_cents for part in self.parts)

    def by_line(self) -> dict[int, int]:
        """Tax by line number (DELIVERY for the delivery charge); lines without tax are absent."""
        return _sums((part.line, part.amount_cents) for part in self.parts)

    def by_jurisdiction(self) -> dict[int, int]:
        """Tax by jurisdiction id."""
        return _sums((part.jurisdiction_id, part.amount_cents) for part in self.parts)

    def by_part(self) -> dict[tuple[int, str], int]:
        """Tax by jurisdiction id and part: P1's state, local and single-article amounts."""
        return _sums(((part.jurisdiction_id, part.part), part.amount_cents) for part in self.parts)


Key = TypeVar("Key")


def _sums(pairs: Iterable[tuple[Key, int]]) -> dict[Key, int]:
    sums: dict[Key, int] = {}
    for key, amount in pairs:
        sums[key] = sums.get(key, 0) + amount
    return sums
