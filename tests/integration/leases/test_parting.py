"""A member leaves the co-op: not while a lease runs, not ahead of the day; and it is taken back."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.leases.parting import come_back, leave_coop
from tests.factories.hall import Hall
from tests.factories.leases import make_lease
from tests.factories.people import make_mall

TODAY = date(2026, 11, 3)


def refused(session: Session, hall: Hall, left_on: date, sentence: str) -> None:
    with pytest.raises(Refusal) as told:
        leave_coop(session, hall.now, hall.ida, left_on, today=TODAY)
    assert str(told.value) == sentence
    assert hall.ida.member.left_on is None


def test_a_member_leaves_once_no_lease_runs_on(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, now)
        lease = hall.lease(hall.ida, hall.booth)
        annex = make_lease(session, now, make_mall(session, now, "ANNEX"), hall.ida, starts_on=date(2026, 12, 1))
        first = "The lease of Ida Fenwick at Lantern Yard Antiques Hall from Jan 1, 2020 runs"
        more = "give notice on it first, or write a day when it is over."
        refused(session, hall, TODAY, f"{first} and has no end: {more}")
        lease.ends_on = date(2026, 11, 30)
        session.flush()
        refused(session, hall, TODAY, f"{first} until Nov 30, 2026: {more}")
        lease.ends_on = date(2026, 10, 31)
        session.flush()
        # One at another mall that has yet to begin runs on as well.
        refused(session, hall, TODAY, f"The lease of Ida Fenwick at Hall ANNEX from Dec 1, 2026 runs and has no end: {more}")
        session.delete(annex)
        session.flush()
        refused(session, hall, date(2026, 11, 4), "Nov 4, 2026 is to come: write it down on that day, or after it.")
        refused(session, hall, date(2025, 2, 28), "Ida Fenwick joined on Mar 1, 2025: write that day or a later one.")
        leave_coop(session, now, hall.ida, date(2026, 10, 31), today=TODAY)
        assert hall.ida.member.left_on == date(2026, 10, 31)
        with pytest.raises(Refusal, match="Ida Fenwick left on Oct 31, 2026 already: take that back first"):
            leave_coop(session, now, hall.ida, TODAY, today=TODAY)
        come_back(session, now, hall.ida)
        assert hall.ida.member.left_on is None
        with pytest.raises(Refusal, match="Ida Fenwick has not left"):
            come_back(session, now, hall.ida)
        log = session.execute(select(AuditLog.action, AuditLog.subject_id, AuditLog.detail).order_by(AuditLog.id)).all()
        assert [tuple(row) for row in log[-2:]] == [
            ("member left", "D01", "on 2026-10-31"),
            ("member back", "D01", "had left on 2026-10-31"),
        ]
