"""Words of payments, charges and the sentence that matters, by hand."""

from __future__ import annotations

import dataclasses
from datetime import date

import pytest

from coop.statements.domain import ChargeLine, StatementError, StatementValue, prove
from coop.statements.payment_lines import reversal_words, worded
from coop.statements.wording import (
    charge_label,
    charge_rows,
    elsewhere_note,
    group_sums,
    next_rent_note,
    outcome,
    paid_rows,
    year_note,
)
from tests.factories import statements


@pytest.mark.parametrize(
    ("kind", "memo", "words"),
    [
        ("payout", "Payout ACH 7", "Paid to you, ACH 7"),
        ("payout", "Payout, run 3, check 311", "Paid to you, run 3, check 311"),
        ("payout", "", "Paid to you"),
        ("payment", "Your payment by check, 2207", "Your payment by check, 2207"),
        ("bounced", "Your payment of Dec 2, 2010 came back unpaid, 2207", "Your payment of Dec 2, 2010 came back unpaid, 2207"),
        (
            "chargeback",
            "Taken back by the bank: card not present, 88",
            "A buyer's card payment was taken back by the bank: card not present, 88",
        ),
        ("returned", "", "A payment to you came back"),
        ("patronage", "Patronage of 2009: $42.00, 20% in cash", "Patronage of 2009: $42.00, 20% in cash"),
        ("journal", "Correction: tag misread", "Entry by the bookkeeper: tag misread"),
        ("opening", "Balance from paper", "Brought from paper: Balance from paper"),
        ("correction", "Correction: rang up twice", "Correction: rang up twice"),
        ("deposit", "Deposit, from this account", "Deposit, from this account"),
        ("stale", "check 9 was never cashed", "Stale: check 9 was never cashed"),
    ],
)
def test_an_entry_reads_in_a_dealers_words(kind: str, memo: str, words: str) -> None:
    assert worded(kind, memo) == words


@pytest.mark.parametrize(
    ("kind", "memo", "words"),
    [
        ("correction", "lost in the mail", "Puts right “Paid to you, check 311” of Dec 10, 2010: lost in the mail"),
        ("correction", "", "Puts right “Paid to you, check 311” of Dec 10, 2010"),
        (
            "returned",
            "Payout, run 3, came back, R03",
            "A payment to you came back (R03): “Paid to you, check 311” of Dec 10, 2010",
        ),
        ("bounced", "2207", "Your check came back unpaid: “Paid to you, check 311” of Dec 10, 2010"),
    ],
)
def test_a_reversal_names_what_it_puts_right(kind: str, memo: str, words: str) -> None:
    assert reversal_words(kind, memo, "Paid to you, check 311", date(2010, 12, 10)) == words


def test_charges_are_grouped_named_and_summed() -> None:
    rows = [(row.label, row.amount_cents, row.is_sum) for row in charge_rows(statements.everything())]
    assert rows == [
        ("Rent, Booth 12", -27000, False),
        ("Rent, Case 3", -2258, False),
        ("Rent, discount", 1350, False),
        ("Rent in all", -27908, True),
        ("Overflow, Bay 2", -2000, False),
        ("Commission", -12792, False),
        ("Card cost", -781, False),
        ("Late fee", -2500, False),
        ("Key", -800, False),
        ("Fees in all", -3300, True),
        ("Turn beyond those owed", 4000, False),
    ]
    assert group_sums(statements.everything()) == (
        "rent −279.08, overflow −20.00, commission −127.92, card cost −7.81, fees −33.00, turns 40.00"
    )
    assert charge_label(ChargeLine("patch", "A kind to come", "", 0)) == "A kind to come"


def _with(value: StatementValue, **changes: object) -> StatementValue:
    changed = dataclasses.replace(value, **changes)  # type: ignore[arg-type]
    prove(changed)
    return changed


def test_the_sentence_that_matters_says_how_why_and_what_stays() -> None:
    value = statements.everything()
    assert outcome(value) == (
        "$1,200.74 will be paid to you on Jan 10, 2011 by check. $305.00 more is yours and stays for the rent of January 2011."
    )
    assert outcome(_with(value, next_rent_netted=False)) == "$1,505.74 will be paid to you on Jan 10, 2011 by check."
    assert outcome(statements.held()) == (
        "$2,219.77 is yours, but is not paid now. Your tax form is not on file: hand it in at the office."
    )
    dear = (ChargeLine("rent", "Booth 12", "", -900000),)
    all_stays = _with(value, next_rent=dear, pay_on=None, pay_how="")
    assert outcome(all_stays) == "$1,505.74 is yours and stays for the rent of January 2011; nothing is paid now."
    assert [(row.label, row.amount_cents) for row in paid_rows(all_stays)] == [("Carried forward", 150574)]
    assert next_rent_note(all_stays).startswith("$1,505.74 stays back from what is paid to you now")
    assert next_rent_note(_with(value, next_rent_netted=False)).endswith("nothing stays back for it now.")
    assert "taken from what you are owed at another" in elsewhere_note(value)
    assert "net sales 5,881.15" in year_note(value)
    assert paid_rows(statements.of_before()) == []


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"held": ("Because.",)}, "it is held, and has a day on which it is paid"),
        ({"year": statements.everything().year[1:]}, "the number of figures of the year is stated as 0.05"),
    ],
)
def test_what_is_told_beside_the_balance_must_follow_from_it(changes: dict[str, object], said: str) -> None:
    with pytest.raises(StatementError, match=said):
        prove(dataclasses.replace(statements.everything(), **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("at", range(6))
def test_a_cent_off_in_the_years_month_is_refused(at: int) -> None:
    value = statements.everything()
    year = list(value.year)
    year[at] = dataclasses.replace(year[at], month_cents=year[at].month_cents + 1)
    with pytest.raises(StatementError, match="of this month"):
        prove(dataclasses.replace(value, year=tuple(year)))


@pytest.mark.parametrize("field", ["sales_cents", "rent_cents"])
def test_a_cent_off_in_the_square_foot_is_refused(field: str) -> None:
    value = statements.two_pages()
    assert value.floor is not None
    floor = dataclasses.replace(value.floor, **{field: getattr(value.floor, field) + 1})  # type: ignore[arg-type]
    with pytest.raises(StatementError, match="a square foot"):
        prove(dataclasses.replace(value, floor=floor))


def test_before_january_there_is_only_paper() -> None:
    value = dataclasses.replace(statements.two_pages(), first_day=date(2011, 1, 1), last_day=date(2011, 1, 31))
    with pytest.raises(StatementError, match=r"gross before January is stated as 12,044\.10 but"):
        prove(value)
