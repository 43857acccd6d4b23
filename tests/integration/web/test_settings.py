"""The page Settings: every rule with its day and what is coming, and the forms of the co-op and of a mall."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from coop.books.rules import NO_RULES, set_rules
from coop.core.audit import AuditLog, changed, record
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.migrate import newest_revision
from coop.dealers.models import Cooperative
from coop.floor.models import AisleWidth, Mall
from coop.floor.service import add_mall, change_mall
from coop.leases.models import Lease
from coop.leases.rules import set_rate
from coop.leases.rules import set_rules as set_lease_rules
from tests.integration.web.conftest import Web, form_token, send
from tests.integration.web.test_office import count_queries

PAGE = "/office/settings/"


def rule(web: Web, name: str, who: str = "manager") -> str:
    """What the page says of a rule, its tags taken out."""
    page = web.browser(who).get(PAGE).text
    row = next(row for row in page.split("<tr>")[1:] if re.search(rf'scope="row">(<a [^>]*>)?{re.escape(name)}<', row))
    return " ".join(re.sub(r"<[^>]+>", " ", row.split("</tr>")[0]).split())


def test_a_rule_says_its_value_since_when_and_what_is_coming(web: Web) -> None:
    assert "The co-op bears the card cost. as is usual" in rule(web, "Card cost")
    with transaction(web.sessions) as session:
        for day, percent in ((3, 2), (10, 2), (20, 3)):
            rules = NO_RULES.__class__(card_percent=Decimal(percent))
            set_rules(session, web.clock.at, rules, starts_on=date(2026, 11, day))
    said = rule(web, "Card cost")
    assert "2% of what a dealer’s buyers pay by card is charged to the dealer." in said
    assert "From Nov 20, 2026: 3% of what a dealer’s buyers pay by card" in said
    assert "since Nov 3, 2026" in said
    assert "Nov 10" not in said
    assert "From" not in rule(web, "Surcharge")


def test_rules_of_leases_rents_and_aisles_are_those_of_their_mall(web: Web) -> None:
    with transaction(web.sessions) as session:
        east = add_mall(session, web.clock.at, "EAST", name="East Mill Hall", timezone="America/Denver")
        set_lease_rules(session, east, date(2026, 11, 1), notice_days=45)
        set_rate(session, east, "window", Decimal("3.1"), per="sqft", starts_on=date(2026, 12, 1))
        session.add(
            AisleWidth(mall_id=east.id, aisle="", starts_on=date(2026, 10, 1), required_clear_in16=704, said_by="Fire marshal")
        )
    page = web.browser("auditor").get(PAGE).text
    assert "A deposit is 1 month’s rent." in page
    assert "A lease ends with 45 days of notice, to the end of a month." in page
    assert "A lease ends with 30 days of notice, to the end of a month." in page
    assert "Zone front costs $2.25 a square foot a month." in page
    assert "Zone window has no price yet." in page
    assert "From Dec 1, 2026: Zone window costs $3.10 a square foot a month." in page
    assert "Every aisle is kept 3&#39; 8&#34; clear (Fire marshal)." in page
    assert "Days begin and end by the clock of America/Denver." in page


def test_every_link_of_the_page_leads_somewhere(web: Web) -> None:
    client = web.browser("auditor")
    page = client.get(PAGE).text.partition("<main")[2].partition("</main>")[0]
    found = set(re.findall(r'href="(/office/[^"#]+)', page))
    assert len(found) >= 8
    for address in found:
        assert client.get(address).status_code == 200, address
    assert "/office/settings/co-op" not in found
    assert "/office/settings/co-op" in web.browser("manager").get(PAGE).text


def test_how_mail_goes_is_shown_and_nothing_secret(web: Web) -> None:
    page = web.browser("manager").get(PAGE).text
    assert "No mail leaves the house" in page
    assert "COOP_WEB_ADDRESS says it" in page
    assert "a key of the tests" not in page
    assert f"revision {newest_revision()}" in page


def test_its_queries_do_not_grow_with_malls_and_rules(web: Web) -> None:
    before = count_queries(web, "manager", PAGE)
    with transaction(web.sessions) as session:
        for n in range(4):
            mall = add_mall(session, web.clock.at, f"M{n}", name=f"Hall {n}", timezone="America/Chicago")
            set_lease_rules(session, mall, date(2026, 11, 1), notice_days=45)
            for zone in ("front", "back"):
                set_rate(session, mall, zone, Decimal(2), per="sqft", starts_on=date(2026, 1, 1))
    assert count_queries(web, "manager", PAGE) == before
    assert before <= 25


# --- the co-op ----------------------------------------------------------------------------------------------------------------

COOP = {"name": "Lantern Yard Dealers", "commission": "12", "payout_day": "12", "paper": "a4"}


def test_the_co_op_is_changed_and_leases_keep_their_commission(web: Web) -> None:
    client = web.browser("manager")
    assert send(client, f"{PAGE}co-op", **COOP).status_code == 303
    page = client.get(PAGE).text
    assert (
        "Changed: name: Lantern Yard Dealers&#39; Co-op before, Lantern Yard Dealers now; commission: 10% before, 12% now" in page
    )
    assert "A new lease pays 12% of its net sales" in page
    assert "since Nov 3, 2026" in rule(web, "Payout day")
    with transaction(web.sessions) as session:
        coop = session.get_one(Cooperative, 1)
        assert (coop.name, coop.commission_percent, coop.payout_day, coop.paper) == ("Lantern Yard Dealers", 12, 12, "a4")
        assert set(session.scalars(select(Lease.commission_percent))) == {Decimal(10)}
        lines = session.scalars(select(AuditLog.detail).where(AuditLog.action == "payout day changed")).all()
        assert lines == ["10 before, 12 now"]
    assert send(client, f"{PAGE}co-op", **COOP).status_code == 303
    assert "Nothing was changed." in client.get(PAGE).text
    with transaction(web.sessions) as session:
        evening = datetime(2026, 11, 6, 3, tzinfo=UTC)
        record(session, evening, changed("payout day"), "co-op", 1, detail="12 before, 10 now")
        record(session, evening, changed("address"), "mall", "MAIN", detail="none before, one now")
    assert "since Nov 5, 2026" in rule(web, "Payout day")
    assert "since Nov 5, 2026" in rule(web, "Address")


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("name", " ", "Write the co-op’s name."),
        ("name", "x" * 121, "120 characters"),
        ("commission", "101", "from 0 to 100"),
        ("commission", "much", "not a percent"),
        ("payout_day", "31", "from 1 to 28"),
        ("paper", "a3", "Choose one of those listed."),
    ],
)
def test_what_the_co_op_cannot_be_is_said_at_its_field(web: Web, field: str, typed: str, says: str) -> None:
    answer = send(web.browser("manager"), f"{PAGE}co-op", **{**COOP, field: typed})
    assert answer.status_code == 422
    assert says in answer.text.split(f'id="{field}-wrong"')[1].split("</p>")[0]
    with transaction(web.sessions) as session:
        assert session.get_one(Cooperative, 1).payout_day == 10


# --- a mall -------------------------------------------------------------------------------------------------------------------

MALL = {"name": "Lantern Yard Hall", "address": "12 Quarry Lane\n\n  Elder  WI 53001 ", "timezone": "America/Chicago"}


def change(client: FlaskClient, path: str, **fields: str) -> TestResponse:
    return client.post(path, data={"csrf_token": form_token(client), **fields})


def test_a_mall_is_renamed_and_moved_and_its_code_stays(web: Web) -> None:
    client = web.browser("manager")
    assert change(client, f"{PAGE}malls/MAIN", **MALL).status_code == 303
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        assert (mall.code, mall.name, mall.address) == ("MAIN", "Lantern Yard Hall", "12 Quarry Lane\nElder WI 53001")
    assert "It stands at 12 Quarry Lane Elder WI 53001." in client.get(PAGE).text


def test_the_clock_of_a_mall_with_books_stays(web: Web) -> None:
    assert web.browser("manager").get(f"{PAGE}malls/MAIN").text.count("<option") == 1
    answer = change(web.browser("manager"), f"{PAGE}malls/MAIN", **{**MALL, "timezone": "America/Denver"})
    assert answer.status_code == 422
    said = answer.text.split('id="timezone-wrong"')[1].split("</p>")[0]
    assert "stays America/Chicago: its books have days already" in said
    with transaction(web.sessions) as session:
        assert session.get_one(Mall, web.house.mall.id).name == "Lantern Yard Antiques Hall"


def test_the_clock_of_a_mall_without_books_is_one_that_is_kept_somewhere(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "EAST", name="East Mill Hall", timezone="America/Chicago")
    client = web.browser("manager")
    answer = change(client, f"{PAGE}malls/EAST", **{**MALL, "timezone": "Central time"})
    assert answer.status_code == 422
    assert "Choose one of those listed." in answer.text.split('id="timezone-wrong"')[1].split("</p>")[0]
    with transaction(web.sessions) as session:
        east = session.scalars(select(Mall).where(Mall.code == "EAST")).one()
        with pytest.raises(Refusal, match="not one of the IANA database"):
            change_mall(session, web.clock.at, east, name="East", address="", timezone="Central time", has_books=False)
    assert change(client, f"{PAGE}malls/EAST", **{**MALL, "timezone": "America/Denver"}).status_code == 303
    assert "time zone: America/Chicago before, America/Denver now" in client.get(PAGE).text
    assert change(client, f"{PAGE}malls/WEST", **MALL).status_code == 404


def test_a_clock_that_is_none_of_the_listed_is_kept_with_the_rest(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "EAST", name="East Mill Hall", timezone="UTC")
    client = web.browser("manager")
    assert '<option selected value="UTC">UTC</option>' in client.get(f"{PAGE}malls/EAST").text
    assert change(client, f"{PAGE}malls/EAST", **{**MALL, "timezone": "UTC"}).status_code == 303
    assert "Changed: name: East Mill Hall before" in client.get(PAGE).text
