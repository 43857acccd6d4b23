"""The books in the office: read on every page, entered and approved by hand, sifted, sought, exported; rules set."""

from __future__ import annotations

import io
import re
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select

from coop.books.accounts import dealer_account, ensure_account, expense_account, income_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal
from coop.books.models import Entry, Journal, MoneyRule, ReleaseRule
from coop.books.payments import receive_payment
from coop.books.service import post_entries, seal_periods
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Charge, DepositLine
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from coop.statements.building import build_value
from tests.factories.by_hand import BILL
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries

BOOKS = "/office/books"
TYPED = {
    # A browser sends every field of the page, the empty ones too.
    **{f"lines-{n}-{name}": "" for n in range(6) for name in ("account", "debit", "credit")},
    "key": "a" * 32,
    "mall": "MAIN",
    "on": "2026-11-02",
    "reason": "Electricity for October, bill 4471",
    "lines-0-account": "Expenses:Electricity:MAIN",
    "lines-0-debit": "80.00",
    "lines-3-account": "Assets:Bank",
    "lines-3-credit": "80",
    "new_accounts": "y",
}


def words(text: str) -> str:
    """A page's words, with its tags away."""
    return " ".join(re.sub(r"<[^>]*>", " ", text).split())


# --- by hand ------------------------------------------------------------------------------------------------------------


def test_an_entry_from_its_form_to_its_paper_and_back(web: Web) -> None:
    bookkeeper = web.browser("bookkeeper")
    page = bookkeeper.get(f"{BOOKS}/by-hand/new").text
    assert re.search(r'name="key"[^>]*value="[0-9a-f]{32}"', page)
    assert '<option value="Liabilities:Dealers:MAIN:D01">Fenwick &amp; Daughter</option>' in page
    assert "Liabilities:Layaway" not in page
    for _ in range(2):
        sent = send(bookkeeper, f"{BOOKS}/by-hand/new", **TYPED, document=(io.BytesIO(BILL), "C:\\bill.exe"))  # type: ignore[arg-type]
        assert (sent.status_code, sent.headers["Location"]) == (303, f"{BOOKS}/by-hand/2")
    page = bookkeeper.get(f"{BOOKS}/by-hand/2").text
    assert "Journal entry 2 is posted." in page
    paper = web.browser("auditor").get(f"{BOOKS}/by-hand/2/document")
    assert (paper.data, paper.mimetype) == (BILL, "application/pdf")
    assert paper.headers["Content-Disposition"] == "inline; filename=journal-2026-11-02-aaaaaaaa.pdf"
    with transaction(web.sessions) as session:
        posted = session.scalars(select(Entry.id).where(Entry.source_kind == "journal")).one()
    page = bookkeeper.get(f"{BOOKS}/entries/{posted}").text
    assert f'href="{BOOKS}/by-hand/2"' in page
    assert "Expenses:<wbr>Electricity:<wbr>MAIN" in page
    assert "not yet: the next seal covers it" in page
    sent = send(bookkeeper, f"{BOOKS}/entries/{posted}/reverse", key="b" * 32, on="2026-11-03", reason="The landlord pays it")
    assert sent.status_code == 303
    page = bookkeeper.get(f"{BOOKS}/entries/{posted}").text
    assert "Reversed by" in page
    assert "is reversed already, by entry" in page
    again = send(bookkeeper, f"{BOOKS}/entries/{posted}/reverse", key="c" * 32, on="2026-11-03", reason="Again")
    assert again.status_code == 422
    assert "is reversed already, by entry" in again.text
    with transaction(web.sessions) as session:
        seal_periods(session, web.clock.at)
    assert re.search(r"under seal \d+ of MAIN", bookkeeper.get(f"{BOOKS}/entries/{posted}").text)


