"""Payouts in the office: a run from its preparing to a payment that came back, decisions on holds, the bank's terms."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.config import Settings
from coop.core import jobs
from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.outbox import Outbox
from coop.core.sealed_text import FieldKeys
from coop.dealers import service as people
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, set_detail
from coop.payouts.holding import decide_hold
from coop.payouts.models import PayoutLine, PayoutPart
from coop.payouts.paying_out import check_payouts
from coop.payouts.queries import origin_of
from tests.factories.house import add_person
from tests.factories.payouts import OCTOBER, Malls, build_malls, sell
from tests.factories.people import make_dealer
from tests.integration.web.conftest import Clock, send
from tests.integration.web.test_office import count_queries

AT = "/office/payouts"
LEASE = timedelta(minutes=5)


@dataclass
class Desk:
    """The app over two malls that have closed October, and browsers of its people."""

    app: Flask
    sessions: Sessions
    settings: Settings
    clock: Clock
    malls: Malls
    tokens: dict[str, str]

    def browser(self, who: str) -> FlaskClient:
        client = self.app.test_client()
        client.set_cookie("coop", self.tokens[who])
        return client

    def work(self) -> None:
        with transaction(self.sessions) as session:
            claimed = jobs.claim_next(session, self.clock.at, LEASE, queues=("statements",))
        assert claimed is not None
        jobs.run_job(self.sessions, claimed[0], lease=LEASE, settings=self.settings, token=claimed[1], clock=self.clock)


@pytest.fixture
def desk(app: Flask, sessions: Sessions, settings: Settings, clock: Clock) -> Desk:
    with transaction(sessions) as session:
        malls = build_malls(session, clock.at, FieldKeys.of(settings))
        users = {"manager": malls.manager, "books": malls.bookkeeper, "second": malls.second}
        users["auditor"] = add_person(session, clock.at, "auditor@example.org", ("auditor",))
        tokens = {
            name: people.begin_session(session, clock.at, user_id, address="192.0.2.7", agent="Firefox/140.0")
            for name, user_id in users.items()
        }
    return Desk(app, sessions, settings, clock, malls, tokens)


def test_a_run_from_its_preparing_to_a_payment_that_came_back(desk: Desk) -> None:
    books, second = desk.browser("books"), desk.browser("second")
    page = books.get(f"{AT}/").text
    assert "October 2026 is closed at every mall. 3 dealers are to be paid $2,404.41." in page
    assert "2 are held" in page
    made = send(books, f"{AT}/prepare", month="2026-10")
    assert (made.status_code, made.headers["Location"]) == (303, f"{AT}/runs/1")
    page = books.get(f"{AT}/runs/1").text
    assert "You prepared it: a second person has to approve it." in page
    assert "The bank account holds $0.00 in the books today, and this run pays $2,404.41" in page
    assert "as of Oct 31, 2026: balances under $10.00 are carried forward; new bank details wait 7 days" in page
    first = books.get(f"{AT}/").text
    assert "Run 1</a> waits for approval" in first
    assert "Nobody is to be paid now" not in first
    assert "$270.00 at EAST" in page
    assert "9.99" in page
    refused = send(books, f"{AT}/runs/1/approve", first_check="1041")
    assert refused.status_code == 422
    assert "You entered the payout run 1 yourself: a second person has to approve it." in refused.text
    refused = send(second, f"{AT}/runs/1/approve", first_check="")
    assert "write the number of the first one" in refused.text
    assert send(second, f"{AT}/runs/1/approve", first_check="1041").status_code == 303
    page = second.get(f"{AT}/runs/1").text
    assert "Its files are being made." in page
    early = send(second, f"{AT}/runs/1/paid", on="2026-11-03")
    assert "The file of transfers of run 1 is not made yet" in early.text
    desk.work()
    assert second.get(f"{AT}/runs/1/remittances.pdf").data.startswith(b"%PDF")
    assert second.get(f"{AT}/runs/1/checks.csv").text.splitlines() == [
        "check,date,dealer,pay to,amount,memo",
        '1041,2026-11-10,D02,Amos Pell,640.10,"October 2026, run 1"',
        '1042,2026-11-10,D03,Ruth Ambler,218.76,"October 2026, run 1"',
    ]
    untaken = send(second, f"{AT}/runs/1/paid", on="2026-11-03")
    assert (untaken.status_code, "Nobody has taken the bank file of run 1" in untaken.text) == (422, True)
    assert "The transfers were sent another way" in untaken.text
    file = send(books, f"{AT}/runs/1/bank-file")
    assert file.headers["Content-Disposition"] == "attachment; filename=payouts-run-1.ach"
    assert b"55500041" in file.data
    assert "55500041" not in desk.browser("auditor").get(f"{AT}/runs/1").text
    later = send(second, f"{AT}/runs/1/paid", on="2026-11-04")
    assert "write a day from then up to today" in later.text
    assert send(second, f"{AT}/runs/1/paid", on="2026-11-03").status_code == 303
    page = second.get(f"{AT}/runs/1").text
    assert "in the books as paid" in page
    assert "trace 111000020000001" in page
    assert "the transfers are to arrive on Nov 10, 2026" in page
    twice = send(books, f"{AT}/runs/1/bank-file")
    assert (twice.status_code, "Run 1 is paid: sending its bank file again pays twice." in twice.text) == (422, True)
    empty = send(books, f"{AT}/runs/1/D04/returned", on="2026-11-03", reason="")
    assert "Write the bank’s code and words." in empty.text
    assert send(books, f"{AT}/runs/1/D04/returned", on="2026-11-03", reason="R03, no account").status_code == 303
    assert "R03, no account" in books.get(f"{AT}/runs/1/D04").text
    assert send(books, f"{AT}/runs/1/bank-file").status_code == 422
    assert send(books, f"{AT}/runs/1/bank-file", again="y").data == file.data
    young = send(books, f"{AT}/runs/1/D02/stale", on="2026-11-03")
    assert "by the house rules it is stale after 180" in young.text
    assert "came back on Nov 3, 2026" in books.get(f"{AT}/runs/1").text
    assert "There is none." in books.get(f"{AT}/checks").text
    with transaction(desk.sessions) as session:
        assert check_payouts(session) == []
        deeds = session.scalars(select(AuditLog.action).where(AuditLog.subject_id == "1", AuditLog.subject_kind == "payout run"))
        assert list(deeds) == [
            "payouts prepared",
            "payouts approved",
            "bank file taken",
            "payouts paid",
            "payout came back",
            "bank file taken",
        ]


def test_the_number_after_the_last_check_is_proposed(desk: Desk) -> None:
    """The two checks of run 1 were 1041 and 1042."""
    books, second = desk.browser("books"), desk.browser("second")
    send(books, f"{AT}/prepare", month="2026-10")
    assert "The last number used is" not in second.get(f"{AT}/runs/1").text
    send(second, f"{AT}/runs/1/approve", first_check="1041")
    with transaction(desk.sessions) as session:
        ida = session.get_one(Dealer, desk.malls.dealers["D01"])
        set_detail(session, desk.clock.at, FieldKeys.of(desk.settings), ida, Paying("check"), mail_domain="example.org")
        decide_hold(
            session, desk.clock.at, OCTOBER, ida, kind="arrears", pays=True, reason="Netted.", user_id=desk.malls.bookkeeper
        )
    send(books, f"{AT}/prepare", month="2026-10")
    page = second.get(f"{AT}/runs/2").text
    assert "1 check is written, numbered from here. The last number used is 1042." in page
    assert 'value="1043"' in page


def test_transfers_that_were_sent_another_way_are_said_to_be(desk: Desk) -> None:
    send(desk.browser("books"), f"{AT}/prepare", month="2026-10")
    second = desk.browser("second")
    send(second, f"{AT}/runs/1/approve", first_check="1041")
    desk.work()
    assert send(second, f"{AT}/runs/1/paid", on="2026-11-03", otherwise="y").status_code == 303
    with transaction(desk.sessions) as session:
        said = session.scalars(select(AuditLog.detail).where(AuditLog.action == "payouts paid")).one()
        assert said == "2026-11-03, transfers sent another way"


def test_a_dealer_learns_what_came_back_and_from_when_new_details_are_used(desk: Desk) -> None:
    with transaction(desk.sessions) as session:
        ida = session.get_one(Dealer, desk.malls.dealers["D01"])
        ida.member.email = "ida@example.org"
        decide_hold(
            session, desk.clock.at, OCTOBER, ida, kind="arrears", pays=True, reason="Netted.", user_id=desk.malls.bookkeeper
        )
    books, second, hers = desk.browser("books"), desk.browser("second"), desk.browser("manager")
    send(books, f"{AT}/prepare", month="2026-10")
    send(second, f"{AT}/runs/1/approve", first_check="1041")
    desk.work()
    send(second, f"{AT}/runs/1/paid", on="2026-11-03", otherwise="y")
    assert "came back" not in hers.get("/portal/paid").text
    send(books, f"{AT}/runs/1/D01/returned", on="2026-11-03", reason="R03, no account")
    for page in ("/portal/paid", "/portal/"):
        assert "Your payment of $542.40 came back" in hers.get(page).text
    with transaction(desk.sessions) as session:
        mail = session.scalars(select(Outbox).where(Outbox.kind == "payout came back")).one()
        assert (mail.recipient, "$542.40" in mail.text_body) == ("ida@example.org", True)
        assert "6789" not in mail.text_body + mail.html_body
        way = Paying("ach", "person", "111000025", "777766665", "savings")
        ida = session.get_one(Dealer, desk.malls.dealers["D01"])
        set_detail(session, desk.clock.at, FieldKeys.of(desk.settings), ida, way, mail_domain="example.org")
    page = hers.get("/portal/paid").text
    assert "came back" not in page
    # Entered on the third, and the house waits seven days.
    assert "goes to this account from Nov 10, 2026 on" in page


def test_what_cannot_be_prepared_says_why(desk: Desk) -> None:
    books = desk.browser("books")
    for month, said in (
        ("2026-11", "November 2026 is still open at East Mill Hall, Lantern Yard Antiques Hall: close it first."),
        ("2026-05", "No mall has books of May 2026."),
        ("soon", "Choose one of those listed."),
        ("", "Choose one of those listed."),
    ):
        refused = send(books, f"{AT}/prepare", month=month)
        assert refused.status_code == 422
        assert said in refused.text
    for _ in range(2):
        assert send(books, f"{AT}/prepare", month="2026-10").headers["Location"] == f"{AT}/runs/1"
    assert "Run 1 for October 2026 is prepared already." in books.get(f"{AT}/runs/1").text
    assert send(books, f"{AT}/runs/1/cancel").status_code == 303
    assert "cancelled" in books.get(f"{AT}/").text
    again = send(books, f"{AT}/runs/1/cancel")
    assert again.status_code == 422
    assert "Run 1 is cancelled already and stays so." in again.text


def test_a_hold_is_decided_by_somebody_else(desk: Desk) -> None:
    own, books = desk.browser("manager"), desk.browser("books")
    page = books.get(f"{AT}/holds").text
    assert "D01 Ida Fenwick" in page
    assert "Nothing holds" in page
    at = f"{AT}/holds/2026-10/D01"
    assert "The dealer would be paid $542.40." in books.get(at).text
    words = {"kind": "arrears", "pays": "yes", "reason": "It is netted."}
    refused = send(own, f"{at}/decide", **words)
    assert refused.status_code == 422
    assert "You cannot decide on your own payout: a second person has to." in refused.text
    assert "Say why it is decided so." in send(books, f"{at}/decide", **{**words, "reason": ""}).text
    assert send(books, f"{at}/decide", **words).status_code == 303
    assert "“It is netted.”" in books.get(at).text
    assert "4 dealers are to be paid $2,946.81." in books.get(f"{AT}/").text
    assert send(books, f"{at}/place", reason="a buyer complains").status_code == 303
    assert "held by hand: a buyer complains" in books.get(f"{AT}/holds?month=2026-10").text
    assert "You cannot decide on your own payout" in send(own, f"{at}/lift").text
    assert send(books, f"{at}/lift").status_code == 303
    assert "no longer held by hand" in books.get(at).text


def test_the_banks_terms(desk: Desk) -> None:
    books = desk.browser("books")
    page = books.get(f"{AT}/bank").text
    assert 'value="111000025"' in page
    terms = {
        "bank_routing": "231380104",
        "bank_name": "Mill Bank",
        "company_id": "1911144442",
        "company_name": "Lantern Yard",
        "balanced": "y",
        "account": "70007001",
    }
    refused = send(books, f"{AT}/bank", **{**terms, "bank_routing": "231380105", "company_name": "L" * 17})
    assert refused.status_code == 422
    assert "a digit of the routing number is wrong" in refused.text
    assert "Write it in at most 16 letters and digits" in refused.text
    assert "70007001" not in refused.text
    assert send(books, f"{AT}/bank", **terms).status_code == 303
    assert "The one ending in 7001 is kept" in books.get(f"{AT}/bank").text
    with transaction(desk.sessions) as session:
        origin = origin_of(session)
        assert origin is not None
        assert FieldKeys.of(desk.settings).open(origin.account_sealed) == "70007001"
    assert "yes, by the account ending in 7001" in desk.browser("auditor").get(f"{AT}/bank").text


def test_what_is_not_there(desk: Desk) -> None:
    books = desk.browser("books")
    for path in ("/runs/7", "/runs/7/D01", "/runs/7/checks.csv", "/holds/2026-10/D99"):
        assert books.get(AT + path).status_code == 404


def test_no_pages_queries_grow_with_the_dealers(desk: Desk) -> None:
    send(desk.browser("books"), f"{AT}/prepare", month="2026-10")
    pages = [f"{AT}/", f"{AT}/runs/1", f"{AT}/holds?month=2026-11"]
    with transaction(desk.sessions) as session:
        sell(session, desk.clock.at, desk.malls.main, desk.malls.dealers["D02"], 5_00, date(2026, 11, 2), "november/0")
    before = [count_queries(desk, "books", page) for page in pages]
    with transaction(desk.sessions) as session:
        for n in range(4):
            dealer = make_dealer(session, desk.clock.at, f"E{n}")
            sell(session, desk.clock.at, desk.malls.main, dealer.id, 5_00, date(2026, 11, 2), f"november/{dealer.code}")
            line = PayoutLine(run_id=1, dealer_id=dealer.id, amount_cents=1_00, method="check")
            session.add(line)
            session.flush()
            session.add(PayoutPart(line_id=line.id, mall_id=desk.malls.main, amount_cents=1_00))
    assert [count_queries(desk, "books", page) for page in pages] == before


def test_the_months_of_the_books_are_chosen_and_the_one_to_pay_is(desk: Desk) -> None:
    for at in (f"{AT}/", f"{AT}/holds"):
        page = desk.browser("books").get(at).text
        assert '<option selected value="2026-10">October 2026</option>' in page, at
