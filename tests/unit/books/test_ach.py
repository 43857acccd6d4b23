"""Bank files: their layout as a program that is not ours reads it, their totals by hand, what the bank would send back."""

from __future__ import annotations

import string
from dataclasses import replace
from datetime import UTC, date, datetime

import achkit
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.us import rtn

from coop.books.domain.ach import AchError, Batch, Credit, Origin, ach_file, banking_day, batches_of, trace_numbers

MADE = datetime(2026, 11, 3, 9, 5, tzinfo=UTC)
PAID = date(2026, 11, 10)
ORIGIN = Origin("111000025", "Lantern Yard Savings", "1911144442", "Lantern Yard")
IDA = Credit("D01", "Ida Fenwick", "person", "231380104", "000123456789", "checking", 1234_56)
AMOS = Credit("D02", "Pell & Söhne, Antiques", "business", "111000025", "12345678901234567", "savings", 7)


def made(origin: Origin = ORIGIN, *credits: Credit) -> str:
    return ach_file(origin, batches_of(credits or (IDA, AMOS)), pay_on=PAID, made_at=MADE)


def faults(text: str) -> set[str]:
    """What another program finds wrong, by its codes. Source: PyPI achkit 0.2 (run offline)."""
    return {error["code"] for error in achkit.validate(text)["errors"]}


def test_every_field_stands_in_its_place() -> None:
    # Columns by the Nacha record layouts: file header, batch header, entry detail, batch control, file control.
    records = made().splitlines()
    assert [record[0] for record in records] == list("1568568999")
    assert {len(record) for record in records} == {94}
    assert records[0] == "101 11100002519111444422611030905A094101LANTERN YARD SAVINGS   LANTERN YARD                   "
    assert records[1] == ("5220LANTERN YARD                        1911144442PPDPAYOUT          261110   1111000020000001")
    assert records[2] == "622231380104000123456789     0000123456D01            IDA FENWICK             0111000020000001"
    assert records[5] == "63211100002512345678901234567" + "0000000007D02            PELL & SOHNE ANTIQUES   0111000020000002"
    assert records[3] == ("82200000010023138010000000000000000000123456" + "1911144442" + " " * 25 + "111000020000001")
    assert records[7] == "9000002000001000000020034238012000000000000000000123463" + " " * 39
    assert records[8:] == ["9" * 94] * 2
    # What the other program reads is what went in.
    read = achkit.parse(made())
    [persons, businesses] = read["batches"]
    assert (persons["sec"], businesses["sec"], persons["effective_date"]) == ("PPD", "CCD", "261110")
    assert persons["entries"][0]["account"] == IDA.account
    assert businesses["entries"][0]["amount_cents"] == 7


def test_another_program_finds_nothing_wrong_and_finds_what_was_spoilt() -> None:
    text = made()
    assert faults(text) == set()
    records = text.splitlines(keepends=True)
    assert faults("".join(records[:-1])) == {"BAD_BLOCKING"}
    assert faults(text.replace("0034238012", "0034238013")) == {"BAD_FILE_HASH"}
    assert faults(text.replace("0023138010", "0023138011")) == {"BAD_ENTRY_HASH"}
    assert faults(text.replace("0000123456D01", "0000123457D01")) >= {"BAD_BATCH_CREDIT", "BAD_FILE_CREDIT"}


def test_a_hash_too_long_for_its_field_keeps_its_last_ten_digits() -> None:
    # 433 x 23138010 = 10018758330, cut to ten digits; 433 entries and 4 other records are 44 blocks. Source: the Nacha rule that
    # a sum overflowing its field is cut on the left (derived by hand).
    credits = [replace(IDA, receiver=f"D{number:03d}") for number in range(433)]
    records = made(ORIGIN, *credits).splitlines()
    control = next(record for record in records if record[0] == "9")
    assert (control[21:31], control[7:13], control[13:21]) == ("0018758330", "000044", "00000433")
    assert len(records) == 440
    assert faults(made(ORIGIN, *credits)) == set()


def test_a_balanced_file_debits_the_co_op_in_each_batch() -> None:
    origin = replace(ORIGIN, own_account="987654321")
    text = made(origin)
    assert faults(text) == set()
    [persons, businesses] = achkit.parse(text)["batches"]
    assert [entry["txn_code"] for entry in persons["entries"] + businesses["entries"]] == [22, 27, 32, 27]
    assert persons["service_class"] == 200
    for batch in (persons, businesses):
        assert batch["control"]["total_debit"] == batch["control"]["total_credit"] == batch["entries"][-1]["amount_cents"]
    # Trace numbers rise through the file, over the debit too; by them a transfer that comes back is known.
    assert trace_numbers(origin, batches_of((IDA, AMOS))) == {"D01": "111000020000001", "D02": "111000020000003"}
    assert [entry["trace_number"][-1] for entry in persons["entries"] + businesses["entries"]] == list("1234")