def test_a_second_person_approves_and_nobody_their_own(web: Web) -> None:
    manager, bookkeeper = web.browser("manager"), web.browser("bookkeeper")
    assert "Slates put back after the storm" in manager.get(f"{BOOKS}/").text
    assert "Approve and post" not in bookkeeper.get(f"{BOOKS}/by-hand/1").text
    own = send(bookkeeper, f"{BOOKS}/by-hand/1/approve")
    assert own.status_code == 422
    assert "You entered journal entry 1 yourself: a second person has to approve it." in own.text
    assert "Approve and post" not in web.browser("auditor").get(f"{BOOKS}/by-hand/1").text
    assert send(manager, f"{BOOKS}/by-hand/1/approve").status_code == 303
    page = manager.get(f"{BOOKS}/by-hand/1").text
    assert "Journal entry 1 is approved and posted." in page
    assert "by manager@example.org" in page
    assert "posted already: it can be decided once" in words(send(manager, f"{BOOKS}/by-hand/1/refuse", reason="No").text)


def test_a_refusal_needs_its_reason_and_is_kept(web: Web) -> None:
    manager = web.browser("manager")
    assert "Write why it is not posted." in send(manager, f"{BOOKS}/by-hand/1/refuse", reason="").text
    assert send(manager, f"{BOOKS}/by-hand/1/refuse", reason="The landlord's roof").status_code == 303
    assert "not posted : The landlord&#39;s roof" in words(manager.get(f"{BOOKS}/by-hand/1").text)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"reason": ""}, "Write why, such as"),
        ({"on": "soon"}, "This is not a day."),
        ({"on": "2026-12-24"}, "Dec 24, 2026 is still to come"),
        ({"lines-0-debit": "lots"}, "This is not an amount"),
        ({"lines-0-debit": "-5"}, "An amount here cannot be negative."),
        ({"lines-0-credit": "80.00"}, "Write a debit or a credit, not both."),
        ({"lines-0-debit": ""}, "Write an amount, like 25.00, here or as a credit."),
        ({"lines-0-account": ""}, "Name the account."),
        ({"lines-0-debit": "70.00"}, "$10.00 is missing in the debits."),
        ({"lines-3-account": "", "lines-3-credit": ""}, "An entry has two lines or more"),
        ({"new_accounts": ""}, "There is no account Expenses:Electricity:MAIN"),
        ({"lines-3-account": "Liabilities:Layaway:MAIN"}, "equals a list kept beside it, so no entry by hand moves it."),
        ({"mall": ""}, "takes entries of MAIN only, and this one is the co-op&#39;s own"),
        ({"mall": "WEST"}, "Choose one of those listed."),
    ],
)
def test_what_is_wrong_stands_at_its_field_and_what_was_typed_stays(web: Web, changes: dict[str, str], said: str) -> None:
    typed = {**TYPED, **changes}
    if not typed["new_accounts"]:
        del typed["new_accounts"]
    answer = send(web.browser("manager"), f"{BOOKS}/by-hand/new", **typed)
    assert answer.status_code == 422
    assert said in answer.text
    assert 'value="80"' in answer.text or "lines-3-credit" in changes
    assert "a" * 32 in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count(Journal.id))) == 1


def test_a_file_of_another_kind(web: Web) -> None:
    sent = (io.BytesIO(b"<html>"), "bill.pdf")
    answer = send(web.browser("manager"), f"{BOOKS}/by-hand/new", **TYPED, document=sent)  # type: ignore[arg-type]
    assert answer.status_code == 422
    assert "no PDF, PNG or JPEG by its content" in answer.text
    assert "Choose it again: a browser does not keep it." in answer.text


def test_more_lines_keep_what_was_typed(web: Web) -> None:
    answer = send(web.browser("manager"), f"{BOOKS}/by-hand/new", **TYPED, more="1")
    assert answer.status_code == 200
    assert 'name="lines-11-account"' in answer.text
    assert 'value="Expenses:Electricity:MAIN"' in answer.text
    assert "mistake" not in answer.text


def test_what_has_a_list_behind_it_says_what_puts_it_right(web: Web) -> None:
    page = web.browser("manager").get(f"{BOOKS}/entries/1/reverse").text
    assert "ring up a return of what was sold" in page
    assert "Reverse it" not in page


