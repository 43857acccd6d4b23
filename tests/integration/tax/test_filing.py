"""Returns from tickets to the books: drawn up, held against both, filed, amended, and passed to dealers who owe the tax."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from datetime import date, datetime
from decimal import Decimal
from threading import Barrier

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account
from coop.books.checking import check_trial_balance
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Entry, Posting
from coop.books.service import close_period, ensure_period, lock_period, post_entry
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.tax import filing
from coop.tax.documents import sum_rows
from coop.tax.domain.returns import Change, FilingPeriod, PaidPart
from coop.tax.domain.rules import Stack
from coop.tax.due import due_rows
from coop.tax.filing_queries import owed_by_dealers
from coop.tax.models import TaxRate, TaxReturn
from coop.tax.offices import Settings, periods_of, return_number
from coop.tax.service import set_rate
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import OFFICE, Filer, make_filer, setting

SEPTEMBER, OCTOBER = (FilingPeriod(Month(2026, m), "month") for m in (9, 10))
IN_TIME = date(2026, 10, 20)


@pytest.fixture
def session(sessions: Sessions, now: datetime) -> Iterator[Session]:
    with sessions() as session:
        make_coop(session, now)
        yield session


@pytest.fixture
def filer(session: Session, now: datetime) -> Filer:
    return make_filer(session, now, make_mall(session, now), [make_dealer(session, now, c) for c in ("D01", "D02", "D03")])


def balance(session: Session, path: str) -> int:
    rows = select(func.coalesce(func.sum(Posting.amount_cents), 0)).join(Account).where(Account.path == path)
    return int(session.scalar(rows) or 0)


def close(session: Session, now: datetime, filer: Filer, month: Month) -> None:
    period = ensure_period(session, filer.mall.id, month)
    lock_period(session, period.id)
    close_period(session, now, period)


def file(filer: Filer, period: FilingPeriod = SEPTEMBER, filed_on: date = IN_TIME, **options: object) -> TaxReturn:
    return filing.file_return(filer.session, filer.now, OFFICE, period, filed_on=filed_on, **options)  # type: ignore[arg-type]


# --- filed in time ------------------------------------------------------------------------------------------------------


def test_v1_a_return_filed_in_time_keeps_two_percent_and_clears_the_accounts(session: Session, filer: Filer) -> None:
    """$5,000 due, 2% kept: 100.00 (Missouri Form 53-1, line 2)."""
    setting(session, starts_on=date(2026, 1, 1), remits="due")
    filer.stack = Stack((filer.stack.jurisdictions[0],))
    filer.sell(date(2026, 9, 12), 10_000_000)
    filed = file(filer)
    value = filing.read_return(filed).value
    assert (value.tax_cents, value.allowance_cents, value.net_due_cents) == (500_000, 10_000, 490_000)
    assert balance(session, "Liabilities:Tax:EL") == 0
    assert balance(session, "Income:Timely-filing-allowance") == -10_000
    assert balance(session, "Assets:Bank") == -490_000
    assert filing.office_balance(session, OFFICE) == 0
    assert check_trial_balance(session) == []
    assert filing.check_returns(session) == []


def test_v7_a_return_filed_five_days_late_pays_interest(session: Session, filer: Filer) -> None:
    """$500 at 3% a year, five days: 0.21 (Missouri Form 53-C, instructions)."""
    filer.stack = Stack((filer.stack.jurisdictions[0],))
    filer.sell(date(2026, 9, 12), 1_000_000)
    value = filing.read_return(file(filer, filed_on=date(2026, 10, 25))).value
    assert (value.allowance_cents, value.interest_cents, value.net_due_cents) == (0, 21, 50_021)
    assert balance(session, "Expenses:Tax-interest") == 21
    assert balance(session, "Assets:Bank") == -50_021
    assert balance(session, "Liabilities:Tax:EL") == 0


@pytest.mark.parametrize(("month", "due"), [(5, date(2026, 6, 22)), (8, date(2026, 9, 21)), (11, date(2026, 12, 21))])
def test_d1_a_due_date_moves_off_a_weekend(session: Session, filer: Filer, month: int, due: date) -> None:
    """The 20th of June, September and December 2026 are no working days (Texas Tax Code 111.053)."""
    sheet = filing.draft_return(session, OFFICE, FilingPeriod(Month(2026, month), "month"), filed_on=due)
    assert sheet.value.due_on == due
    assert sheet.value.in_time


def test_rounding_by_the_ticket_goes_to_the_books_by_name(session: Session, filer: Filer) -> None:
    """Three tickets of 0.10 at 5.5% collect a cent each; at the rates 0.02 are due in all."""
    setting(session, starts_on=date(2026, 1, 1), remits="due", allowance=None)
    for _ in range(3):
        filer.sell(date(2026, 9, 12), 10)
    value = filing.read_return(file(filer)).value
    collected = value.collected_cents
    assert collected == 3
    assert (value.tax_cents, value.rounding_cents) == (2, 1)
    assert balance(session, "Expenses:Tax-rounding") == -1
    assert sum(balance(session, f"Liabilities:Tax:{code}") for code in ("EL", "EL-ALDER")) == 0


def test_a_return_of_nothing_is_filed_without_an_entry(session: Session, filer: Filer) -> None:
    filed = file(filer)
    value = filing.read_return(filed).value
    assert [line.name for line in value.lines] == ["State of Elder", "Alder county"]
    assert (value.net_due_cents, filed.entry_id) == (0, None)
    assert filing.check_returns(session) == []


def test_a_filed_return_is_frozen(session: Session, filer: Filer) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    filed = file(filer)
    session.commit()
    with pytest.raises(DBAPIError, match="filed return"):
        session.execute(update(TaxReturn).where(TaxReturn.id == filed.id).values(value_json="{}"))
    session.rollback()


# --- refused ------------------------------------------------------------------------------------------------------------


def test_a_period_is_filed_once(session: Session, filer: Filer) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    file(filer)
    with pytest.raises(Refusal, match="is filed already: what has changed since makes an amended return"):
        file(filer)
    assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "tax filed")) == 1


def test_two_who_file_at_once_file_once(session: Session, sessions: Sessions, filer: Filer, now: datetime) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    session.commit()
    ready = Barrier(2)

    def try_it(_: int) -> str:
        ready.wait()
        try:
            with transaction(sessions) as own:
                return filing.file_return(own, now, OFFICE, SEPTEMBER, filed_on=IN_TIME).number
        except Refusal as refusal:
            return str(refusal)

    with ThreadPoolExecutor(2) as pool:
        said = sorted(pool.map(try_it, range(2)), key=len)
    assert said[0] == "elder-revenue-office.2026-09"
    assert "filed already" in said[1] or "filed a moment ago" in said[1]
    assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "tax filed")) == 1


def test_two_periods_filed_at_once_take_off_what_was_paid_ahead_once(
    session: Session, sessions: Sessions, filer: Filer, now: datetime
) -> None:
    filer.sell(date(2026, 9, 12), 100_000)
    filer.sell(date(2026, 10, 12), 100_000)
    filing.pay_office(session, now, OFFICE, amount_cents=1_000, on=date(2026, 10, 1), reference="P-1")
    # Accounts made for the first time would let the second filing wait by chance.
    file(filer, FilingPeriod(Month(2026, 8), "month"), date(2026, 9, 20), paid_cents=0)
    for make in (filing._allowance_account, filing._rounding_account, filing._interest_account):
        make(session)
    session.commit()

    def october() -> int:
        with transaction(sessions) as own:
            made = filing.file_return(own, now, OFFICE, OCTOBER, filed_on=date(2026, 11, 20))
            return filing.read_return(made).value.prepaid_cents

    with ThreadPoolExecutor(1) as pool:
        with transaction(sessions) as own:
            first = filing.file_return(own, now, OFFICE, SEPTEMBER, filed_on=IN_TIME)
            assert filing.read_return(first).value.prepaid_cents == 1_000
            second = pool.submit(october)
            wait([second], timeout=1)
        assert second.result() == 0


def test_a_period_that_is_not_over_cannot_be_filed(filer: Filer) -> None:
    with pytest.raises(Refusal, match="September 2026 is not over on 2026-09-30: it can be filed from 2026-10-01"):
        file(filer, filed_on=date(2026, 9, 30))


def test_a_period_that_is_none_of_the_offices_is_refused(filer: Filer) -> None:
    with pytest.raises(Refusal, match="is no period of Elder Revenue Office"):
        file(filer, FilingPeriod(Month(2026, 7), "quarter"))
    with pytest.raises(Refusal, match="is no period of Nobody"):
        filing.draft_return(filer.session, "Nobody", SEPTEMBER, filed_on=IN_TIME)


@pytest.mark.parametrize("paid", [-1, 1_000_000])
def test_no_more_is_paid_than_is_due(filer: Filer, paid: int) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    with pytest.raises(Refusal, match="lies between nothing and the net due"):
        file(filer, paid_cents=paid)


def test_settings_that_contradict_each_other_are_refused(session: Session, filer: Filer) -> None:
    setting(session, starts_on=date(2026, 1, 1), mall_id=filer.mall.id, due_day=15)
    with pytest.raises(Refusal, match="different terms"):
        file(filer)


def test_terms_that_cannot_be_are_refused(session: Session, filer: Filer) -> None:
    setting(session, starts_on=date(2026, 1, 1), due_region="XX")
    with pytest.raises(Refusal, match="XX is not a state's postal code"):
        file(filer)


# --- tied, or apart and where -------------------------------------------------------------------------------------------


def test_what_does_not_tie_to_the_books_is_said_by_how_much_and_where(session: Session, filer: Filer, now: datetime) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    county = filer.jurisdictions[1]
    astray = ((county.account_id, -7), (bank_account(session), 7))
    post_entry(session, now, EntryDraft(filer.mall.id, date(2026, 9, 30), "journal", "journal", "1", "entry", astray))
    sheet = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME)
    assert sheet.apart == ("Alder county: the return has $0.50, the books $0.57: $0.07 apart.",)
    with pytest.raises(Refusal, match="does not tie"):
        file(filer)
    filed = file(filer, reason="seven cents of a journal entry, put right in October")
    kept = filing.read_return(filed)
    assert (kept.reason, kept.apart) == ("seven cents of a journal entry, put right in October", sheet.apart)


def test_what_whoever_knows_the_tickets_says_is_held_against_it(filer: Filer) -> None:
    with pytest.raises(Refusal, match=r"Ticket 9: a cent"):
        file(filer, tickets_apart=["Ticket 9: a cent."])


# --- goods returned, late tickets, mistakes -------------------------------------------------------------------------------


def test_a_refund_after_filing_is_in_the_next_return_at_the_old_rate(session: Session, filer: Filer) -> None:
    tax = filer.sell(date(2026, 9, 12), 10_000)
    first = filing.read_return(file(filer)).value
    state = filer.jurisdictions[0]
    old = filer.stack.jurisdictions[0].rates[0].rate_id
    session.get_one(TaxRate, old).ends_on = date(2026, 9, 30)
    raised = set_rate(session, state, Decimal(6), starts_on=date(2026, 10, 1))
    assert raised.id != old
    filer.give_back(date(2026, 10, 5), tax, 10_000)
    again = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME)
    assert again.value.lines == first.lines
    second = filing.draft_return(session, OFFICE, OCTOBER, filed_on=date(2026, 11, 20))
    line = second.value.lines[0]
    assert (line.gross_cents, line.taxable_cents, line.collected_cents) == (-10_000, -10_000, -500)
    assert [(row.rate_id, row.percent) for row in line.rated] == [(old, Decimal(5))]
    assert second.ties
    filed = filing.read_return(file(filer, OCTOBER, date(2026, 11, 20))).value
    assert filed.net_due_cents == -550
    assert filing.office_balance(session, OFFICE) == 550
    filer.sell(date(2026, 11, 5), 10_000, stack=filer.stack)
    third = filing.draft_return(session, OFFICE, FilingPeriod(Month(2026, 11), "month"), filed_on=date(2026, 12, 21))
    assert (third.value.prepaid_cents, third.value.net_due_cents) == (550, -11)


def test_a_late_ticket_makes_an_amended_return_that_names_what_it_changes(session: Session, filer: Filer, now: datetime) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    original = file(filer)
    close(session, now, filer, Month(2026, 9))
    filer.sell(date(2026, 9, 29), 2_000)
    sheet = filing.draft_amendment(session, original.number, filed_on=date(2026, 10, 25))
    assert sheet is not None
    assert [(late.key, late.sold_on, late.posted_on, late.tax_cents) for late in sheet.late] == [
        ("desk:2", date(2026, 9, 29), date(2026, 10, 1), 110)
    ]
    assert sheet.ties
    amended = filing.amend_return(session, now, original.number, filed_on=date(2026, 10, 25), reason="a ticket came late")
    value = filing.read_return(amended).value
    assert (amended.number, amended.amends_id, value.amends) == (f"{original.number}.A1", original.id, original.number)
    assert value.changes == (
        Change("State of Elder", "gross sales", 10_000, 12_000),
        Change("State of Elder", "taxable sales", 10_000, 12_000),
        Change("State of Elder", "taxable at 5% general from Jan 1, 2020", 10_000, 12_000),
        Change("State of Elder", "collected at 5% general from Jan 1, 2020", 500, 600),
        Change("State of Elder", "tax due", 500, 600),
        Change("State of Elder", "tax collected", 500, 600),
        Change("Alder county", "gross sales", 10_000, 12_000),
        Change("Alder county", "taxable sales", 10_000, 12_000),
        Change("Alder county", "taxable at 0.5% general from Jan 1, 2020", 10_000, 12_000),
        Change("Alder county", "collected at 0.5% general from Jan 1, 2020", 50, 60),
        Change("Alder county", "tax due", 50, 60),
        Change("Alder county", "tax collected", 50, 60),
    )
    assert balance(session, "Liabilities:Tax:EL") == balance(session, "Liabilities:Tax:EL-ALDER") == 0
    assert filing.office_balance(session, OFFICE) == 0
    october = filing.draft_return(session, OFFICE, OCTOBER, filed_on=date(2026, 11, 20))
    assert (october.value.collected_cents, october.ties, october.late) == (0, True, ())
    with pytest.raises(Refusal, match=r"was replaced by elder-revenue-office.2026-09.A1: amend that one"):
        filing.amend_return(session, now, original.number, filed_on=date(2026, 10, 26), reason="again")
    with pytest.raises(Refusal, match="there is nothing to amend"):
        filing.amend_return(session, now, amended.number, filed_on=date(2026, 10, 26), reason="again")
    filer.sell(date(2026, 9, 30), 100)
    second = filing.amend_return(session, now, amended.number, filed_on=date(2026, 10, 26), reason="one more")
    assert second.number == f"{original.number}.A2"
    assert balance(session, "Liabilities:Tax:EL") == 0
    assert check_trial_balance(session) == []
    assert filing.check_returns(session) == []


def test_goods_returned_in_the_period_that_come_late_leave_a_credit(session: Session, filer: Filer, now: datetime) -> None:
    tax = filer.sell(date(2026, 9, 12), 10_000)
    original = file(filer)
    close(session, now, filer, Month(2026, 9))
    filer.give_back(date(2026, 9, 30), tax, 10_000)
    amended = filing.amend_return(session, now, original.number, filed_on=date(2026, 10, 25), reason="a late return of goods")
    value = filing.read_return(amended).value
    assert (value.tax_cents, value.allowance_cents, value.interest_cents) == (0, 0, 0)
    assert (value.paid_before_cents, value.net_due_cents) == (539, -539)
    assert filing.office_balance(session, OFFICE) == 539
    assert balance(session, "Income:Timely-filing-allowance") == 0
    assert balance(session, "Liabilities:Tax:EL") == balance(session, "Liabilities:Tax:EL-ALDER") == 0
    filer.sell(date(2026, 10, 5), 20_000)
    october = filing.draft_return(session, OFFICE, OCTOBER, filed_on=date(2026, 11, 20))
    assert (october.value.prepaid_cents, october.value.net_due_cents) == (539, 1_100 - 22 - 539)


def test_an_amendment_needs_a_reason_and_a_filed_return(session: Session, filer: Filer, now: datetime) -> None:
    with pytest.raises(Refusal, match="The reason is empty"):
        filing.amend_return(session, now, "x", filed_on=IN_TIME, reason=" ")
    with pytest.raises(Refusal, match="There is no filed return x"):
        filing.amend_return(session, now, "x", filed_on=IN_TIME, reason="because")


def test_a_return_paid_in_part_leaves_the_rest_owed_until_it_is_paid(session: Session, filer: Filer, now: datetime) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    value = filing.read_return(file(filer, paid_cents=100)).value
    assert filing.office_balance(session, OFFICE) == 100 - value.net_due_cents
    filing.pay_office(session, now, OFFICE, amount_cents=value.net_due_cents - 100, on=IN_TIME, reference="check 12")
    assert filing.office_balance(session, OFFICE) == 0
    with pytest.raises(Refusal, match="used already"):
        filing.pay_office(session, now, OFFICE, amount_cents=1, on=IN_TIME, reference="check 12")


def test_what_was_paid_ahead_is_prepaid(session: Session, filer: Filer, now: datetime) -> None:
    filer.sell(date(2026, 9, 12), 10_000)
    filing.pay_office(session, now, OFFICE, amount_cents=300, on=date(2026, 9, 15), reference="ahead")
    value = filing.read_return(file(filer)).value
    assert (value.prepaid_cents, value.net_due_cents) == (300, 550 - 11 - 300)
    assert filing.office_balance(session, OFFICE) == 0
    assert balance(session, "Assets:Bank") == -(550 - 11)


def test_interest_runs_to_the_day_each_part_was_paid(session: Session, filer: Filer, now: datetime) -> None:
    """By hand: $55 due on Oct 20, at 3%: $30 ten days late are 2.47 cents, the $25 paid with it thirty days late 6.16: 9."""
    filer.sell(date(2026, 9, 12), 100_000)
    filing.pay_office(session, now, OFFICE, amount_cents=3_000, on=date(2026, 10, 30), reference="part")
    filing.pay_office(session, now, OFFICE, amount_cents=9_900, on=date(2026, 11, 25), reference="for October")
    filed = file(filer, filed_on=date(2026, 11, 19))
    value = filing.read_return(filed).value
    # What came after the day of filing is not of this return.
    assert (value.tax_cents, value.prepaid_cents, value.net_due_cents) == (5_500, 3_000, 2_509)
    assert value.interest_cents == 9
    assert value.paid_late == (PaidPart(date(2026, 10, 30), 3_000),)
    rows = {row.label: row.working for row in sum_rows(filing.read_return(filed))}
    assert rows["Interest"] == "$30.00 10 days, $25.00 30 days after Oct 20, 2026"
    assert filing.office_balance(session, OFFICE) == 9_900
    filer.sell(date(2026, 10, 5), 200_000)
    # Dated back, October's return takes only what was there then, and not what September's has used.
    back = filing.draft_return(session, OFFICE, OCTOBER, filed_on=date(2026, 11, 20))
    assert (back.value.prepaid_cents, back.value.interest_cents) == (0, 0)
    late = filing.draft_return(session, OFFICE, OCTOBER, filed_on=date(2026, 11, 25))
    assert (late.value.prepaid_cents, late.value.paid_late) == (9_900, (PaidPart(date(2026, 11, 25), 9_900),))
    assert filing.check_returns(session) == []


# --- who owes it --------------------------------------------------------------------------------------------------------


def test_w1_where_dealers_owe_the_tax_it_passes_to_them_by_jurisdiction(session: Session, filer: Filer, now: datetime) -> None:
    """An optional cashier leaves the dealers retailers (CDTFA annotation 185.0004): a dated setting of the mall."""
    setting(session, starts_on=date(2026, 9, 1), mall_id=filer.mall.id, owed_by="dealer")
    filer.sell(date(2026, 9, 12), 10_000, dealer=0)
    filer.sell(date(2026, 9, 13), 4_000, dealer=1)
    filer.sell(date(2026, 9, 14), 1_000, dealer=None)
    before = filing.draft_return(session, OFFICE, SEPTEMBER, filed_on=IN_TIME)
    assert "$7.70 that dealers owe themselves has not passed to their accounts yet" in before.apart[-1]
    assert filing.move_tax_to_dealers(session, now, filer.mall, Month(2026, 9)) == 4
    assert filing.move_tax_to_dealers(session, now, filer.mall, Month(2026, 9)) == 0
    assert balance(session, "Liabilities:Dealers:MAIN:D01") == -(10_000 + 550)
    assert balance(session, "Liabilities:Tax:EL") == -50
    memos = session.scalars(select(Entry.memo).where(Entry.kind == "tax to dealer").order_by(Entry.id)).all()
    assert memos[:2] == ["Sales tax for State of Elder, yours to file", "Sales tax for Alder county, yours to file"]
    owed = owed_by_dealers(session, filer.mall.id, Month(2026, 9), dealer_id=filer.dealers[1].id)
    assert [(o.jurisdiction, o.office, o.taxable_cents, o.amount_cents) for o in owed] == [
        ("State of Elder", OFFICE, 4_000, 200),
        ("Alder county", OFFICE, 4_000, 20),
    ]
    # Nobody's sale stays with the co-op, which returns it.
    value = filing.read_return(file(filer)).value
    assert [(line.gross_cents, line.collected_cents) for line in value.lines] == [(1_000, 50), (1_000, 5)]
    assert balance(session, "Liabilities:Tax:EL") == 0


def test_w1_where_the_co_op_remits_nothing_moves(session: Session, filer: Filer, now: datetime) -> None:
    """A compulsory central cashier makes the mall the retailer (CDTFA annotation 185.0205)."""
    filer.sell(date(2026, 9, 12), 10_000)
    assert filing.move_tax_to_dealers(session, now, filer.mall, Month(2026, 9)) == 0
    assert balance(session, "Liabilities:Dealers:MAIN:D01") == -10_000


def test_what_came_in_after_the_tax_was_moved_is_moved_too(session: Session, filer: Filer, now: datetime) -> None:
    setting(session, starts_on=date(2026, 9, 15), mall_id=filer.mall.id, owed_by="dealer")
    filer.sell(date(2026, 9, 14), 50_000)
    tax = filer.sell(date(2026, 9, 15), 10_000)
    assert filing.move_tax_to_dealers(session, now, filer.mall, Month(2026, 9)) == 2
    assert balance(session, "Liabilities:Dealers:MAIN:D01") == -(60_000 + 550)
    filer.give_back(date(2026, 9, 20), tax, 10_000)
    assert filing.move_tax_to_dealers(session, now, filer.mall, Month(2026, 9)) == 2
    assert balance(session, "Liabilities:Dealers:MAIN:D01") == -50_000
    value = filing.read_return(file(filer)).value
    assert value.collected_cents == 2_750


# --- periods ------------------------------------------------------------------------------------------------------------


def test_an_office_that_changes_to_quarters_within_one_is_filed_by_the_month_until_the_next(
    session: Session, filer: Filer
) -> None:
    setting(session, starts_on=date(2026, 5, 1), frequency="quarter")
    periods = periods_of(Settings(session), OFFICE, date(2026, 3, 1), date(2026, 11, 3))
    assert [return_number(OFFICE, period) for period in periods] == [
        "elder-revenue-office.2026-03",
        "elder-revenue-office.2026-04",
        "elder-revenue-office.2026-05",
        "elder-revenue-office.2026-06",
        "elder-revenue-office.2026-07-quarter",
        "elder-revenue-office.2026-10-quarter",
    ]


def test_a_quarter_takes_in_its_three_months(session: Session, filer: Filer) -> None:
    setting(session, starts_on=date(2026, 1, 1), frequency="quarter")
    for month in (6, 7, 8, 9, 10):
        filer.sell(date(2026, month, 15), 10_000)
    sheet = filing.draft_return(session, OFFICE, FilingPeriod(Month(2026, 7), "quarter"), filed_on=IN_TIME)
    assert (sheet.value.lines[0].gross_cents, sheet.value.due_on, sheet.ties) == (30_000, date(2026, 10, 20), True)


def test_a_quarter_around_a_filed_month_is_not_filed_over_it(session: Session, filer: Filer) -> None:
    filer.sell(date(2026, 7, 15), 10_000)
    july = FilingPeriod(Month(2026, 7), "month")
    file(filer, july, date(2026, 8, 20))
    setting(session, starts_on=date(2026, 7, 1), frequency="quarter")
    with pytest.raises(Refusal, match="is filed for 2026-07-01 to 2026-07-31: those days"):
        file(filer, FilingPeriod(Month(2026, 7), "quarter"))
    row = next(row for row in due_rows(session, date(2026, 10, 1)) if row.period.first == Month(2026, 7))
    assert (row.number, row.filed) == ("elder-revenue-office.2026-07-quarter", None)
