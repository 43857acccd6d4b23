"""A month whose statements are handed out on paper, and one whose papers wait behind all other work."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from coop.closing.models import MonthClose
from coop.closing.queries import group_of
from coop.closing.service import hand_out_on_paper
from coop.core.audit import AuditLog
from coop.core.behind import put_behind
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.core.mail import Outbox
from coop.statements.models import Statement
from tests.factories.house import add_person

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
REASON = "They were in the pigeonholes on the 2nd"


def on_paper(desk, by, reason=REASON):
    with transaction(desk.sessions) as session:
        hand_out_on_paper(session, utc_now(), session.scalars(select(MonthClose)).one(), reason=reason, user_id=by)


@pytest.fixture
def manager(desk):
    with transaction(desk.sessions) as session:
        return add_person(session, utc_now(), "manager@example.org", ("manager",))


def test_a_month_handed_out_on_paper_mails_nothing_however_often_it_is_taken_up(desk, manager):
    desk.start()
    on_paper(desk, manager)
    desk.work()
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    assert steps["mail"].report == f"None is mailed: {REASON}"
    assert steps["statements"].report == "4 statements are made."
    assert desk.month_close().finished_at is not None
    with transaction(desk.sessions) as session:
        assert session.scalars(select(Outbox)).all() == []
        said = select(AuditLog.detail).where(AuditLog.action == "step let pass")
        assert session.scalars(said).all() == ["mail"]


@SQLITE
def test_only_a_manager_says_so_with_a_reason_and_before_the_first_letter(desk, manager):
    desk.start()
    with pytest.raises(Refusal, match="Only a manager"):
        on_paper(desk, None)
    with pytest.raises(Refusal, match="why it may pass"):
        on_paper(desk, manager, reason=" ")
    desk.work()
    with pytest.raises(Refusal, match="'Statements are mailed' has begun"):
        on_paper(desk, manager)


@SQLITE
def test_payouts_wait_for_no_paper_and_who_watches_papers_that_wait_behind_looks_seldom(desk):
    desk.start()
    desk.work_until("payouts")
    assert desk.steps()["payouts"].state == "done"
    with transaction(desk.sessions) as session:
        assert session.scalars(select(Statement)).all() == []
    while desk.steps()["statements"].state == "waiting":
        desk.work_one()
    group = group_of(desk.month_close().id)
    with transaction(desk.sessions) as session:
        assert put_behind(session, utc_now() - timedelta(hours=1), kind="statements.make", group_key=group) == 4
    before = utc_now()
    desk.work_one()
    with transaction(desk.sessions) as session:
        watch = session.scalars(select(Job).where(Job.kind == "closing.watch")).one()
        assert watch.state == "queued"
        assert watch.run_after >= before + timedelta(seconds=10)
        assert {job.queue for job in session.scalars(select(Job).where(Job.kind == "statements.make"))} == {"behind"}
