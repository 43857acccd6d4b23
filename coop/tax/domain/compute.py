"""The tax of a ticket: computed from the ticket, then shared among jurisdictions and lines so that every sum agrees.

Exact throughout: integers over the stack's denominator, rounded once, half-up at the third decimal (Streamlined Sales and Use Tax
Agreement s. 324; carried exactly, half-up is its "up when the third decimal is above four"). Minus a ticket gives minus its tax.

    tax_ticket(TicketToTax(...), compile_stack(Stack(...), on)) -> TicketTax
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from coop.tax.domain.compiled import ClassPlan, Compiled, CompiledStack
from coop.tax.domain.rules import Holiday
from coop.tax.domain.ticket import (
    DELIVERY,
    Certificate,
    Layaway,
    LineToTax,
    TaxPart,
    TicketRefused,
    TicketTax,
    TicketToTax,
    Untaxed,
)


class Cell(NamedTuple):
    """What will be taxed of a line for one jurisdiction under one rate: `articles` are (count, base of each), in their order."""

    line: int
    jurisdiction_id: int
    rate_id: int
    part: str
    rate: int
    taxable_cents: int
    articles: Sequence[tuple[int, int]]


def tax_ticket(ticket: TicketToTax, stack: CompiledStack) -> TicketTax:
    """Tax per line and jurisdiction, and what is not taxed and why.

    Raises TicketRefused, with a sentence for a person, for a certificate that does not hold, a line of no articles, reductions
    larger than the price; ValueError when the stack was compiled for another day.
    """
    if ticket.on != stack.on:
        raise ValueError(f"a ticket of {ticket.on} is taxed by the rules of that day, not of {stack.on}")
    if ticket.certificate is not None:
        _check_certificate(ticket.certificate, ticket, stack)
    cells: list[Cell] = []
    untaxed: list[Untaxed] = []
    goods: list[list[_Goods]] = [[] for _ in stack.jurisdictions]
    by_item = stack.basis == "item"
    for n, line in enumerate(reduced_lines(ticket)):
        reduced = line.discount_cents or line.seller_coupon_cents or line.maker_coupon_cents or line.trade_in_cents
        exempt_buyer = _exempt_buyer(ticket.certificate, line) if ticket.certificate is not None else ""
        for j, taxing in enumerate(stack.jurisdictions):
            plan = taxing.classes.get(line.tax_class, taxing.other)
            base = tested = line.price_cents
            if reduced:
                base, tested = _reduce(n, line, taxing, untaxed)
            taxed: int | None = None
            reason = exempt_buyer or plan.exempt
            if reason:
                if base:
                    untaxed.append(Untaxed(n, taxing.jurisdiction_id, "exempt", reason, base))
            elif abs(base) <= plan.plain_upto_cents and (ticket.layaway is None or not plan.holidays):
                taxed = base
                articles = _articles(base, line.quantity) if by_item else ()
                cells.append(Cell(n, taxing.jurisdiction_id, plan.rate_id, "", plan.rate, base, articles))
            else:
                where = (n, line.quantity, taxing.jurisdiction_id)
                taxed = _tax_by_article(ticket, where, plan, base, tested, cells, untaxed)
            if ticket.delivery_cents:
                goods[j].append((plan, base, taxed))
    if ticket.delivery_cents:
        for taxing, delivered in zip(stack.jurisdictions, goods, strict=True):
            _deliver(ticket, taxing, delivered, cells, untaxed)
    amounts = _round_items(cells, stack) if by_item else _round_ticket(cells, stack)
    parts = [
        TaxPart(c.line, c.jurisdiction_id, c.rate_id, c.part, c.taxable_cents, a) for c, a in zip(cells, amounts, strict=True)
    ]
    return TicketTax(tuple(parts), tuple(untaxed))


# --- buyers -------------------------------------------------------------------------------------------------------------


def _check_certificate(certificate: Certificate, ticket: TicketToTax, stack: CompiledStack) -> None:
    mend = "tax the sale, or ask the buyer for one that holds"
    if ticket.on < certificate.starts_on:
        raise TicketRefused(f"Certificate {certificate.number} holds from {certificate.starts_on}, after the sale: {mend}.")
    if certificate.expires_on is not None and ticket.on > certificate.expires_on:
        raise TicketRefused(f"Certificate {certificate.number} expired on {certificate.expires_on}: {mend}.")
    for taxing in stack.jurisdictions:
        if taxing.state not in certificate.states:
            raise TicketRefused(f"Certificate {certificate.number} does not hold in the state of {taxing.name}: {mend}.")


def _exempt_buyer(certificate: Certificate, line: LineToTax) -> str:
    if certificate.kind == "exempt":
        return "exempt buyer"
    return "" if line.own_use else "resale"


# --- prices -------------------------------------------------------------------------------------------------------------


def reduced_lines(ticket: TicketToTax) -> Sequence[LineToTax]:
    """The ticket's lines with its own reductions shared among them, each by what is left of the lines' prices.

    Raises TicketRefused for lines and reductions that cannot be.
    """
    lines = ticket.lines
    for n, line in enumerate(lines, 1):
        if line.quantity == 0:
            raise TicketRefused(f"Line {n} is of no articles: give it a quantity, or leave it out.")
        if line.price_cents * line.quantity < 0:
            raise TicketRefused(f"Line {n}: price and quantity are both positive on a sale, both negative on a return.")
        if any(_reductions(line)):
            _check_reductions(n, line)
    for name, amount in zip(_REDUCTIONS, _reductions(ticket), strict=True):
        if amount:
            lines = _share(lines, name, amount)
    return lines


_REDUCTIONS = ("discount_cents", "seller_coupon_cents", "maker_coupon_cents", "trade_in_cents")


def _reductions(of: LineToTax | TicketToTax) -> tuple[int, int, int, int]:
    return of.discount_cents, of.seller_coupon_cents, of.maker_coupon_cents, of.trade_in_cents


def _check_reductions(n: int, line: LineToTax) -> None:
    sign = -1 if line.price_cents < 0 else 1
    if any(part * sign < 0 for part in _reductions(line)) or sum(_reductions(line)) * sign > line.price_cents * sign:
        raise TicketRefused(f"Line {n}: discount, coupons and trade-in together must lie between nothing and the price.")


def _share(lines: Sequence[LineToTax], name: str, amount: int) -> tuple[LineToTax, ...]:
    sign = -1 if amount < 0 else 1
    left = [max(0, (line.price_cents - sum(_reductions(line))) * sign) for line in lines]
    if sum(left) < amount * sign:
        what = name.removesuffix("_cents").replace("_", " ")
        raise TicketRefused(f"The ticket's {what} is more than what is left of its prices: lower it.")
    shares = _to_sum([amount * cents for cents in left], amount, sum(left))
    return tuple(
        LineToTax(**(vars(line) | {name: getattr(line, name) + share})) if share else line
        for line, share in zip(lines, shares, strict=True)
    )


def _reduce(n: int, line: LineToTax, taxing: Compiled, untaxed: list[Untaxed]) -> tuple[int, int]:
    """The line's price after what lowers it here, and the price that limits are tested on."""
    j = taxing.jurisdiction_id
    tested = line.price_cents
    if line.discount_cents:
        tested -= line.discount_cents
        untaxed.append(Untaxed(n, j, "deduction", "discount", line.discount_cents))
    if taxing.seller_coupon and line.seller_coupon_cents:
        tested -= line.seller_coupon_cents
        untaxed.append(Untaxed(n, j, "deduction", "seller's coupon", line.seller_coupon_cents))
    base = tested
    if taxing.maker_coupon and line.maker_coupon_cents:
        base -= line.maker_coupon_cents
        untaxed.append(Untaxed(n, j, "deduction", "maker's coupon", line.maker_coupon_cents))
    if taxing.trade_in and line.trade_in_cents:
        base -= line.trade_in_cents
        untaxed.append(Untaxed(n, j, "deduction", "trade-in", line.trade_in_cents))
    return base, tested


