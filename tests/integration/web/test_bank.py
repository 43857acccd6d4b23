"""The bank in the office: a file brought in, lines matched and entered, a month reconciled, matches taken back."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select
from werkzeug.test import TestResponse

from coop.books.banking import take_to_bank
from coop.books.models import BankFile, BankLine, BankMatch, BankMonth, Entry
from coop.books.payments import receive_payment
from coop.books.service import pay_dealer
from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.dealers.service import begin_session
from coop.floor.models import Mall
from tests.integration.web.conftest import Web, form_token, send

BANK = "/office/bank"
CSV = (
    b"Date,Description,Check Number,Amount,Balance\n"
    b"11/04/2026,CHECK,1042,-85.00,1128.00\n"
    b"11/05/2026,DEPOSIT,,60.00,1188.00\n"
    b"11/06/2026,RETURNED ITEM,,-40.00,1148.00\n"
    b"11/06/2026,RETURNED ITEM,,40.00,1188.00\n"
    b"11/09/2026,CARD SETTLEMENT,,97.00,1285.00\n"
)


def bring(client: FlaskClient, content: bytes, name: str = "week.csv") -> TestResponse:
    data = {"csrf_token": form_token(client), "file": (io.BytesIO(content), name)}
    return client.post(f"{BANK}/files", data=data, content_type="multipart/form-data")


@pytest.fixture
def week(web: Web) -> Web:
    """A payout, two equal deposits and a check of a dealer in the books; a week of the bank brought in."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        now = web.clock.at
        pay_dealer(session, now, mall, amos, amount_cents=85_00, on=date(2026, 11, 2), reference="1042")
        for number in ("S-8", "S-9"):
            take_to_bank(session, now, mall, date(2026, 11, 3), 60_00, 0, number)
        receive_payment(session, now, mall, amos, amount_cents=30_00, paid_by="check", on=date(2026, 11, 2), reference="771")
        take_to_bank(session, now, mall, date(2026, 11, 2), 0, 30_00, "S-7")
    return web


def test_a_week_of_the_bank_from_its_file_to_its_matches(week: Web) -> None:
    client = week.browser("bookkeeper")
    sent = bring(client, CSV)
    assert (sent.status_code, sent.headers["Location"]) == (303, f"{BANK}/?month=2026-11")
    page = client.get(f"{BANK}/?month=2026-11").text
    assert "5 new lines are here." in page
    assert "fits twice" in page
    assert "Match the line proposed" in page
    assert send(client, f"{BANK}/match", month="2026-11").status_code == 303
    assert "One line is matched." in client.get(f"{BANK}/?month=2026-11&which=unmatched").text
    with transaction(week.sessions) as session:
        ids = {line.amount_cents: line.id for line in session.scalars(select(BankLine).where(BankLine.on >= date(2026, 11, 4)))}
        chosen = session.scalars(select(Entry.id).where(Entry.source_id == "MAIN/S-8")).one()

    # What fits two entries is chosen by hand.
    deposit = f"{BANK}/lines/{ids[60_00]}"
    page = client.get(deposit).text
    assert (
        "It fits two entries, “To the bank from MAIN, S-8” of Nov 3, 2026 and “To the bank from MAIN, S-9” of Nov 3, 2026" in page
    )
    refused = send(client, f"{deposit}/accept")
    assert refused.status_code == 422
    assert "There is nothing to accept for this line." in refused.text
    assert "No entry is chosen" in send(client, f"{deposit}/match").text
    assert send(client, f"{deposit}/match", entry=str(chosen)).status_code == 303
    page = client.get(deposit).text
    assert "The line is matched." in page
    assert "by hand" in page

    # What the bank took back cancels; what it brought of cards is entered.
    assert send(client, f"{BANK}/lines/{ids[-40_00]}/cancel", other=str(ids[40_00])).status_code == 303
    cards = f"{BANK}/lines/{ids[97_00]}"
    too_little = send(client, f"{cards}/as/cards", mall="MAIN", gross="90.00")
    assert too_little.status_code == 422
    assert "The card sales are $90.00, less than the $97.00 that came" in too_little.text
    assert "Write the card sales" in send(client, f"{cards}/as/cards", mall="MAIN", gross="").text
    assert send(client, f"{cards}/as/cards", mall="MAIN", gross="100.00").status_code == 303

    # Taken back, the entry made from it is reversed.
    page = client.get(cards).text
    assert "Take back and reverse" in page
    with transaction(week.sessions) as session:
        match = session.scalars(select(BankMatch.id).where(BankMatch.line_id == ids[97_00])).one()
    assert send(client, f"{BANK}/matches/{match}/undo").status_code == 303
    with transaction(week.sessions) as session:
        undone = session.get_one(BankMatch, match)
        assert session.scalar(select(Entry.id).where(Entry.reverses_id == undone.entry_id)) is not None
    again = send(client, f"{BANK}/matches/{match}/undo")
    assert "This match was taken back already." in again.text


