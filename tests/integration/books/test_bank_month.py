"""A messy month at the bank, from its files to a difference of zero; and what a reconciliation refuses."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, coop_expense_account
from coop.books.bank_lines import bring_file, lines_of
from coop.books.bank_matching import accept, match_by_hand, match_proposed, open_items, proposals, undo_match
from coop.books.bank_months import bank_standing, check_bank, month_sheet, months_reconciled, reconcile_month, require_reconciled
from coop.books.banking import (
    Bill,
    bounce_from_line,
    cancel_lines,
    deposit_from_line,
    enter_bill,
    enter_fee,
    enter_interest,
    enter_unknown,
    settle_cards,
    settle_proposed_cards,
    take_to_bank,
)
from coop.books.checking import check_books
from coop.books.domain.entries import EntryDraft
from coop.books.domain.ofx import BookLine, BookStatement, write_ofx
from coop.books.models import Account, BankMatch, Entry, Posting
from coop.books.queries import dealer_balances_before
from coop.books.service import ensure_period, pay_dealer, post_entry, reverse_entry
from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from tests.factories.banking import (
    FIRST_HALF,
    OCTOBER_LINES,
    SECOND_HALF,
    Banking,
    begin_banking,
    csv_file,
    october,
    post_october,
)
from tests.factories.books import NOVEMBER, OCTOBER, SEPTEMBER, shut


@pytest.fixture
def banking(sessions: Sessions, now: datetime) -> Iterator[Banking]:
    with sessions() as session:
        made = begin_banking(session, now)
        post_october(made)
        yield made


def balance(session: Session, path: str) -> int:
    amount = select(func.coalesce(func.sum(Posting.amount_cents), 0)).join(Account).where(Account.path == path)
    return int(session.scalar(amount) or 0)


def test_a_messy_october_ends_with_a_difference_of_zero(banking: Banking) -> None:
    """Worked by hand, in dollars.

    From paper: 5,000.00 in the books; check 1038 of 120.00 is out, so the bank says 5,120.00.

      day  the bank's line                what it is in the books                              books
      Oct  5    575.50 deposit            two drawers together: 300 + 150 of checks, 125.50     575.50
           5    390.00 cards              Friday's 400.00 less a fee of 10.00                   390.00
           6  1,560.00 cards              Saturday's 900.00 and Sunday's 700.00 less 40.00    1,560.00
           6    -85.00 check 1043         the payout to D03, cashed before 1042                 -85.00
           7 -2,100.00 check 1041         the bank's slip for 210.00,
           8  2,100.00 correction         and taken back: one entry that moves nothing            0.00
           8   -210.00 check 1041         the payout to D01                                    -210.00
           9    -85.00 check 1042         the payout to D02                                     -85.00
          12    -12.00 service charge     the bank's fee                                        -12.00
          13   -120.00 check 1038         from paper                                               -
          14   -160.00 returned item      D02's check of 150.00, and the bank's fee of 10.00   -160.00
          15     33.33 transfer           nobody knows whose yet                                 33.33
          21    200.00 deposit            fits two deposits of 200.00: chosen by hand           200.00
          22    200.00 deposit            then the other is left                                200.00
          27    -64.20 power              a bill                                                -64.20
          31      1.07 interest                                                                   1.07
          30                              check 1045 to D01, not cashed in October              -60.00

    The bank: 5,120.00 + 2,223.70 = 7,343.70. The books: 5,000.00 + 2,283.70 = 7,283.70.
    Outstanding -60.00: 7,343.70 - 60.00 - 7,283.70 = 0.
    """
    session, now, line = banking.session, banking.now, banking.line
    first = bring_file(session, now, "october-1.csv", FIRST_HALF)
    assert (first.lines, first.lines_here, first.closing_cents) == (12, 0, 7006_83)
    with pytest.raises(Refusal, match=r"This very file was brought in on Nov 3, 2026 as october-1\.csv: its lines are here"):
        bring_file(session, now, "again.csv", FIRST_HALF)
    second = bring_file(session, now, "october-2.csv", SECOND_HALF)
    assert (second.lines, second.lines_here, second.closing_cents) == (4, 3, 7343_70)

    assert match_proposed(session, now, month=OCTOBER) == 5
    how = {match.entry_id: match.how for match in session.scalars(select(BankMatch))}
    assert {name: how[banking.entries[name]] for name in ("S-1", "S-2", "1041", "1042", "1043")} == {
        "S-1": "amount",
        "S-2": "amount",
        "1041": "reference",
        "1042": "reference",
        "1043": "reference",
    }
    assert settle_proposed_cards(session, now) == 2
    assert balance(session, "Expenses:Card-cost:MAIN") == 50_00
    assert balance(session, "Assets:Card-clearing:MAIN") == 0
    memos = set(session.scalars(select(Entry.memo).where(Entry.kind == "card batch")))
    assert memos == {"Card sales of MAIN, Oct 2, 2026", "Card sales of MAIN, Oct 3 to Oct 4, 2026"}

    found = proposals(session)
    taken_back = found[line(7, -2100_00)]
    assert (taken_back.kind, taken_back.other_line_id) == ("cancels", line(8, 2100_00))
    cancel_lines(session, now, line(7, -2100_00), line(8, 2100_00))
    enter_fee(session, now, line(12, -12_00))
    bounce_from_line(session, now, line(14, -160_00), banking.entries["payment"], reference="R-9")
    enter_unknown(session, now, line(15, 33_33))
    for day in (21, 22):
        assert found[line(day, 200_00)].sentence == (
            "It fits two entries, “To the bank from MAIN, S-3” of Oct 19, 2026 and “To the bank from MAIN, S-4” of Oct 20, 2026: "
            "choose by hand which of them it is."
        )
    with pytest.raises(Refusal, match=r"There is nothing to accept for this line\. It fits two entries"):
        accept(session, now, line(21, 200_00))
    assert match_by_hand(session, now, line(21, 200_00), [str(banking.entries["S-3"])]) == 0
    assert accept(session, now, line(22, 200_00)).items[0].entry_id == banking.entries["S-4"]
    enter_bill(session, now, line(27, -64_20), Bill("Utilities"))
    enter_interest(session, now, line(31, 1_07))

    assert lines_of(session, unmatched=True) == []
    sheet = month_sheet(session, OCTOBER)
    standing = sheet.standing
    assert [(item.label, item.cents) for item in sheet.items] == [("Payout 1045", -60_00)]
    assert (standing.book_cents, standing.outstanding_cents, standing.bank_cents) == (7283_70, -60_00, 7343_70)
    assert (standing.difference_cents, standing.unmatched_lines, standing.explained) == (0, 0, False)
    with pytest.raises(Refusal, match="The bank account of October 2026 is not reconciled"):
        require_reconciled(session, OCTOBER)
    reconcile_month(session, now, OCTOBER)
    assert require_reconciled(session, OCTOBER) == (
        "$7,283.70 in the books, $7,343.70 at the bank, -$60.00 outstanding; no difference."
    )
    assert dealer_balances_before(session, banking.mall.id, date(2026, 11, 1))[banking.dealers["D02"].id] == -85_00
    assert balance(session, "Liabilities:Unknown-receipts") == -33_33
    assert balance(session, "Expenses:Bank-fees") == 22_00
    session.flush()
    assert check_bank(session) + check_books(session) == []


def test_a_line_of_the_next_month_leaves_this_months_sheet_as_it_was(banking: Banking) -> None:
    """Check 1045 of October is cashed in November: open at October's end, and no longer at November's."""
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    before = bank_standing(session, OCTOBER)
    bring_file(session, now, "november.csv", csv_file("11/04/2026,CHECK,1045,-60.00,7283.70", "11/05/2026,X,,1.00,7284.70"))
    match_proposed(session, now)
    assert bank_standing(session, OCTOBER).outstanding_cents == before.outstanding_cents
    assert "Payout 1045" in [item.label for item in month_sheet(session, OCTOBER).items]
    assert "Payout 1045" not in [item.label for item in month_sheet(session, NOVEMBER).items]
    assert bank_standing(session, NOVEMBER).bank_cents is None


def test_matching_moves_no_sum_of_a_sheet_and_unmatched_lines_are_told(banking: Banking) -> None:
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    before = bank_standing(session, OCTOBER)
    match_proposed(session, now)
    after = bank_standing(session, OCTOBER)
    assert (
        (before.outstanding_cents, before.difference_cents)
        == (after.outstanding_cents, after.difference_cents)
        == (
            after.outstanding_cents,
            0,
        )
    )
    assert (before.unmatched_lines, after.unmatched_lines) == (16, 11)
    with pytest.raises(Refusal, match=r"11 lines of the bank are not in the books, .* in all"):
        reconcile_month(session, now, OCTOBER)
    reconcile_month(session, now, OCTOBER, explanation="The manager is asking the bank.")
    assert require_reconciled(session, OCTOBER).endswith("no difference. The manager is asking the bank.")


def test_a_missing_line_is_a_difference_to_be_explained(banking: Banking) -> None:
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", b"Date,Description,Amount\n2026-10-05,DEPOSIT,575.50\n")
    match_proposed(session, now)
    with pytest.raises(Refusal, match="No file says the bank's balance on Oct 31, 2026: write it from the bank's statement"):
        reconcile_month(session, now, OCTOBER)
    with pytest.raises(Refusal, match=r"The bank and the books differ by \$12\.00: bring the lines that are missing"):
        reconcile_month(session, now, OCTOBER, bank_cents=5707_50)
    reconcile_month(session, now, OCTOBER, bank_cents=5707_50, explanation="A deposit the bank cannot name.")
    assert require_reconciled(session, OCTOBER).endswith("a difference of $12.00: A deposit the bank cannot name.")
    # The missing line comes: what was said of the month no longer holds.
    bring_file(session, now, "more.csv", b"Date,Description,Amount\n2026-10-09,DEPOSIT,12.00\n")
    with pytest.raises(Refusal, match="that has changed since: reconcile it again"):
        require_reconciled(session, OCTOBER)
    assert not bank_standing(session, OCTOBER).explained


def test_a_file_that_begins_where_the_last_ended_says_the_balance_between(banking: Banking) -> None:
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES[:-1]))
    sheet = month_sheet(session, OCTOBER)
    assert (sheet.file_cents, sheet.suggested_cents) == (None, 7342_63)
    bring_file(session, now, "november.csv", csv_file("11/05/2026,X,,1.00,7343.63"))
    assert month_sheet(session, OCTOBER).file_cents == 7342_63
    with pytest.raises(Refusal, match=r"The bank's balance is \$7,342\.63 by its file, not \$5\.00"):
        reconcile_month(session, now, OCTOBER, bank_cents=5_00)


def test_a_balance_written_that_is_not_the_last_file_s_is_said_in_words(banking: Banking) -> None:
    """The books have 12.00 more from paper than the file says, and so has what is typed: no difference, and not what it says."""
    session, now = banking.session, banking.now
    bring_file(session, now, "september.csv", csv_file("09/29/2026,X,,-1.00,5119.00", "09/30/2026,X,,1.00,5120.00"))
    cancel_lines(session, now, *[row.line.id for row in lines_of(session)])
    assert month_sheet(session, OCTOBER).suggested_cents == 5120_00
    draft = EntryDraft(
        mall_id=None,
        business_date=date(2026, 9, 30),
        kind="opening",
        source_kind="opening",
        source_id="more",
        purpose="opening",
        postings=((bank_account(session), 12_00), (coop_expense_account(session, "Supplies"), -12_00)),
    )
    post_entry(session, now, draft)
    with pytest.raises(Refusal, match=r"By its last file the bank had \$5,120\.00 on Oct 31, 2026, and you wrote \$5,132\.00"):
        reconcile_month(session, now, OCTOBER, bank_cents=5132_00)
    made = reconcile_month(session, now, OCTOBER, bank_cents=5132_00, explanation="A deposit the file leaves out.")
    assert made.difference_cents == 0


def test_the_list_of_months_shows_each_as_its_own_page_does(banking: Banking) -> None:
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    match_proposed(session, now)

    def shown() -> tuple[str, str]:
        row = next(row for row in months_reconciled(session, NOVEMBER) if row.month == OCTOBER)
        return row.state, month_sheet(session, OCTOBER).state

    assert shown() == ("open", "open")
    reconcile_month(session, now, OCTOBER, explanation="The manager is asking the bank.")
    assert shown() == ("reconciled", "reconciled")
    fee = enter_fee(session, now, banking.line(12, -12_00))
    assert shown() == ("changed", "changed")
    reverse_entry(session, now, fee, on=october(31), memo="No fee")
    assert shown() == ("reconciled", "reconciled")


def test_nothing_at_the_bank_is_nothing_to_reconcile(banking: Banking) -> None:
    august = Month(2026, 8)
    assert not bank_standing(banking.session, august).in_use
    assert require_reconciled(banking.session, august) == "There is no bank account in the books yet."
    assert bank_standing(banking.session, SEPTEMBER).in_use
    with pytest.raises(Refusal, match="Nothing was posted to the bank"):
        reconcile_month(banking.session, banking.now, august)


def test_a_match_of_a_settled_month_stays(banking: Banking) -> None:
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    match_proposed(session, now)
    match = session.scalars(select(BankMatch.id).where(BankMatch.entry_id == banking.entries["1042"])).one()
    reconcile_month(session, now, OCTOBER, explanation="As a test has it.")
    shut(session, now, ensure_period(session, banking.mall.id, OCTOBER))
    with pytest.raises(Refusal, match="October 2026 is reconciled and closed at every mall: this match stays"):
        undo_match(session, now, match)
    assert check_bank(session) == []
    # The co-op's own October is open still: what is posted there is told. It was 5,000.00 and 575.50 and 400.00 less 440.00.
    enter_fee(session, now, banking.line(12, -12_00))
    assert check_bank(session) == [
        "The bank account of October 2026 was reconciled with a book balance of $5,535.50, -$1,808.20 outstanding and $7,343.70 "
        "at the bank; that has changed since: reconcile it again."
    ]


def test_an_entry_and_its_reversal_the_bank_never_saw_are_both_left_out(banking: Banking) -> None:
    session, now = banking.session, banking.now
    reverse_entry(session, now, banking.entries["1045"], on=october(31), memo="Never handed out")
    assert "Payout 1045" not in [item.label for item in open_items(session)]
    assert "Payout 1045" in [item.label for item in open_items(session, pairs=True)]
    assert bank_account(session)
    pay_dealer(session, now, banking.mall, banking.dealers["D01"], amount_cents=60_00, on=october(31), reference="1046")
    assert [item.label for item in open_items(session)][-1] == "Payout 1046"


def test_of_a_check_that_was_never_cashed_nothing_is_left_and_of_a_transfer_both_are(banking: Banking) -> None:
    """Check 1051 in two parts, 70.00 less 20.00, goes stale; check 1052 comes back; so does a transfer of 44.00."""
    session, now, bank = banking.session, banking.now, bank_account(banking.session)
    expense = coop_expense_account(session, "Supplies")

    def post(kind: str, source: str, cents: int, memo: str, reverses_id: int | None = None) -> int:
        draft = EntryDraft(
            mall_id=None,
            business_date=october(20),
            kind=kind,
            source_kind="payout",
            source_id=source,
            purpose=kind,
            postings=((expense, -cents), (bank, cents)),
            memo=memo,
            reverses_id=reverses_id,
        )
        return post_entry(session, now, draft)

    before = {item.entry_id for item in open_items(session)}
    post("payout", "3/D01/MAIN", -70_00, "Payout, run 3, check 1051")
    post("payout", "3/D01/EAST", 20_00, "Payout, run 3, check 1051: what was owed here, taken off it")
    post("stale", "3/D01/MAIN", 50_00, "Payout, run 3, check 1051 was never cashed")
    post(
        "returned",
        "3/D02/MAIN",
        8_00,
        "Payout, run 3, came back",
        post("payout", "3/D02/MAIN", -8_00, "Payout, run 3, check 1052"),
    )
    transfer = post("payout", "3/D03/MAIN", -44_00, "Payout, run 3, bank transfer")
    back = post("returned", "3/D03/MAIN", 44_00, "Payout, run 3, came back, R03", transfer)
    assert {item.entry_id for item in open_items(session)} - before == {transfer, back}


def test_a_file_of_the_other_kind_does_not_bring_the_same_days_twice(banking: Banking) -> None:
    """Two deposits of 200.00 are here from CSV; the bank's OFX of those days has both, and a third line."""
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES[12:14]))
    lines = [
        BookLine(n, october(day), cents, "X", "", "") for n, (day, cents) in enumerate(((21, 200_00), (22, 200_00), (22, 5_00)))
    ]
    content = "".join(write_ofx(BookStatement(october(1), october(31), 0, tuple(lines)))).encode()
    brought = bring_file(session, now, "october.ofx", content)
    assert (brought.kind, brought.lines, brought.lines_here) == ("ofx", 1, 2)
    other = content.replace(b"<TRNAMT>5.00", b"<TRNAMT>6.00")
    with pytest.raises(Refusal, match=r"The bank's line 2 is here as \$5\.00 of Oct 22, 2026, and in this file it is \$6\.00"):
        bring_file(session, now, "changed.ofx", other)
    assert check_bank(session) == []


