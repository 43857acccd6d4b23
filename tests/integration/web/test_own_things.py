"""A dealer sees their own booth, sales and statements, and nobody else's."""

from __future__ import annotations

import html
import re
from datetime import date
from decimal import Decimal

import pytest
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.templating import money
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.floor.service import add_mall
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.statements.documents import said, statement_html
from coop.statements.domain import StatementValue, from_json
from coop.statements.models import Statement
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
    assert ">167.50<" in ida
    assert ">9.99<" not in ida
    assert "Booth 12" in ida
    assert "120.00 sq ft" in ida
    amos = web.browser("other dealer").get("/portal/").text
    assert ">9.99<" in amos
    assert ">167.50<" not in amos
    assert "You hold no space today" in amos


def test_a_shared_booth_is_on_the_page_of_each_who_shares_it(web: Web) -> None:
    with transaction(web.sessions) as session:
        held = session.scalars(select(LeaseSpace).join(Space).where(Space.code == "12")).one()
        lease = session.get_one(Lease, held.lease_id)
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        theirs = Lease(
            dealer_id=amos.id,
            mall_id=lease.mall_id,
            starts_on=date(2026, 6, 1),
            commission_percent=Decimal(10),
            created_at=web.clock.at,
        )
        session.add(theirs)
        session.flush()
        for one in (lease, theirs):
            session.add(LeaseShare(lease_space_id=held.id, lease_id=one.id, share_percent=Decimal(50)))
    for who in ("dealer", "other dealer"):
        assert web.browser(who).get("/portal/").text.count("Booth 12") == 1


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
    for words in (
        "$5,183.90 will be paid to you on Nov 10, 2026 by check.",
        "612.40",
        "120.00 sq ft x $2.25",
        "Cane-seat side chair",
        "sold on ticket: ",
    ):
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


def test_the_latest_statement_of_each_mall_is_listed_with_their_sum(web: Web) -> None:
    """5,183.90 is yours at one mall, 83.90 is owed at the other: 5,100.00 together. A mall left in spring is not listed."""
    with transaction(web.sessions) as session:
        main = session.query(Statement).filter_by(number=OWN["dealer"]).one()
        for code, month, closing in (("BARN", 9, -8390), ("OLD", 4, 100000), ("BARN", 8, 777)):
            mall = session.query(Mall).filter_by(code=code).one_or_none()
            mall = mall or add_mall(session, web.clock.at, code, name=f"The {code.title()}", timezone="America/Chicago")
            session.add(
                Statement(
                    number=f"{code}.D01.2026-{month:02d}",
                    mall_id=mall.id,
                    dealer_id=main.dealer_id,
                    first_day=date(2026, month, 1),
                    value_json=main.value_json,
                    value_sha256=main.value_sha256,
                    opening_cents=0,
                    closing_cents=closing,
                    created_at=web.clock.at.replace(month=month + 1),
                )
            )
    page = web.browser("dealer").get("/portal/").text
    assert "October 2026, Lantern Yard Antiques Hall" in page
    assert "September 2026, The Barn" in page
    assert "you owe $83.90" in page
    assert "$5,100.00 is yours" in page
    for older in ("August 2026", "The Old<"):
        assert older not in page


def test_page_and_paper_say_the_same_in_the_same_order(web: Web) -> None:
    """Every heading, sum, charge and sentence of the page stands on the paper, in the page's order."""
    page = web.browser("dealer").get(f"/portal/statements/{OWN['dealer']}").text
    paper = _plain(statement_html(_value(web)))
    shown = _plain(page)
    headings = re.findall(r"<h2[^>]*>(.*?)</h2>", page)
    assert [heading for heading in headings if heading != "In short"] == re.findall(
        r"<h2>(.*?)</h2>", statement_html(_value(web))
    )
    words = said(_value(web))
    told = [
        words.outcome,
        *(row.working for row in words.sum_rows),
        words.signs,
        words.lines_sold,
        words.tax_note,
        words.nothing_of,
    ]
    told += [f"{row.label} {row.working}" for row in (*words.charge_rows, *words.paid_rows, *words.next_rent_rows)]
    told += [f"Charges {money(_value(web).charged_cents)}", words.next_rent_note]
    for row in words.year_rows:
        assert f"{row.label} ({row.working})" in paper  # In a bracket there, below the label here.
        assert f"{row.label} {row.working}" in shown
        told.append(f"{money(row.before_cents)} {money(row.month_cents)} {money(row.total_cents)}")
    for picture in words.pictures:
        told += [picture.heading, picture.note, " ".join(column.label for column in picture.columns)]
    for sentence in filter(None, told):
        assert sentence in paper, sentence
        assert sentence in shown, sentence
    discounts = [money(-line.discount_cents) for line in _value(web).sales if line.discount_cents]
    assert discounts
    assert all(f">{amount}</td>" in page for amount in discounts)


def _value(web: Web) -> StatementValue:
    with transaction(web.sessions) as session:
        return from_json(session.query(Statement).filter_by(number=OWN["dealer"]).one().value_json)


def _plain(markup: str) -> str:
    """The words of a page, without what only a phone shows."""
    for_phones = re.sub(r'<small class="narrow-only[^"]*">.*?</small>', "", markup)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", for_phones)).split())
