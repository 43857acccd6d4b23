"""Cases of the tax itself as a return shows them: caps, coupons, deliveries, holidays, certificates, changed rates."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy.orm import Session

from coop.core.db import Sessions
from coop.core.periods import Month
from coop.tax import filing
from coop.tax.domain.returns import FilingPeriod
from coop.tax.domain.rules import ArticleRule, DeliveryRule, ExemptClass, Holiday, Span, Stack, UpperTier
from coop.tax.domain.ticket import Certificate, LineToTax, TicketRefused, TicketToTax
from coop.tax.service import set_rate
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import OFFICE, Filer, make_filer, rules_of

SEPTEMBER = FilingPeriod(Month(2026, 9), "month")
IN_TIME = date(2026, 10, 20)


@pytest.fixture
def session(sessions: Sessions, now: datetime) -> Iterator[Session]:
    with sessions() as session:
        make_coop(session, now)
        yield session


@pytest.fixture
def filer(session: Session, now: datetime) -> Filer:
    return make_filer(session, now, make_mall(session, now), [make_dealer(session, now, c) for c in ("D01", "D02")])


def test_p1_a_single_article_over_the_cap_has_its_tier_on_a_line_of_its_own(session: Session, filer: Filer) -> None:
    """One table at $4,000, local 2.25%: 280.00, 36.00 and 44.00 (Tennessee Department of Revenue, SUT-6)."""
    since = date(2026, 1, 1)
    state, local = filer.jurisdictions
    seven = set_rate(session, state, Decimal(7), starts_on=since, tax_class="furniture")
    tier = set_rate(session, state, Decimal("2.75"), starts_on=since, tax_class="single-article")
    over = set_rate(session, local, Decimal("2.25"), starts_on=since, tax_class="furniture")
    upper = ArticleRule(tiers=(UpperTier(tier.id, "single-article", Decimal("2.75"), 160_000, 320_000),))
    stack = Stack((rules_of(state, seven, articles=(upper,)), rules_of(local, over, articles=(ArticleRule(cap_cents=160_000),))))
    table = TicketToTax(date(2026, 9, 12), (LineToTax(400_000, tax_class="furniture"),))
    filer.sell(date(2026, 9, 12), ticket=table, stack=stack)
    sheet = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME)
    first, second = sheet.value.lines
    assert [(r.part, r.percent, r.taxable_cents, r.collected_cents) for r in first.rated] == [
        ("", Decimal(7), 400_000, 28_000),
        ("single-article", Decimal("2.75"), 160_000, 4_400),
    ]
    assert second.exempt == (("over the cap", 240_000),)
    assert (second.taxable_cents, second.collected_cents, sheet.ties) == (160_000, 3_600, True)


def test_p5_and_p6_coupons_of_makers_and_sellers(session: Session, filer: Filer) -> None:
    """A maker's coupon leaves 1.50 taxable; two for one at $2 leaves 2.00 (Iowa rule 701-203.3, examples 1 and 2)."""
    day = date(2026, 9, 12)
    filer.sell(day, ticket=TicketToTax(day, (LineToTax(150, maker_coupon_cents=30),)))
    filer.sell(day, ticket=TicketToTax(day, (LineToTax(200), LineToTax(200, discount_cents=200))))
    sheet = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME)
    line = sheet.value.lines[0]
    assert (line.gross_cents, line.deductions, line.taxable_cents) == (550, (("discount", 200),), 350)
    assert sheet.ties


def test_p7_a_delivery_is_taxable_in_proportion(session: Session, filer: Filer) -> None:
    """$5 taxable, $10 exempt, delivery $3.50: 1.17 of it is taxable (CDTFA annotation 557.0111)."""
    day = date(2026, 9, 12)
    rules = replace(
        filer.stack.jurisdictions[0], exempt_classes=(ExemptClass("books"),), deliveries=(DeliveryRule("proportion"),)
    )
    lines = (LineToTax(500), LineToTax(1_000, tax_class="books"))
    filer.sell(day, ticket=TicketToTax(day, lines, delivery_cents=350), stack=Stack((rules,)))
    line = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME).value.lines[0]
    assert (line.gross_cents, line.taxable_cents) == (1_850, 617)
    assert dict(line.exempt) == {"exempt class": 1_000, "delivery": 233}


