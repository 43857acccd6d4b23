"""A rota published: once, with its history begun and its members told; refused while something stands against it."""

from __future__ import annotations

from datetime import datetime

import pytest
from sqlalchemy import delete, select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.shifts.drafting import ask_draft
from coop.shifts.models import Turn
from coop.shifts.publishing import publish
from coop.shifts.turn_models import TurnChange
from tests.factories.rotas import Drafted


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Drafted:
    """D01 opens and D02 closes on December 1; all else is uncovered."""
    made = Drafted(sessions, now)
    made.seat("D01", 1)
    made.seat("D02", 1, opens=False)
    return made


def test_a_rota_is_published_with_what_is_uncovered_and_its_members_are_told(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        rota = hall.rota(session)
        turns = len(session.scalars(select(Turn.id).where(Turn.rota_id == rota.id)).all())
        assert publish(session, hall.now, rota, None, version=rota.version) == turns - 2
    with transaction(hall.sessions) as session:
        rota = hall.rota(session)
        assert (rota.state, rota.published_at) == ("published", hall.now)
        changes = session.scalars(select(TurnChange).order_by(TurnChange.turn_id)).all()
        assert [(one.how, one.from_member_id, one.to_member_id) for one in changes] == [
            ("published", None, hall.members["D01"]),
            ("published", None, hall.members["D02"]),
        ]
        told = session.scalars(select(Job).where(Job.kind == "shifts.tell")).all()
        assert [job.args["what"] for job in told] == ["published"]
        assert session.scalars(select(AuditLog.subject_id).where(AuditLog.action == "rota published")).all() == ["MAIN 2026-12"]


def test_a_rota_is_published_once(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        publish(session, hall.now, hall.rota(session), None)
    with hall.sessions() as session, session.begin(), pytest.raises(Refusal, match="December 2026 is published already"):
        publish(session, hall.now, hall.rota(session), None)


def test_a_broken_hard_rule_is_named_with_its_turn_and_what_mends_it(hall: Drafted) -> None:
    hall.seat("D04", 2)
    with hall.sessions() as session, session.begin():
        with pytest.raises(Refusal) as refused:
            publish(session, hall.now, hall.rota(session), None)
        assert str(refused.value).startswith("Desk on Wed, Dec 2, 10 am to 2 pm: ")
        assert "Give the turn to somebody else, or change the house rule, and publish then." in str(refused.value)
        assert str(refused.value).endswith("2 more are told on the page of the month.")


def test_what_was_changed_since_it_was_looked_at_is_not_published(hall: Drafted) -> None:
    with hall.sessions() as session, session.begin():
        rota = hall.rota(session)
        with pytest.raises(Refusal, match="was changed since this page was shown"):
            publish(session, hall.now, rota, None, version=rota.version - 1)


def test_nothing_is_published_while_a_draft_goes_on(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        ask_draft(session, hall.now, hall.rota(session), seconds=5, seed=1)
    with hall.sessions() as session, session.begin(), pytest.raises(Refusal, match="A draft of December 2026 is going on"):
        publish(session, hall.now, hall.rota(session), None)


def test_a_rota_without_turns_is_not_published(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        session.execute(delete(Turn).where(Turn.rota_id == hall.rota_id))
    with hall.sessions() as session, session.begin(), pytest.raises(Refusal, match="has no turns"):
        publish(session, hall.now, hall.rota(session), None)
