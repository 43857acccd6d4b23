"""Tax in the office: what its pages show, how a return is filed and amended there, and what cannot be done."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import event, select

from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.service import begin_session
from coop.floor.models import Mall
from coop.sales.models import Ticket
from coop.tax.documents import DueDay, calendar_text
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return
from coop.tax.importing import keep_proposal, propose_file
from coop.tax.models import TaxCharged, TaxReturn
from tests.factories.tax import OFFICE, Filer, filer_of
from tests.integration.web.conftest import Web, send

WORKSHEET = "/office/tax/offices/elder-revenue-office/2026-11"
FILED = "/office/tax/returns/elder-revenue-office.2026-10"
PAGES = [
    "/office/tax/",
    WORKSHEET,
    FILED,
    "/office/tax/jurisdictions",
    "/office/tax/jurisdictions/EL",
    "/office/tax/places",
    "/office/tax/certificates",
    "/office/tax/files",
    "/office/tax/files/1",
]


@pytest.fixture
def sold(web: Web) -> Web:
    """November's sales of $100.00 and $20.00, taxed, on December 2."""
    with transaction(web.sessions) as session:
        filer = filer_of(session, web.clock.at, session.get_one(Mall, web.house.mall.id))
        filer.sell(date(2026, 11, 5), 10_000)
        filer.sell(date(2026, 11, 6), 2_000, dealer=1)
    web.clock.at = datetime(2026, 12, 2, 15, 0, tzinfo=UTC)
    with transaction(web.sessions) as session:
        for name, user_id in web.house.users.items():
            web.house.tokens[name] = begin_session(session, web.clock.at, user_id, address="192.0.2.7", agent="Firefox/140.0")
    return web


@pytest.mark.parametrize("path", PAGES)
def test_every_page_says_that_the_states_rule_decides(web: Web, path: str) -> None:
    answer = web.browser("bookkeeper").get(path)
    assert answer.status_code == 200
    assert answer.text.count("The state&#39;s rule decides") == 1


def test_the_due_dates_say_how_each_return_stands(sold: Web) -> None:
    page = re.sub(r"\s+", " ", sold.browser("auditor").get("/office/tax/").text)
    november, october = page.index("November 2026"), page.index("October 2026")
    assert november < october
    assert "Dec 21, 2026" in page[november:october]
    assert "to be filed, in 19 days" in page[november:october]
    assert "not over yet" in page[:november]
    assert "filed" in page[october:]


def test_a_worksheet_shows_the_figures_and_files_them(sold: Web) -> None:
    client = sold.browser("manager")
    page = client.get(WORKSHEET).text
    # 660 of tax less 2%: 13.
    assert "$6.47 would be due, by Dec 21, 2026." in page
    assert 'value="6.47"' in page
    assert "It agrees with both." in page
    answer = send(client, WORKSHEET + "/file", filed_on="2026-12-02", paid="6.47", reason="")
    assert answer.headers["Location"] == "/office/tax/returns/elder-revenue-office.2026-11"
    page = client.get(answer.headers["Location"]).text
    assert "It is filed and posted." in page
    assert "$6.47 was due" in page
    again = send(client, WORKSHEET + "/file", filed_on="2026-12-02", paid="6.47", reason="")
    assert again.status_code == 422
    assert "is filed already" in again.text
    assert client.get(WORKSHEET).headers["Location"].endswith("elder-revenue-office.2026-11")
    with sold.sessions() as session:
        assert len(session.scalars(select(TaxReturn)).all()) == 2
    assert "tax return filed" in client.get("/office/log").text


@pytest.mark.parametrize(
    ("at", "fields", "sentence"),
    [
        ("filed_on", {"filed_on": "tomorrow"}, "This is not a day. Write it like 2026-10-19."),
        ("filed_on", {"filed_on": ""}, "Write the day it is filed, like 2026-10-19."),
        ("filed_on", {"filed_on": "2026-12-03"}, "This day is still to come"),
        ("paid", {"paid": "six"}, "This is not an amount; write it like 1234.50."),
        ("paid", {"paid": "9.99"}, "lies between nothing and the net due"),
        ("filed_on", {"filed_on": "2026-11-30"}, "November 2026 is not over on 2026-11-30"),
    ],
)
def test_a_mistake_is_told_at_its_field_and_nothing_is_filed(sold: Web, at: str, fields: dict[str, str], sentence: str) -> None:
    client = sold.browser("manager")
    answer = send(client, WORKSHEET + "/file", **{"filed_on": "2026-12-02", "paid": "6.47", "reason": "", **fields})
    assert answer.status_code == 422
    assert sentence in answer.text
    assert re.findall(r'<p class="mistake" id="([a-z_]+)-wrong">', answer.text) == [at]
    with sold.sessions() as session:
        assert len(session.scalars(select(TaxReturn)).all()) == 1


def test_a_reader_is_told_who_files(sold: Web) -> None:
    page = sold.browser("bookkeeper").get(WORKSHEET).text
    assert "The manager files it." in page
    assert '<button type="submit">File' not in page


