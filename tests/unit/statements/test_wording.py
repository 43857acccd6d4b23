"""Words of payments, charges and the sentence that matters, by hand."""

from __future__ import annotations

import dataclasses
from datetime import date

import pytest

from coop.core.templating import money
from coop.statements.documents import notes, said
from coop.statements.domain import ChargeLine, PaymentLine, StatementError, StatementValue, YearFigure, prove
from coop.statements.domain.lines import FOOT_FIGURES
from coop.statements.domain.pictures import sold_by_band
from coop.statements.payment_lines import reversal_words, worded
from coop.statements.wording import (
    charge_label,
    charge_rows,
    elsewhere_note,
    group_sums,
    next_rent_note,
    outcome,
    paid_rows,
    true_minus,
    year_note,
    year_rows,
)
from tests.factories import statements


@pytest.mark.parametrize(
    ("kind", "memo", "words"),
    [
        ("payout", "Payout ACH 7", "Paid to you, ACH 7"),
        ("payout", "Payout, run 3, check 311", "Paid to you, check 311"),
        ("payout", "Payout, run 3", "Paid to you"),
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


def test_a_check_that_came_back_names_its_number_and_day() -> None:
    assert reversal_words("bounced", "returned 81", "Your payment by check, 81", date(2025, 5, 15)) == (
        "Your check 81 of May 15 came back unpaid"
    )


def test_what_came_back_is_not_called_paid() -> None:
    value = statements.everything()
    assert said(value).sum_rows[3].working == (
        "paid by you 100.00, check came back 100.00, paid to you 612.40, a payout came back 612.40, "
        "your share of the surplus 42.00"
    )
    taken = PaymentLine(date(2010, 12, 9), "x", -1200, "chargeback"), PaymentLine(date(2010, 12, 9), "x", -500, "correction")
    assert said(dataclasses.replace(value, payments=taken)).sum_rows[3].working == (
        "taken back by a buyer’s bank 12.00, put right −5.00"
    )


def test_who_owes_is_told_whether_to_pay_until_when_and_how() -> None:
    owing = statements.debt()
    assert outcome(owing) == (
        "You owe $265.62. Nothing to send now: it comes off your next sales. Or pay it at the office, by check or in cash."
    )
    late = dataclasses.replace(owing, charges=(*owing.charges, ChargeLine("late", "Late fee", "", 0)))
    assert outcome(late) == "You owe $265.62. It comes off your next sales. Or pay it at the office, by check or in cash."
    until = _with(owing, late_after=date(2011, 1, 10))
    assert outcome(until) == (
        "You owe $265.62. Pay it at the office, by check or in cash, by Jan 10, 2011; "
        "else it comes off your next sales, with a late fee."
    )
    assert outcome(dataclasses.replace(until, made_on=date(2011, 1, 11))) == (
        "You owe $265.62, and a late fee is charged, for it was not paid by Jan 10, 2011. It comes off your next sales. "
        "Or pay it at the office, by check or in cash."
    )
    with pytest.raises(StatementError, match="nothing is owed, and a late fee"):
        _with(statements.two_pages(), late_after=date(2011, 1, 10))


@pytest.mark.parametrize(
    ("deposit_cents", "late_after", "words"),
    [
        (0, None, "Please pay $265.62 at the office, by check or in cash: it is due now."),
        (
            0,
            date(2011, 1, 10),
            "Please pay $265.62 at the office, by check or in cash, by Jan 10, 2011: after that a late fee is charged.",
        ),
        (
            0,
            date(2011, 1, 2),
            "Please pay $265.62 at the office, by check or in cash: it was due by Jan 2, 2011, and a late fee is charged.",
        ),
        (26562, None, "You owe $265.62, which is taken off your deposit of $265.62 when that is settled."),
        (
            20000,
            None,
            "You owe $265.62, and your deposit of $200.00 goes against it. "
            "Please pay the remaining $65.62 at the office, by check or in cash: it is due now.",
        ),
    ],
)
def test_who_left_and_owes_is_told_what_of_it_to_pay(deposit_cents: int, late_after: date | None, words: str) -> None:
    gone = _with(statements.debt(), left_on=date(2010, 12, 15), next_rent=(), deposit_cents=deposit_cents, late_after=late_after)
    assert outcome(gone) == f"Your lease ended Dec 15, 2010. {words}"
    assert said(gone).no_next_rent == "No rent in January 2011: you hold no space."
    assert said(gone).deposit == (
        f"{money(deposit_cents)}, which is yours and no part of the balance" if deposit_cents else "none"
    )


def test_what_is_given_back_says_so_with_a_true_minus() -> None:
    charges = (
        ChargeLine("commission", "Commission", "10% of -$145.00", 1450),
        ChargeLine("card", "Card cost", "3% of -$525.00", 1575),
    )
    rows = charge_rows(dataclasses.replace(statements.two_pages(), charges=charges))
    assert [(row.label, row.working) for row in rows] == [
        ("Commission given back", "10% of −$145.00"),
        ("Card cost given back", "3% of −$525.00"),
    ]
    assert true_minus("tag D01-10, 2010-12-01, net -3.50") == "tag D01-10, 2010-12-01, net −3.50"


def test_a_sale_says_what_of_it_was_by_card_and_the_card_cost_names_it() -> None:
    sale = statements.sale_lines(1)[0]
    split, whole = (dataclasses.replace(sale, card_cents=cents, ticket_cents=42400) for cents in (25000, 42400))
    assert (notes(split), notes(whole)) == ("paid by card: 250.00 of the ticket’s 424.00", "paid by card")
    assert notes(dataclasses.replace(sale, layaway=3)) == "from layaway 3"
    card = ChargeLine("card", "Card cost", "3% of $235.85 paid by card", -708)
    value = dataclasses.replace(statements.two_pages(), charges=(card,))
    for sales, working in (
        ((split,), f"{card.working}; ticket {sale.ticket}: 250.00 of 424.00"),
        ((whole,), card.working),
        (tuple(dataclasses.replace(split, ticket=str(n)) for n in range(4)), card.working),
    ):
        assert charge_rows(dataclasses.replace(value, sales=sales))[0].working == working


def test_what_goes_back_to_a_card_is_not_called_paid() -> None:
    sale = statements.sale_lines(1)[0]
    back = statements.return_line(dataclasses.replace(sale, card_cents=25000, ticket_cents=42400), date(2010, 12, 9))
    assert notes(back) == "given back to the card: 250.00 of the return’s 424.00"
    assert notes(dataclasses.replace(back, card_cents=42400)) == "given back to the card"
    value = dataclasses.replace(statements.two_pages(), sales=(), returns=(back,))

    def working(words: str) -> str:
        return charge_rows(dataclasses.replace(value, charges=(ChargeLine("card", "Card cost", words, -100),)))[0].working

    split = f"return {back.ticket}: 250.00 of 424.00"
    assert working("3% of -$525.00 paid by card") == f"3% of $525.00 given back to cards; {split}"
    assert working("3% of $525.00 paid by card") == f"3% of $525.00 paid by card, less what was given back to cards; {split}"


def test_a_month_of_returns_alone_says_that_nothing_was_sold() -> None:
    assert said(statements.left()).sum_rows[1].working == "nothing sold, less returns 7.90"


@pytest.mark.parametrize(("count", "words"), [(1, "1 piece sold"), (5, "6 pieces sold"), (38, "58 pieces sold")])
def test_what_was_sold_is_counted_in_pieces_as_the_pictures_count(count: int, words: str) -> None:
    sales = tuple(dataclasses.replace(line, quantity=1 if count == 1 else line.quantity) for line in statements.sale_lines(count))
    value = statements.in_full(statements.statement(sales))
    assert said(value).lines_sold == words
    assert sum(band.pieces for band in sold_by_band(value)) == int(words.split()[0])


def test_the_tax_note_is_true_and_says_what_is_left_out() -> None:
    value = statements.everything()
    assert said(value).tax_note.endswith(f"Without {money(value.sales[0].price_cents)} sold before you claimed it.")
    assert "Without" not in said(statements.two_pages()).tax_note


def test_a_year_partly_on_paper_says_what_is_not_known() -> None:
    value = statements.two_pages()
    year = tuple(dataclasses.replace(one, unknown=one.what in ("rent", "fees")) for one in value.year)
    value = dataclasses.replace(value, year=year, books_from=date(2010, 3, 1))
    assert [row.label for row in year_rows(value) if "since" in row.label] == [
        "Rent, since March 2010",
        "Fees and other charges, since March 2010",
    ]
    assert year_note(value) == "Rent and fees and other charges before March 2010 are not in these books."
    assert (
        said(dataclasses.replace(value, books_from=value.first_day)).sum_rows[0].working
        == "owed to you, brought from the paper books"
    )


def test_a_year_that_foots_comes_to_the_balance_and_a_cent_off_is_refused() -> None:
    value = statements.everything()
    before = {"opening": 10000, "card": -1000, "turns": 0, "other": -1500, "by you": 0, "else": 0, "tax": 0}
    rest = (
        value.opening_cents
        - sum(before.values())
        - sum(one.before_cents for one in value.year if one.what not in ("gross", "fees"))
    )
    before["else"] = rest
    foot = tuple(YearFigure(what, before[what], value.foot_figures[what]) for what in FOOT_FIGURES)
    value = _with(value, year=(*value.year, *foot))
    rows = year_rows(value)
    assert [row.label for row in rows] == [
        "Balance at the year’s beginning",
        "Gross sales",
        "Net sales",
        "Commission",
        "Rent",
        "Card cost",
        "Turns",
        "Fees and other charges",
        "Paid to you",
        "Deposits, corrections and the like",
        "Balance",
    ]
    *parts, balance = [row for row in rows if row.label != "Gross sales"]
    assert sum(row.total_cents for row in parts) == balance.total_cents == value.closing_cents
    assert sum(row.before_cents for row in parts) == value.opening_cents
    for n in range(len(foot)):
        off = (*foot[:n], dataclasses.replace(foot[n], before_cents=foot[n].before_cents + 1), *foot[n + 1 :])
        with pytest.raises(StatementError, match="the year's closing balance"):
            prove(dataclasses.replace(value, year=(*value.year[:6], *off)))


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
    assert paid_rows(all_stays) == []
    assert next_rent_note(all_stays).startswith("$1,505.74 stays back from what is paid to you now")
    assert next_rent_note(_with(value, next_rent_netted=False)).endswith(
        "It is charged in January 2011; nothing is held back for it here."
    )
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
