"""A row of somebody else's file becomes a line, or is refused with its reason and the mend."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import round_half_up
from coop.sales.domain import MAPPINGS, MAX_LINE_CENTS, ParsedRow, RowError, parse_row
from tests.factories.sales import HEADINGS, row

OPEN_RETAIL = MAPPINGS["open-retail"]
LATEST = datetime(2025, 12, 31, 23, 59)  # noqa: DTZ001  by the clock on the wall, as the files have it


def parse(**changes: str) -> ParsedRow:
    return parse_row(OPEN_RETAIL, dict(zip(HEADINGS, row(**changes), strict=True)), latest=LATEST)


def refusal(**changes: str) -> RowError:
    with pytest.raises(RowError) as refused:
        parse(**changes)
    return refused.value


def test_a_sale():
    parsed = parse(ticket=" 536365 ", tag="85123A", description="  WHITE   HOLDER ", quantity="6", price="2.55")
    assert parsed == ParsedRow(
        number="536365",
        tag="85123A",
        dealer_code="D44",  # 85123 mod 60 is 43
        description="WHITE HOLDER",
        quantity=6,
        unit_price=Decimal("2.55"),
        tag_cents=1530,
        sold_at=datetime(2025, 3, 3, 10, 15),  # noqa: DTZ001  the wall clock of the file
        buyer="17850",
    )


def test_a_return():
    parsed = parse(ticket="C536379", quantity="-3", price="1.25")
    assert (parsed.quantity, parsed.tag_cents) == (-3, -375)


@pytest.mark.parametrize(
    ("tag", "code"),
    [("60", "D01"), ("119", "D60"), ("120", "D01"), ("85123A", "D44"), ("0", "D01"), ("POST", None), ("", None), ("٣", None)],
)
def test_whose_an_item_is(tag, code):
    assert parse(tag=tag).dealer_code == code


@pytest.mark.parametrize(
    ("quantity", "price", "cents"),
    [("1", "1,234.50", 123450), ("1", "$3", 300), ("1", "0.005", 1), ("3", "0.335", 101), ("1", ".5", 50), ("2", "0.0024", 0)],
)
def test_prices_as_people_write_them_half_up(quantity, price, cents):
    assert parse(quantity=quantity, price=price).tag_cents == cents


@given(st.integers(1, 9999), st.integers(1, 10**9))
def test_a_return_gives_back_what_the_sale_took(quantity, millionths):
    price = str(Decimal(millionths).scaleb(-6))
    sale, back = parse(quantity=str(quantity), price=price), parse(ticket="C1", quantity=str(-quantity), price=price)
    assert sale.tag_cents == -back.tag_cents == round_half_up(Decimal(millionths) * quantity / 10000)


@pytest.mark.parametrize(
    ("changes", "reason", "said"),
    [
        ({"price": "1,234.5O"}, "bad UnitPrice", "UnitPrice '1,234.5O' is not an amount; write it like 1234.50."),
        ({"price": "12,34.50"}, "bad UnitPrice", "write it like 1234.50"),
        ({"price": "1e3"}, "bad UnitPrice", "write it like 1234.50"),
        ({"price": "NaN"}, "bad UnitPrice", "write it like 1234.50"),
        ({"price": ""}, "bad UnitPrice", "UnitPrice ''"),
        ({"price": "1.2345678"}, "bad UnitPrice", "more than six decimals"),
        ({"price": "9" * 19}, "bad UnitPrice", "too large"),
        ({"price": "99999999", "quantity": "1000"}, "bad UnitPrice", "over a hundred million dollars"),
        ({"price": "0"}, "no price", "a line without a price is not a sale"),
        ({"price": "-4"}, "no price", "UnitPrice is -4"),
        ({"description": " \t "}, "no description", "Description is empty"),
        ({"quantity": "1.5"}, "bad Quantity", "Quantity '1.5' is not a whole number; write it like 3."),
        ({"quantity": "two"}, "bad Quantity", "write it like 3"),
        ({"quantity": "0"}, "no quantity", "one item or more"),
        ({"quantity": "1000001"}, "too large", "more than a million"),
        ({"quantity": "-2"}, "stock adjustment", "not a return"),
        ({"ticket": "C9", "quantity": "2"}, "return of nothing", "it should be negative"),
        ({"ticket": ""}, "no InvoiceNo", "give the ticket's number"),
        ({"ticket": "9" * 41}, "no InvoiceNo", "over 40 characters"),
        ({"sold_at": "12/1/2010 8:26"}, "bad InvoiceDate", "write it like 2010-12-01 08:26:00"),
        ({"sold_at": "2010-02-30 08:26:00"}, "bad InvoiceDate", "is not a date and time"),
        ({"sold_at": "0210-12-01 08:26:00"}, "bad InvoiceDate", "check the year"),
        ({"sold_at": "2026-01-01 00:00:00"}, "in the future", "InvoiceDate 2026-01-01 00:00 has not come yet: check the date."),
        ({"sold_at": "2010-12-01T08:26:00Z"}, "bad InvoiceDate", "has a time zone"),
    ],
)
def test_what_is_no_sale_says_which_field_and_how_to_mend_it(changes, reason, said):
    refused = refusal(**changes)
    assert refused.reason == reason
    assert said in str(refused)
    assert len(reason) <= 40  # the column that counts by it


def judged(**changes: str) -> ParsedRow | str:
    """The line, or the reason why there is none."""
    try:
        return parse(**changes)
    except RowError as refused:
        return refused.reason


@given(*[st.text(max_size=30)] * 6)
def test_any_cells_give_a_line_or_a_reason(ticket, tag, description, quantity, sold_at, price):
    found = judged(ticket=ticket, tag=tag, description=description, quantity=quantity, sold_at=sold_at, price=price)
    assert isinstance(found, ParsedRow) or found


@given(st.sampled_from(["7", "C7"]), st.integers(-9, 9), st.decimals(-5, 5, places=4))
def test_a_line_is_taken_exactly_when_price_and_signs_are_those_of_a_sale_or_return(ticket, quantity, price):
    found = judged(ticket=ticket, quantity=str(quantity), price=f"{price:f}")
    is_line = price > 0 and quantity != 0 and (quantity < 0) == (ticket == "C7")
    assert isinstance(found, ParsedRow) == is_line
    if isinstance(found, ParsedRow):
        assert abs(found.tag_cents) <= MAX_LINE_CENTS
        assert found.tag_cents * quantity >= 0
