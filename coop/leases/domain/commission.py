"""Commission on a month's sales: one percent, or a percent by each item's price, less what turns take off; rounded once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from coop.core.money import Exact, format_dollars, round_half_up
from coop.leases.domain.figures import Rent, TermsError, checked_percent, plain_percent
from coop.leases.domain.turns import NOTHING_LESS, Less


@dataclass(frozen=True)
class Tier:
    """Items priced at this much or less (None: every dearer one) bear this percent of their whole price."""

    upto_cents: int | None
    percent: Exact


@dataclass(frozen=True)
class Sold:
    """A line of the month: the price of one item, which decides its tier, and the line's net, negative for a return.

    A return's item price is that of the sale it gives back, so that it gives back the commission that was taken.
    """

    item_cents: int
    net_cents: int


def commission(net_cents: int, percent: Exact, less: Less = NOTHING_LESS) -> Rent:
    """Commission on a month's net sales in cents, rounded once. A negative month gives commission back.

    `less` takes percent points off for turns worked, never below zero.
    """
    exactly, words = _percent(percent, less)
    return Rent(round_half_up(Fraction(net_cents) * exactly / 100), f"{words} of {format_dollars(net_cents)}")


def tiered_commission(sold: Iterable[Sold], tiers: Sequence[Tier], less: Less = NOTHING_LESS) -> Rent:
    """Commission by tiers of item price, every tier's part added up and rounded once.

    Raises TermsError unless the tiers rise and the last takes every dearer item. Source: common practice, no source.
    """
    bounds = [tier.upto_cents for tier in tiers]
    if not tiers or bounds[-1] is not None or None in bounds[:-1]:
        raise TermsError("The last tier, and only it, must take every dearer item: leave its price empty.")
    limits = [bound for bound in bounds if bound is not None]
    if any(one >= other for one, other in pairwise(limits)) or any(limit < 0 for limit in limits):
        raise TermsError("The tiers' prices do not rise: put the cheapest first, each price once.")
    nets = [0] * len(tiers)
    for line in sold:
        nets[sum(line.item_cents > limit for limit in limits)] += line.net_cents
    total, parts = Fraction(0), []
    for n, (tier, net_cents) in enumerate(zip(tiers, nets, strict=True)):
        exactly, words = _percent(tier.percent, less)
        total += net_cents * exactly / 100
        items = f"items up to {format_dollars(limits[n])}" if n < len(limits) else "every dearer item" if limits else "every item"
        if net_cents:
            parts.append(f"{words} of {format_dollars(net_cents)} on {items}")
    return Rent(round_half_up(total), " + ".join(parts) or "no sales")


def _percent(percent: Exact, less: Less) -> tuple[Fraction, str]:
    first = checked_percent(percent, "the commission")
    if not less.amount:
        return first, f"{plain_percent(percent)}%"
    left = max(Fraction(0), first - less.amount)
    return left, f"{plain_percent(left)}% ({plain_percent(percent)}% less {less.words})"
