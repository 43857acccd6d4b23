"""A lease's deposit: what is kept of it and why, what goes back, what stays owing.

Local law may limit a deposit and say by when it goes back; the page that settles one says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coop.core.money import format_dollars
from coop.leases.domain.figures import TermsError


@dataclass(frozen=True)
class Deduction:
    """An amount above zero kept from a deposit, and why."""

    reason: str
    amount_cents: int


@dataclass(frozen=True)
class Kept:
    """A deduction, how much of it the deposit covered, and what of it is left owing."""

    reason: str
    kept_cents: int
    owing_cents: int


@dataclass(frozen=True)
class DepositSettled:
    """Held = kept + returned; deductions = kept + owing; nothing is returned while anything is owing."""

    held_cents: int
    kept: tuple[Kept, ...]
    returned_cents: int
    owing_cents: int


def settle_deposit(held_cents: int, deductions: Sequence[Deduction]) -> DepositSettled:
    """Take the deductions from the deposit in their order. Raises TermsError for one without a reason or not above zero."""
    if held_cents < 0:
        raise TermsError(f"The deposit held is {format_dollars(held_cents)}: it cannot be negative.")
    kept, left = [], held_cents
    for n, deduction in enumerate(deductions, start=1):
        if not deduction.reason.strip():
            raise TermsError(f"Deduction {n} has no reason: say what it is for.")
        if deduction.amount_cents <= 0:
            said = f"The deduction for {deduction.reason} is {format_dollars(deduction.amount_cents)}"
            raise TermsError(f"{said}: write an amount above zero.")
        covered = min(left, deduction.amount_cents)
        kept.append(Kept(deduction.reason, covered, deduction.amount_cents - covered))
        left -= covered
    return DepositSettled(held_cents, tuple(kept), left, sum(k.owing_cents for k in kept))
