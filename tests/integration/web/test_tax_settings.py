"""Who owes the tax and how it is filed, set in the office: every term, prefilled, and an office's terms kept alike."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select

from coop.books.service import close_period, ensure_period, lock_period
from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from coop.tax.domain.ticket import Layaway
from coop.tax.models import TaxSetting
from coop.tax.offices import Settings
from tests.factories.tax import OFFICE, filer_of
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_tax_terms import COUNTY, STATE, logged, refused

WHOLE = STATE + "/settings?of=state"


def shown(page: str) -> dict[str, str]:
    """What the form of a setting holds, by field."""
    form = page[page.index('<form method="post"') :]
    fields = {}
    for tag in re.findall(r"<input[^>]*>", form):
        name, value = re.search(r'name="([^"]+)"', tag), re.search(r'value="([^"]*)"', tag)
        if name and 'type="checkbox"' not in tag and name[1] != "csrf_token":
            fields[name[1]] = value[1] if value else ""
    for name, options in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'<option selected value="([^"]+)"', options)
        assert chosen, name
        fields[name] = chosen[1]
    return fields


def test_the_form_holds_what_is_in_force_and_sent_as_it_is_says_the_same(web: Web) -> None:
    client = web.browser("manager")
    fields = shown(client.get(WHOLE).text)
    assert fields["starts_on"] == "2026-12-01"
    assert (fields["office"], fields["frequency"], fields["due_day"], fields["tiers-0-percent"]) == (OFFICE, "month", "20", "2")
    assert send(client, WHOLE, **fields).status_code == 303
    with web.sessions() as session:
        old, new = session.scalars(select(TaxSetting).order_by(TaxSetting.starts_on))
        names = [c.name for c in TaxSetting.__table__.columns if c.name not in ("id", "starts_on")]
        assert [getattr(old, name) for name in names] == [getattr(new, name) for name in names]
    assert logged(web)[0] == ("tax setting set", "state:97", web.house.users["manager"])


def test_every_term_is_written_and_shown_again(web: Web) -> None:
    client = web.browser("manager")
    fields = {
        "starts_on": "2027-01-01",
        "owed_by": "dealer",
        "layaway_at": "agreement",
        "office": "Birch Bureau",
        "frequency": "quarter",
        "year_begins": "7",
        "remits": "due",
        "due_day": "25",
        "due_months_after": "2",
        "due_region": "TX",
        "due_roll": "previous",
        "closed_days": "2027-12-24, 2027-12-31",
        "tiers-0-percent": "5",
        "tiers-0-upto": "1,000",
        "tiers-1-percent": "2.5",
        "tiers-1-upto": "",
        "cap": "500.50",
        "minimum": "10",
        "prepaid_percent": "1.25",
        "interest_percent": "1.5",
        "interest_per": "month",
    }
    path = COUNTY + "/settings?mall=MAIN"
    answer = send(client, path, **fields)
    assert answer.status_code == 303, answer.text
    with web.sessions() as session:
        made = session.scalars(select(TaxSetting).where(TaxSetting.jurisdiction_id.is_not(None))).one()
        assert made.scope.endswith(f"/mall:{web.house.mall.id}")
        assert (made.owed_by, made.layaway_at, made.office, made.frequency) == ("dealer", "agreement", "Birch Bureau", "quarter")
        assert (made.year_begins, made.remits, made.due_day, made.due_months_after) == (7, "due", 25, 2)
        assert (made.due_region, made.due_roll, made.closed_days) == ("TX", "previous", ["2027-12-24", "2027-12-31"])
        tiers = [[100_000, "5"], [None, "2.5"]]
        assert made.allowance == {"tiers": tiers, "cap_cents": 50_050, "minimum_cents": 1_000, "prepaid_percent": "1.25"}
        assert (made.interest_percent, made.interest_per) == (Decimal("1.5"), "month")
    page = client.get(COUNTY).text
    for words in ("at Lantern Yard", "Birch Bureau, by the quarter", "at least $10.00", "1.25% of what was prepaid", "of TX"):
        assert words in page
    web.clock.at = web.clock.at.replace(year=2027, month=1, day=2)
    with web.sessions() as session:
        assert Settings(session).offices()["Birch Bureau"] == date(2027, 1, 1)


NO_SETTINGS: list[tuple[dict[str, str], str, str]] = [
    ({"starts_on": ""}, "starts_on", "Write the first day"),
    ({"due_day": "32"}, "due_day", "from 1 to 31"),
    ({"due_day": "twenty"}, "due_day", "This is not a whole number"),
    ({"due_months_after": "13"}, "due_months_after", "from 0 to 12"),
    ({"due_region": "ZQ"}, "due_region", "ZQ is not a state"),
    ({"closed_days": "Christmas"}, "closed_days", "Christmas is not a day"),
    ({"tiers-0-percent": "101"}, "tiers-0-percent", "more than the price"),
    ({"tiers-0-upto": "100", "tiers-1-percent": "1", "tiers-1-upto": "50"}, "tiers-1-upto", "Parts rise"),
    ({"tiers-1-percent": "1"}, "tiers-1-percent", "The part before has no end"),
    ({"tiers-0-percent": "", "cap": "50"}, "cap", "Write the percent that is kept first"),
    ({"cap": "5", "minimum": "6"}, "minimum", "more than the most"),
    ({"interest_percent": "-3"}, "interest_percent", "cannot be negative"),
    ({"office": "Elder revenue office"}, "office", "There is an office called Elder Revenue Office"),
]


def test_a_setting_that_cannot_be_is_told_at_its_field(web: Web) -> None:
    held = shown(web.browser("manager").get(WHOLE).text)
    for fields, at, sentence in NO_SETTINGS:
        refused(web, WHOLE, {**held, **fields}, at, sentence)


def test_an_offices_terms_change_for_all_that_name_it_or_not_at_all(web: Web) -> None:
    client = web.browser("manager")
    held = shown(client.get(WHOLE).text)
    send(client, COUNTY + "/settings", **{**held, "owed_by": "dealer"})
    later = {**held, "frequency": "quarter", "starts_on": "2027-01-01"}
    refused(web, WHOLE, later, "office", "different terms on 2027-01-01")
    assert send(client, WHOLE, **later, everywhere="y").status_code == 303
    with web.sessions() as session:
        terms = Settings(session).terms(OFFICE, date(2027, 1, 1))
        assert terms is not None
        assert terms.frequency == "quarter"
        changed = session.scalars(select(TaxSetting).where(TaxSetting.starts_on == date(2027, 1, 1)).order_by(TaxSetting.scope))
        assert [(row.scope[:6], row.owed_by) for row in changed] == [("jurisd", "dealer"), ("state:", "coop")]
    # Between now and then another due day, for the county too; what begins then stays.
    sooner = {**held, "due_day": "25", "starts_on": "2026-12-01"}
    assert send(client, WHOLE, **sooner, everywhere="y").status_code == 303
    with web.sessions() as session:
        rows = session.scalars(select(TaxSetting).order_by(TaxSetting.starts_on, TaxSetting.scope))
        last = [(row.starts_on, row.frequency, row.due_day, row.owed_by) for row in rows][-4:]
        december, january = date(2026, 12, 1), date(2027, 1, 1)
        assert last[:2] == [(december, "month", 25, "dealer"), (december, "month", 25, "coop")]
        assert last[2:] == [(january, "quarter", 20, "dealer"), (january, "quarter", 20, "coop")]
    assert client.get("/office/tax/").status_code == 200


def test_a_setting_from_before_today_says_what_stays(web: Web) -> None:
    client = web.browser("manager")
    held = shown(client.get(WHOLE).text)
    answer = send(client, WHOLE, **{**held, "starts_on": "2026-11-01"})
    assert "returns that are filed stay as they are" in client.get(answer.headers["Location"]).text


def test_terms_that_would_take_a_filed_returns_period_away_are_refused(web: Web) -> None:
    """October is filed by the month: a quarter around it would file its days twice, and another office leave it unreadable."""
    held = shown(web.browser("manager").get(WHOLE).text)
    for change in ({"frequency": "quarter"}, {"office": "Birch Bureau"}, {"office": ""}):
        fields = {**held, **change, "starts_on": "2026-10-01"}
        refused(web, WHOLE, fields, "office", "2026-10 is filed for 2026-10-01 to 2026-10-31")
    assert web.browser("manager").get("/office/tax/returns/elder-revenue-office.2026-10").status_code == 200
    assert send(web.browser("manager"), WHOLE, **{**held, "frequency": "quarter", "starts_on": "2026-11-01"}).status_code == 303


def test_who_owes_the_tax_of_a_closed_month_stays(web: Web) -> None:
    """It passed to the dealers as the month closed, or stayed with the co-op: a return by other settings would never tie."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        filer_of(session, web.clock.at, mall, count=70).sell(date(2026, 10, 20), 10_000)
        period = ensure_period(session, mall.id, Month(2026, 10))
        lock_period(session, period.id)
        close_period(session, web.clock.at, period)
    held = shown(web.browser("manager").get(WHOLE).text)
    fields = {**held, "owed_by": "dealer", "starts_on": "2026-10-15"}
    refused(web, WHOLE, fields, "office", "has gone to who owed it then: begin on 2026-11-01 or later")
    assert send(web.browser("manager"), WHOLE, **{**fields, "starts_on": "2026-11-01"}).status_code == 303
    assert send(web.browser("manager"), WHOLE, **{**fields, "owed_by": "coop", "due_day": "25"}).status_code == 303
    # Set again from the day it is set from already, its row is changed: who owed by it before is still seen.
    refused(web, WHOLE, {**held, "owed_by": "dealer", "starts_on": "2026-10-15"}, "office", "has gone to who owed it then")


