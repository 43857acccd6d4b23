"""A charge's amount with its working, how numbers in it are written, and the error that bad terms give."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from coop.core.money import Exact, exact, format_decimal, format_price


class TermsError(ValueError):
    """Terms that cannot be computed with; the message is a sentence that names the field and the mend."""


@dataclass(frozen=True)
class Rent:
    """What is charged in cents, and how it came about, as the dealer reads it.

    Zero or more, except where what was charged before is given back (commission, percentage rent, a difference).
    """

    amount_cents: int
    working: str


def plain(value: Decimal) -> str:
    """A price as people write it: 2.25, 1.125, 45.00."""
    return format_price(value)


def plain_percent(percent: Exact) -> str:
    """A percent or a factor as people write it: 10, 12.5, 1.03; 33 1/3 where no decimal is exact."""
    if isinstance(percent, int | Decimal):
        return format_decimal(Decimal(percent))
    scaled = percent * 10**12
    if scaled.denominator == 1:
        return plain_percent(Decimal(scaled.numerator).scaleb(-12))
    whole, rest = divmod(abs(percent), 1)
    return ("-" if percent < 0 else "") + (f"{whole} {rest}" if whole else str(rest))


def checked_percent(percent: Exact, what: str, *, least: int = 0, most: int | None = 100) -> Fraction:
    """The percent as a fraction. Raises TermsError, naming `what` it is, when it is outside its bounds."""
    value = exact(percent)
    if value < least or (most is not None and value > most):
        bounds = f"between {least} and {most}" if most is not None else f"{least} or more"
        raise TermsError(f"The percent of {what} is {plain_percent(percent)}: write one {bounds}.")
    return value
