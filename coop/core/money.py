"""Money as integer cents: one rounding function, one allocation function.

Both are symmetric for negatives: rounding or sharing -x gives minus what x gives. No float is accepted anywhere.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from numbers import Rational

Exact = int | Decimal | Fraction
"""A number without a float's error."""


def exact(value: Exact) -> Fraction:
    """The value as a fraction. Raises TypeError for a float: it would already have lost the cent."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal | Rational):
        raise TypeError(f"money takes int, Decimal or Fraction, not {type(value).__name__}")
    return Fraction(value)


def round_half_up(value: Exact) -> int:
    """The nearest integer, halves away from zero (0.5 -> 1, -0.5 -> -1).

    Source: rounding to the cent is half-up in Streamlined Sales and Use Tax Agreement s. 324; away from zero for negatives so
    that a return gives back exactly what a sale took.
    """
    fraction = exact(value)
    sign = -1 if fraction < 0 else 1
    whole = abs(fraction)
    return sign * ((2 * whole.numerator + whole.denominator) // (2 * whole.denominator))


def cents(dollars: Exact) -> int:
    """Dollars to cents, half-up (1.005 -> 101)."""
    return round_half_up(exact(dollars) * 100)


def allocate(total: int, weights: Sequence[Exact]) -> list[int]:
    """Share an integer by weights, by largest remainder, ties to the earlier: the parts sum to `total` exactly.

    `total` in cents (or seats); `weights` any exact numbers, whose sum is not zero. Weights of mixed sign are shared by their
    exact proportion. Raises ValueError for no weights or a zero sum when there is something to share.
    Source: the largest-remainder (Hamilton) method of apportionment.
    """
    fractions = [exact(w) for w in weights]
    whole = sum(fractions, Fraction(0))
    if whole == 0:
        if total == 0:
            return [0] * len(fractions)
        raise ValueError("there is nothing to share by: the weights sum to zero")
    return round_to_sum([total * w / whole for w in fractions])


def round_to_sum(shares: Sequence[Fraction]) -> list[int]:
    """Round exact shares so that the parts sum to their sum rounded half-up; each part is less than one from its share.

    Every share is rounded down and the largest remainders go up, ties to the earlier. Minus the shares give minus the parts.
    """
    whole = sum(shares, Fraction(0))
    # A sum of zero has no sign of its own; the first share's is as good, and turns over with the shares.
    if (whole or next((s for s in shares if s), whole)) < 0:
        return [-part for part in round_to_sum([-s for s in shares])]
    parts = [share.numerator // share.denominator for share in shares]
    left = round_half_up(whole) - sum(parts)
    by_remainder = sorted(range(len(shares)), key=lambda i: (parts[i] - shares[i], i))
    for i in by_remainder[:left]:
        parts[i] += 1
    return parts


def format_cents(amount_cents: int) -> str:
    """1234567 -> '12,345.67', -5 -> '-0.05'."""
    sign = "-" if amount_cents < 0 else ""
    whole, part = divmod(abs(amount_cents), 100)
    return f"{sign}{whole:,}.{part:02d}"


def plain_cents(amount_cents: int) -> str:
    """1234567 -> '12345.67', -5 -> '-0.05': for files other programs read."""
    return format_cents(amount_cents).replace(",", "")


def format_dollars(amount_cents: int) -> str:
    """1234567 -> '$12,345.67', -5 -> '-$0.05'."""
    return f"-${format_cents(-amount_cents)}" if amount_cents < 0 else f"${format_cents(amount_cents)}"


def format_price(value: Decimal) -> str:
    """A price as people write it, parts of a cent kept: 2.25, 1.125, 45.00."""
    whole, _, part = f"{value:.6f}".rstrip("0").partition(".")
    return f"{whole}.{part.ljust(2, '0')}"


def format_decimal(value: Decimal) -> str:
    """A number without idle zeros, never in powers of ten or as -0: 7.900000 -> '7.9', 1E+1 -> '10'."""
    text = f"{value:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


_AMOUNT = re.compile(r"[-+]?(\d{1,3}(,\d{3})+|\d+)?(\.\d+)?", re.ASCII)
_CURRENCY = re.compile(r"([-+]?)\s*\$\s*")


def parse_decimal(text: str) -> Decimal:
    """A number as people write it: `1,234.50`, `-3`, `.5`, with an optional `$`.

    Raises ValueError with a phrase that completes "'...' ".
    """
    plain = text.strip()
    marked = _CURRENCY.match(plain)
    if marked:
        plain = marked[1] + plain[marked.end() :]
    if not plain or not _AMOUNT.fullmatch(plain) or not any(c.isdigit() for c in plain):
        raise ValueError("is not an amount; write it like 1234.50")
    if len(plain) > 18:
        raise ValueError("is too large to be an amount")
    return Decimal(plain.replace(",", ""))


def parse_cents(text: str) -> int:
    """Like parse_decimal, in cents. Raises ValueError when there are parts of a cent."""
    value = parse_decimal(text) * 100
    if value != value.to_integral_value():
        raise ValueError("has parts of a cent; write it with two decimals")
    return int(value)