def test_a_layaway_that_has_its_tax_keeps_the_day_it_was_taxed_by(web: Web) -> None:
    """The month-end taxes it again by the setting of the day of its agreement, and would find another tax."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        filer_of(session, web.clock.at, mall)
        dealer = session.scalars(select(Dealer).order_by(Dealer.code)).first()
        assert dealer is not None
        at = datetime(2026, 11, 2, 18, tzinfo=UTC)
        line = LineIn(1, dealer.id, "D01-1", "Clock", 1, Decimal(100), 10_000)
        sold = TicketIn("lay", "lay", "MAIN/desk", "sale", at, (line,), (TenderIn("cash"),))
        take_tickets(session, web.clock.at, mall, [replace(sold, layaway=Layaway(date(2026, 10, 20), date(2026, 11, 2)))])
    held = shown(web.browser("manager").get(WHOLE).text)
    fields = {**held, "layaway_at": "agreement", "starts_on": "2026-10-01"}
    refused(web, WHOLE, fields, "office", "A layaway of 2026-10-20 was taxed by the day that was set then")
    assert send(web.browser("manager"), WHOLE, **{**fields, "layaway_at": "completion"}).status_code == 303
    assert send(web.browser("manager"), WHOLE, **{**fields, "starts_on": "2026-10-21"}).status_code == 303
