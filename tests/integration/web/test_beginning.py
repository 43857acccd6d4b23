"""A new co-op is led from nothing to its first month in the office: each step has its page, and a mark once it is done."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from html import unescape
from zoneinfo import ZoneInfo, available_timezones

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.dealers import service as people
from coop.dealers.membership import found_coop
from coop.floor.models import Mall
from coop.office.mall_forms import zones
from tests.factories.house import add_person
from tests.integration.web.conftest import Clock, form_token, send


@dataclass
class Nothing:
    """A co-op with its people and no mall."""

    app: Flask
    sessions: Sessions
    tokens: dict[str, str]

    def browser(self, who: str) -> FlaskClient:
        client = self.app.test_client()
        client.set_cookie("coop", self.tokens[who])
        return client

    def steps(self, who: str = "manager") -> dict[str, tuple[str, str]]:
        """Each step with its page (empty where there is none for them) and how it stands."""
        page = self.browser(who).get("/office/").text
        section = page.partition('id="beginning"')[2].partition("</section>")[0]
        found = {}
        for head, state in re.findall(r'<tr>\s*<th scope="row">(.*?)<small.*?<td class="date">(.*?)</td>', section, re.S):
            link = re.search(r'<a href="([^"]+)">', head)
            words = re.sub(r"<[^>]+>", "", head).strip()
            found[words] = (link[1] if link else "", re.sub(r"<[^>]+>", "", state).strip().lstrip("●○"))
        return found


@pytest.fixture
def nothing(app: Flask, sessions: Sessions, clock: Clock) -> Nothing:
    with transaction(sessions) as session:
        found_coop(session, clock.at, "Ashgrove Dealers' Co-op", commission_percent=Decimal(10))
        tokens = {}
        for role in ("manager", "auditor"):
            user = add_person(session, clock.at, f"{role}@example.org", (role,))
            tokens[role] = people.begin_session(session, clock.at, user, address="192.0.2.7", agent="Firefox")
    return Nothing(app, sessions, tokens)


def test_every_page_says_what_comes_first_where_there_is_nothing(nothing: Nothing) -> None:
    manager = nothing.browser("manager")
    for path in (
        "/office/floor/",
        "/office/leases/",
        "/office/sales/",
        "/office/months",
        "/office/tax/places",
        "/office/layaways/",
    ):
        page = manager.get(path).text
        assert '<a href="/office/malls/new">Add the first one</a>' in page, path
    assert "The manager adds the first one." in nothing.browser("auditor").get("/office/floor/").text
    for path in ("/office/", "/office/log", "/office/failed", "/office/letters", "/office/dealers/", "/office/payouts/"):
        assert manager.get(path).status_code == 200, path
    assert "Nothing waits for a decision" not in manager.get("/office/").text


def test_the_steps_are_done_one_by_one_each_on_its_own_page(nothing: Nothing) -> None:
    manager = nothing.browser("manager")
    steps = nothing.steps()
    assert list(steps)[:3] == ["A mall", "Its plan", "Rent"]
    assert {name for name, (_, state) in steps.items() if state == "done"} == {"People"}, "there is an auditor beside the manager"
    assert steps["Its plan"][0] == "", "there is no mall yet that it could be of"
    assert 'Next: <a href="/office/malls/new">a mall</a>' in manager.get("/office/").text

    made = send(manager, "/office/malls/new", name="Elm Hall", code="elm", timezone="America/Denver", address="1 Elm St\n")
    assert made.headers["Location"] == "/office/floor/ELM/edit"
    for address, _state in nothing.steps().values():
        assert address == "" or manager.get(address).status_code == 200, address
    assert nothing.steps()["A mall"] == ("/office/settings/malls/ELM", "done"), "its own settings, not one more mall"

    _draw(manager)
    dealer = {"code": "D01", "name": "Ida Fenwick", "joined_on": "2026-11-01"}
    assert send(manager, "/office/dealers/new", **dealer).status_code == 303
    rate = {"zone": "front", "price": "2.25", "per": "sqft", "starts_on": "2026-11-03"}
    assert send(manager, "/office/leases/ELM/rates", **rate).status_code == 303
    there = nothing.steps()
    assert {name for name, (_, state) in there.items() if state == "done"} == {"People", "A mall", "Its plan", "Rent", "Dealers"}
    assert "Next: " in manager.get("/office/").text
    assert there["Leases"][0] == "/office/leases/ELM/new"
    assert 'href="/office/malls/new"' in manager.get(there["A mall"][0]).text, "where one more is added"
    sales = manager.get(there["The first sale"][0]).text
    assert "coop sales import FILE --mapping open-retail --mall ELM" in sales
    assert "InvoiceNo, StockCode, Description, Quantity, InvoiceDate, UnitPrice" in sales


def _draw(manager: FlaskClient) -> None:
    """The plan as a file: a hall and a booth."""
    plan = b"kind,code,zone,x,y,width,depth\noutline,,,0,0,40 ft,30 ft\nbooth,12,front,0,0,10 ft,12 ft\n"
    data = {"csrf_token": form_token(manager), "file": (io.BytesIO(plan), "elm.csv")}
    proposal = manager.post("/office/floor/ELM/files", data=data, content_type="multipart/form-data").text
    draft = re.search(r'name="draft" value="([^"]+)"', proposal)
    assert draft, proposal
    applied = send(manager, "/office/floor/ELM/files/apply", version="0", draft=unescape(draft[1]))
    assert applied.headers["Location"] == "/office/floor/ELM"


def test_who_may_not_do_a_step_reads_it_without_a_link(nothing: Nothing) -> None:
    steps = nothing.steps("auditor")
    assert steps["A mall"] == ("", "to do")
    assert steps["The first month-end"][0] == "/office/months"
    assert nothing.browser("auditor").get("/office/malls/new").status_code == 403


def test_a_mall_is_added_with_its_log_line(nothing: Nothing) -> None:
    send(nothing.browser("manager"), "/office/malls/new", name="Elm Hall", code="elm", timezone="America/Denver", address="")
    with transaction(nothing.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        assert (mall.code, mall.name, mall.timezone, mall.address) == ("ELM", "Elm Hall", "America/Denver", "")
        line = session.scalars(select(AuditLog).where(AuditLog.action == "mall added")).one()
        assert (line.subject_kind, line.subject_id) == ("mall", "ELM")


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"name": ""}, "name", "Write the mall’s name."),
        ({"code": ""}, "code", "Write a short code, like MAIN."),
        ({"code": "E L M"}, "code", "use one to twelve letters, digits or hyphens"),
        ({"timezone": ""}, "timezone", "Choose the time zone the mall is in."),
        ({"timezone": "America/Atlantis"}, "timezone", "Choose one of those listed."),
    ],
)
def test_what_is_wrong_with_a_mall_is_told_at_its_field(
    nothing: Nothing, typed: dict[str, str], field: str, sentence: str
) -> None:
    given = {"name": "Elm Hall", "code": "ELM", "timezone": "America/Denver", "address": "1 Elm St"} | typed
    answer = send(nothing.browser("manager"), "/office/malls/new", **given)
    assert answer.status_code == 422
    told = re.search(rf'id="{field}-wrong">(.*?)</p>', answer.text, re.S)
    assert told
    assert sentence in unescape(told[1])
    assert "1 Elm St" in answer.text
    with transaction(nothing.sessions) as session:
        assert session.scalars(select(Mall)).all() == []


def test_a_code_is_given_once(nothing: Nothing) -> None:
    given = {"name": "Elm Hall", "code": "ELM", "timezone": "America/Denver", "address": ""}
    manager = nothing.browser("manager")
    assert send(manager, "/office/malls/new", **given).status_code == 303
    twice = send(manager, "/office/malls/new", **given)
    assert twice.status_code == 422
    assert "Mall code ELM is taken: choose another." in twice.text


def test_the_zones_are_places_and_those_of_america_come_first() -> None:
    listed = zones()
    assert listed[0].startswith("America/")
    assert {"America/Chicago", "Pacific/Honolulu", "Europe/Dublin"} <= set(listed)
    assert set(listed) <= available_timezones()
    assert not [name for name in listed if name.startswith("Etc/")]
    assert datetime(2026, 11, 3, tzinfo=ZoneInfo(listed[0])).date() == date(2026, 11, 3)