def test_a_dealer_reads_it_on_her_statement_as_a_correction(web: Web) -> None:
    lines = {"lines-0-account": "Liabilities:Dealers:MAIN:D02", "lines-3-account": "Income:Fees:MAIN", "reason": "Lost key"}
    bookkeeper = web.browser("bookkeeper")
    assert send(bookkeeper, f"{BOOKS}/by-hand/new", **{**TYPED, **lines}).status_code == 303
    with transaction(web.sessions) as session:
        posted = session.scalars(select(Entry.id).where(Entry.source_kind == "journal")).one()
    back = {"key": "b" * 32, "on": "2026-11-03", "reason": "It was found"}
    assert send(bookkeeper, f"{BOOKS}/entries/{posted}/reverse", **back).status_code == 303
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        value = build_value(session, mall, amos, Month(2026, 11), made_on=date(2026, 12, 1))
    said, undone = value.payments
    assert (said.amount_cents, undone.amount_cents) == (-80_00, 80_00)
    assert said.label == "Entry by the bookkeeper: Lost key"
    assert undone.label.endswith(": It was found")


# --- read ---------------------------------------------------------------------------------------------------------------


def _make_d02_owe(web: Web) -> None:
    """$100.00 of fees on D02, who is owed $9.99; and one expense."""
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        postings = (
            ((dealer_account(session, mall, amos), 100_00), (income_account(session, mall, "Fees"), -100_00)),
            ((expense_account(session, mall, "Over-short"), 12), (tender_account(session, mall, "cash"), -12)),
        )
        drafts = [
            EntryDraft(mall.id, date(2026, 11, 3), "fee", "test", str(n), "fee", posted, f"Fee {n}")
            for n, posted in enumerate(postings)
        ]
        post_entries(session, web.clock.at, drafts)


def test_a_dealer_who_owes_is_a_receivable_on_every_page(web: Web) -> None:
    _make_d02_owe(web)
    auditor = web.browser("auditor")
    page = words(auditor.get(f"{BOOKS}/").text)
    assert "Owed by dealers 90.01 90.01 MAIN 90.01 90.01 D02 90.01 90.01" in page
    assert "Dealers 167.50 167.50 MAIN 167.50 167.50 D01" in page
    sheet = words(auditor.get(f"{BOOKS}/months/2026-11").text)
    assert "Owed by dealers 90.01" in sheet
    assert "Result of this year so far 99.88" in sheet
    assert "Result 99.88 99.88" in sheet
    assert "The sheet is off" not in sheet
    trial = words(auditor.get(f"{BOOKS}/trial-balance").text)
    assert "Debits and credits are equal." in trial
    assert "Liabilities: Dealers: MAIN: D02 90.01" in trial


