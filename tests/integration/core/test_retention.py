"""What is forgotten each day, and what stays, on both databases."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import select

import coop.rooms
from coop.core import retention, schedule
from coop.core.db import Sessions, transaction
from coop.core.jobs import Job, name_job, run_job
from coop.core.mail import MailAttempt, list_mail, queue_mail
from coop.dealers.models import SignInAttempt, UserAccount, WebSession
from coop.dealers.service import KEEP_ATTEMPTS, KEEP_SESSIONS

HOUR = timedelta(hours=1)


def run(sessions: Sessions, now: datetime, kind: str) -> None:
    assert coop.rooms.METADATA.tables
    assert kind in {each.kind for each in schedule.SCHEDULE}
    with transaction(sessions) as session:
        name_job(session, now, kind, {}, queue="default", key="the sweep")
        job_id = session.scalars(select(Job.id).where(Job.key == "the sweep")).one()
    assert run_job(sessions, job_id, lease=HOUR, clock=lambda: now)
    with transaction(sessions) as session:
        assert session.get_one(Job, job_id).state == "done"


def test_jobs_that_ended_long_ago_are_forgotten(sessions: Sessions, now: datetime) -> None:
    ended = {
        "done, older": ("done", now - retention.KEEP_DONE_JOBS - HOUR),
        "done": ("done", now - retention.KEEP_DONE_JOBS + HOUR),
        "failed, older": ("failed", now - retention.KEEP_FAILED_JOBS - HOUR),
        "failed": ("failed", now - retention.KEEP_DONE_JOBS - HOUR),
        "queued": ("queued", None),
        "running": ("running", None),
    }
    with transaction(sessions) as session:
        for key, (state, finished_at) in ended.items():
            long_ago = now - 2 * retention.KEEP_FAILED_JOBS
            session.add(
                Job(
                    kind="x", queue="rota", key=key, state=state, run_after=long_ago, created_at=long_ago, finished_at=finished_at
                )
            )
    run(sessions, now, "core.forget_jobs")
    with transaction(sessions) as session:
        left = set(session.scalars(select(Job.key).where(Job.kind == "x")))
    assert left == {"done", "failed", "queued", "running"}


def test_old_attempts_are_forgotten_but_the_last_of_each_mail(sessions: Sessions, now: datetime) -> None:
    old, fresh = now - retention.KEEP_MAIL_ATTEMPTS - HOUR, now - retention.KEEP_MAIL_ATTEMPTS + HOUR
    with transaction(sessions) as session:
        for key, moments in (("a", (old, old)), ("b", (old, fresh, fresh))):
            mail = queue_mail(
                session,
                now,
                key=key,
                kind="note",
                recipient="dealer@example.org",
                subject="",
                text_body="",
                mail_domain="example.org",
            )
            for n, at in enumerate(moments):
                session.add(MailAttempt(outbox_id=mail.id, started_at=at, ended_at=at, outcome="put_off", reply=f"{key}{n}"))
                session.flush()
    run(sessions, now, "core.forget_mail_attempts")
    with transaction(sessions) as session:
        assert session.scalars(select(MailAttempt.reply).order_by(MailAttempt.id)).all() == ["a1", "b1", "b2"]
        assert [mail.reply for mail in list_mail(session)] == ["b2", "a1"]


def test_old_tries_and_sessions_are_forgotten_though_nobody_signs_in(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        session.add(UserAccount(id=1, email="ida@example.org", password_hash="x", created_at=now))
        session.flush()
        for at in (now - KEEP_ATTEMPTS - HOUR, now - KEEP_ATTEMPTS + HOUR):
            session.add(SignInAttempt(at=at, email="ida@example.org", address="192.0.2.1", succeeded=False))
        for n, at in enumerate((now - KEEP_SESSIONS - HOUR, now - KEEP_SESSIONS + HOUR, now + HOUR)):
            session.add(
                WebSession(
                    user_id=1, token_sha256=str(n), created_at=at - HOUR, seen_at=at, expires_at=at, address="192.0.2.1", agent=""
                )
            )
    run(sessions, now, "dealers.forget_sign_ins")
    with transaction(sessions) as session:
        assert session.scalars(select(SignInAttempt.at)).all() == [now - KEEP_ATTEMPTS + HOUR]
        assert set(session.scalars(select(WebSession.token_sha256))) == {"1", "2"}
