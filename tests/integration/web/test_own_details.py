"""How a dealer is reached, as she reads and changes it herself; and her statements by year."""

from __future__ import annotations

import csv
import io
import re
from datetime import date, timedelta

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.jobs import Job, name_job
from coop.core.outbox import Outbox
from coop.core.periods import Month
from coop.dealers.membership import make_dealer
from coop.dealers.models import Dealer, Member, PayoutDetail
from coop.statements.models import Statement
from coop.statements.service import making_key
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries
from tests.integration.web.test_tax_terms import mistake_at


def member(web: Web, code: str = "D01") -> tuple[str, str, str, str]:
    """Name, telephone, mail address and postal address of the member behind a dealer."""
    with web.sessions() as session:
        found = session.scalars(select(Member).join(Dealer).where(Dealer.code == code)).one()
        return found.name, found.phone, found.email, found.address


@pytest.mark.parametrize("address", ["/portal/details", "/portal/paid"])
def test_a_dealer_of_many_codes_costs_no_more_queries(web: Web, address: str) -> None:
    def add_codes(session: Session, *codes: str) -> None:
        ida = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        for code in codes:
            dealer = make_dealer(session, web.clock.at, ida.member, code)
            paid = {"method": "ach", "routing": "111000025", "account_kind": "checking", "account_sealed": "x"}
            session.add(PayoutDetail(dealer_id=dealer.id, account_last4=f"67{code[1:]}", changed_at=web.clock.at, **paid))

    with transaction(web.sessions) as session:
        add_codes(session, "E01")
    before = count_queries(web, "dealer", address)
    with transaction(web.sessions) as session:
        add_codes(session, "E02", "E03", "E04")
    assert count_queries(web, "dealer", address) == before
    page = web.browser("dealer").get(address).text
    assert all(f"checking account ending 67{n}" in page for n in ("01", "04"))


def test_she_changes_how_she_is_reached_and_nothing_else(web: Web) -> None:
    client = web.browser("dealer")
    page = client.get("/portal/details").text
    for told in (
        "Ida Fenwick",
        "D01, trading as Fenwick &amp; Daughter",
        "Mar 1, 2025",
        "by check",
        "You sign in as ida@example.org",
    ):
        assert told in page, told
    answer = send(
        client,
        "/portal/details",
        phone=" 555 0100 ",
        email="ida.fenwick@example.org",
        address=" 12 Mill Lane\r\n\r\n  Springfield ",
        name="Somebody Else",
        trade_name="Somebody’s",
    )
    assert answer.status_code == 303
    assert member(web) == ("Ida Fenwick", "555 0100", "ida.fenwick@example.org", "12 Mill Lane\nSpringfield")
    assert member(web, "D02") == ("Amos Pell", "", "amos@example.org", "")
    with web.sessions() as session:
        log = session.scalars(select(AuditLog).order_by(AuditLog.id.desc()).limit(1)).one()
        assert (log.action, log.subject_id, log.detail) == ("dealer changed", "D01", "email, phone, address")
        assert log.user_id == web.house.users["dealer"]
        assert session.scalars(select(Dealer.trade_name).where(Dealer.code == "D01")).one() == "Fenwick & Daughter"
        told = session.scalars(select(Outbox).order_by(Outbox.id.desc()).limit(1)).one()
        assert (told.kind, told.recipient) == ("mail address", "ida@example.org")
        assert "go to another address, not to this one" in told.text_body
        assert "ida.fenwick" not in told.text_body + told.html_body + told.subject
    shown = client.get("/portal/details").text
    assert "12 Mill Lane\nSpringfield" in shown
    assert 'value="555 0100"' in shown
    # To the letter box from now on; what says nothing new is neither logged nor told.
    for _ in range(2):
        web.clock.at += timedelta(minutes=1)
        send(client, "/portal/details", phone="555 0100", email="", address="12 Mill Lane\nSpringfield")
    with web.sessions() as session:
        told, before = session.scalars(select(Outbox).order_by(Outbox.id.desc()).limit(2)).all()
        assert told.recipient == "ida.fenwick@example.org"
        assert "prints the letters and statements of D01" in told.text_body
        assert before.recipient == "ida@example.org"


def test_what_cannot_be_kept_is_told_at_its_field_and_stays_typed(web: Web) -> None:
    before, client = member(web), web.browser("dealer")
    for field, typed, mistake in (
        ("phone", "5", "'5' is not a whole telephone number: write it like 555-0142, with its area code first."),
        ("email", "ida at home", "'ida at home' is not a mail address: write it like name@example.org."),
        ("phone", "5" * 41, "Write it in 40 characters."),
        ("address", "x" * 401, "Write it in 400 characters."),
    ):
        kept = {"phone": "555 0101", "email": "ida@example.org", "address": "Mill Lane"}
        answer = send(client, "/portal/details", **{**kept, field: typed})
        assert answer.status_code == 422
        assert mistake_at(answer.text, field) == mistake
        for shown in {**kept, field: typed}.values():
            assert shown in answer.text
        assert member(web) == before


def test_one_who_is_no_dealer_yet_changes_nothing(web: Web) -> None:
    with transaction(web.sessions) as session:
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        amos.member_id = session.scalars(select(Dealer).where(Dealer.code == "D01")).one().member_id
    assert send(web.browser("other dealer"), "/portal/details", phone="1", email="", address="").status_code == 404
    assert member(web)[1] == ""


def test_statements_are_listed_by_year_and_taken_as_csv(web: Web) -> None:
    with transaction(web.sessions) as session:
        latest = session.scalars(select(Statement).where(Statement.number == "MAIN.D01.2026-10")).one()
        for month, closing in ((11, 10_00), (12, 20_50)):
            session.add(
                Statement(
                    number=f"MAIN.D01.2025-{month}",
                    mall_id=latest.mall_id,
                    dealer_id=latest.dealer_id,
                    first_day=date(2025, month, 1),
                    value_json=latest.value_json,
                    value_sha256=latest.value_sha256,
                    opening_cents=-5_00,
                    closing_cents=closing,
                    created_at=web.clock.at,
                )
            )
    client = web.browser("dealer")

    def listed(asked: str) -> list[str]:
        return re.findall(r'statements/(MAIN[^"/]*?\d)"', client.get(f"/portal/statements?{asked}").text)

    assert listed("") == ["MAIN.D01.2026-10", "MAIN.D01.2025-12", "MAIN.D01.2025-11"]
    assert listed("year=2025&sort=closing") == ["MAIN.D01.2025-11", "MAIN.D01.2025-12"]
    assert listed("year=1999") == listed("")
    taken = csv.DictReader(io.StringIO(client.get("/portal/statements?year=2025&as=csv").text))
    assert [(row["Month"], row["Opening"], row["Closing"]) for row in taken] == [
        ("2025-12", "-5.00", "20.50"),
        ("2025-11", "-5.00", "10.00"),
    ]
    assert "2025" not in web.browser("other dealer").get("/portal/statements?as=csv").text

    def papers() -> list[str]:
        return re.findall(r"<td>(?:<a [^>]*>)?(PDF|being made|to come|not made)", client.get("/portal/statements").text)

    assert papers() == ["PDF", "not made", "not made"]
    with transaction(web.sessions) as session:
        key = making_key(latest.mall_id, latest.dealer_id, Month(2025, 12))
        name_job(session, web.clock.at, "statements.make", {}, queue="statements", key=key)
    assert papers() == ["PDF", "being made", "not made"]
    with transaction(web.sessions) as session:
        session.execute(update(Job).where(Job.key == key).values(queue="behind"))
    assert papers() == ["PDF", "to come", "not made"]
