"""The beginning from paper in the office: read by one, signed by another; and a step let pass on the month's page."""

from __future__ import annotations

import io
import re
from datetime import date
from decimal import Decimal

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import select, update
from werkzeug.test import TestResponse

from coop.books.domain.opening_csv import EXAMPLE
from coop.books.models import Entry
from coop.closing.models import CloseOverride, CloseStep
from coop.core.db import Sessions, transaction
from coop.core.jobs import Job
from coop.dealers import service as people
from coop.tax import service as tax
from tests.factories.coops import found
from tests.factories.house import add_person
from tests.integration.web.conftest import Clock, Web, form_token, send

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def browsers(app: Flask, sessions: Sessions, clock: Clock) -> dict[str, FlaskClient]:
    """Two people of the office of a co-op whose books are empty, and an auditor."""
    made = {}
    with transaction(sessions) as session:
        coop = found(session, clock.at, dealers=("D01", "D02"))
        state = tax.add_jurisdiction(session, code="STATE", name="State of Elmora", kind="state")
        tax.set_rate(session, state, Decimal("5.5"), starts_on=date(2025, 1, 1))
        tax.set_place(session, coop.mall.id, [state], starts_on=date(2025, 1, 1))
        for who in ("manager", "bookkeeper", "auditor"):
            user_id = add_person(session, clock.at, f"{who}@example.org", (who,))
            token = people.begin_session(session, clock.at, user_id, address="192.0.2.7", agent="Firefox/140.0")
            made[who] = app.test_client()
            made[who].set_cookie("coop", token)
    return made


def bring(client: FlaskClient, text: str, month: str = "2026-09") -> TestResponse:
    data = {"csrf_token": form_token(client), "first_month": month, "file": (io.BytesIO(text.encode()), "paper.csv")}
    return client.post("/office/beginning/read", data=data, content_type="multipart/form-data")


@SQLITE
def test_a_file_is_read_by_one_signed_by_another_and_then_stands(browsers: dict[str, FlaskClient], sessions: Sessions) -> None:
    manager, bookkeeper = browsers["manager"], browsers["bookkeeper"]
    first = manager.get("/office/beginning/").text
    assert "Read the file" in first
    for path in ("floor", "dealers", "leases", "tax"):
        assert f'<a href="/office/{path}/">' in first.split("These have to be here first")[1]
    assert "brings its balances first" in manager.get("/office/months").text
    assert manager.get("/office/beginning/example.csv").text == EXAMPLE
    assert "reads the file" in browsers["auditor"].get("/office/beginning/").text

    wrong = bring(manager, EXAMPLE.replace("dealer,MAIN,D02", "dealer,MAIN,D77").replace("gift,MAIN", "gift,WEST"))
    assert wrong.status_code == 422
    assert "2 things are to be mended" in wrong.text
    assert "Row 3: there is no dealer D77" in wrong.text
    assert "Row 6: there is no mall WEST" in wrong.text

    assert bring(manager, EXAMPLE).status_code == 303
    mine = manager.get("/office/beginning/").text
    assert "You have read this file" in mine
    assert "Sign and post" not in mine
    assert "The co-op has $1,600.00; it owes $666.90, and its equity is $933.10." in mine
    own = send(manager, "/office/beginning/1/sign")
    assert own.status_code == 422
    assert "a second person has to approve it" in own.text

    to_sign = bookkeeper.get("/office/beginning/").text
    assert "Sign and post" in to_sign
    cells = re.sub(r"\s*</?t[dhr][^>]*>\s*", "|", to_sign)
    assert re.search(r"\|2\|+dealer\|+MAIN\|+D01\|+412\.50\|", cells)
    assert re.search(r"\|3\|+dealer\|+MAIN\|+D02\|+[-\u2212]65\.00\|", cells)
    assert "1.5 turns" in to_sign
    assert "Orla Quint" not in to_sign
    assert send(bookkeeper, "/office/beginning/1/sign").status_code == 303
    done = bookkeeper.get("/office/beginning/").text
    assert "The books began with September 2026, from paper.csv." in done
    assert "Signed by bookkeeper@example.org" in done
    with transaction(sessions) as session:
        assert set(session.scalars(select(Entry.business_date))) == {date(2026, 8, 31)}
    months = manager.get("/office/months").text
    assert "September 2026" in months
    assert "August 2026" not in months


@SQLITE
def test_a_dropped_file_makes_room(browsers: dict[str, FlaskClient]) -> None:
    manager = browsers["manager"]
    assert bring(manager, "").status_code == 422
    assert bring(manager, EXAMPLE, month="soon").status_code == 422
    assert bring(manager, EXAMPLE).status_code == 303
    again = bring(manager, EXAMPLE)
    assert "waits to be signed already" in again.text
    assert send(manager, "/office/beginning/1/drop").status_code == 303
    assert "Dropped" in manager.get("/office/beginning/").text
    assert bring(manager, EXAMPLE).status_code == 303


@SQLITE
def test_the_manager_lets_a_refused_step_pass_with_a_reason(web: Web) -> None:
    with transaction(web.sessions) as session:
        after = CloseStep.position > select(CloseStep.position).where(CloseStep.name == "drawers").scalar_subquery()
        session.execute(update(CloseStep).where(after).values(state="waiting"))
        refused = {"state": "refused", "report": "The drawer was never counted.", "mend": "/office/sales/drawers/MAIN"}
        session.execute(update(CloseStep).where(CloseStep.name == "drawers").values(**refused))
        session.execute(update(Job).where(Job.kind == "closing.watch").values(state="done"))
    address = "/office/months/MAIN/2026-10"
    assert "Let it pass" not in web.browser("bookkeeper").get(address).text
    client = web.browser("manager")
    page = client.get(address).text
    assert "Let it pass and go on" in page
    assert 'href="/office/sales/drawers/MAIN">Mend it' in page
    empty = send(client, f"{address}/steps/drawers/pass", reason=" ")
    assert empty.status_code == 422
    assert "Say why it may pass." in empty.text
    assert send(client, f"{address}/steps/tax/pass", reason="No").status_code == 404
    assert send(client, f"{address}/steps/drawers/pass", reason="Stolen in the night").status_code == 303
    with transaction(web.sessions) as session:
        assert session.scalars(select(CloseOverride.reason)).all() == ["Stolen in the night"]
        assert session.scalars(select(CloseStep.state).where(CloseStep.name == "drawers")).all() == ["waiting"]
    assert "step let pass" in client.get("/office/log").text


@SQLITE
def test_all_steps_are_tried_at_once_and_nothing_is_kept(web: Web) -> None:
    with transaction(web.sessions) as session:
        refused = {"state": "refused", "report": "The drawer was never counted."}
        session.execute(update(CloseStep).where(CloseStep.name == "drawers").values(**refused))
        session.execute(update(Job).where(Job.kind == "closing.watch").values(state="done"))
        before = session.scalars(select(Entry.id).order_by(Entry.id)).all()
    page = send(web.browser("manager"), "/office/months/MAIN/2026-10/try")
    assert "Tried, and nothing changed" in page.text
    with transaction(web.sessions) as session:
        assert session.scalars(select(Entry.id).order_by(Entry.id)).all() == before
