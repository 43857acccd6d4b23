"""Lists of the office: each is sorted, narrowed and taken as CSV by its address, and what it shows leads on."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Sequence
from datetime import date, timedelta

from sqlalchemy import select

from coop.books.models import BankFile, BankLine, Journal
from coop.core.db import transaction
from coop.leases.models import Letter
from coop.payouts.models import PayoutRun
from coop.sales.domain import LineIn, TenderIn
from coop.sales.gifts import sell_certificate
from coop.sales.layaway import Terms, agree_layaway
from coop.tax.service import file_certificate
from tests.integration.web.conftest import Web, send


def rows(web: Web, path: str, column: str, **asked: str) -> Sequence[str]:
    """A column of a list as its CSV has it."""
    answer = web.browser("auditor").get(path, query_string={**asked, "as": "csv"})
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"].startswith("attachment; filename=")
    return [row[column] for row in csv.DictReader(io.StringIO(answer.text))]


def page(web: Web, path: str, **asked: str) -> str:
    answer = web.browser("auditor").get(path, query_string=asked or None)
    assert answer.status_code == 200
    return answer.text


# --- payouts --------------------------------------------------------------------------------------------------------------------

RUNS = "/office/payouts/"


def test_runs_of_payouts(web: Web) -> None:
    with transaction(web.sessions) as session:
        for number, month, state in ((31, date(2026, 7, 1), "cancelled"), (32, date(2026, 8, 1), "prepared")):
            session.add(
                PayoutRun(
                    number=number,
                    first_day=month,
                    pay_on=month + timedelta(days=40),
                    state=state,
                    made_by=web.house.users["bookkeeper"],
                    made_at=web.clock.at,
                )
            )
    every = rows(web, RUNS, "Run")
    assert every[:2] == ["32", "31"]
    assert rows(web, RUNS, "Run", sort="run") == list(reversed(every))
    assert rows(web, RUNS, "Run", state="cancelled") == ["31"]
    assert rows(web, RUNS, "Dollars", state="prepared", to="2026-09-30") == ["0.00"]
    assert "31" not in rows(web, RUNS, "Run", **{"from": "2026-09-01"})
    assert rows(web, RUNS, "Dollars", sort="-amount") == sorted(rows(web, RUNS, "Dollars"), key=float, reverse=True)
    shown = page(web, RUNS, state="cancelled")
    assert "Run 31, July 2026" in shown
    assert "Run 32, August 2026" not in shown
    assert "There is none like it" in page(web, RUNS, state="approved", to="2020-01-01")


def test_a_form_that_is_refused_leaves_the_list_its_address(web: Web) -> None:
    answer = send(web.browser("manager"), "/office/payouts/prepare", month="soon")
    assert answer.status_code == 422
    assert 'href="/office/payouts/?sort=run#sorted"' in answer.text
    assert "/office/payouts/prepare?" not in answer.text


# --- tax ------------------------------------------------------------------------------------------------------------------------


def test_returns_by_their_due_dates(web: Web) -> None:
    path = "/office/tax/"
    assert rows(web, path, "Period")[-1] == "October 2026"
    assert rows(web, path, "Due") == sorted(rows(web, path, "Due"), reverse=True)
    assert rows(web, path, "Due", sort="due") == sorted(rows(web, path, "Due"))
    assert set(rows(web, path, "State", state="filed")) == {"filed"}
    assert rows(web, path, "Period", office="nobody of that name") == []
    assert "There is none like it" in page(web, path, office="nobody of that name")


def test_certificates_on_file(web: Web) -> None:
    path = "/office/tax/certificates"
    with transaction(web.sessions) as session:
        for number, buyer, kind, ends in (
            ("R-900", "Quill & Co", "resale", None),
            ("E-900", "Town school", "exempt", date(2026, 1, 31)),
        ):
            file_certificate(
                session,
                web.clock.at,
                number=number,
                kind=kind,
                buyer_name=buyer,
                states=["55"],
                starts_on=date(2025, 1, 1),
                expires_on=ends,
            )
    assert rows(web, path, "Number", find="quill") == ["R-900"]
    assert "E-900" in rows(web, path, "Number", state="expired")
    assert "R-900" not in rows(web, path, "Number", state="expired")
    assert "E-900" not in rows(web, path, "Number", state="good")
    assert rows(web, path, "Number", kind="exempt") == ["E-7", "E-900"]
    assert rows(web, path, "Number", sort="-number")[-2:] == ["E-900", "E-7"]
    assert rows(web, path, "Good until", find="town") == ["2026-01-31"]
    assert "Quill &amp; Co" in page(web, path, find="900", sort="-until")


# --- layaways -------------------------------------------------------------------------------------------------------------------


def test_layaways_are_the_open_ones_unless_others_are_asked_for(web: Web) -> None:
    path = "/office/layaways/MAIN"
    with transaction(web.sessions) as session:
        chair = LineIn(1, 1, "D01-78", "Ladder-back chair", 1, 90, tag_cents=90_00)  # type: ignore[arg-type]
        mall = session.merge(web.house.mall, load=False)
        agree_layaway(
            session, web.clock.at, mall, [chair], Terms("Abel Thorn", due_days=30), deposit=TenderIn("cash", 20_00), key="x"
        )
    assert rows(web, path, "Buyer") == ["Abel Thorn", "Orla Quint"]
    assert rows(web, path, "Buyer", sort="-held") == ["Orla Quint", "Abel Thorn"]
    assert rows(web, path, "Held", find="ORLA") == ["48.00"]
    assert "$68.00 is held" in page(web, path)
    assert send(web.browser("manager"), f"{path}/2/cancel", tender="cash").status_code == 303
    assert rows(web, path, "Layaway") == ["1"]
    assert rows(web, path, "Buyer", state="cancelled") == ["Abel Thorn"]
    assert rows(web, path, "Layaway", state="", sort="number") == ["1", "2"]
    assert "$48.00 is held" in page(web, path)
    assert "There is none like it" in page(web, path, find="nobody")


# --- books ----------------------------------------------------------------------------------------------------------------------


def test_entries_of_the_books(web: Web) -> None:
    path = "/office/books/entries"
    every = [int(entry) for entry in rows(web, path, "Entry")]
    assert every == sorted(every, reverse=True)
    assert len(every) > 5
    amounts = [float(amount) for amount in rows(web, path, "Amount", sort="-amount")]
    assert amounts == sorted(amounts, reverse=True)
    days = rows(web, path, "Day", sort="day", **{"from": "2026-11-02"})
    assert days == sorted(days)
    assert days[0] == "2026-11-02"
    assert set(rows(web, path, "Kind", kind="layaway")) == {"layaway"}
    assert rows(web, path, "For", amount="$48") == ["Layaway 1"]
    october = rows(web, path, "Day", month="2026-10", mall="MAIN")
    assert {day[:7] for day in october} == {"2026-10"}
    assert len(october) < len(every)
    shown = page(web, path, words="test:1", sort="-amount")
    assert 'aria-sort="descending"' in shown
    assert "<p>1 entry</p>" in shown


# --- bank -----------------------------------------------------------------------------------------------------------------------


def test_lines_of_the_bank_are_the_newest_months_unless_others_are_asked_for(web: Web) -> None:
    path = "/office/bank/"
    with transaction(web.sessions) as session:
        file = session.scalars(select(BankFile)).first()
        assert file is not None
        for n, (on, cents) in enumerate(((date(2026, 9, 8), 50_00), (date(2026, 9, 9), -7_50))):
            line = {"key": f"x{n}", "on": on, "amount_cents": cents, "reference": "", "words": f"Oddment {n}"}
            session.add(BankLine(file_id=file.id, **line))

    def amounts(**asked: str) -> list[float]:
        answer = web.browser("auditor").get(path, query_string={**asked, "as": "csv"}).text
        return [float(row["amount"]) for row in csv.DictReader(io.StringIO(answer)) if row["row"] == "line"]

    newest, september = amounts(), amounts(month="2026-09")
    assert september == [50.0, -7.5]
    assert newest
    assert not set(september) & set(newest)
    assert sorted(amounts(month="all")) == sorted(newest + september)
    assert amounts(month="all", sort="-amount") == sorted(newest + september, reverse=True)
    assert amounts(month="2026-09", which="out") == [-7.5]
    assert amounts(month="2026-09", which="matched") == []
    assert amounts(find="ODDMENT", to="2026-09-08") == [50.0]
    assert "Oddment 1" in page(web, path, month="2026-09", which="unmatched")
    with transaction(web.sessions) as session:
        for n in range(60):
            line = {"key": f"y{n}", "on": date(2026, 8, 3), "amount_cents": 1_00, "reference": "", "words": f"Sundry {n}"}
            session.add(BankLine(file_id=file.id, **line))
    links = [html.unescape(found) for found in re.findall(r'href="([^"]+)"', page(web, path, month=""))]
    further, by_amount, taken = (
        next(one for one in links if one.startswith(f"{path}?") and told in one) for told in ("page=2", "sort=-amount", "as=csv")
    )
    every = 60 + len(newest) + len(september)
    assert f"51 to {every} of {every}" in page(web, further)
    assert f"1 to 50 of {every}" in page(web, by_amount)
    answer = web.browser("auditor").get(taken).text
    assert sum(row["row"] == "line" for row in csv.DictReader(io.StringIO(answer))) == every
    old = web.browser("auditor").get("/office/bank/lines.csv?month=2026-09&which=unmatched").text
    assert "2026-09-01 to 2026-09-30, not matched" in old


# --- at the till ----------------------------------------------------------------------------------------------------------------


def test_unclaimed_sales_are_those_nobody_asks_for_unless_others_are_wanted(web: Web) -> None:
    path = "/office/sales/MAIN/unclaimed"
    assert rows(web, path, "Item") == ["Pressed glass bowl"]
    assert rows(web, path, "Asked for by") == [""]
    every = rows(web, path, "Item", asked="", sort="item")
    assert every == ["Cobalt inkwell", "Pressed glass bowl"]
    assert rows(web, path, "Item", asked="", sort="-item") == list(reversed(every))
    assert rows(web, path, "Asked for by", asked="yes") == ["D01"]
    assert rows(web, path, "Price", asked="", sort="-price") == ["24.00", "18.00"]
    assert rows(web, path, "Price", asked="", sort="price") == ["18.00", "24.00"]
    assert rows(web, path, "Item", asked="", find="INKWELL") == every[:1]
    assert rows(web, path, "Item", to="2020-01-01") == []
    assert "There is none like it" in page(web, path, to="2020-01-01")


def test_gift_certificates(web: Web) -> None:
    path = "/office/sales/certificates"
    with transaction(web.sessions) as session:
        mall = session.merge(web.house.mall, load=False)
        sold = {"amount_cents": 10_00, "tender": "cash", "on": date(2026, 11, 2), "key": "x"}
        sell_certificate(session, web.clock.at, mall, **sold)  # type: ignore[arg-type]
    assert rows(web, path, "Number", sort="number") == ["1001", "1002"]
    assert rows(web, path, "Number") == ["1002", "1001"]
    assert rows(web, path, "Left", number="1001") == ["30.00"]
    assert rows(web, path, "Left", sort="left") == ["10.00", "30.00"]
    assert rows(web, path, "State", state="open") == ["open", "open"]
    assert rows(web, path, "Number", to="2026-10-31") == ["1001"]
    assert rows(web, path, "Number", state="used") == []
    assert "There is none like it" in page(web, path, number="%")


def test_entries_by_hand_that_are_decided(web: Web) -> None:
    path = "/office/books/by-hand"
    with transaction(web.sessions) as session:
        for n, state in ((1, "refused"), (2, "refused")):
            session.add(
                Journal(
                    key=f"x{n}",
                    mall_id=web.house.mall.id,
                    on=date(2026, 11, n),
                    reason=f"Window pane {n}",
                    second_needed=True,
                    entered_by=web.house.users["bookkeeper"],
                    entered_at=web.clock.at,
                    state=state,
                    decided_by=web.house.users["manager"],
                    decided_at=web.clock.at,
                )
            )
    assert rows(web, path, "Reason", find="pane", sort="day") == ["Window pane 1", "Window pane 2"]
    assert rows(web, path, "Reason", find="pane") == ["Window pane 2", "Window pane 1"]
    assert rows(web, path, "Entered by", find="pane 1", to="2026-11-01") == ["books@example.org"]
    assert "Window pane 1" not in rows(web, path, "Reason", state="posted")
    assert "There is none like it" in page(web, path, find="nothing of the kind")


# --- letters of leases ----------------------------------------------------------------------------------------------------------


def test_letters_of_leases(web: Web) -> None:
    path = "/office/leases/MAIN/letters"
    with transaction(web.sessions) as session:
        for n, kind in enumerate(("increase", "arrears")):
            made = {"made_on": date(2026, 11, 1 + n), "subject": f"Letter {n}", "value": {}}
            session.add(Letter(key=f"x/{n}", mall_id=web.house.mall.id, kind=kind, lease_id=1, **made))
    assert rows(web, path, "Letter")[:2] == ["Letter 1", "Letter 0"]
    assert rows(web, path, "Dealer", kind="arrears") == ["D01"]
    assert rows(web, path, "Letter", find="letter", sort="letter", mail="paper") == ["Letter 0", "Letter 1"]
    assert rows(web, path, "Letter", find="letter", **{"from": "2026-11-02"}) == ["Letter 1"]
    assert rows(web, path, "Letter", find="letter", mail="failed") == []
    assert "Letter 0" in page(web, path, kind="increase")


# --- days that are no days of a list --------------------------------------------------------------------------------------------

BY_DAY = (
    "/office/bank/",
    "/office/books/by-hand",
    "/office/books/entries",
    "/office/layaways/MAIN",
    "/office/leases/MAIN/letters",
    "/office/log",
    "/office/payouts/",
    "/office/sales/MAIN/lines",
    "/office/sales/MAIN/tickets",
    "/office/sales/MAIN/unclaimed",
    "/office/sales/certificates",
)


def test_a_day_at_the_end_of_time_is_refused_at_its_field(web: Web) -> None:
    for path in BY_DAY:
        shown = page(web, path, **{"from": "0001-01-01", "to": "9999-12-31"})
        assert shown.count("Choose a day of the years 1900 to 2200.") == 2, path
        assert 'value="9999-12-31"' in shown, path


# --- files to take away ---------------------------------------------------------------------------------------------------------

FILES = (
    ("auditor", "/office/tax/due-dates.ics", "text/calendar", "tax-due-dates.ics"),
    ("auditor", "/office/beginning/example.csv", "text/csv", "balances-from-paper.csv"),
    ("auditor", "/office/sales/drawers/MAIN/counts.csv?month=2026-11", "text/csv", "drawer-counts-MAIN-2026-11.csv"),
    ("auditor", "/office/statements/MAIN.D01.2026-10.csv", "text/csv", "lines-MAIN.D01.2026-10.csv"),
    ("dealer", "/portal/statements/MAIN.D01.2026-10.csv", "text/csv", "lines-MAIN.D01.2026-10.csv"),
)


def test_each_file_comes_to_be_saved_under_its_name(web: Web) -> None:
    for who, address, media_type, name in FILES:
        answer = web.browser(who).get(address)
        assert answer.status_code == 200, address
        assert answer.headers["Content-Disposition"] == f"attachment; filename={name}"
        assert answer.content_type == f"{media_type}; charset=utf-8"
        assert len(answer.data) > 40
