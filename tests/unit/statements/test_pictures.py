"""The sums behind the pictures, their bars, and what they say to who does not see them."""

from __future__ import annotations

import dataclasses
from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from coop.statements.domain.pictures import bars, sold_by_band, sold_by_day
from coop.statements.pictures import pictures, undrawn
from tests.factories import statements

ONE = statements.sale_lines(1)[0]


def sold(price_cents: int, quantity: int = 1):
    return dataclasses.replace(ONE, tag_cents=price_cents, price_cents=price_cents, discount_cents=0, quantity=quantity)


def test_a_piece_falls_in_the_band_of_what_it_was_sold_for() -> None:
    lines = [sold(999), sold(1000), sold(1998, 2), sold(2499), sold(2500), sold(9999), sold(10000), sold(0)]
    value = statements.statement(tuple(lines))
    assert [(band.label, band.pieces, band.cents) for band in sold_by_band(value)] == [
        ("under 10", 4, 999 + 1998 + 0),
        ("10–24.99", 2, 1000 + 2499),
        ("25–99.99", 2, 2500 + 9999),
        ("from 100", 1, 10000),
    ]


def test_a_sale_stands_on_the_day_it_was_credited() -> None:
    value = statements.everything()
    by_day = dict(sold_by_day(value))
    assert list(by_day) == list(value.month.each_day())
    # Sold on Nov 20 and claimed on Dec 4; sold on Nov 29 and posted on Dec 1.
    assert by_day[date(2010, 12, 4)] == value.sales[0].price_cents
    assert by_day[date(2010, 12, 1)] == value.sales[1].price_cents


@given(count=st.integers(1, 80))
def test_both_pictures_show_all_that_was_sold(count: int) -> None:
    value = statements.statement(statements.sale_lines(count))
    whole = value.gross_cents - value.discounts_cents
    assert sum(cents for _, cents in sold_by_day(value)) == whole
    assert sum(band.cents for band in sold_by_band(value)) == whole
    assert sum(band.pieces for band in sold_by_band(value)) == sum(line.quantity for line in value.sales)


def test_the_highest_bar_is_the_pictures_height_and_the_least_can_be_seen() -> None:
    """By hand: 40 and 20 and a hundredth of it; nothing and less than nothing have no bar."""
    assert bars([4000, 2000, 1, 0, -500], pitch=10, width=6) == "M0 100h50v1H0zM2 100v-100h6v100zM12 100v-50h6v50zM22 100v-1h6v1z"
    assert bars([0, 0], pitch=10, width=6) == "M0 100h20v1H0z"


def test_what_a_picture_shows_is_said_in_words() -> None:
    by_day, by_band, by_floor = pictures(statements.everything())
    assert by_day.said.startswith("Dollars by day: Dec 1 15.12; Dec 4 7.90; Dec 5 26.29; ")
    assert by_day.note == "Most on Dec 23: 416.34. Sold on 14 of 31 days."
    assert by_band.said == (
        "Dollars by what a piece was sold for: under 10 7.90, 2 pieces; 10–24.99 15.12, 1 piece; 25–99.99 534.45, 9 pieces; "
        "from 100 934.79, 8 pieces."
    )
    assert by_floor.said == "Per square foot: your net sales $10.66; your rent $2.33; mall’s median $21.40."


def test_no_median_no_sales_no_floor() -> None:
    held = pictures(statements.held())
    assert [column.label for column in held[2].columns] == ["your net sales", "your rent"]
    assert held[2].note == "You rented 120.00 sq ft."
    assert (pictures(statements.left()), undrawn(statements.left())) == ([], [])


def test_what_would_be_a_single_bar_is_said_and_not_drawn() -> None:
    value = statements.in_full(statements.statement((sold(5000), sold(3000), sold(0))))
    assert value.floor is not None
    alone = dataclasses.replace(value.floor, sales_cents=0, median_cents=None)
    assert pictures(dataclasses.replace(value, floor=alone)) == []
    assert undrawn(dataclasses.replace(value, floor=alone)) == [
        "All was sold on Dec 1.",
        "By the price of a piece in dollars: under 10, 1 piece; 25–99.99, 2 pieces.",
        "Per square foot, this month: net sales $0.00 and rent $2.25. You rented 120.00 sq ft.",
    ]
    nothing = dataclasses.replace(value.floor, sales_cents=-100, rent_cents=0)
    assert undrawn(dataclasses.replace(value, sales=(), floor=nothing)) == [
        "Per square foot, this month: net sales −$1.00 and rent $0.00; the mall’s median of net sales was $21.40. "
        "You rented 120.00 sq ft."
    ]
    one = dataclasses.replace(value, sales=value.sales[:1])
    assert ([picture.key for picture in pictures(one)], undrawn(one)) == (["floor"], [])
    later = dataclasses.replace(sold(5000), sold_on=date(2010, 12, 9), posted_on=date(2010, 12, 9))
    two_days = statements.in_full(statements.statement((sold(5000), later)))
    assert [picture.key for picture in pictures(two_days)] == ["days", "floor"]
    assert undrawn(two_days) == ["By the price of a piece in dollars: 25–99.99, 2 pieces."]


def test_a_band_of_nothing_has_its_name_alone_and_a_loss_no_bar() -> None:
    value = statements.statement((sold(5000), sold(2000)), (statements.return_line(sold(22000), date(2010, 12, 9)),))
    by_band, by_floor = pictures(statements.in_full(value))
    assert [(column.label, column.figure, column.more) for column in by_band.columns] == [
        ("under 10", "", ""),
        ("10–24.99", "20.00", "1 piece"),
        ("25–99.99", "50.00", "1 piece"),
        ("from 100", "", ""),
    ]
    assert by_floor.columns[0].figure == "−$1.25"
    assert "More was brought back than sold: no bar." in by_floor.note
