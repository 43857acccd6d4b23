"""The small co-op, and its month-end worked off in the test's own process."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, text

from coop.closing.models import CloseStep, MonthClose
from coop.closing.queries import close_of, group_of
from coop.closing.service import start_close
from coop.config import Settings
from coop.core import jobs, pdf_engine
from coop.core.clock import utc_now
from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from tests.factories.coops import MARCH, SmallCoop, build_coop, content, noon_zone
from tests.work import work_off

LEASE = timedelta(seconds=30)


@dataclass
class Desk:
    """Month-ends of the mall MAIN."""

    sessions: Sessions
    settings: Settings
    coop: SmallCoop

    def start(self, month: Month = MARCH, now: datetime | None = None) -> None:
        with transaction(self.sessions) as session:
            start_close(session, now or utc_now(), mall_id=self.coop.mall.id, month=month)

    def work(self) -> None:
        """Do what there is to do, to its end."""
        work_off(self.sessions, self.settings)

    def close(self, month: Month = MARCH) -> dict[str, CloseStep]:
        self.start(month)
        self.work()
        return self.steps(month)

    def work_until(self, step: str) -> None:
        """Do the steps up to and with this one, and nothing after it."""
        while self.steps()[step].state not in ("done", "refused"):
            self.work_one()

    def work_one(self) -> None:
        """Do the next job of the steps themselves."""
        with transaction(self.sessions) as session:
            claimed = jobs.claim_next(session, utc_now(), LEASE, queues=("default",))
        assert claimed
        jobs.run_job(self.sessions, claimed[0], lease=LEASE, settings=self.settings, token=claimed[1])

    def steps(self, month: Month = MARCH) -> dict[str, CloseStep]:
        return {step.name: step for step in self.month_close(month).steps}

    def month_close(self, month: Month = MARCH) -> MonthClose:
        with transaction(self.sessions) as session:
            close = close_of(session, self.coop.mall.id, month)
            assert close is not None
            return close

    def content(self) -> dict[str, list]:
        with transaction(self.sessions) as session:
            return content(session)

    def failed(self) -> list[str]:
        """What jobs said that failed."""
        with transaction(self.sessions) as session:
            close = close_of(session, self.coop.mall.id, MARCH)
            assert close
            failed = select(jobs.Job.error).where(jobs.Job.state == "failed", jobs.Job.group_key == group_of(close.id))
            return list(session.scalars(failed))


RENDERED = functools.cache(pdf_engine.render_pdf)
"""The same text gives the same bytes, as tests/unit/core/test_pdf.py holds: of the small co-op's statements, in forty tests."""


@pytest.fixture(autouse=True)
def each_paper_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A text that was rendered in this process is not rendered again."""
    monkeypatch.setattr(pdf_engine, "render_pdf", RENDERED)


@pytest.fixture
def desk(sessions: Sessions, database_url: str, tmp_path: Path, now: datetime) -> Desk:
    with transaction(sessions) as session:
        coop = build_coop(session, now, zone=noon_zone())
    return Desk(sessions, Settings(data=tmp_path, database_url=database_url, job_lease_s=30), coop)


Forge = Callable[..., None]


@pytest.fixture
def forge(sessions: Sessions) -> Forge:
    """Change rows as an administrator can who takes the guards of a table away first."""

    def change(table: str, statement: str, **values: object) -> None:
        with transaction(sessions) as session:
            if jobs.dialect_name(session) == "sqlite":
                connection = session.connection()
                names = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?"
                guards = connection.exec_driver_sql(names, (table,)).all()
                for name, _ in guards:
                    connection.exec_driver_sql(f"DROP TRIGGER {name}")
                session.execute(text(statement), values)
                for _, sql in guards:
                    connection.exec_driver_sql(sql)
            else:
                session.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER USER"))
                session.execute(text(statement), values)
                session.execute(text(f"ALTER TABLE {table} ENABLE TRIGGER USER"))

    return change