def _articles(cents: int, quantity: int) -> list[tuple[int, int]]:
    """(count, price) of a line's articles, in their order: a cent apart where the line does not divide."""
    count, sign = abs(quantity), -1 if quantity < 0 else 1
    if count == 1:
        return [(1, cents)]
    each, dearer = divmod(cents * sign, count)
    split = [(dearer, (each + 1) * sign), (count - dearer, each * sign)]
    return [(n, price) for n, price in split if n]


# --- rules by the article -----------------------------------------------------------------------------------------------


_Where = tuple[int, int, int]
"""Line, its quantity, jurisdiction id."""


def _tax_by_article(
    ticket: TicketToTax,
    where: _Where,
    plan: ClassPlan,
    base: int,
    tested: int,
    cells: list[Cell],
    untaxed: list[Untaxed],
) -> int | None:
    """Add the cells of a line whose tax depends on each article's price; its price as far as it is taxable, before any cap."""
    n, quantity, j = where
    sign = -1 if quantity < 0 else 1
    holidays = plan.holidays_today if ticket.layaway is None else _of_layaway(plan.holidays, ticket.layaway)
    threshold, cap = plan.threshold, plan.cap_cents
    on_holiday = under_threshold = over_cap = 0
    own: list[tuple[int, int]] = []
    subject: list[tuple[int, int]] = []
    any_taxed = False
    articles = _articles(base, quantity)
    shown = articles if tested == base else _articles(tested, quantity)
    for count, price, price_tested in _side_by_side(articles, shown):
        price, price_tested = price * sign, price_tested * sign
        taxed, free = price, False
        if any(_within(price_tested, h.limit_cents, h.limit_included) for h in holidays):
            taxed, free = 0, True
            on_holiday += count * price
        elif threshold is not None:
            free = _within(price_tested, threshold.upto_cents, threshold.limit_included)
            if free:
                taxed = 0
            elif threshold.excess_only:
                taxed = max(0, price - threshold.upto_cents)
                free = not taxed
            under_threshold += count * (price - taxed)
        any_taxed = any_taxed or not free
        capped = taxed if cap is None or taxed < cap else cap
        over_cap += count * (taxed - capped)
        own.append((count, capped * sign))
        subject.append((count, taxed))
    for reason, cents in (("holiday", on_holiday), ("threshold", under_threshold), ("over the cap", over_cap)):
        if cents:
            untaxed.append(Untaxed(n, j, "exempt", reason, cents * sign))
    if not any_taxed:
        return None
    taxable = base - (on_holiday + under_threshold + over_cap) * sign
    cells.append(Cell(n, j, plan.rate_id, "", plan.rate, taxable, own))
    for tier in plan.tiers:
        over, upto = tier.over_cents, tier.upto_cents
        upper = [(count, max(0, (taxed if upto is None or taxed < upto else upto) - over) * sign) for count, taxed in subject]
        taxable = sum([count * cents for count, cents in upper])
        if taxable:
            cells.append(Cell(n, j, tier.rate_id, tier.name, tier.rate, taxable, upper))
    return base - (on_holiday + under_threshold) * sign