def test_p9_a_holiday_whose_limit_is_met_exactly(session: Session, filer: Filer) -> None:
    """An article is wholly in or wholly out (Streamlined Sales and Use Tax Agreement s. 322)."""
    day = date(2026, 9, 12)
    holiday = Holiday("school week", Span(day, day), frozenset({"general"}), limit_cents=10_000)
    rules = replace(filer.stack.jurisdictions[0], holidays=(holiday,))
    filer.sell(day, ticket=TicketToTax(day, (LineToTax(10_000), LineToTax(10_001))), stack=Stack((rules,)))
    line = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME).value.lines[0]
    assert (line.exempt, line.taxable_cents) == ((("holiday", 10_000),), 10_001)


@pytest.mark.parametrize(
    ("expires_on", "own_use", "exempt"),
    [(None, False, (("resale", 10_000),)), (date(2026, 9, 12), False, (("resale", 10_000),)), (None, True, ())],
    ids=["good", "on its last day", "own use"],
)
def test_a_buyer_with_a_certificate(
    session: Session, filer: Filer, expires_on: date | None, own_use: bool, exempt: tuple[tuple[str, int], ...]
) -> None:
    day = date(2026, 9, 12)
    certificate = Certificate("R-1", "resale", frozenset({"97"}), date(2026, 1, 1), expires_on)
    filer.sell(day, ticket=TicketToTax(day, (LineToTax(10_000, own_use=own_use),), certificate=certificate))
    line = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME).value.lines[0]
    assert (line.gross_cents, line.exempt) == (10_000, exempt)


def test_a_buyer_whose_certificate_has_expired_is_taxed_or_not_sold_to(session: Session, filer: Filer) -> None:
    day = date(2026, 9, 12)
    certificate = Certificate("R-1", "resale", frozenset({"97"}), date(2026, 1, 1), date(2026, 9, 11))
    ticket = TicketToTax(day, (LineToTax(10_000),), certificate=certificate)
    with pytest.raises(TicketRefused, match="expired on 2026-09-11: tax the sale"):
        filer.sell(day, ticket=ticket)
    filer.sell(day, ticket=replace(ticket, certificate=None))
    line = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME).value.lines[0]
    assert (line.exempt, line.collected_cents) == ((), 500)


def test_a_rate_that_changes_within_the_period_has_a_line_before_and_one_after(session: Session, filer: Filer) -> None:
    county = filer.jurisdictions[1]
    first = filer.stack.jurisdictions[1].rates[0]
    raised = set_rate(session, county, Decimal("0.9"), starts_on=date(2026, 9, 16), tax_class="later")
    stack = Stack((filer.stack.jurisdictions[0], rules_of(county, raised)))
    later = TicketToTax(date(2026, 9, 16), (LineToTax(10_000, tax_class="later"),))
    filer.sell(date(2026, 9, 15), 10_000)
    filer.sell(date(2026, 9, 16), ticket=later, stack=stack)
    line = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME).value.lines[1]
    assert [(row.rate_id, row.percent, row.collected_cents) for row in line.rated] == [
        (first.rate_id, Decimal("0.5"), 50),
        (raised.id, Decimal("0.9"), 90),
    ]


def test_a_ticket_of_nothing_and_one_below_nothing(session: Session, filer: Filer) -> None:
    filer.sell(date(2026, 9, 12), 0)
    filer.sell(date(2026, 9, 13), -10_000)
    sheet = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME)
    assert (sheet.value.lines[0].gross_cents, sheet.value.collected_cents, sheet.ties) == (-10_000, -550, True)
    assert (sheet.value.allowance_cents, sheet.value.net_due_cents) == (0, -550)
