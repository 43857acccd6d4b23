"""How evenly something is shared: Jain's index where many have some of it, the spread where there is little to share."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

Share = int | Fraction | Decimal


def jain(shares: Sequence[Share]) -> Decimal:
    """The square of the sum over n times the sum of squares: 1 when all have the same, 1/n when one has everything.

    Raises ValueError when there is nobody, a share is below zero or nobody has anything: then evenness means nothing.

    Source: Jain, R., Chiu, D. and Hawe, W. (1984), A quantitative measure of fairness and discrimination for resource allocation
    in shared computer systems, DEC TR-301.
    """
    exact = [Fraction(share) for share in shares]
    if not any(exact) or min(exact) < 0:
        raise ValueError("an index of evenness wants shares that are not below zero and not all zero")
    index = sum(exact, Fraction(0)) * sum(exact) / (len(exact) * sum(share * share for share in exact))
    return Decimal(index.numerator) / Decimal(index.denominator)


def spread(shares: Sequence[Share]) -> Fraction:
    """The most less the least: while it is at most 1, nobody has two before all have one. 0 for nobody."""
    exact = [Fraction(share) for share in shares]
    return max(exact) - min(exact) if exact else Fraction(0)