def _of_layaway(holidays: Sequence[Holiday], layaway: Layaway) -> list[Holiday]:
    """The holidays that cover a layaway: by the day it was accepted, or the day it was paid and handed over."""
    days = [day for day in (layaway.accepted_on, layaway.completed_on) if day is not None]
    return [holiday for holiday in holidays if any(holiday.during.holds(day) for day in days)]


def _within(price: int, limit: int | None, included: bool) -> bool:
    return limit is None or price < limit or (included and price == limit)


def _side_by_side(one: Sequence[tuple[int, int]], other: Sequence[tuple[int, int]]) -> list[tuple[int, int, int]]:
    """Two ways to price the same articles as (count, by the one, by the other)."""
    if one is other:
        return [(count, price, price) for count, price in one]
    if len(one) == len(other) == 1:
        return [(one[0][0], one[0][1], other[0][1])]
    merged = []
    (left, price), (right, second) = one[0], other[0]
    a = b = 0
    while True:
        count = min(left, right)
        merged.append((count, price, second))
        left, right = left - count, right - count
        if not left:
            a += 1
            if a == len(one):
                return merged
            left, price = one[a]
        if not right:
            b += 1
            right, second = other[b]


# --- delivery -----------------------------------------------------------------------------------------------------------


_Goods = tuple[ClassPlan, int, int | None]
"""A line as delivery sees it: its plan, its price, and how much of it is taxable (None: it is not)."""


