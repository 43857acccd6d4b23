"""Whatever the office changes of a plan has its bays worked out anew, where the mall lends floor."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

from flask.testing import FlaskClient
from sqlalchemy import select, update
from werkzeug.test import TestResponse

from coop.core.db import transaction
from coop.core.jobs import Job
from coop.floor.domain.draft import PartDraft, PlanDraft, draft_value
from coop.floor.models import Mall
from coop.floor.queries import draft_of, plan_version
from coop.overflow.survey_asking import KIND
from tests.factories.overflow_floor import lay_rules
from tests.factories.overflow_hall import build_overflow_hall, feet
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_floor import PLAN, fields, post_json


def _sent(web: Web, x: int) -> tuple[PlanDraft, int]:
    """The plan with a post, and its version."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        draft = draft_of(session, mall, web.clock.at.date())
        assert draft is not None
        parts = (*(part for part in draft.parts if part.code != "P1"), PartDraft("P1", "post", feet(x, 2, 1, 1)))
        return replace(draft, parts=parts), plan_version(session, mall.id)


def _saved(web: Web, client: FlaskClient) -> TestResponse:
    draft, version = _sent(web, 56)
    return post_json(client, f"{PLAN}/save", {"draft": draft_value(draft), "version": version})


def _applied(web: Web, client: FlaskClient) -> TestResponse:
    draft, version = _sent(web, 57)
    return send(client, f"{PLAN}/files/apply", version=str(version), draft=json.dumps(draft_value(draft)))


def _typed(_: Web, client: FlaskClient) -> TestResponse:
    return send(client, f"{PLAN}/edit", **fields(client.get(f"{PLAN}/edit").text))


ACTS: dict[str, Callable[[Web, FlaskClient], TestResponse]] = {
    "the plan drawn": _saved,
    "the plan from a file": _applied,
    "the plan typed": _typed,
    "a space renamed": lambda _, client: send(client, f"{PLAN}/spaces/31/code", code="31A"),
    "a space retired": lambda _, client: send(client, f"{PLAN}/spaces/32/retire", retired_on="2026-11-03"),
    "a space put back": lambda _, client: send(client, f"{PLAN}/spaces/32/return"),
    "a width": lambda _, client: send(
        client, f"{PLAN}/aisles", aisle="A1", width="60 in.", starts_on="2026-12-01", said_by="fire marshal"
    ),
}


def test_each_act_of_the_floor_asks_for_a_survey_where_floor_is_lent(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        build_overflow_hall(session, web.clock.at, mall)
        lay_rules(session, mall)
    client = web.browser("manager")
    asked = {}
    for what, act in ACTS.items():
        assert act(web, client).status_code in (200, 303), what
        with transaction(web.sessions) as session:
            asked[what] = len(session.scalars(select(Job.id).where(Job.kind == KIND, Job.state == "queued")).all())
            session.execute(update(Job).where(Job.kind == KIND).values(state="done"))
    assert asked == dict.fromkeys(ACTS, 1)
