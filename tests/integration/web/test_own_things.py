"""A dealer sees their own booth, sales and statements, and nobody else's."""

from __future__ import annotations

import pytest

from coop.core.db import transaction
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer
from tests.factories.house import PDF
from tests.integration.web.conftest import Web

OWN = {"dealer": "MAIN.D01.2026-10", "other dealer": "MAIN.D02.2026-10"}


@pytest.mark.parametrize(("who", "other"), [("dealer", "other dealer"), ("other dealer", "dealer")])
def test_anothers_statement_is_as_if_it_were_not_there(web: Web, who: str, other: str) -> None:
    client = web.browser(who)
    for end in ("", ".pdf"):
        assert client.get(f"/portal/statements/{OWN[who]}{end}").status_code == 200
        theirs = client.get(f"/portal/statements/{OWN[other]}{end}")
        missing = client.get(f"/portal/statements/MAIN.D99.2026-10{end}")
        assert theirs.status_code == missing.status_code == 404
        assert _without_id(theirs.text) == _without_id(missing.text)


def _without_id(page: str) -> str:
    return "\n".join(line for line in page.splitlines() if "csrf_token" not in line)


def test_the_list_holds_ones_own_only(web: Web) -> None:
    page = web.browser("dealer").get("/portal/statements").text
    assert OWN["dealer"] in page
    assert "D02" not in page


def test_the_booth_page_sums_ones_own_sales_of_this_month(web: Web) -> None:
    """125.00 and 42.50 were sold for D01 in November, 9.99 for D02; D01 leases booth 12."""
    ida = web.browser("dealer").get("/portal/").text
    assert "167.50" in ida
    assert "9.99" not in ida
    assert "Booth 12" in ida
    assert "120.00 sq ft" in ida
    amos = web.browser("other dealer").get("/portal/").text
    assert "9.99" in amos
    assert "167.50" not in amos
    assert "You hold no space today" in amos


def test_a_member_with_two_dealer_codes_sees_both(web: Web) -> None:
    with transaction(web.sessions) as session:
        second = add_dealer(session, web.clock.at, "D77", name="unused", trade_name="The Small Case")
        first = session.query(Dealer).filter_by(code="D01").one()
        second.member_id = first.member_id
    page = web.browser("dealer").get("/portal/").text
    assert "D01 Fenwick" in page
    assert "D77 The Small Case" in page


def test_a_dealer_without_a_member_is_told_what_to_do(web: Web) -> None:
    with transaction(web.sessions) as session:
        session.query(Dealer).filter_by(code="D02").one().member_id = session.query(Dealer).filter_by(code="D01").one().member_id
    assert "belongs to no dealer yet" in web.browser("other dealer").get("/portal/").text


def test_the_statement_page_shows_the_frozen_value(web: Web) -> None:
    page = web.browser("dealer").get(f"/portal/statements/{OWN['dealer']}").text
    for words in ("$5,183.90 to be paid on Nov 10, 2026", "612.40", "120.00 sq ft x $2.25", "Cane-seat side chair", "gives back"):
        assert words in page, words


def test_the_pdf_is_the_kept_bytes_under_its_name(web: Web) -> None:
    client = web.browser("dealer")
    answer = client.get(f"/portal/statements/{OWN['dealer']}.pdf")
    assert answer.data == PDF + b"D01"
    assert answer.mimetype == "application/pdf"
    assert answer.headers["Content-Disposition"] == "inline; filename=statement-MAIN.D01.2026-10.pdf"
    assert answer.headers["Cache-Control"] == "private, no-cache"
    again = client.get(f"/portal/statements/{OWN['dealer']}.pdf", headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    theirs = web.browser("other dealer").get(
        f"/portal/statements/{OWN['dealer']}.pdf", headers={"If-None-Match": answer.headers["ETag"]}
    )
    assert theirs.status_code == 404
