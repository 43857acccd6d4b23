"""A surplus shared and a year added up, worked by hand; thresholds at their edge; the CSV's rows."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.payouts.domain.shares import Share, shares
from coop.payouts.domain.year import Control, Figures, Threshold, YearRow, YearTotals, year_csv


def test_a_surplus_is_shared_by_largest_remainder() -> None:
    # By hand: $1,000.00 over business of 4,700, 1,600, 1,590, 1,200, 600 and 310 dollars (10,000 in all) is exact.
    exact = shares(1000_00, [4700_00, 1600_00, 1590_00, 1200_00, 600_00, 310_00], Decimal(20))
    assert [one.share_cents for one in exact] == [470_00, 160_00, 159_00, 120_00, 60_00, 31_00]
    assert [one.cash_cents for one in exact] == [94_00, 32_00, 31_80, 24_00, 12_00, 6_20]
    # 10 seats over 47000, 16000, 15900, 12000, 6000, 3100: largest remainder. Source: PyPI `apportionment` (run).
    assert [one.share_cents for one in shares(10, [47000, 16000, 15900, 12000, 6000, 3100], Decimal(0))] == [5, 2, 1, 1, 1, 0]
    # A cent left over goes to the largest remainder, ties to the earlier: 100 over 1:1:1.
    assert [one.share_cents for one in shares(100, [1, 1, 1], Decimal(50))] == [34, 33, 33]
    # Cash is rounded half-up: half of 33 cents is 17 in cash and 16 kept.
    assert shares(33, [1], Decimal(50)) == [Share(33, 17)]
    assert shares(33, [1], Decimal(50))[0].retained_cents == 16


@given(st.integers(1, 10**9), st.lists(st.integers(1, 10**8), min_size=1, max_size=40), st.decimals(0, 100, places=2))
def test_shares_sum_to_the_surplus_and_cash_is_never_more_than_the_share(total: int, weights: list[int], cash: Decimal) -> None:
    found = shares(total, weights, cash)
    assert sum(one.share_cents for one in found) == total
    assert all(0 <= one.cash_cents <= one.share_cents for one in found)


@pytest.mark.parametrize(
    ("year", "reached"),
    [
        (Figures(sales=200, gross_cents=20_000_00), True),
        (Figures(sales=199, gross_cents=20_000_00), False),
        (Figures(sales=200, gross_cents=19_999_99), False),
        # The larger of gross sales and what was paid is looked at.
        (Figures(sales=200, gross_cents=1, paid_cents=20_000_00), True),
        (Figures(), False),
    ],
)
def test_a_threshold_is_reached_by_its_amount_and_its_count(year: Figures, reached: bool) -> None:
    # The figures are invented for the test, not the law's.
    assert Threshold("payments", 20_000_00, 200, "an invented law", 2026).reached(year) is reached


def test_other_thresholds_ask_for_no_count_and_nothing_reaches_none() -> None:
    rents = Threshold("rents", 600_00, 200, "an invented law", 2026)
    assert (rents.reached(Figures(rent_cents=600_00)), rents.reached(Figures(rent_cents=599_99))) == (True, False)
    patronage = Threshold("patronage", 0, 0, "an invented law", 2026)
    assert (patronage.reached(Figures(patronage_cents=1)), patronage.reached(Figures())) == (True, False)


HERS = Figures(
    sales=12,
    gross_cents=1100_00,
    net_cents=1000_00,
    trade_ins_cents=50_00,
    commission_cents=100_00,
    rent_cents=270_00,
    fees_cents=5_00,
    paid_cents=600_00,
    patronage_cents=20_00,
    other_cents=-7_00,
    opening_cents=30_00,
    closing_cents=18_00,
)


def test_a_year_adds_up_by_hand() -> None:
    # 30 + 1000 - 50 - 100 - 270 - 5 - 600 + 20 - 7 = 18.
    assert HERS.reckoned_cents == HERS.closing_cents == 18_00
    assert (HERS + HERS).reckoned_cents == 36_00


def test_a_years_totals_are_summed_once_however_often_a_page_asks() -> None:
    row = YearRow(1, "D01", "Ida Fenwick", "", "", books=Figures(net_cents=100), paper=Figures(net_cents=7))
    totals = YearTotals(2026, (row, row), (), (), ())
    assert (totals.whole.net_cents, totals.books.net_cents, totals.paper.net_cents) == (214, 200, 14)
    assert totals.whole is totals.whole
    assert totals.books is totals.books
    assert totals.paper is totals.paper


def test_the_csv_says_its_period_its_totals_and_what_ties() -> None:
    totals = YearTotals(
        2026,
        (
            YearRow(1, "D01", "=Ida", "W-9", "4399", HERS, Figures(gross_cents=200_00, paid_cents=90_00), ("rents",)),
            YearRow(2, "D02", "Amos Pell", "", "", Figures(net_cents=5)),
        ),
        (Control("sales less trade-ins", 950_05, 950_05), Control("balances", 18_05, 18_00)),
        (Threshold("rents", 600_00, 0, "an invented law", 2026),),
        ("MAIN has closed October 2026 last: its figures may still change.",),
    )
    rows = list(csv.DictReader(io.StringIO(year_csv(totals))))
    assert [row["row"] for row in rows] == [
        *("period", "dealer", "of it on paper", "dealer", "total", "of it on paper", "control", "control", "threshold", "caution")
    ]
    assert rows[0]["name"] == "2026-01-01 to 2026-12-31"
    assert rows[0]["figure"].startswith("MAIN has closed")
    ida = rows[1]
    assert (ida["name"], ida["gross"], ida["paid"], ida["net"], ida["reached"]) == (
        "'=Ida",
        "1300.00",
        "690.00",
        "1000.00",
        "rents",
    )
    assert (ida["number ending"], ida["closing"], ida["other"]) == ("4399", "18.00", "-7.00")
    assert (rows[2]["dealer"], rows[2]["gross"]) == ("D01", "200.00")
    assert (rows[4]["gross"], rows[4]["net"]) == ("1300.00", "1000.05")
    assert (rows[7]["name"], rows[7]["figure"]) == ("balances: 18.05 here", "18.00")
    assert [control.ties for control in totals.controls] == [True, False]
