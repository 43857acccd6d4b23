"""How much of a month's balance is paid, by mall.

The rule, in cents, positive is owed to the dealer:

1. What her statement says she is owed at the month's end, less what was paid out since (and more by what came back), less what
   runs that are not paid yet give her.
2. Where she owed, money that came from her since (payments, corrections in her favor) makes up for it, never more than that.
3. Less next month's rent, where the house rules net it: whole, posted already or not, so that it counts once; less what she
   brought since and that was not needed for 2.
4. Never more than the ledger owes her now. There every sale since counts, every return, chargeback and correction, and the
   charges of months that are closed since; the charges of an open month wait for its statement, but for the rent of 3.

Malls are added up: what she owes at one is taken from what she is owed at another, if the sum is above zero and is paid. A sum
of zero or less is not paid and moves nothing between malls.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Standing:
    """A dealer's account at one mall, as a month ended and as it moved since."""

    stated_cents: int = 0
    """Her statement's closing balance."""
    paid_cents: int = 0
    """Paid out since, less what came back."""
    pending_cents: int = 0
    """In runs that are not paid yet."""
    sales_cents: int = 0
    """Sales since less returns."""
    charged_cents: int = 0
    """Charged since in months that are closed; positive."""
    other_cents: int = 0
    """All else since: payments, corrections, chargebacks."""
    next_rent_cents: int = 0
    """Next month's rent where it is netted; else zero."""


def payable_at(at: Standing) -> int:
    """What is paid of a standing; negative where it is taken from what another mall owes her."""
    owed = at.stated_cents - at.paid_cents - at.pending_cents
    brought = max(0, at.other_cents)
    made_up = min(brought, max(0, -owed))
    rent = max(0, at.next_rent_cents - (brought - made_up))
    ledger = owed + at.sales_cents + at.other_cents - at.charged_cents - at.next_rent_cents
    return min(owed + made_up - rent, ledger)


@dataclass(frozen=True)
class Part:
    """One mall's part of a dealer's payout."""

    mall_id: int
    at: Standing
    amount_cents: int


@dataclass(frozen=True)
class Payable:
    """What a dealer would be paid for a month, over all malls; parts of nothing are left out."""

    dealer_id: int
    parts: tuple[Part, ...]

    @property
    def amount_cents(self) -> int:
        return sum(part.amount_cents for part in self.parts)


def payable(dealer_id: int, standings: Iterable[tuple[int, Standing]]) -> Payable:
    """A dealer's payable from her standing at each mall."""
    parts = (Part(mall_id, at, payable_at(at)) for mall_id, at in standings)
    return Payable(dealer_id, tuple(part for part in parts if part.amount_cents))
