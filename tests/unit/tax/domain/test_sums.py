"""Every sum of a ticket's tax agrees, for any ticket and rules; and a slow, plain reckoning with fractions gives the same."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import floor

from hypothesis import given
from hypothesis import strategies as st

from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import reduced_lines, tax_ticket
from coop.tax.domain.rules import (
    ArticleRule,
    ClassRate,
    DeliveryRule,
    ExemptClass,
    Holiday,
    JurisdictionRules,
    ReductionRule,
    Span,
    Stack,
    Threshold,
    UpperTier,
)
from coop.tax.domain.ticket import DELIVERY, Certificate, LineToTax, TicketTax, TicketToTax

ON = date(2026, 8, 1)
CLASSES = ("general", "food", "clothing", "books")
PERCENTS = st.decimals(0, 12, places=3)
SOME_CLASSES = st.frozensets(st.sampled_from(CLASSES), min_size=1)


def few(rules: st.SearchStrategy[object]) -> st.SearchStrategy[tuple[object, ...]]:
    return st.one_of(st.just(()), st.tuples(rules))


@st.composite
def jurisdictions(draw: st.DrawFn, key: int) -> JurisdictionRules:
    rates = [ClassRate(key * 10, draw(PERCENTS))]
    if draw(st.booleans()):
        rates.append(ClassRate(key * 10 + 1, draw(PERCENTS), "food"))
    tier = st.builds(UpperTier, st.just(key * 10 + 2), st.just("upper"), PERCENTS, st.integers(0, 300), st.integers(301, 900))
    article = st.builds(ArticleRule, st.none() | st.integers(0, 500), few(tier), st.just(frozenset()) | SOME_CLASSES)
    holiday = st.builds(
        Holiday, st.just("August"), st.just(Span(ON, ON)), SOME_CLASSES, st.none() | st.integers(0, 400), st.booleans()
    )
    threshold = st.builds(Threshold, SOME_CLASSES, st.integers(0, 400), st.booleans(), st.booleans())
    return JurisdictionRules(
        key,
        f"Place {key}",
        "55",
        tuple(rates),
        draw(few(st.builds(ExemptClass, st.sampled_from(CLASSES)))),  # type: ignore[arg-type]
        draw(few(article)),  # type: ignore[arg-type]
        draw(few(holiday)),  # type: ignore[arg-type]
        draw(few(threshold)),  # type: ignore[arg-type]
        draw(few(st.builds(DeliveryRule, st.sampled_from(["taxable", "exempt", "proportion"])))),  # type: ignore[arg-type]
        draw(few(st.builds(ReductionRule, st.booleans(), st.booleans(), st.booleans()))),  # type: ignore[arg-type]
    )


@st.composite
def stacks(draw: st.DrawFn) -> Stack:
    taxing = tuple(draw(jurisdictions(key)) for key in range(1, draw(st.integers(0, 4)) + 1))
    return Stack(taxing, draw(st.sampled_from(["item", "ticket"])), draw(st.booleans()))  # type: ignore[arg-type]


@st.composite
def lines(draw: st.DrawFn, signs: tuple[int, ...]) -> LineToTax:
    sign, price = draw(st.sampled_from(signs)), draw(st.integers(0, 2000))
    left, reductions = price, []
    for _ in range(4):
        reductions.append(draw(st.just(0) | st.integers(0, left)) * sign)
        left -= abs(reductions[-1])
    quantity = draw(st.integers(1, 5)) * sign
    return LineToTax(price * sign, quantity, draw(st.sampled_from(CLASSES)), *reductions, own_use=draw(st.booleans()))  # type: ignore[misc]


@st.composite
def tickets(draw: st.DrawFn, signs: tuple[int, ...] = (1, -1)) -> TicketToTax:
    items = tuple(draw(st.lists(lines(signs), max_size=5)))
    delivery = draw(st.just(0) | st.integers(1, 900)) * draw(st.sampled_from(signs))
    certificate = draw(
        st.none()
        | st.builds(Certificate, st.just("C-1"), st.sampled_from(["resale", "exempt"]), st.just(frozenset({"55"})), st.just(ON))
    )
    left = sum(
        max(0, i.price_cents - i.discount_cents - i.seller_coupon_cents - i.maker_coupon_cents - i.trade_in_cents) for i in items
    )
    discount = draw(st.just(0) | st.integers(0, left)) if 1 in signs else 0
    return TicketToTax(ON, items, discount, delivery_cents=delivery, certificate=certificate)


def minus(ticket: TicketToTax) -> TicketToTax:
    def turn(line: LineToTax) -> LineToTax:
        return LineToTax(
            -line.price_cents,
            -line.quantity,
            line.tax_class,
            -line.discount_cents,
            -line.seller_coupon_cents,
            -line.maker_coupon_cents,
            -line.trade_in_cents,
            line.own_use,
        )

    turned = tuple(turn(line) for line in ticket.lines)
    return replace(ticket, lines=turned, discount_cents=-ticket.discount_cents, delivery_cents=-ticket.delivery_cents)


# --- the plain reckoning: article by article, one fraction at a time ----------------------------------------------------------


def half_up(value: Fraction) -> int:
    return floor(value + Fraction(1, 2)) if value >= 0 else -floor(-value + Fraction(1, 2))


Exact = dict[tuple[int, int, str], Fraction]
"""(line, jurisdiction, part) -> tax in cents before rounding."""


def plainly(ticket: TicketToTax, stack: Stack) -> tuple[list[Exact], dict[tuple[int, int, str], int]]:
    """Each article's (and the delivery's) exact tax, and the taxable bases."""
    articles: list[Exact] = []
    bases: Counter[tuple[int, int, str]] = Counter()
    goods: dict[int, list[tuple[int, Fraction, bool, int]]] = {j.jurisdiction_id: [] for j in stack.jurisdictions}
    for n, line in enumerate(reduced_lines(ticket)):
        count, sign = abs(line.quantity), 1 if line.quantity > 0 else -1
        each: list[Exact] = [{} for _ in range(count)]
        for j in stack.jurisdictions:
            rule = j.reductions[0] if j.reductions else ReductionRule()
            tested = line.price_cents - line.discount_cents - (line.seller_coupon_cents if rule.seller_coupon else 0)
            base = tested - (line.trade_in_cents if rule.trade_in else 0) - (line.maker_coupon_cents if rule.maker_coupon else 0)
            own = [rate for rate in j.rates if rate.tax_class == line.tax_class] or [
                r for r in j.rates if r.tax_class == "general"
            ]
            percent, subject, taxable = Fraction(own[0].percent), 0, False
            exempt = any(e.tax_class == line.tax_class for e in j.exempt_classes)
            if ticket.certificate and (ticket.certificate.kind == "exempt" or not line.own_use):
                exempt = True
            for i in range(count if not exempt else 0):
                price, shown = ((abs(cents) + count - 1 - i) // count for cents in (base, tested))
                free = False
                for holiday in j.holidays:
                    if line.tax_class in holiday.tax_classes:
                        free = holiday.limit_cents is None or shown < holiday.limit_cents
                        free = free or (shown == holiday.limit_cents and holiday.limit_included)
                for t in j.thresholds:
                    if line.tax_class in t.tax_classes and not free:
                        if shown < t.upto_cents or (shown == t.upto_cents and t.limit_included):
                            free = True
                        elif t.excess_only:
                            price = max(0, price - t.upto_cents)
                            # An article that is worth no more than its limit after a trade-in has nothing left to tax.
                            free = price == 0
                if free:
                    continue
                taxable, subject = True, subject + price
                cap, tiers = None, ()
                for a in j.articles:
                    if not a.tax_classes or line.tax_class in a.tax_classes:
                        cap, tiers = a.cap_cents, a.tiers
                under = price if cap is None else min(price, cap)
                each[i][n, j.jurisdiction_id, ""] = sign * under * percent / 100
                bases[n, j.jurisdiction_id, ""] += sign * under
                for tier in tiers:
                    upper = max(0, min(price, tier.upto_cents or price) - tier.over_cents)
                    each[i][n, j.jurisdiction_id, tier.name] = sign * upper * Fraction(tier.percent) / 100
                    bases[n, j.jurisdiction_id, tier.name] += sign * upper
            if base * ticket.delivery_cents >= 0:
                goods[j.jurisdiction_id].append((abs(base), percent, taxable, subject))
        articles += each
    delivery: Exact = {}
    for j in stack.jurisdictions if ticket.delivery_cents else ():
        here, how = goods[j.jurisdiction_id], j.deliveries[0].how if j.deliveries else "taxable"
        general = Fraction(next(r.percent for r in j.rates if r.tax_class == "general"))
        if not here and ticket.certificate is None:
            here = [(0, general, True, 0)]
        whole, part = sum(g[0] for g in here), sum(g[3] for g in here)
        base = ticket.delivery_cents if how == "taxable" and any(g[2] for g in here) else 0
        if how == "proportion" and any(g[2] for g in here):
            base = half_up(Fraction(ticket.delivery_cents * part, whole)) if whole else ticket.delivery_cents
        bases[DELIVERY, j.jurisdiction_id, ""] = base
        delivery[DELIVERY, j.jurisdiction_id, ""] = (
            Fraction(0) if len({g[1] for g in here if g[2]}) != 1 else base * next(g[1] for g in here if g[2]) / 100
        )
    return [*articles, delivery], {key: cents for key, cents in bases.items() if cents}


def one_rate(stack: Stack) -> Stack:
    """Without reduced rates, so that the plain reckoning need not share a delivery among rates."""
    return replace(stack, jurisdictions=tuple(replace(j, rates=j.rates[:1]) for j in stack.jurisdictions))


@given(stack=stacks().map(one_rate), ticket=tickets())
def test_it_is_what_a_plain_reckoning_gives(stack: Stack, ticket: TicketToTax) -> None:
    charged = tax_ticket(ticket, compile_stack(stack, ON))
    exact, bases = plainly(ticket, stack)
    counted: Counter[tuple[int, int, str]] = Counter()
    for part in charged.parts:
        counted[part.line, part.jurisdiction_id, part.part] += part.taxable_cents
    assert {key: cents for key, cents in counted.items() if cents} == bases
    by_jurisdiction: dict[int, Fraction] = {}
    total = 0
    for article in exact:
        mine: dict[int, Fraction] = {}
        for (_, key, _), amount in article.items():
            mine[key] = mine.get(key, Fraction(0)) + amount
            by_jurisdiction[key] = by_jurisdiction.get(key, Fraction(0)) + amount
        total += (
            half_up(sum(mine.values(), Fraction(0))) if stack.aggregated else sum(half_up(amount) for amount in mine.values())
        )
    if stack.basis == "item":
        assert charged.total_cents == total
    elif stack.aggregated:
        assert charged.total_cents == half_up(sum(by_jurisdiction.values(), Fraction(0)))
        assert all(abs(charged.by_jurisdiction().get(key, 0) - amount) < 1 for key, amount in by_jurisdiction.items())
    else:
        owed = {key: half_up(amount) for key, amount in by_jurisdiction.items()}
        assert {k: v for k, v in charged.by_jurisdiction().items() if v} == {k: v for k, v in owed.items() if v}


@given(stack=stacks(), ticket=tickets())
def test_each_cell_is_less_than_a_cent_an_article_from_its_exact_tax(stack: Stack, ticket: TicketToTax) -> None:
    percents = {rate.rate_id: rate.percent for j in stack.jurisdictions for rate in j.rates}
    percents |= {tier.rate_id: tier.percent for j in stack.jurisdictions for a in j.articles for tier in a.tiers}
    for part in tax_ticket(ticket, compile_stack(stack, ON)).parts:
        articles = abs(ticket.lines[part.line].quantity) if stack.basis == "item" and part.line != DELIVERY else 1
        assert abs(part.amount_cents - part.taxable_cents * Fraction(percents[part.rate_id]) / 100) < articles


@given(stack=stacks(), ticket=tickets())
def test_the_total_is_the_sum_over_lines_and_over_jurisdictions(stack: Stack, ticket: TicketToTax) -> None:
    charged = tax_ticket(ticket, compile_stack(stack, ON))
    assert charged.total_cents == sum(charged.by_line().values()) == sum(charged.by_jurisdiction().values())
    assert charged.total_cents == sum(charged.by_part().values())


def untaxed_and_taxed(charged: TicketTax) -> dict[tuple[int, int], int]:
    cents: Counter[tuple[int, int]] = Counter()
    for row in charged.untaxed:
        cents[row.line, row.jurisdiction_id] += row.amount_cents
    for part in charged.parts:
        cents[part.line, part.jurisdiction_id] += part.taxable_cents if not part.part else 0
    return cents


@given(stack=stacks(), ticket=tickets())
def test_a_price_is_its_deductions_its_exempt_part_and_its_base(stack: Stack, ticket: TicketToTax) -> None:
    made = untaxed_and_taxed(tax_ticket(ticket, compile_stack(stack, ON)))
    for j in stack.jurisdictions:
        for n, line in enumerate(ticket.lines):
            assert made.get((n, j.jurisdiction_id), 0) == line.price_cents
        assert made.get((DELIVERY, j.jurisdiction_id), 0) == ticket.delivery_cents


@given(stack=stacks(), ticket=tickets(signs=(1,)))
def test_minus_a_ticket_is_minus_its_tax(stack: Stack, ticket: TicketToTax) -> None:
    compiled = compile_stack(stack, ON)
    sold, back = tax_ticket(ticket, compiled), tax_ticket(minus(ticket), compiled)
    assert back.parts == tuple(p._replace(taxable_cents=-p.taxable_cents, amount_cents=-p.amount_cents) for p in sold.parts)
    assert back.untaxed == tuple(row._replace(amount_cents=-row.amount_cents) for row in sold.untaxed)


@given(stack=stacks(), ticket=tickets(), data=st.data())
def test_the_order_of_lines_does_not_change_the_total(stack: Stack, ticket: TicketToTax, data: st.DataObject) -> None:
    # A ticket's own discount goes by order where cents are left over, so it is shared before the lines are moved.
    shared = replace(ticket, lines=tuple(reduced_lines(ticket)), discount_cents=0)
    moved = replace(shared, lines=tuple(data.draw(st.permutations(shared.lines))))
    compiled = compile_stack(stack, ON)
    assert tax_ticket(moved, compiled).total_cents == tax_ticket(shared, compiled).total_cents


@given(percent=st.decimals(0, 100, places=6), price=st.integers(0, 10**9))
def test_any_percent_is_exact(percent: Decimal, price: int) -> None:
    stack = Stack((JurisdictionRules(1, "State", "55", (ClassRate(1, percent),)),))
    charged = tax_ticket(TicketToTax(ON, (LineToTax(price),)), compile_stack(stack, ON))
    assert charged.total_cents == half_up(price * Fraction(percent) / 100)