def test_a_period_that_is_not_over_has_no_button(web: Web) -> None:
    page = web.browser("manager").get(WORKSHEET).text
    assert "is not over: it can be filed from Dec 1, 2026." in page
    assert "File the return" not in page


def test_a_ticket_whose_tax_is_not_in_its_rows_is_named(sold: Web) -> None:
    with transaction(sold.sessions) as session:
        filer = filer_of(session, sold.clock.at, session.get_one(Mall, sold.house.mall.id))
        ticket = session.scalars(select(Ticket).order_by(Ticket.id)).first()
        assert ticket is not None
        number = ticket.number
        stray = {"mall_id": ticket.mall_id, "posting_date": ticket.posting_date, "sold_on": ticket.sold_on, "position": 1}
        rate = filer.stack.jurisdictions[0].rates[0].rate_id
        stray |= {"jurisdiction_id": filer.jurisdictions[0].id, "rate_id": rate, "taxable_cents": 0, "amount_cents": 7}
        session.add(TaxCharged(ticket_key=ticket.key, **stray))
    client = sold.browser("manager")
    sentence = f"Ticket {number}: it charged $0.00, its rows by jurisdiction $0.07."
    assert sentence in client.get(WORKSHEET).text
    answer = send(client, WORKSHEET + "/file", filed_on="2026-12-02", paid="6.47", reason="")
    assert answer.status_code == 422
    assert "does not tie" in answer.text
    answer = send(client, WORKSHEET + "/file", filed_on="2026-12-02", paid="6.47", reason="seven cents, put right by hand")
    assert answer.status_code == 303
    assert "seven cents, put right by hand" in client.get(answer.headers["Location"]).text


def test_a_late_ticket_is_offered_as_an_amended_return(sold: Web) -> None:
    with transaction(sold.sessions) as session:
        mall = session.get_one(Mall, sold.house.mall.id)
        november = FilingPeriod(Month(2026, 11), "month")
        file_return(session, sold.clock.at, OFFICE, november, filed_on=date(2026, 12, 2))
        filer_of(session, sold.clock.at, mall, count=50).sell(date(2026, 11, 30), 1_000, posted_on=date(2026, 12, 1))
    client = sold.browser("manager")
    page = client.get("/office/tax/returns/elder-revenue-office.2026-11").text
    assert "desk:51, sold Nov 30, 2026" in page
    assert "State of Elder: gross sales" in page
    address = "/office/tax/returns/elder-revenue-office.2026-11/amend"
    answer = send(client, address, filed_on="2026-12-02", paid="0.55", reason="")
    assert answer.status_code == 422
    assert "Say why it is amended" in answer.text
    for fields, at in (({"paid": "9.99"}, "paid"), ({"filed_on": "2026-12-01"}, "filed_on")):
        answer = send(client, address, **{"filed_on": "2026-12-02", "paid": "0.54", "reason": "a ticket came late", **fields})
        assert answer.status_code == 422
        assert f'id="{at}-wrong"' in answer.text
        assert 'value="a ticket came late"' in answer.text
    answer = send(client, address, filed_on="2026-12-02", paid="0.54", reason="a ticket came late")
    page = client.get(answer.headers["Location"]).text
    assert "What it changed of elder-revenue-office.2026-11" in page
    assert "filed and amended" in client.get("/office/tax/").text
    rows = list(csv.reader(client.get(answer.headers["Location"] + ".csv").text.splitlines()))
    assert [row[2:4] + row[6:] for row in rows if row[2] in ("late ticket", "amends", "reason")] == [
        ["late ticket", "desk:51, sold 2026-11-30, in the books 2026-12-01", "0.55"],
        ["amends", "elder-revenue-office.2026-11", ""],
        ["reason", "a ticket came late", ""],
    ]
    old = client.get("/office/tax/returns/elder-revenue-office.2026-11").text
    assert "Replaced by" in old
    assert "File the amended return" not in old


def test_where_files_are_brought_in_it_says_what_the_co_ops_own_must_hold(web: Web) -> None:
    page = web.browser("manager").get("/office/tax/files").text
    assert "state, kind, code, name, class, percent, starts, ends" in page