def test_the_day_must_be_one_on_which_banks_move_money() -> None:
    # Source: the Federal Reserve Banks' holiday schedule (from memory). 11 November 2026 is a Wednesday; 4 July 2026 a Saturday,
    # not moved; 4 July 2027 a Sunday, kept on Monday; 1 January 2028 a Saturday.
    days = {
        date(2026, 11, 10): date(2026, 11, 10),
        date(2026, 11, 11): date(2026, 11, 12),
        date(2026, 11, 14): date(2026, 11, 16),
        date(2026, 7, 3): date(2026, 7, 3),
        date(2027, 7, 3): date(2027, 7, 6),
        date(2027, 12, 31): date(2027, 12, 31),
        date(2026, 12, 25): date(2026, 12, 28),
    }
    assert {day: banking_day(day) for day in days} == days
    with pytest.raises(AchError, match="2026-11-11 is no banking day: choose 2026-11-12"):
        ach_file(ORIGIN, batches_of([IDA]), pay_on=date(2026, 11, 11), made_at=MADE)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"routing": "112000025"}, "D01: a digit of the routing number is wrong"),
        ({"routing": "11100002"}, "D01: the routing number has nine digits"),
        ({"account": "123"}, "D01: the account number has 4 to 17 digits"),
        ({"account": "1" * 18}, "D01: the account number has 4 to 17 digits"),
        ({"account": "12 34"}, "D01: the account number has 4 to 17 digits"),
        ({"account_kind": "loan"}, "a checking or a savings account, not 'loan'"),
        ({"holder": "club"}, "a person's or a business's, not 'club'"),
        ({"amount_cents": 0}, r"\$0.00 cannot be one transfer"),
        ({"amount_cents": 10**10}, r"\$100,000,000.00 cannot be one transfer"),
        ({"receiver": ""}, "does not fit a bank file"),
    ],
)
def test_what_the_bank_would_send_back_is_refused_by_its_field(changed: dict[str, object], says: str) -> None:
    with pytest.raises(AchError, match=says):
        replace(IDA, **changed)  # type: ignore[arg-type]


def test_an_origin_and_a_batch_are_refused_too() -> None:
    # 111000025 checks and 112000025 does not, by the 3-7-1 rule. Source: python-stdnum, us.rtn.
    for changed, says in (
        ({"bank_routing": "112000025"}, "The co-op's bank: a digit"),
        ({"bank_name": "x" * 24}, "23 is the most"),
        ({"company_name": " "}, "company name is empty"),
        ({"own_account": "1"}, "The co-op's account: the account number"),
    ):
        with pytest.raises(AchError, match=says):
            replace(ORIGIN, **changed)
    with pytest.raises(AchError, match="D02 cannot be in a PPD batch"):
        Batch("PPD", (IDA, AMOS))
    with pytest.raises(AchError, match="D01 is in the file twice"):
        made(ORIGIN, IDA, IDA)
    with pytest.raises(AchError, match="nobody to pay"):
        ach_file(ORIGIN, [], pay_on=PAID, made_at=MADE)
    with pytest.raises(AchError, match="one of A to Z"):
        ach_file(ORIGIN, batches_of([IDA]), pay_on=PAID, made_at=MADE, modifier="a")


ROUTINGS = st.text(string.digits, min_size=8, max_size=8).map(lambda text: text + rtn.calc_check_digit(text))
CREDITS = st.builds(
    Credit,
    receiver=st.just("D"),
    name=st.text(max_size=40),
    holder=st.sampled_from(["person", "business"]),
    routing=ROUTINGS,
    account=st.text(string.digits, min_size=4, max_size=17),
    account_kind=st.sampled_from(["checking", "savings"]),
    amount_cents=st.integers(1, 10**8),
)


@given(st.lists(CREDITS, min_size=1, max_size=25), st.booleans())
def test_whatever_is_paid_the_file_adds_up(credits: list[Credit], balanced: bool) -> None:
    numbered = [replace(credit, receiver=f"D{number}") for number, credit in enumerate(credits)]
    text = made(replace(ORIGIN, own_account="987654321" if balanced else ""), *numbered)
    assert faults(text) == set()
    assert text.isascii()
    assert text == text.upper()
    assert {len(record) for record in text.splitlines()} == {94}
    read = achkit.parse(text)
    assert read["control"]["total_credit"] == sum(credit.amount_cents for credit in credits)
    assert read["control"]["total_debit"] == (read["control"]["total_credit"] if balanced else 0)
    paid = {entry["id_number"]: entry["amount_cents"] for batch in read["batches"] for entry in batch["entries"]}
    assert {credit.receiver: credit.amount_cents for credit in numbered}.items() <= paid.items()
