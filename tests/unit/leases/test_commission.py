"""Commission by tiers of item price and less turns worked; percentage rent. Every rule is common practice, no source."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import round_half_up
from coop.leases.domain import Rent, TermsError, commission
from coop.leases.domain.commission import Sold, Tier, tiered_commission
from coop.leases.domain.percentage_rent import PercentageRent, breakpoint_of, percentage_rent
from coop.leases.domain.turns import TurnRule, points_less_turns

TIERS = [Tier(100_00, 12), Tier(500_00, 10), Tier(None, Decimal("7.5"))]


@pytest.mark.parametrize(
    ("sold", "cents", "working"),
    [
        ([], 0, "no sales"),
        # An item of exactly $100.00 is in the first tier, a cent more in the second; a line of three at $40 is by the item.
        ([Sold(100_00, 100_00), Sold(40_00, 120_00)], 26_40, "12% of $220.00 on items up to $100.00"),
        # 10.001 + 75 = 85.001.
        (
            [Sold(100_01, 100_01), Sold(1000_00, 1000_00)],
            85_00,
            "10% of $100.01 on items up to $500.00 + 7.5% of $1,000.00 on every dearer item",
        ),
        # Rounded once: 0.48 + 0.3 + 0.3 cents make 1; each alone would have made nothing.
        ([Sold(4, 4), Sold(100_01, 3), Sold(500_01, 4)], 1, None),
        # A return gives back by the tier it was taken in.
        ([Sold(600_00, 600_00), Sold(600_00, -600_00), Sold(50_00, -50_00)], -6_00, "12% of -$50.00 on items up to $100.00"),
    ],
)
def test_commission_by_tiers_of_item_price(sold: list[Sold], cents: int, working: str | None) -> None:
    made = tiered_commission(sold, TIERS)
    assert made.amount_cents == cents
    assert working is None or made.working == working


@pytest.mark.parametrize(
    ("tiers", "said"),
    [
        ([], "The last tier, and only it, must take every dearer item"),
        ([Tier(100_00, 10)], "The last tier, and only it"),
        ([Tier(None, 10), Tier(None, 5)], "The last tier, and only it"),
        ([Tier(2, 10), Tier(2, 9), Tier(None, 5)], "tiers' prices do not rise"),
        ([Tier(-1, 10), Tier(None, 5)], "tiers' prices do not rise"),
    ],
)
def test_tiers_that_leave_a_gap_are_refused(tiers: list[Tier], said: str) -> None:
    with pytest.raises(TermsError, match=said):
        tiered_commission([], tiers)


LINES = st.lists(st.builds(Sold, st.integers(0, 2000_00), st.integers(-2000_00, 2000_00)), max_size=20)


@given(sold=LINES, percent=st.decimals(0, 100, places=4))
def test_tiers_of_one_percent_are_the_plain_commission(sold: list[Sold], percent: Decimal) -> None:
    tiers = [Tier(10_00, percent), Tier(100_00, percent), Tier(None, percent)]
    assert tiered_commission(sold, tiers).amount_cents == commission(sum(s.net_cents for s in sold), percent).amount_cents


def test_turns_take_points_off_the_commission() -> None:
    less = points_less_turns(TurnRule(percent=Decimal("1.5"), unpaid=1), 3)
    assert commission(1000_00, 10, less) == Rent(70_00, "7% (10% less 1.5% a turn for 2 turns) of $1,000.00")
    # Never below zero, tier by tier: 12 - 8 = 4% of 100, 7.5 - 8 is none of 1,000.
    less = points_less_turns(TurnRule(percent=4), 2)
    assert tiered_commission([Sold(100_00, 100_00), Sold(1000_00, 1000_00)], TIERS, less).amount_cents == 4_00
    assert commission(1000_00, 10, points_less_turns(TurnRule(percent=4), 0)) == Rent(100_00, "10% of $1,000.00")


# Natural breakpoint: 270 / 6% = 4,500 of sales a month.
@pytest.mark.parametrize(
    ("rule", "given_", "cents", "working"),
    [
        (
            PercentageRent(6),
            {"sales_cents": 5000_00, "base_rent_cents": 270_00},
            30_00,
            "6% of sales of $5,000.00 above the natural breakpoint of $4,500.00",
        ),
        (
            PercentageRent(6),
            {"sales_cents": 4500_00, "base_rent_cents": 270_00},
            0,
            "sales of $4,500.00 are not above the natural breakpoint of $4,500.00",
        ),
        (PercentageRent(6, breakpoint_cents=3000_00), {"sales_cents": 5000_00, "base_rent_cents": 270_00}, 120_00, None),
        (PercentageRent(6, breakpoint_cents=0), {"sales_cents": 100_00, "base_rent_cents": 0}, 6_00, None),
        # A month of which half is held: the stated breakpoint is halved.
        (
            PercentageRent(6, breakpoint_cents=3000_00),
            {"sales_cents": 2000_00, "base_rent_cents": 0, "part": Fraction(1, 2)},
            30_00,
            None,
        ),
        (
            PercentageRent(6, "year"),
            {"sales_cents": 60_000_00, "base_rent_cents": 3240_00, "charged_cents": 100_00},
            260_00,
            "6% of sales of $60,000.00 in the lease's year so far above the natural breakpoint of $54,000.00, "
            "less $100.00 charged before",
        ),
        # Returns took the year's sales below the breakpoint again.
        (PercentageRent(6, "year"), {"sales_cents": 1, "base_rent_cents": 3240_00, "charged_cents": 100_00}, -100_00, None),
    ],
)
def test_percentage_rent(rule: PercentageRent, given_: dict[str, Any], cents: int, working: str | None) -> None:
    made = percentage_rent(rule, **given_)
    assert made.amount_cents == cents
    assert working is None or made.working == working


@given(sales=st.lists(st.integers(-1000_00, 10_000_00), min_size=12, max_size=12), limit=st.none() | st.integers(0, 60_000_00))
def test_a_year_s_percentage_rent_is_that_of_its_sales_together(sales: list[int], limit: int | None) -> None:
    rule = PercentageRent(Decimal("5.5"), "year", limit)
    charged, so_far = 0, 0
    for month in sales:
        so_far += month
        charged += percentage_rent(rule, sales_cents=so_far, base_rent_cents=2400_00, charged_cents=charged).amount_cents
    over = max(0, so_far - breakpoint_of(rule, 2400_00))
    assert charged == round_half_up(over * Fraction("0.055"))


def test_bad_percentage_rents_are_refused() -> None:
    with pytest.raises(TermsError, match="percentage rent is 0: write one above zero"):
        PercentageRent(0)
    with pytest.raises(TermsError, match="period is 'week': choose month or year"):
        PercentageRent(5, "week")
    with pytest.raises(TermsError, match=r"breakpoint is -\$0\.01: it cannot be negative"):
        PercentageRent(5, breakpoint_cents=-1)
    with pytest.raises(TermsError, match="part of the period is 2"):
        percentage_rent(PercentageRent(5), sales_cents=0, base_rent_cents=0, part=Fraction(2))
    with pytest.raises(TermsError, match="cannot be negative"):
        percentage_rent(PercentageRent(5), sales_cents=0, base_rent_cents=-1)