def test_a_check_that_came_back_is_entered_from_its_line(week: Web) -> None:
    client = week.browser("bookkeeper")
    bring(client, b"Date,Description,Amount\n11/09/2026,RETURNED CHECK,-42.00\n")
    with transaction(week.sessions) as session:
        line = session.scalars(select(BankLine.id).where(BankLine.amount_cents == -42_00)).one()
        payment = session.scalars(select(Entry.id).where(Entry.kind == "payment")).one()
    page = client.get(f"{BANK}/lines/{line}").text
    assert "D02, Nov 2, 2026, $30.00" in page
    sent = send(client, f"{BANK}/lines/{line}/as/bounced", payment=str(payment), reference="N-4")
    assert sent.status_code == 303
    page = client.get(f"{BANK}/lines/{line}").text
    assert "12.00" in page
    with transaction(week.sessions) as session:
        kinds = session.scalars(select(Entry.kind).join(BankMatch, BankMatch.entry_id == Entry.id).order_by(Entry.kind)).all()
        assert kinds == ["bank fee", "bounced"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"Details,Amount\nFEE,1.00\n", "The heading in row 1 has no column for the day"),
        (b"Date,Amount\n2026-10-05,x\n", "Row 2 has the amount &#39;x&#39;"),
        (b"", "Nothing was taken of the file. The file has no heading"),
    ],
)
def test_what_is_wrong_with_a_file_stands_at_its_field(web: Web, content: bytes, said: str) -> None:
    answer = bring(web.browser("manager"), content)
    assert answer.status_code == 422
    assert said in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count(BankFile.id))) == 1


def test_a_file_comes_in_once(week: Web) -> None:
    client = week.browser("bookkeeper")
    assert bring(client, CSV).status_code == 303
    again = bring(client, CSV, "other.csv")
    assert again.status_code == 422
    assert "This very file was brought in on Nov 3, 2026 as week.csv" in again.text


def sign_in(web: Web, who: str) -> FlaskClient:
    """A browser signed in at the clock's time: what the house's people hold has run out by then."""
    client = web.browser()
    with transaction(web.sessions) as session:
        token = begin_session(session, web.clock.at, web.house.users[who], address="192.0.2.7", agent="test")
    client.set_cookie("coop", token)
    return client


