"""Returns: their allowance, interest and sums; amended by name; tied to tickets and books."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.periods import Month
from coop.tax.domain.frozen import Worksheet, from_json, to_json
from coop.tax.domain.returns import (
    Allowance,
    Change,
    FilingPeriod,
    FilingRules,
    Interest,
    JurisdictionSums,
    PaidPart,
    RatedSum,
    allowance_cents,
    amend_return,
    build_return,
    compare,
    interest_cents,
    period_of,
    prove_return,
    tie_return,
)

DUE = date(2026, 10, 20)
PERIOD = FilingPeriod(Month(2026, 9), "month")
TWO_PERCENT = Allowance(((None, Decimal(2)),))
RULES = FilingRules(allowance=TWO_PERCENT, interest=Interest(Decimal(3)))


def sums(taxable: int = 10_000_000, collected: int = 500_000, percent: str = "5", key: int = 1) -> JurisdictionSums:
    rated = (RatedSum(10 + key, "", Decimal(percent), taxable, collected, "general", date(2020, 1, 1)),)
    return JurisdictionSums(key, f"Place {key}", taxable + 30_000, (("discount", 10_000),), (("resale", 20_000),), rated)


# --- allowance and interest -----------------------------------------------------------------------------------------------


def test_v1_two_percent_of_5000_dollars() -> None:
    """Missouri Form 53-1, line 2: 100.00."""
    assert allowance_cents(TWO_PERCENT, 500_000) == 10_000


@pytest.mark.parametrize(
    ("rule", "tax", "prepaid", "allowed"),
    [
        (Allowance(((100_000, Decimal(3)), (None, Decimal(1)))), 300_000, 0, 5_000),
        (Allowance(((100_000, Decimal(3)), (None, Decimal(0)))), 300_000, 0, 3_000),
        (Allowance(((None, Decimal(2)),), cap_cents=5_000), 500_000, 0, 5_000),
        (Allowance(((None, Decimal(2)),), minimum_cents=500), 10_000, 0, 500),
        (Allowance(((None, Decimal(2)),), minimum_cents=500), 300, 0, 300),
        (Allowance(((None, Decimal("0.5")),), prepaid_percent=Decimal("1.25")), 500_000, 400_000, 7_500),
        (TWO_PERCENT, 0, 0, 0),
        (TWO_PERCENT, -500_000, 0, 0),
    ],
    ids=["tiers", "tiers that end", "cap", "minimum", "never more than the tax", "prepaid", "nothing", "credit"],
)
def test_allowances(rule: Allowance, tax: int, prepaid: int, allowed: int) -> None:
    assert allowance_cents(rule, tax, prepaid) == allowed


@pytest.mark.parametrize(
    "tiers", [(), ((None, Decimal(1)), (100, Decimal(1))), ((200, Decimal(1)), (100, Decimal(1))), ((None, Decimal(-1)),)]
)
def test_an_allowance_that_cannot_be(tiers: tuple[tuple[int | None, Decimal], ...]) -> None:
    with pytest.raises(ValueError, match="tiers rise"):
        Allowance(tiers)


def test_v7_five_days_late() -> None:
    """$500 at 3% a year, five days: 0.21 (Missouri Form 53-C, instructions)."""
    assert interest_cents(Interest(Decimal(3)), [PaidPart(date(2026, 10, 25), 50_000)], DUE) == 21


@pytest.mark.parametrize(
    ("paid", "cents"),
    [
        (date(2026, 10, 20), 0),
        (date(2026, 10, 21), 500),
        (date(2026, 11, 20), 500),
        (date(2026, 11, 21), 1000),
        (date(2027, 1, 20), 1500),
    ],
)
def test_interest_by_the_month_or_part_of_one(paid: date, cents: int) -> None:
    assert interest_cents(Interest(Decimal(1), "month"), [PaidPart(paid, 50_000)], DUE) == cents


def test_interest_runs_on_each_part_to_the_day_it_was_paid() -> None:
    """By hand: at 3%, $300 for 10 days is 24.66 cents and $200 for 30 days 49.32; $100 in time is none: 73.97, rounded once."""
    parts = [PaidPart(DUE, 10_000), PaidPart(date(2026, 10, 30), 30_000), PaidPart(date(2026, 11, 19), 20_000)]
    assert interest_cents(Interest(Decimal(3)), parts, DUE) == 74


def test_a_payment_between_the_due_date_and_filing_bears_interest_to_its_day() -> None:
    prepaid = [PaidPart(DUE, 10_000), PaidPart(date(2026, 10, 30), 30_000)]
    late = date(2026, 11, 19)
    lines = [sums(1_200_000, 60_000)]
    value = build_return("2026-09", "State", PERIOD, lines, RULES, due_on=DUE, filed_on=late, prepaid=prepaid)
    assert (value.prepaid_cents, value.interest_cents, value.net_due_cents) == (40_000, 74, 20_074)
    assert value.paid_late == (PaidPart(date(2026, 10, 30), 30_000),)
    assert prove_return(value) == []


# --- building -------------------------------------------------------------------------------------------------------------


def test_a_return_in_time() -> None:
    value = build_return("2026-09", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=DUE, prepaid=[PaidPart(DUE, 100_000)])
    assert (value.tax_cents, value.allowance_cents, value.interest_cents, value.net_due_cents) == (500_000, 10_000, 0, 390_000)
    assert value.in_time
    assert prove_return(value) == []


def test_a_return_too_late() -> None:
    value = build_return("2026-09", "State", PERIOD, [sums(1_000_000, 50_000)], RULES, due_on=DUE, filed_on=date(2026, 10, 25))
    assert (value.allowance_cents, value.interest_cents, value.net_due_cents) == (0, 21, 50_021)


@pytest.mark.parametrize(("remits", "tax", "rounding"), [("greater", 500_003, 0), ("due", 500_000, 3), ("collected", 500_003, 0)])
def test_rounding_by_the_ticket_is_said(remits: str, tax: int, rounding: int) -> None:
    rules = FilingRules(remits=remits)  # type: ignore[arg-type]
    value = build_return("1", "State", PERIOD, [sums(collected=500_003)], rules, due_on=DUE, filed_on=DUE)
    assert (value.tax_cents, value.rounding_cents, value.lines[0].difference_cents) == (tax, rounding, 3)


def test_an_upper_tier_has_its_own_base_within_the_same_sales() -> None:
    """P1's table: $4,000 at 7% and $1,600 at 2.75% (Tennessee Department of Revenue, SUT-6)."""
    rated = (RatedSum(1, "", Decimal(7), 400_000, 28_000), RatedSum(2, "single-article", Decimal("2.75"), 160_000, 4_400))
    value = build_return(
        "1", "State", PERIOD, [JurisdictionSums(1, "State", 400_000, (), (), rated)], FilingRules(), due_on=DUE, filed_on=DUE
    )
    assert (value.tax_cents, value.lines[0].taxable_cents) == (32_400, 400_000)
    assert prove_return(value) == []


