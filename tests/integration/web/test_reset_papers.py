"""The page of a reset's paper: only own ones, asked for, waited for, taken, and what is refused said beside the form."""

from __future__ import annotations

from typing import Any

from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from coop.core.db import transaction
from coop.core.jobs import Job
from coop.resets.domain.caution import CAUTION
from coop.resets.models import PieceRow
from tests.integration.web.conftest import Web, form_token


def page_of(web: Web) -> str:
    return f"/portal/resets/days/{web.house.resets.reset}/paper"


def send(client: FlaskClient, path: str, **fields: Any) -> TestResponse:
    return client.post(path, data={"csrf_token": form_token(client), **fields})


def test_anothers_paper_is_as_if_it_were_not_there(web: Web) -> None:
    amos, here = web.browser("other dealer"), page_of(web)
    for path in (here, f"{here}/steps", f"{here}/{web.house.resets.paper}.pdf"):
        assert amos.get(path).status_code == 404
    assert send(amos, here, scale="48", size="letter").status_code == 404
    own = web.browser("dealer")
    assert own.get(f"{here}/{web.house.plan_paper}.pdf").status_code == 404, "a document that is no paper of a reset"


def test_a_paper_is_asked_for_waited_for_and_taken(web: Web) -> None:
    client, here = web.browser("dealer"), page_of(web)
    page = client.get(here).text
    assert f"{here}/{web.house.resets.paper}.pdf" in page, "the one there is of this plan"
    assert '<option selected value="24">' in page, "what fits one sheet"
    assert CAUTION[:30] in page
    assert send(client, here, scale="24", size="a4").status_code == 303
    with transaction(web.sessions) as session:
        job = session.scalars(select(Job).where(Job.kind == "resets.paper")).one()
        assert (job.args["scale"], job.args["size"]) == (24, "a4")
    page = client.get(here).text
    assert "The paper waits to be made." in page
    assert "Make the paper" not in page
    assert 'data-ended="no"' in client.get(f"{here}/steps").text
    with transaction(web.sessions) as session:
        row = session.get_one(Job, job.id)
        row.state, row.error = "failed", "The paper of Booth 12 was not rendered: a library is missing."
    steps = client.get(f"{here}/steps").text
    assert 'data-ended="yes"' in steps
    assert "a library is missing" in steps
    assert "Make the paper" in client.get(here).text, "it may be asked for again"
    made = client.get(f"{here}/{web.house.resets.paper}.pdf")
    assert (made.mimetype, made.data) == ("application/pdf", b"%PDF-1.7 reset")


def test_what_cannot_be_printed_is_said_beside_the_form(web: Web) -> None:
    client, here = web.browser("dealer"), page_of(web)
    assert send(client, here, scale="96", size="letter").status_code == 422
    with transaction(web.sessions) as session:
        session.get_one(PieceRow, web.house.resets.piece).width_in16 += 16
    assert "have changed since plan 1 was worked out" in client.get(here).text
    answer = send(client, here, scale="48", size="letter")
    assert answer.status_code == 422
    assert "have changed since plan 1 was worked out" in answer.text
    assert '<option selected value="48">' in answer.text, "what was chosen stays"
    with transaction(web.sessions) as session:
        assert session.scalars(select(Job).where(Job.kind == "resets.paper")).all() == []


def test_the_page_of_the_reset_leads_to_its_paper(web: Web) -> None:
    assert page_of(web) in web.browser("dealer").get(f"/portal/resets/days/{web.house.resets.reset}").text
