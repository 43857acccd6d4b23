"""The statement proves itself: to the cent, and after a round trip through its stored form."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.statements.documents import statement_html
from coop.statements.domain import StatementError, StatementValue, from_json, prove, sha256, to_json
from tests.factories import statements

samples = pytest.mark.parametrize("make", statements.SAMPLES.values(), ids=statements.SAMPLES.keys())
Make = Callable[[], StatementValue]

PLACES = ("opening", "closing", "gross", "discounts", "returns", "net", "sale", "return", "charge", "payment", "tax")
"""Where an amount stands that must add up."""


def changed(value: StatementValue, place: str, at: int, field: str, by: int) -> StatementValue:
    """The value with one amount moved by `by` cents."""
    lists = {"sale": "sales", "return": "returns", "charge": "charges", "payment": "payments", "tax": "tax_owed"}
    if place not in lists:
        name = f"{place}_cents"
        return dataclasses.replace(value, **{name: getattr(value, name) + by})
    lines = list(getattr(value, lists[place]))
    at %= len(lines)
    name = f"{field}_cents" if place in ("sale", "return") else "amount_cents"
    lines[at] = dataclasses.replace(lines[at], **{name: getattr(lines[at], name) + by})
    return dataclasses.replace(value, **{lists[place]: tuple(lines)})


@samples
def test_every_sample_proves_itself_and_its_sums_add_up(make: Make) -> None:
    value = make()
    prove(value)
    *parts, (_, closing) = value.sums
    assert sum(cents for _, cents in parts) == closing == value.closing_cents
    assert value.to_be_paid_cents + value.carried_cents == value.closing_cents


@given(
    place=st.sampled_from(PLACES),
    at=st.integers(0, 59),
    field=st.sampled_from(["tag", "discount", "price"]),
    by=st.sampled_from([-1, 1, -100, 12345]),
)
def test_any_single_amount_changed_is_refused(place: str, at: int, field: str, by: int) -> None:
    with pytest.raises(StatementError, match=r"MAIN.D01.2010-12 does not add up"):
        prove(changed(statements.own_tax() if place == "tax" else statements.two_pages(), place, at, field, by))


def test_the_refusal_says_what_and_by_how_much() -> None:
    value = statements.two_pages()
    with pytest.raises(StatementError) as refused:
        prove(changed(value, "closing", 0, "", 1))
    assert str(refused.value) == (
        "statement MAIN.D01.2010-12 does not add up: the closing balance is stated as 4,444.47 but its lines add up to 4,444.46"
    )


def test_a_line_lost_or_doubled_is_refused() -> None:
    value = statements.two_pages()
    for sales in (value.sales[1:], (*value.sales, value.sales[0])):
        with pytest.raises(StatementError):
            prove(dataclasses.replace(value, sales=sales))


@samples
def test_the_stored_form_gives_back_an_equal_value(make: Make) -> None:
    value = make()
    text = to_json(value)
    assert from_json(text) == value
    assert to_json(from_json(text)) == text


def test_the_stored_form_and_its_hash_are_stable() -> None:
    """Fixed here once: a change of either makes every kept statement's hash wrong."""
    text = to_json(statements.empty())
    assert text == json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert sha256(text) == "2d8759a96b4274f8bf888dcc05039d426afade5602dca8953f4fea28cc7183c4"


@given(by=st.integers(-(10**12), 10**12).filter(bool))
def test_different_values_have_different_hashes(by: int) -> None:
    value = statements.empty()
    assert sha256(to_json(dataclasses.replace(value, opening_cents=by))) != sha256(to_json(value))


def test_another_format_is_refused() -> None:
    body = json.loads(to_json(statements.empty()))
    for wrong in ({**body, "format": 2}, {k: v for k, v in body.items() if k != "format"}):
        with pytest.raises(StatementError, match="does not know"):
            from_json(json.dumps(wrong))


@pytest.mark.parametrize(
    ("closing", "pay_on", "paid", "carried"),
    [
        (500, date(2011, 1, 10), 500, 0),
        (500, None, 0, 500),
        (-500, date(2011, 1, 10), 0, -500),
        (-500, None, 0, -500),
        (0, date(2011, 1, 10), 0, 0),
    ],
)
def test_what_is_paid_and_what_is_carried(closing: int, pay_on: date | None, paid: int, carried: int) -> None:
    value = dataclasses.replace(statements.empty(), opening_cents=closing, closing_cents=closing, pay_on=pay_on)
    prove(value)
    assert (value.to_be_paid_cents, value.carried_cents) == (paid, carried)


OLD = Path(__file__).with_name("before_tax_was_told_apart.json")
"""As it was stored before a statement kept rates, coupons and the tax a dealer files herself."""
OLD_PAPER = "53eb2b84ef8ebeebe2ab27a7282aa68e3a0e3e2eb4e57c23e549e8f7a4c63287"
"""SHA-256 of the markup it was rendered from then."""


def test_a_statement_of_before_is_read_proved_and_put_on_paper_as_it_was() -> None:
    value = from_json(OLD.read_text())
    prove(value)
    assert to_json(value) == OLD.read_text()
    assert value == dataclasses.replace(
        statements.untied_return(),
        tax_collected=tuple(dataclasses.replace(line, percent="") for line in statements.untied_return().tax_collected),
    )
    assert [label for label, _ in value.sums] == ["Opening balance", "Net sales", "Charges", "Payments", "Closing balance"]
    assert sha256(statement_html(value)) == OLD_PAPER