@pytest.mark.parametrize(
    ("day", "frequency", "begins", "name"),
    [
        (date(2026, 5, 17), "month", 1, "May 2026"),
        (date(2026, 5, 17), "quarter", 1, "April 2026 to June 2026"),
        (date(2026, 1, 1), "quarter", 3, "December 2025 to February 2026"),
        (date(2026, 5, 17), "year", 1, "January 2026 to December 2026"),
        (date(2026, 5, 17), "year", 7, "July 2025 to June 2026"),
    ],
)
def test_periods(day: date, frequency: str, begins: int, name: str) -> None:
    period = period_of(day, frequency, year_begins=begins)  # type: ignore[arg-type]
    assert period.name == name
    assert period.first_day <= day <= period.last_day


# --- amending -------------------------------------------------------------------------------------------------------------


def test_an_amended_return_names_what_it_changes() -> None:
    filed = build_return("2026-09", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=DUE)
    late = sums(taxable=11_000_000, collected=550_000)
    value = amend_return(filed, "2026-09-A1", [late], RULES, filed_on=date(2026, 10, 25))
    assert value.amends == "2026-09"
    assert value.changes == (
        Change("Place 1", "gross sales", 10_030_000, 11_030_000),
        Change("Place 1", "taxable sales", 10_000_000, 11_000_000),
        Change("Place 1", "taxable at 5% general from Jan 1, 2020", 10_000_000, 11_000_000),
        Change("Place 1", "collected at 5% general from Jan 1, 2020", 500_000, 550_000),
        Change("Place 1", "tax due", 500_000, 550_000),
        Change("Place 1", "tax collected", 500_000, 550_000),
    )
    # The $500 added is owed for five days (V7) and earns no allowance; the $100 of the first return stay.
    assert (value.allowance_cents, value.paid_before_cents, value.interest_cents, value.net_due_cents) == (
        10_000,
        490_000,
        21,
        50_021,
    )
    assert prove_return(value) == []
    again = amend_return(value, "2026-09-A2", [sums()], RULES, filed_on=date(2026, 11, 1))
    assert (again.amends, again.paid_before_cents, again.net_due_cents) == ("2026-09-A1", 540_000, -50_000)


