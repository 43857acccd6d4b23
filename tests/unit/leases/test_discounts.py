"""Discounts in their order, dated, never below zero; what turns worked take off."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.periods import Month
from coop.leases.domain import DatedRate, Rent, TermsError
from coop.leases.domain.discounts import ORDER, Discount, discounted, introductory
from coop.leases.domain.proration import METHODS
from coop.leases.domain.rent import Held, Piece, SpaceTerms, rent_of, space_pieces
from coop.leases.domain.turns import TurnRule, points_less_turns, rent_less_turns

APRIL = Month(2026, 4)
OLD = date(2020, 1, 1)
MEMBER = Discount("member", "for members", OLD, None, percent=10)
AHEAD = Discount("prepayment", "for paying ahead", OLD, None, percent=5)
FIRST = Discount("introductory", "to begin with", OLD, None, flat_cents=50_00)


def pieces(*spans: tuple[date, date | None, int], month: Month = APRIL, method: str = "actual") -> list[Piece]:
    held = tuple(Held(a, b, area) for a, b, area in spans or [(OLD, None, 12000)])
    rates = {"front": [DatedRate("sqft", Decimal("2.25"), OLD)]}
    return space_pieces(month, SpaceTerms("Booth 12", "front", held, method), rates)


# Worked by hand; every rule of this table is common practice, no source.
@pytest.mark.parametrize(
    ("discounts", "left", "taken", "working"),
    [
        ([], 270_00, [], ""),
        ([MEMBER], 243_00, [27_00], ", less 10% for members ($27.00)"),
        # Introductory, then member, then prepayment, however they are listed: 270 - 50 = 220, - 22 = 198, - 9.90 = 188.10.
        (
            [AHEAD, MEMBER, FIRST],
            188_10,
            [50_00, 22_00, 9_90],
            ", less $50.00 a month to begin with ($50.00), less 10% for members ($22.00), less 5% for paying ahead ($9.90)",
        ),
        (
            [Discount("member", "for members", OLD, None, flat_cents=300_00)],
            0,
            [270_00],
            ", less $300.00 a month for members ($270.00)",
        ),
        # A free month leaves nothing for the next to take.
        ([Discount("introductory", "free", OLD, None, percent=100), MEMBER], 0, [270_00], ", less 100% free ($270.00)"),
        # From April 16, 15 of 30 days: 10% of 135; $50 x 15/30.
        (
            [Discount("member", "for members", date(2026, 4, 16), None, percent=10)],
            256_50,
            [13_50],
            ", less 10% for members from Apr 16, 2026 to Apr 30, 2026 ($13.50)",
        ),
        (
            [Discount("member", "for members", date(2026, 4, 16), None, flat_cents=50_00)],
            245_00,
            [25_00],
            ", less $50.00 a month for members from Apr 16, 2026 to Apr 30, 2026 ($25.00)",
        ),
        ([Discount("member", "for members", OLD, date(2026, 3, 31), percent=10)], 270_00, [], ""),
    ],
)
def test_discounts_in_their_order(discounts: list[Discount], left: int, taken: list[int], working: str) -> None:
    whole = pieces()
    rent, lines = discounted(rent_of(whole), whole, discounts)
    assert (rent.amount_cents, [line.amount_cents for line in lines]) == (left, taken)
    assert rent.working == "120.00 sq ft × $2.25 a month" + working


def test_a_dated_discount_is_of_the_rent_of_its_own_days() -> None:
    # 60 sq ft to April 15, 67.50; 120 from the 16th, 135: 10% of the latter.
    grown = pieces((OLD, date(2026, 4, 15), 6000), (date(2026, 4, 16), None, 12000))
    rent, _ = discounted(rent_of(grown), grown, [Discount("member", "for members", date(2026, 4, 16), None, percent=10)])
    assert rent.amount_cents == 202_50 - 13_50


def test_dollars_a_month_are_taken_once_from_two_spaces() -> None:
    both = pieces() + pieces((OLD, None, 4000))
    rent, _ = discounted(rent_of(both), both, [Discount("member", "for members", OLD, None, flat_cents=20_00)])
    assert rent.amount_cents == 270_00 + 90_00 - 20_00


def test_introductory_months_count_from_the_first_day() -> None:
    assert introductory("free", date(2026, 4, 17), 3, percent=100).ends_on == date(2026, 7, 16)
    assert introductory("free", OLD, 1, percent=100).ends_on == date(2020, 1, 31)
    # In July 16 of 31 days are free: 270 x 15/31 = 130.645, of 270 less 139.35.
    july = pieces(month=Month(2026, 7))
    rent, _ = discounted(rent_of(july), july, [introductory("free", date(2026, 4, 17), 3, percent=100)])
    assert rent.amount_cents == 270_00 - 139_35


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"kind": "friend"}, "of kind 'friend': choose introductory, member or prepayment"),
        ({"percent": None}, "is a percent or dollars a month: write one of the two"),
        ({"flat_cents": 1}, "is a percent or dollars a month: write one of the two"),
        ({"percent": 101}, "The percent of the discount d is 101: write one between 0 and 100"),
        ({"percent": None, "flat_cents": -1}, "cannot be negative"),
        ({"ends_on": date(2019, 1, 1)}, "ends on Jan 1, 2019, before it starts on Jan 1, 2020"),
    ],
)
def test_bad_discounts_are_refused(more: dict[str, Any], said: str) -> None:
    with pytest.raises(TermsError, match=said):
        Discount(**{"kind": "member", "name": "d", "starts_on": OLD, "ends_on": None, "percent": 10, **more})
    with pytest.raises(TermsError, match="introductory months are 0"):
        introductory("free", OLD, 0, percent=100)


MONTHS = st.builds(Month, st.integers(2024, 2028), st.integers(1, 12))


@st.composite
def some_discounts(draw: st.DrawFn) -> list[Discount]:
    made = []
    for kind in draw(st.lists(st.sampled_from(ORDER), max_size=4)):
        begin = draw(st.dates(date(2024, 1, 1), date(2028, 12, 1)))
        end = draw(st.none() | st.dates(begin, date(2030, 1, 1)))
        if draw(st.booleans()):
            made.append(Discount(kind, "d", begin, end, percent=draw(st.decimals(0, 100, places=2))))
        else:
            made.append(Discount(kind, "d", begin, end, flat_cents=draw(st.integers(0, 500_00))))
    return made


@given(month=MONTHS, method=st.sampled_from(METHODS), cut=st.integers(2, 28), discounts=some_discounts(), data=st.data())
def test_discounts_add_up_and_never_go_below_zero(
    month: Month, method: str, cut: int, discounts: list[Discount], data: st.DataObject
) -> None:
    day = date(month.year, month.month, cut)
    held = pieces((OLD, day - timedelta(1), 8000), (day, None, 12345), month=month, method=method)
    whole = rent_of(held)
    rent, lines = discounted(whole, held, discounts)
    assert rent.amount_cents + sum(line.amount_cents for line in lines) == whole.amount_cents
    assert rent.amount_cents >= 0
    assert all(line.amount_cents >= 0 for line in lines)
    assert discounted(whole, held, data.draw(st.permutations(discounts)))[0].amount_cents == rent.amount_cents


def test_of_two_of_one_kind_and_day_dollars_come_first() -> None:
    # 270 - 50 = 220, - 22; the other way round would leave 193.
    flat = Discount("member", "for members", OLD, None, flat_cents=50_00)
    whole = pieces()
    for both in ([MEMBER, flat], [flat, MEMBER]):
        assert discounted(rent_of(whole), whole, both)[0].amount_cents == 198_00


@given(share=st.integers(0, 300_00))
def test_a_free_month_is_free_whatever_the_rent_was_rounded_to(share: int) -> None:
    whole = pieces()
    assert discounted(Rent(share, ""), whole, [Discount("introductory", "free", OLD, None, percent=100)])[0].amount_cents == 0


# A turn's worth near the usual buy-out of $35 (common practice, no source).
@pytest.mark.parametrize(
    ("rule", "worked", "cents", "working"),
    [
        (TurnRule(cents=35_00), 2, 200_00, "rent, less $35.00 a turn for 2 turns ($70.00)"),
        (TurnRule(cents=35_00, unpaid=2), 3, 235_00, "rent, less $35.00 a turn for 1 turn ($35.00)"),
        (TurnRule(cents=35_00, unpaid=2), 2, 270_00, "rent"),
        (TurnRule(cents=35_00, at_most=3), 9, 165_00, "rent, less $35.00 a turn for 3 turns ($105.00)"),
        (TurnRule(cents=35_00), 9, 0, "rent, less $35.00 a turn for 9 turns ($270.00)"),
        # 2.5% of 270 x 3 = 20.25.
        (TurnRule(percent=Decimal("2.5")), 3, 249_75, "rent, less 2.5% a turn for 3 turns ($20.25)"),
        (TurnRule(percent=50), 3, 0, "rent, less 50% a turn for 3 turns ($270.00)"),
    ],
)
def test_turns_worked_lower_the_rent(rule: TurnRule, worked: int, cents: int, working: str) -> None:
    assert rent_less_turns(Rent(270_00, "rent"), rule, worked) == Rent(cents, working)


def test_bad_rules_of_turns_are_refused() -> None:
    for more in ({}, {"cents": 1, "percent": 1}):
        with pytest.raises(TermsError, match="A turn takes off dollars or a percent: write one of the two"):
            TurnRule(**more)
    with pytest.raises(TermsError, match="cannot be negative"):
        TurnRule(cents=-1)
    with pytest.raises(TermsError, match="number of turns cannot be negative"):
        TurnRule(cents=1, unpaid=-1)
    with pytest.raises(TermsError, match="The turns worked are -1"):
        rent_less_turns(Rent(1, ""), TurnRule(cents=1), -1)
    with pytest.raises(TermsError, match="write the rule in percent, not in dollars"):
        points_less_turns(TurnRule(cents=1), 1)
