"""What a database's error says, wherever it is kept or logged: which rule was broken, and never whose row it was."""

from __future__ import annotations

import logging
import traceback
from datetime import datetime, timedelta

import pytest
from sqlalchemy import insert, select
from sqlalchemy.exc import IntegrityError

from coop.core import jobs
from coop.core.db import Sessions, insert_ignoring, transaction
from coop.core.jobs import KINDS, Kind, name_job, run_job
from coop.core.schedule import ScheduleSlot
from coop.dealers.models import Dealer, UserAccount
from tests.factories.people import make_dealer

EMAIL = "ida.fenwick@example.org"


def account(now: datetime) -> UserAccount:
    return UserAccount(email=EMAIL, password_hash="x", created_at=now)


def test_an_error_names_the_rule_and_not_the_row(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        session.add(account(now))
    with pytest.raises(IntegrityError) as caught, transaction(sessions) as session:
        session.add(account(now))
    said = "".join(traceback.format_exception(caught.value))
    assert EMAIL not in said
    assert "DETAIL" not in said
    assert "user_account" in str(caught.value)
    assert "email" in str(caught.value)


@pytest.mark.postgres
def test_postgresqls_own_code_and_constraint_are_kept(postgres_database_url, make_test_engine, now) -> None:
    engine = make_test_engine(postgres_database_url)
    row = {"email": EMAIL, "password_hash": None, "created_at": now}
    with pytest.raises(IntegrityError) as caught, engine.begin() as connection:
        connection.execute(insert(UserAccount), row)
    said = "".join(traceback.format_exception(caught.value))
    assert EMAIL not in said
    assert "Failing row" not in said
    assert str(caught.value.orig).endswith("violates not-null constraint [23502]")
    with pytest.raises(IntegrityError) as caught, engine.begin() as connection:
        connection.execute(insert(UserAccount), [row | {"password_hash": "x"}] * 2)
    assert str(caught.value.orig).endswith("[23505, uq_user_account_email]")


def test_a_job_keeps_and_logs_the_rule_and_not_the_row(
    sessions: Sessions, now: datetime, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def twice(session, now, args):  # type: ignore[no-untyped-def]
        session.add(account(now))
        session.flush()
        session.add(account(now))

    monkeypatch.setitem(KINDS, "twice", Kind("twice", "default", short=twice))
    with transaction(sessions) as session:
        name_job(session, now, "twice", {}, queue="default")
    monkeypatch.setattr(logging.getLogger("coop"), "propagate", True)
    with caplog.at_level(logging.DEBUG):
        assert run_job(sessions, 1, lease=timedelta(minutes=1), clock=lambda: now)
    with transaction(sessions) as session:
        kept = session.scalars(select(jobs.Job.error)).one()
    assert kept.startswith("IntegrityError: ")
    assert "job 1 (twice) failed" in caplog.text
    assert EMAIL not in kept + caplog.text


def test_an_insert_that_ignores_leaves_the_row_that_is_there(sessions: Sessions, now: datetime) -> None:
    values = {"schedule": "s", "slot": 1, "at": now}
    for key in ((), ("schedule", "slot")):
        with transaction(sessions) as session:
            session.execute(insert_ignoring(session, ScheduleSlot, *key).values(values | {"at": now + timedelta(days=1)}))
            session.execute(insert_ignoring(session, ScheduleSlot, *key).values(values))
    with transaction(sessions) as session:
        assert session.scalars(select(ScheduleSlot.at)).all() == [now + timedelta(days=1)]


def test_an_insert_that_ignores_one_key_still_refuses_another(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_dealer(session, now, "D01")
    values = {"member_id": 1, "trade_name": "", "created_at": now}
    with transaction(sessions) as session:
        session.execute(insert_ignoring(session, Dealer, "code").values(values | {"code": "D01"}))
    with pytest.raises(IntegrityError), transaction(sessions) as session:
        session.execute(insert_ignoring(session, Dealer, "code").values(values | {"code": "D02", "id": 1}))