def _deliver(
    ticket: TicketToTax, taxing: Compiled, delivered: Sequence[_Goods], cells: list[Cell], untaxed: list[Untaxed]
) -> None:
    """Tax the delivery charge at the rates of the goods it delivers, those with its own sign; never capped by the article.

    "taxable" taxes all of it as soon as any of the goods is taxable (and for no goods at all, unless the buyer is exempt);
    "proportion" does the same where the goods have no price to weigh them by.
    """
    charge = ticket.delivery_cents
    goods = [line for line in delivered if line[1] * charge >= 0]
    taxable = [(plan, abs(taxed)) for plan, _, taxed in goods if taxed is not None]
    if not goods and ticket.certificate is None and not taxing.other.exempt:
        taxable = [(taxing.other, 0)]
    base = 0
    if taxable and taxing.delivery == "taxable":
        base = charge
    elif taxable and taxing.delivery == "proportion":
        whole = sum([abs(price) for _, price, _ in goods])
        base = _half_up(charge * sum([cents for _, cents in taxable]), whole) if whole else charge
    if base != charge:
        untaxed.append(Untaxed(DELIVERY, taxing.jurisdiction_id, "exempt", "delivery", charge - base))
    if not base:
        return
    by_rate: dict[tuple[int, int], int] = {}
    for plan, cents in taxable:
        by_rate[plan.rate_id, plan.rate] = by_rate.get((plan.rate_id, plan.rate), 0) + cents
    weights = list(by_rate.values())
    whole = sum(weights)
    shares = _to_sum([base * cents for cents in weights], base, whole) if whole else [base] + [0] * (len(weights) - 1)
    for (rate_id, rate), share in zip(by_rate, shares, strict=True):
        if share:
            cells.append(Cell(DELIVERY, taxing.jurisdiction_id, rate_id, "", rate, share, ((1, share),)))


# --- rounding -----------------------------------------------------------------------------------------------------------


def _round_ticket(cells: Sequence[Cell], stack: CompiledStack) -> list[int]:
    """Round the ticket, share its tax among the jurisdictions, and each one's among its lines."""
    exact = [cell.taxable_cents * cell.rate for cell in cells]
    groups: dict[int, list[int]] = {}
    for i, cell in enumerate(cells):
        groups.setdefault(cell.jurisdiction_id, []).append(i)
    sums = [sum([exact[i] for i in members]) for members in groups.values()]
    if stack.aggregated:
        targets = _share_rounded(sums, sum(sums), stack.denominator)
    else:
        targets = [_half_up(of, stack.denominator) for of in sums]
    amounts = [0] * len(cells)
    for members, target in zip(groups.values(), targets, strict=True):
        for i, amount in zip(members, _to_sum([exact[i] for i in members], target, stack.denominator), strict=True):
            amounts[i] = amount
    return amounts


def _round_items(cells: Sequence[Cell], stack: CompiledStack) -> list[int]:
    """Round each article, share its tax among the jurisdictions (and their tiers), and add the articles of a line up."""
    amounts = [0] * len(cells)
    groups: dict[tuple[int, int], list[int]] = {}
    for i, cell in enumerate(cells):
        groups.setdefault((cell.line, 0 if stack.aggregated else cell.jurisdiction_id), []).append(i)
    for members in groups.values():
        for count, bases in _alike([cells[i].articles for i in members]):
            exact = [base * cells[i].rate for i, base in zip(members, bases, strict=True)]
            for i, amount in zip(members, _share_rounded(exact, sum(exact), stack.denominator), strict=True):
                amounts[i] += count * amount
    return amounts


def _alike(cells: Sequence[Sequence[tuple[int, int]]]) -> Iterator[tuple[int, list[int]]]:
    """The articles of a line grouped where they are alike in every cell: (count, base in each cell)."""
    position = [0] * len(cells)
    left = [articles[0][0] for articles in cells]
    while True:
        count = min(left)
        yield count, [articles[at][1] for articles, at in zip(cells, position, strict=True)]
        for c, articles in enumerate(cells):
            left[c] -= count
            if not left[c]:
                position[c] += 1
                if position[c] == len(articles):
                    return
                left[c] = articles[position[c]][0]


def _half_up(exact: int, denominator: int) -> int:
    sign = -1 if exact < 0 else 1
    return sign * ((2 * abs(exact) + denominator) // (2 * denominator))


def _share_rounded(exact: Sequence[int], whole: int, denominator: int) -> list[int]:
    return _to_sum(exact, _half_up(whole, denominator), denominator)


def _to_sum(exact: Sequence[int], target: int, denominator: int) -> list[int]:
    """Round shares so that they sum to `target`, their sum rounded either way: each down, then the largest remainders up.

    Ties go to the earlier. Minus the shares and the target give minus the parts; a sum of zero takes the first share's sign.
    """
    if len(exact) == 1:
        return [target]
    whole = sum(exact)
    if whole < 0 or (not whole and next((e for e in exact if e), 0) < 0):
        return [-part for part in _to_sum([-e for e in exact], -target, denominator)]
    parts = [e // denominator for e in exact]
    left = target - sum(parts)
    if left:
        by_remainder = sorted(range(len(exact)), key=[-(e % denominator) for e in exact].__getitem__)
        for i in by_remainder[:left]:
            parts[i] += 1
    return parts