def test_a_month_is_reconciled_by_two_where_much_is_explained(web: Web) -> None:
    """The books have nothing and the bank 1,213.00, 213.00 of it lines that wait: 1,000.00 is above the limit."""
    november = f"{BANK}/months/2026-11"
    page = web.browser("bookkeeper").get(november).text
    assert "November 2026 is not over: it is reconciled from Dec 1, 2026 on." in page
    early = send(web.browser("bookkeeper"), november, bank="1,213.00", explanation="What was there before the books began.")
    assert early.status_code == 422
    assert "November 2026 is not over" in early.text

    web.clock.at = datetime(2026, 12, 1, 15, 0, tzinfo=UTC)
    client, manager = sign_in(web, "bookkeeper"), sign_in(web, "manager")
    page = client.get(november).text
    assert "At the bank, not in the books" in page
    assert "SERVICE CHARGE" in page
    for bank, explanation, said in (
        ("", "", "No file says the bank&#39;s balance on Nov 30, 2026"),
        ("1,213.00", "", "The bank and the books differ by $1,000.00"),
        ("1,213.00", "x", "The explanation is too short: say in 15 characters or more"),
        ("213.00", "", "3 lines of the bank are not in the books, $213.00 in all"),
    ):
        refused = send(client, november, bank=bank, explanation=explanation)
        assert refused.status_code == 422
        assert said in refused.text
    explained = {"bank": "1,213.00", "explanation": "What was there before the books began."}
    for _ in range(2):
        assert send(client, november, **explained).status_code == 303
        page = client.get(november).text
        assert "November 2026 waits for a second person, who reconciles it too." in page
        assert "by books@example.org" in page
        assert "waits for a second person" in client.get(f"{BANK}/months").text
    assert send(manager, november, **explained).status_code == 303
    page = client.get(november).text
    assert "What was there before the books began." in page
    assert "waits for a second person" not in page
    assert "waits for a second person" not in client.get(f"{BANK}/months").text
    with transaction(web.sessions) as session:
        made = session.scalars(select(BankMonth).order_by(BankMonth.id.desc())).first()
        assert made is not None
        assert (made.bank_cents, made.outstanding_cents, made.book_cents) == (1213_00, -213_00, 0)

    # What changes it is told beforehand, and shown on both pages.
    line = f"{BANK}/lines/1"
    assert send(client, f"{line}/as/fee").status_code == 303
    assert "will have to be reconciled again" not in client.get(line).text
    for address in (november, f"{BANK}/months"):
        assert "changed since it was reconciled" in client.get(address).text
    for who in (client, manager):
        assert send(who, november, **explained).status_code == 303
    page = client.get(line).text
    assert (
        "November 2026 is reconciled: taken back and reversed, a line changes it, and it will have to be reconciled again" in page
    )


def test_the_first_page_states_both_balances(week: Web) -> None:
    """Two deposits of 60.00 and one of 30.00 less a payout of 85.00 are in the books; the bank's file says 1,285.00 on Nov 9."""
    client = week.browser("bookkeeper")
    bring(client, CSV)
    page = client.get(f"{BANK}/").text
    assert "$65.00 today, Nov 3, 2026" in page
    assert "$1,285.00 on Nov 9, 2026, the last it said" in page


def test_card_sales_can_be_entered_whichever_mall_they_are_of(week: Web) -> None:
    client = week.browser("bookkeeper")
    bring(client, CSV)
    with transaction(week.sessions) as session:
        line = session.scalars(select(BankLine.id).where(BankLine.words == "CARD SETTLEMENT")).one()
    page = client.get(f"{BANK}/lines/{line}").text
    assert page.index("Enter it as card sales") < page.index("Or enter it as") < page.index("Or choose entries by hand")
    assert page.count('name="mall"') > 1
    assert page.count("Enter the card sales") == 1


def test_lines_as_csv_say_their_period_and_totals(web: Web) -> None:
    text = web.browser("auditor").get(f"{BANK}/lines.csv?month=2026-11").text
    assert text.splitlines()[:6] == [
        "row,date,amount,reference,description,state,matched,entries,figure",
        "period,,,,,,,,2026-11-01 to 2026-11-30",
        "total,,,,lines,,,,3",
        "total,,,,came in,,,,225.00",
        "total,,,,went out,,,,-12.00",
        "total,,,,not matched,,,,213.00",
    ]
    assert text.splitlines()[6] == "line,2026-11-02,-12.00,,SERVICE CHARGE,open,0.00,,"


def test_who_reads_only_sees_no_form_and_what_is_not_there_is_not_found(web: Web) -> None:
    page = web.browser("auditor").get(f"{BANK}/lines/1").text
    assert "The manager and the bookkeeper match lines." in page
    assert "Enter it as" not in page
    assert web.browser("bookkeeper").get(f"{BANK}/lines/99").status_code == 404
    assert send(web.browser("bookkeeper"), f"{BANK}/lines/1/as/nothing").status_code == 404