def test_a_rate_whose_class_was_not_kept_is_the_same_rate() -> None:
    """Returns filed before their rates' class and first day were told."""
    old = replace(sums(), rated=tuple(replace(row, tax_class="", starts_on=None) for row in sums().rated))
    assert compare([old], [sums()]) == []
    told = [change.what for change in compare([old], [sums(taxable=1, collected=1)])]
    assert "taxable at 5% general from Jan 1, 2020" in told


def test_a_return_kept_before_rates_and_late_parts_were_told_is_read() -> None:
    late = [PaidPart(date(2026, 10, 30), 30_000)]
    value = build_return("1", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=date(2026, 11, 19), prepaid=late)
    sheet = Worksheet("Trial", value, 0, 0)
    assert from_json(to_json(sheet)) == sheet
    body = json.loads(to_json(sheet))
    del body["value"]["paid_late"]
    for row in body["value"]["lines"][0]["rated"]:
        del row["tax_class"], row["starts_on"]
    old = from_json(json.dumps(body)).value
    assert (old.paid_late, old.lines[0].rated[0].words) == ((), "5%")


def test_amending_nothing_is_refused() -> None:
    filed = build_return("2026-09", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=DUE)
    with pytest.raises(ValueError, match="2026-09 already says this"):
        amend_return(filed, "2026-09-A1", [sums()], RULES, filed_on=DUE)


def test_a_jurisdiction_the_first_return_did_not_have() -> None:
    filed = build_return("1", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=DUE)
    value = amend_return(filed, "2", [sums(), sums(key=2)], RULES, filed_on=DUE)
    assert {change.where for change in value.changes} == {"Place 2"}
    assert {change.was_cents for change in value.changes} == {0}


# --- proofs ---------------------------------------------------------------------------------------------------------------


def test_what_does_not_add_up_is_said() -> None:
    value = build_return("1", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=DUE)
    off = replace(value, lines=(replace(value.lines[0], gross_cents=1),), net_due_cents=7)
    first, second = prove_return(off)
    assert first == "Place 1: gross sales less deductions and exempt sales differ from taxable sales by -$100,299.99."
    assert second == "Net due is $0.07, but its parts make $4,900.00."


def test_where_it_does_not_tie_it_says_by_how_much() -> None:
    value = build_return("1", "State", PERIOD, [sums()], RULES, due_on=DUE, filed_on=DUE)
    assert tie_return(value, {1: 500_000}, "the ledger") == []
    assert tie_return(value, {1: 499_900, 2: 5}, "the ledger") == [
        "Place 1: the return has $5,000.00, the ledger $4,999.00: -$1.00 apart.",
        "Jurisdiction 2: the return has $0.00, the ledger $0.05: $0.05 apart.",
    ]


AMOUNTS = st.integers(-10_000_000, 10_000_000)
LINES = st.lists(st.builds(sums, AMOUNTS, AMOUNTS, st.sampled_from(["5", "0.9", "6.875"])), max_size=4)
DAYS = st.dates(date(2026, 10, 1), date(2027, 3, 1))
ANY_RULES = st.builds(
    FilingRules,
    st.sampled_from(["greater", "due", "collected"]),
    st.none() | st.just(TWO_PERCENT),
    st.none() | st.just(Interest(Decimal(3))),
)


@given(lines=LINES, more=LINES, rules=ANY_RULES, filed=DAYS, amended=DAYS, prepaid=st.integers(0, 100_000))
def test_what_is_paid_over_a_return_and_its_amendment_is_the_tax(
    lines: list[JurisdictionSums], more: list[JurisdictionSums], rules: FilingRules, filed: date, amended: date, prepaid: int
) -> None:
    first = build_return("1", "State", PERIOD, lines, rules, due_on=DUE, filed_on=filed, prepaid=[PaidPart(filed, prepaid)])
    paid = prepaid + first.net_due_cents - first.interest_cents
    assert paid + first.allowance_cents == first.tax_cents
    assert paid + first.allowance_cents + first.rounding_cents == first.collected_cents
    assert prove_return(first) == []
    elsewhere = [replace(line, jurisdiction_id=9) for line in more[:1]] or [sums(key=8)]
    second = amend_return(first, "2", elsewhere, rules, filed_on=amended)
    assert paid + second.net_due_cents - second.interest_cents + second.allowance_cents == second.tax_cents
    assert prove_return(second) == []