def test_an_account_is_read_page_by_page_with_its_balance(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        cash, rent = tender_account(session, mall, "check"), income_account(session, mall, "Fees")
        drafts = [
            EntryDraft(mall.id, date(2026, 11, 1 + n % 3), "fee", "t", str(n), "fee", ((cash, 1_00), (rent, -1_00)), f"Fee {n}")
            for n in range(60)
        ]
        post_entries(session, web.clock.at, drafts)
    auditor = web.browser("auditor")
    address = f"{BOOKS}/account?path=Assets:Checks-to-deposit:MAIN&month=2026-11"
    page = auditor.get(address).text
    assert "50.00 Dr" in page
    assert "51.00 Dr" not in page
    later = re.search(r'href="([^"]*after=[^"]*)"', page)
    assert later
    page = words(auditor.get(later[1].replace("&amp;", "&")).text)
    assert "Before 50.00 Dr" in page
    assert "60.00 Dr" in page
    assert "Nothing moved it in October 2026. Its balance is 0.00." in words(auditor.get(address.replace("-11", "-10")).text)
    assert auditor.get(f"{BOOKS}/account?path=Assets:Nothing").status_code == 404
    assert "Nothing moved it in January 2027. Its balance is 60.00 Dr." in words(
        auditor.get(address.replace("2026-11", "2027-01")).text
    )
    for mark in ("soon", "2026-11-01.x", "2026-11-01." + "9" * 30):
        assert "51.00 Dr" not in auditor.get(f"{address}&after={mark}").text


@pytest.mark.parametrize(
    ("asked", "found", "missing"),
    [
        ("find?find=42.50", "ticket test:1", "test:0"),
        ("find?find=d01", "Dealer D01", "Layaway 1"),
        ("find?find=%231", "Entry 1", "Entry 2"),
        ("find?find=LAYAWAY", "Layaway 1", "test:0"),
        ("find?find=drawer", "Assets: Drawer: MAIN", "test:0"),
        ("find?find=nowhere", "Nothing in the books is like that.", "Amount"),
        ("find?find=100%25", "Nothing in the books is like that.", "Amount"),
        ("find", "Write an amount like 25.00", "Nothing in"),
        ("entries?amount=48", "Layaway 1", "test:0"),
        ("entries?kind=layaway", "Layaway 1", "test:0"),
        ("entries?month=2026-11&mall=MAIN&words=test:2", "test:2", "test:1"),
        ("entries?mall=co-op", "There is none like it.", "test:1"),
        ("entries?amount=much", "This is not an amount", "There is none like it."),
    ],
)
def test_entries_are_sifted_and_found(web: Web, asked: str, found: str, missing: str) -> None:
    page = words(web.browser("auditor").get(f"{BOOKS}/{asked}").text.partition("<main")[2])
    assert found in page
    assert missing not in page


def test_what_was_sold_is_found_by_its_words_its_dealer_and_its_amount(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        dealer.trade_name = "Heron and Rush"
        for n, day in (("700", datetime(2025, 10, 2, 18, tzinfo=UTC)), ("701", datetime(2026, 11, 2, 18, tzinfo=UTC))):
            line = LineIn(1, dealer.id, "D01-88", f"Walnut whatnot {n}", 1, Decimal("61.25"), 61_25)
            ticket = TicketIn(n, n, "desk-1", "sale", day, (line,), (TenderIn("cash"),), taxed=False)
            take_tickets(session, web.clock.at, mall, [ticket])
        entry_id = session.scalars(select(Entry.id).where(Entry.source_id == "701")).one()
    auditor = web.browser("auditor")

    def found(asked: str) -> str:
        return words(auditor.get(f"{BOOKS}/find?find={asked}").text.partition("<main")[2])

    for asked in ("WHATNOT", "d01-88"):
        page = found(asked)
        assert "Walnut whatnot 701" in page
        assert "whatnot 700" not in page, "sold fourteen months ago"
    assert f'href="/office/books/entries/{entry_id}"' in auditor.get(f"{BOOKS}/find?find=whatnot").text
    page = found("heron")
    assert "Dealer D01 , Heron and Rush" in page
    assert "Liabilities: Dealers: MAIN: D01" in page
    page = found("61.25")
    assert "Assets: Drawer: MAIN 61.25 Dr" in page
    assert "Liabilities: Dealers: MAIN: D01 61.25 Cr" in page
    page = words(auditor.get(f"{BOOKS}/entries/{entry_id}").text)
    assert "What was sold" in page
    assert "Walnut whatnot 701 D01 61.25" in page


@pytest.mark.parametrize("form", ["csv", "beancount", "journal"])
def test_the_ledger_comes_as_a_file(web: Web, form: str) -> None:
    with web.browser("auditor").get(f"{BOOKS}/export?format={form}&month=2026-11&mall=MAIN") as answer:
        assert answer.status_code == 200
        assert answer.headers["Content-Disposition"] == f"attachment; filename=ledger-MAIN-2026-11.{form}"
        assert int(answer.headers["Content-Length"]) == len(answer.data)
        assert b"Drawer:MAIN" in answer.data
    wrong = web.browser("auditor").get(f"{BOOKS}/export?format=xls")
    assert (wrong.status_code, "Choose one of those listed." in wrong.text) == (422, True)


def test_an_entry_leads_to_what_made_it(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        ida = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        owed, fees, held = (
            dealer_account(session, mall, ida),
            income_account(session, mall, "Fees"),
            ensure_account(session, "Liabilities:Deposits:MAIN:D01", "deposit", mall_id=mall.id, dealer_id=ida.id),
        )
        charged, taken = post_entries(
            session,
            web.clock.at,
            [
                EntryDraft(mall.id, date(2026, 11, 3), "fee", "lease", "1/x", "charge", ((owed, 5_00), (fees, -5_00))),
                EntryDraft(mall.id, date(2026, 11, 3), "deposit", "deposit", "1/1", "taken", ((owed, 9_00), (held, -9_00))),
            ],
        )
        session.add_all(
            [
                Charge(
                    lease_id=1,
                    mall_id=mall.id,
                    dealer_id=ida.id,
                    kind="fee",
                    what="x",
                    first_day=date(2026, 11, 1),
                    change=0,
                    label="Key",
                    working="",
                    amount_cents=5_00,
                    entry_id=charged,
                ),
                DepositLine(lease_id=1, kind="taken", amount_cents=9_00, on=date(2026, 11, 3), entry_id=taken),
            ]
        )
        paid = receive_payment(
            session, web.clock.at, mall, ida, amount_cents=1_00, paid_by="cash", on=date(2026, 11, 3), reference="7"
        )
        by_kind = dict(session.execute(select(Entry.source_kind, func.min(Entry.id)).group_by(Entry.source_kind)).all())
    auditor = web.browser("auditor")
    for entry_id, address in (
        (charged, "/office/leases/MAIN/1"),
        (taken, "/office/leases/MAIN/1"),
        (paid, "/office/dealers/D01"),
        (by_kind["layaway"], "/office/layaways/MAIN/1"),
        (by_kind["gift"], "/office/sales/certificates/1"),
        (by_kind["ticket"], "/office/sales/MAIN/tickets/1"),
    ):
        assert f'<a href="{address}">' in auditor.get(f"{BOOKS}/entries/{entry_id}").text
    assert auditor.get(f"{BOOKS}/entries/999").status_code == 404


def test_the_first_page_of_empty_books(web: Web) -> None:
    assert "Nothing was posted up to then." in web.browser("auditor").get(f"{BOOKS}/?on=2026-01-01").text


@pytest.mark.parametrize(
    "address",
    [
        "/",
        "/trial-balance",
        "/entries",
        "/find?find=Fee",
        "/account?path=Assets:Drawer:MAIN",
        "/months/2026-11",
        "/by-hand",
        "/rules",
    ],
)
def test_no_page_asks_more_with_more_rows(web: Web, address: str) -> None:
    _make_d02_owe(web)
    before = count_queries(web, "auditor", BOOKS + address)
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        for n in range(15):
            lines = [HandLine(f"Expenses:Kind-{n}", 5_00), HandLine("Assets:Drawer:MAIN", -5_00)]
            enter_journal(
                session,
                web.clock.at,
                key=f"{n:032}",
                mall=mall,
                on=date(2026, 11, 2),
                lines=lines,
                reason=f"Fee {n}",
                new_accounts=True,
                user_id=web.house.users["bookkeeper"],
            )
    assert count_queries(web, "auditor", BOOKS + address) == before


# --- house rules --------------------------------------------------------------------------------------------------------

RULES = {
    "starts_on": "2026-11-03",
    "card_percent": "2.9",
    "surcharge_percent": "0",
    "journal_limit": "1,000.00",
    "payout_minimum": "5",
    "bank_wait_days": "10",
    "tax_form_needed": "y",
    "next_rent": "netted",
    "unclaimed_days": "45",
    "stale_days": "120",
}
RELEASE = {
    "what": "gift certificates",
    "goes_to": "state",
    "starts_on": "2026-11-03",
    "ends_on": "",
    "after_days": "1095",
    "said_by": "Elder Unclaimed Property Act, section 9",
}


def test_house_rules_are_set_from_a_day_on_and_said_back(web: Web) -> None:
    manager = web.browser("manager")
    assert "None are set" in manager.get(f"{BOOKS}/rules").text
    assert send(manager, f"{BOOKS}/rules/change", **RULES).status_code == 303
    page = manager.get(f"{BOOKS}/rules").text
    for said in (
        "2.9% of what a dealer’s buyers pay by card is charged to the dealer",
        "An entry by hand of more than $1,000.00 needs a second person",
        "A dealer without a tax form on file is not paid",
        "kept back from what is paid",
        "ask whoever advises the co-op",
    ):
        assert said in page
    assert "Up to $1,000.00 it is posted at once." in web.browser("bookkeeper").get(f"{BOOKS}/by-hand/new").text
    wrong = send(manager, f"{BOOKS}/rules/change", **{**RULES, "card_percent": "101", "stale_days": "-1"})
    assert wrong.status_code == 422
    assert "Write a whole number from 0 to 36500." in wrong.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count(MoneyRule.id))) == 1


def test_house_rules_begin_today_or_later_and_what_is_loosened_is_logged(web: Web) -> None:
    manager = web.browser("manager")
    past = send(manager, f"{BOOKS}/rules/change", **{**RULES, "starts_on": "2026-11-02"})
    assert (past.status_code, "begin these on Nov 3, 2026 or later" in past.text) == (422, True)
    assert send(manager, f"{BOOKS}/rules/change", **{**RULES, "bank_wait_days": "2"}).status_code == 303
    with transaction(web.sessions) as session:
        said = session.execute(
            select(AuditLog.user_id, AuditLog.detail).where(AuditLog.action == "house rules of money loosened")
        ).one()
        assert said.user_id == web.house.users["manager"]
        assert said.detail == (
            "wait after new bank details 7 days before, 2 now; limit of journal entries $100.00 before, $1,000.00 now"
        )
    page = manager.get(f"{BOOKS}/rules").text
    assert "by the day the entry is dated" in page
    assert "by the last day of the month the run pays" in page
    much = send(manager, f"{BOOKS}/rules/change", **{**RULES, "card_percent": "101"})
    assert "This is more than what is paid by card" in much.text
    assert "more than the price" not in much.text


def test_a_release_rule_is_written_down_and_ended(web: Web) -> None:
    manager = web.browser("manager")
    for wrong, said in (({"after_days": "364"}, "write at least 365 days"), ({"said_by": "a law"}, "too short to be looked up")):
        refused = send(manager, f"{BOOKS}/rules/release", **{**RELEASE, "what": "unclaimed sales", **wrong})
        assert (refused.status_code, said in refused.text) == (422, True)
    assert "Write which law or office says so." in send(manager, f"{BOOKS}/rules/release", **{**RELEASE, "said_by": ""}).text
    assert send(manager, f"{BOOKS}/rules/release", **RELEASE).status_code == 303
    assert "after 1095 days, to the state, as unclaimed property" in manager.get(f"{BOOKS}/rules").text
    again = send(manager, f"{BOOKS}/rules/release", **RELEASE)
    assert "There is a rule for gift certificates from Nov 3, 2026 already: end it first." in again.text
    with transaction(web.sessions) as session:
        rule = session.scalars(select(ReleaseRule.id).where(ReleaseRule.what == "gift certificates")).one()
    early = send(manager, f"{BOOKS}/rules/release/{rule}/end", ends_on="2026-11-01")
    assert (early.status_code, "it cannot end before, on Nov 1, 2026" in early.text) == (422, True)
    assert send(manager, f"{BOOKS}/rules/release/{rule}/end", ends_on="2026-12-31").status_code == 303
    assert "Nov 3, 2026 to Dec 31, 2026" in manager.get(f"{BOOKS}/rules").text
