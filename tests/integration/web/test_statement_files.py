"""A month's statements in one file, and their lines as CSV, by the pages that offer them."""

from __future__ import annotations

import csv
import io

from sqlalchemy import select

from coop.core.db import transaction
from coop.core.jobs import Job
from tests.integration.web.conftest import Web, send

MONTH = "/office/months/MAIN/2026-10"


def test_the_file_for_printing_is_offered_asked_for_and_served(web: Web) -> None:
    page = web.browser("bookkeeper").get(MONTH).text
    assert f'href="{MONTH}/print/all.pdf"' in page
    assert "PDF of 2 statements" in page
    assert "not made yet" in page
    assert f'action="{MONTH}/print/without-mail"' not in web.browser("auditor").get(MONTH).text
    client = web.browser("bookkeeper")
    assert send(client, f"{MONTH}/print/without-mail").status_code == 303
    assert "The file for printing is being made." in client.get(MONTH).text
    assert send(client, f"{MONTH}/print/without-mail").status_code == 303
    with transaction(web.sessions) as session:
        [args] = session.scalars(select(Job.args).where(Job.kind == "statements.book"))
    assert args["without_mail"] is True
    served = client.get(f"{MONTH}/print/all.pdf")
    assert served.data.endswith(b"book")
    assert "statements-MAIN.2026-10.pdf" in served.headers["Content-Disposition"]
    assert client.get(f"{MONTH}/print/without-mail.pdf").status_code == 404
    assert client.get(f"{MONTH}/print/some.pdf").status_code == 404


def test_a_month_without_statements_says_so_instead(web: Web) -> None:
    client = web.browser("manager")
    assert 'id="print"' not in client.get("/office/months/MAIN/2026-11").text
    assert send(client, "/office/months/MAIN/2026-11/print/all").status_code == 303
    assert "No statement of November 2026 has been made at MAIN" in client.get("/office/months/MAIN/2026-11").text
    assert client.get("/office/months/MAIN/2026-11/lines.csv").status_code == 404


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_lines_are_a_download_for_office_and_dealer_each_her_own(web: Web) -> None:
    whole = web.browser("auditor").get(f"{MONTH}/lines.csv")
    assert whole.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert "lines-MAIN.2026-10.csv" in whole.headers["Content-Disposition"]
    assert {row["dealer"] for row in rows(whole.text)} == {"", "D01", "D02"}
    one = web.browser("auditor").get("/office/statements/MAIN.D01.2026-10.csv")
    ida = web.browser("dealer")
    own = ida.get("/portal/statements/MAIN.D01.2026-10.csv")
    assert own.data == one.data
    assert {row["dealer"] for row in rows(own.text)} == {"", "D01"}
    assert 'href="/portal/statements/MAIN.D01.2026-10.csv"' in ida.get("/portal/statements/MAIN.D01.2026-10").text
    for address in ("/portal/statements/MAIN.D02.2026-10.csv", "/portal/statements/NONE.csv"):
        assert ida.get(address).status_code == 404
