"""Tax given back when things are returned: from what was charged, whatever the rates are by then.

Parts of a line may come back one by one, in any order and any portions: together they give back exactly what was charged, since
each return gives the difference between two states of the same running sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from coop.core.money import round_half_up
from coop.tax.domain.ticket import TaxPart, TicketRefused, TicketTax, Untaxed


@dataclass(frozen=True)
class SoldLine:
    """What was stored of one line when it was sold (or of the delivery charge): its price before reductions, and its tax rows.

    `whole` is how much of it can come back: its articles, or its cents where a part of a price or a delivery is given back.
    """

    price_cents: int
    whole: int
    parts: tuple[TaxPart, ...]
    untaxed: tuple[Untaxed, ...] = ()


@dataclass(frozen=True)
class GivenBack:
    """What to write for a return: minus the price, the tax and the untaxed amounts of the portion that comes back."""

    price_cents: int
    parts: tuple[TaxPart, ...]
    untaxed: tuple[Untaxed, ...]

    @property
    def tax_cents(self) -> int:
        """Negative for the return of a sale."""
        return sum(part.amount_cents for part in self.parts)


def sold_line(tax: TicketTax, line: int, *, price_cents: int, whole: int) -> SoldLine:
    """One line of a taxed ticket, as it is stored."""
    parts = tuple(part for part in tax.parts if part.line == line)
    return SoldLine(price_cents, whole, parts, tuple(row for row in tax.untaxed if row.line == line))


def give_back(sold: SoldLine, now: int, before: int = 0) -> GivenBack:
    """The tax of `now` articles (or cents) that come back after `before` have. Each jurisdiction's rows make up the price again.

    Raises TicketRefused when more would come back than was sold.
    """
    if now <= 0 or before < 0:
        raise TicketRefused(f"A return of {now} gives nothing back: return at least 1.")
    if before + now > sold.whole:
        raise TicketRefused(f"Only {sold.whole - before} of {sold.whole} are left to return, not {now}.")
    price_then, parts_then, untaxed_then = _kept(sold, sold.whole - before)
    price_now, parts_now, untaxed_now = _kept(sold, sold.whole - before - now)
    parts = tuple(
        old._replace(taxable_cents=new.taxable_cents - old.taxable_cents, amount_cents=new.amount_cents - old.amount_cents)
        for old, new in zip(parts_then, parts_now, strict=True)
    )
    untaxed = tuple(
        old._replace(amount_cents=new.amount_cents - old.amount_cents) for old, new in zip(untaxed_then, untaxed_now, strict=True)
    )
    return GivenBack(price_now - price_then, parts, untaxed)


def _kept(sold: SoldLine, left: int) -> tuple[int, list[TaxPart], list[Untaxed]]:
    """The line as if only `left` of it had been sold: rows in proportion, one row a jurisdiction making up the price."""
    share = Fraction(left, sold.whole)
    price = round_half_up(sold.price_cents * share)
    parts = [
        part._replace(
            taxable_cents=round_half_up(part.taxable_cents * share), amount_cents=round_half_up(part.amount_cents * share)
        )
        for part in sold.parts
    ]
    untaxed = [row._replace(amount_cents=round_half_up(row.amount_cents * share)) for row in sold.untaxed]
    for jurisdiction in {p.jurisdiction_id for p in parts} | {u.jurisdiction_id for u in untaxed}:
        bases = [i for i, p in enumerate(parts) if p.jurisdiction_id == jurisdiction and not p.part]
        rows = [i for i, u in enumerate(untaxed) if u.jurisdiction_id == jurisdiction]
        short = price - sum(parts[i].taxable_cents for i in bases) - sum(untaxed[i].amount_cents for i in rows)
        # The largest row hides a cent best, and is the same row at every return of the line.
        if bases and (not rows or abs(sold.parts[bases[0]].taxable_cents) >= abs(sold.untaxed[rows[0]].amount_cents)):
            parts[bases[0]] = parts[bases[0]]._replace(taxable_cents=parts[bases[0]].taxable_cents + short)
        elif rows:
            untaxed[rows[0]] = untaxed[rows[0]]._replace(amount_cents=untaxed[rows[0]].amount_cents + short)
    return price, parts, untaxed