def test_what_a_check_of_the_bank_finds(banking: Banking) -> None:
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    for cents in (-85_00, -1_00):
        session.add(
            BankMatch(
                line_id=banking.line(9, -85_00), entry_id=banking.entries["1042"], amount_cents=cents, how="hand", made_at=now
            )
        )
    session.flush()
    line = banking.line(9, -85_00)
    assert check_bank(session) == [
        f"The bank's line {line} is -$85.00 and matched with -$86.00.",
        f"Entry {banking.entries['1042']} is -$85.00 and matched with -$86.00.",
    ]


@pytest.mark.parametrize(
    ("cash", "checks", "reference", "sentence"),
    [
        (-1, 5_00, "S-9", "What is taken to the bank cannot be below zero"),
        (0, 0, "S-9", "Nothing is taken to the bank"),
        (5_00, 0, " ", "The reference is empty or longer than 40 characters"),
        (5_00, 0, "S-1", "A deposit of MAIN with the reference S-1 is posted already"),
        (5_00, 0, "s-1", "A deposit of MAIN with the reference s-1 is posted already"),
    ],
)
def test_what_cannot_be_taken_to_the_bank(banking: Banking, cash: int, checks: int, reference: str, sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        take_to_bank(banking.session, banking.now, banking.mall, october(9), cash, checks, reference)


def test_what_a_line_is_not(banking: Banking) -> None:
    session, now, line = banking.session, banking.now, banking.line
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    out, into, mall = line(27, -64_20), line(15, 33_33), banking.mall
    for attempt, sentence in (
        (lambda: settle_cards(session, now, out, mall, 70_00), "This line is money out: a batch of more refunds than sales"),
        (lambda: settle_cards(session, now, into, mall, 50_00), r"The fee would be \$16\.67 of \$50\.00, more than 15%"),
        (lambda: enter_interest(session, now, out), "Interest the bank pays comes in"),
        (lambda: enter_unknown(session, now, out), "Money that went out must be known"),
        (lambda: enter_bill(session, now, out, Bill("no good")), "The expense 'no good' cannot be an account"),
        (lambda: cancel_lines(session, now, line(21, 200_00), line(22, 200_00)), "go the same way"),
        (
            lambda: bounce_from_line(session, now, line(12, -12_00), banking.entries["payment"], reference="R"),
            r"The check was \$150",
        ),
        (
            lambda: match_by_hand(session, now, into, [str(banking.entries["S-1"]), str(banking.entries["S-2"])]),
            "is filled before",
        ),
        (
            lambda: match_by_hand(session, now, into, [str(banking.entries["S-1"]), str(banking.entries["1041"])]),
            r"come to \$240\.00 and the line to \$33\.33",
        ),
        (lambda: match_by_hand(session, now, into, ["999"]), "Entry 999 has nothing open at the bank"),
        (
            lambda: deposit_from_line(
                session, now, into, mall, cash_cents=33_33, checks_cents=0, reference="S-9", drawer="Desk 3"
            ),
            "There is no drawer Desk 3 at MAIN that holds cash",
        ),
        (lambda: enter_fee(session, now, 999), "The bank has no line 999"),
    ):
        with pytest.raises(Refusal, match=sentence):
            attempt()
    enter_fee(session, now, out)
    with pytest.raises(Refusal, match="is matched already"):
        enter_fee(session, now, out)


def test_a_batch_of_more_refunds_than_sales_is_money_out(banking: Banking) -> None:
    """Refunds of 60.00 and a fee of 1.00: 61.00 goes out, and card clearing is up by 60.00."""
    session, now = banking.session, banking.now
    bring_file(session, now, "october.csv", csv_file("10/06/2026,CARD SETTLEMENT,,-61.00,100.00"))
    before = balance(session, "Assets:Card-clearing:MAIN")
    settle_cards(session, now, banking.line(6, -61_00), banking.mall, -60_00)
    assert balance(session, "Assets:Card-clearing:MAIN") - before == 60_00
    assert balance(session, "Expenses:Card-cost:MAIN") == 1_00


def test_taken_back_lines_are_open_again_and_the_entry_made_of_them_is_reversed(banking: Banking) -> None:
    session, now, line = banking.session, banking.now, banking.line
    bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
    entry = cancel_lines(session, now, line(7, -2100_00), line(8, 2100_00))
    first, second = session.scalars(select(BankMatch).where(BankMatch.entry_id == entry)).all()
    undo_match(session, now, first.id)
    assert first.undone_at == second.undone_at == now
    assert proposals(session)[line(7, -2100_00)].kind == "cancels"
    with pytest.raises(Refusal, match="This match was taken back already"):
        undo_match(session, now, second.id)
    # Of an entry that was reversed by hand before, only the match is left to take back.
    fee = enter_fee(session, now, line(12, -12_00))
    reverse_entry(session, now, fee, on=october(31), memo="No fee")
    undo_match(session, now, session.scalars(select(BankMatch.id).where(BankMatch.entry_id == fee)).one())
    assert fee not in [item.entry_id for item in open_items(session)]
    assert enter_interest(session, now, line(31, 1_07)) > fee
    assert check_bank(session) + check_books(session) == []