@pytest.mark.parametrize("path", [WORKSHEET + ".csv", FILED + ".csv"])
def test_the_csv_has_its_period_and_control_totals(sold: Web, path: str) -> None:
    answer = sold.browser("bookkeeper").get(path)
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer.headers["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert rows[0]["figure"] == "period"
    assert rows[1]["figure"] == "due"
    before = next(n for n, row in enumerate(rows) if row["figure"] == "control")
    assert rows[before]["amount"] == str(before)
    controls = {row["detail"]: row["amount"] for row in rows[before:]}
    assert controls["sum of tax collected"] == controls["tax of the tickets"] == controls["tax in the books"]


def test_the_calendar_has_each_due_date(sold: Web) -> None:
    answer = sold.browser("bookkeeper").get("/office/tax/due-dates.ics")
    assert answer.headers["Content-Type"] == "text/calendar; charset=utf-8"
    lines = unfolded(answer.text)
    starts = [line for line in lines if line.startswith("DTSTART")]
    assert starts[:2] == ["DTSTART;VALUE=DATE:20261120", "DTSTART;VALUE=DATE:20261221"]
    assert "UID:tax-due-elder-revenue-office-2026-11-month@example.org" in lines
    assert "SUMMARY:Sales-tax return due: Elder Revenue Office\\, November 2026" in lines


def unfolded(text: str) -> list[str]:
    """Content lines of an iCalendar stream (RFC 5545, 3.1), each of at most 75 octets before."""
    assert text.endswith("\r\n")
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    return text.replace("\r\n ", "").split("\r\n")


def test_a_calendar_escapes_and_folds_what_an_office_is_called() -> None:
    day = DueDay("k", date(2026, 12, 31), "Bureau; of \\ Élder, north " * 6, "a\nb\x07")
    lines = unfolded(calendar_text("x", [day], made_at=datetime(2026, 1, 1, tzinfo=UTC), mail_domain="example.org"))
    assert "SUMMARY:" + "Bureau\\; of \\\\ Élder\\, north " * 6 in lines
    assert "DESCRIPTION:a\\nb" in lines
    assert "DTEND;VALUE=DATE:20270101" in lines
    assert lines.count("BEGIN:VEVENT") == lines.count("END:VEVENT") == 1


def test_jurisdictions_are_found_by_name(web: Web) -> None:
    client = web.browser("bookkeeper")
    page = client.get("/office/tax/jurisdictions?wanted=alder").text
    assert "Alder county" in page
    assert "State of Elder" not in page
    assert "There is none here." in client.get("/office/tax/jurisdictions?wanted=nowhere").text


def test_a_certificate_that_has_expired_says_so(web: Web) -> None:
    page = web.browser("bookkeeper").get("/office/tax/certificates").text
    assert "expired Oct 31, 2026" in page
    assert "no end" in page


@pytest.mark.parametrize(
    "path",
    [
        "/office/tax/offices/nobody/2026-11",
        "/office/tax/offices/elder-revenue-office/2019-01",
        "/office/tax/returns/elder-revenue-office.2026-11",
        "/office/tax/jurisdictions/NONE",
        "/office/tax/files/99",
        "/office/tax/returns/elder-revenue-office.2026-11.pdf",
    ],
)
def test_what_is_not_there_is_not_found(web: Web, path: str) -> None:
    assert web.browser("manager").get(path).status_code == 404


RATES = b"""97,45,97,0.05,0.05,0.05,0.05,20200101,29991231
97,00,777,0.01,0.01,0.01,0.01,20260101,29991231
97,01,888,-0.01,0.01,0.01,0.01,20260101,29991231
"""


def test_a_file_of_rates_is_looked_at_applied_and_undone(web: Web) -> None:
    with transaction(web.sessions) as session:
        kept = keep_proposal(session, web.clock.at, propose_file(session, "rates", "elder.csv", io.BytesIO(RATES)))
        path = f"/office/tax/files/{kept.id}"
    client = web.browser("manager")
    page = client.get(path).text
    assert "row 3" in page
    assert "Apply the other rows, without the refused ones" in page
    answer = send(client, path + "/apply")
    assert answer.status_code == 422
    assert "1 row is refused" in answer.text
    assert send(client, path + "/apply", without_refused="yes").status_code == 303
    page = client.get(path).text
    assert "It is applied." in page
    assert "Undo it" in page
    assert "777" in client.get("/office/tax/jurisdictions?wanted=777").text
    assert "Undo it" not in web.browser("bookkeeper").get(path).text
    assert send(client, path + "/undo").status_code == 303
    assert "everything is as it was before" in client.get(path).text
    assert "There is none here." in client.get("/office/tax/jurisdictions?wanted=777").text


@pytest.fixture
def counted(web: Web) -> Iterator[list[str]]:
    """Statements sent to the database."""
    said: list[str] = []
    engine = web.app.extensions["coop"].engine

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        said.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield said
    event.remove(engine, "before_cursor_execute", note)


@pytest.mark.parametrize("path", ["/office/tax/", "/office/tax/jurisdictions", FILED])
def test_no_pages_questions_grow_with_its_rows(web: Web, counted: list[str], path: str) -> None:
    client = web.browser("manager")

    def questions() -> int:
        counted.clear()
        assert client.get(path).status_code == 200
        return len(counted)

    few = questions()
    with transaction(web.sessions) as session:
        filer: Filer = filer_of(session, web.clock.at, session.get_one(Mall, web.house.mall.id), more=12)
        for day in range(1, 11):
            filer.sell(date(2026, 11, day % 3 + 1), 1_000, dealer=day % 2)
    assert questions() <= few + 1
