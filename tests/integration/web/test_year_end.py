"""The year's pages: totals and their CSV, thresholds, a surplus shared and money released, each by two people."""

from __future__ import annotations

import csv
import io
import re

from sqlalchemy import select

from coop.core.db import transaction
from coop.payouts.models import Patronage, Release, YearThreshold
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_tax_terms import mistake_at


def test_the_year_is_told_with_its_controls_and_as_csv(web: Web) -> None:
    client = web.browser("auditor")
    page = client.get("/office/payouts/year")
    assert "Totals of 2026" in page.text
    assert "an accountant decides" in page.text
    assert "MAIN has closed no month of 2026" in page.text
    assert "differs" not in page.text
    assert "None is set" in page.text
    answer = client.get("/office/payouts/year/2026.csv")
    assert answer.headers["Content-Disposition"] == "attachment; filename=year-2026.csv"
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert {"period", "dealer", "total", "control", "caution"} == {row["row"] for row in rows}
    for row in rows:
        if row["row"] == "control":
            assert row["name"].endswith(f": {row['figure']} here")
    assert client.get("/office/payouts/year/1999").status_code == client.get("/office/payouts/year/1999.csv").status_code == 404


def test_a_threshold_is_set_with_its_source_and_marks_who_reached_it(web: Web) -> None:
    client = web.browser("manager")
    good = {"kind": "payments", "from_year": "2026", "amount": "1.00", "least_count": "", "said_by": "an invented law"}
    for wrong, at in (({"said_by": ""}, "said_by"), ({"amount": "much"}, "amount"), ({"from_year": "26"}, "from_year")):
        answer = send(client, "/office/payouts/year/thresholds", **{**good, **wrong})
        assert (answer.status_code, bool(mistake_at(answer.text, at))) == (422, True)
    assert send(client, "/office/payouts/year/thresholds", **good).status_code == 303
    with web.sessions() as session:
        assert session.scalars(select(YearThreshold)).one().amount_cents == 100
    page = client.get("/office/payouts/year").text
    assert "Payments from $1.00, since 2026, by an invented law" in page
    assert page.count("<td>payments</td>") >= 1


def test_a_surplus_is_proposed_refused_at_its_field_and_approved_by_another(web: Web) -> None:
    books, manager = web.browser("bookkeeper"), web.browser("manager")
    good = {"year": "2026", "surplus": "100", "cash_percent": "20", "on": "2027-03-31"}
    answer = send(books, "/office/payouts/patronage", **good)
    assert "has closed no month of 2026" in mistake_at(answer.text, "year")
    answer = send(books, "/office/payouts/patronage", **{**good, "surplus": "0"})
    assert "above zero" in mistake_at(answer.text, "surplus")
    answer = send(books, "/office/payouts/patronage", **{**good, "on": "2026-12-31"})
    assert "not after 2026" in mistake_at(answer.text, "on")
    page = manager.get("/office/payouts/patronage/2025").text
    assert "Proposed by books@example.org" in page
    assert "100.00" in page
    assert "You entered the sharing" in send(books, "/office/payouts/patronage/2025/approve").text
    assert send(manager, "/office/payouts/patronage/2024/drop").status_code == 303
    assert "It was dropped" in manager.get("/office/payouts/patronage/2024").text
    with transaction(web.sessions) as session:
        assert [one.state for one in session.scalars(select(Patronage).order_by(Patronage.year))] == ["dropped", "proposed"]


def test_releases_say_why_nothing_may_go_and_one_may_be_refused(web: Web) -> None:
    client = web.browser("manager")
    page = client.get("/office/payouts/releases/").text
    assert page.count("There is no rule for them: they stay liabilities.") == 3
    assert len(re.findall("Ticket 590, item [12]", page)) == 2
    answer = send(client, "/office/payouts/releases/1/approve")
    assert answer.status_code == 422
    assert "does not hold on Nov 3, 2026" in answer.text
    assert send(client, "/office/payouts/releases/", thing=["gift certificates:1"]).status_code == 422
    assert send(client, "/office/payouts/releases/", thing=["coats:1"]).status_code == 404
    assert "Nothing is chosen" in send(client, "/office/payouts/releases/").text
    assert send(client, "/office/payouts/releases/1/refuse").status_code == 303
    with web.sessions() as session:
        assert [one.state for one in session.scalars(select(Release).order_by(Release.id))] == ["refused", "asked"]
    assert "refused" in client.get("/office/payouts/releases/").text
