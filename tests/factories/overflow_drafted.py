"""A hall in which overflow is drafted: what is asked in it, the jobs that wait done one after the other, a draft published."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.jobs import Job, claim_next, run_job
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.overflow.drafting import ask_draft
from coop.overflow.models import OverflowDraft
from coop.overflow.publishing import publish
from coop.overflow.surveying import Found, ground_digest, keep_survey, read_ground, survey
from tests.factories.house import add_person
from tests.factories.overflow_floor import lay_piece, lay_request, lay_rules
from tests.factories.overflow_hall import build_overflow_hall
from tests.factories.people import make_coop, make_mall

TODAY, FIRST = date(2026, 11, 3), date(2026, 11, 9)
LEASE = timedelta(seconds=60)


FOUND: dict[str, Found] = {}
"""What a survey finds, by what it is made of: each once a process."""


class Floor:
    """The hall with V1 to V6, house rules, and what is asked in it. Its bays are worked out, unless they are to be yet."""

    def __init__(self, sessions: Sessions, now: datetime, *, surveyed: bool = True) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            make_coop(session, now)
            self.hall = build_overflow_hall(session, now, make_mall(session, now))
            self.mall_id = self.hall.mall.id
            lay_rules(session, self.hall.mall)
            member = self.hall.dealers["V1"].member_id
            self.by = By(add_person(session, now, "vera@example.org", ("dealer",), member))
            if surveyed:
                ground = read_ground(session, self.hall.mall, TODAY)
                assert ground is not None
                made = ground_digest(ground)
                FOUND[made] = FOUND.get(made) or survey(ground)
                keep_survey(session, now, self.hall.mall, ground, FOUND[made])

    def mall(self, session: Session) -> Mall:
        return session.get_one(Mall, self.mall_id)

    def request(self, code: str, *names: str, size: tuple[int, int, int] = (36, 18, 30), weeks: int = 4, **more: Any) -> int:
        """Asked since October 1, from November 9 on; the pieces are alike."""
        values: dict[str, Any] = {"asked_on": date(2026, 10, 1), "not_before": FIRST, "weeks": weeks, **more}
        with transaction(self.sessions) as session:
            dealer = self.hall.dealers[code]
            row = lay_request(session, self.hall.mall, dealer, **values)
            for name in names:
                lay_piece(session, dealer, name, size, row)
            return row.id

    def ask(self, *, weeks: int = 4, seconds: int = 5, seed: int | None = 7, first_day: date = FIRST) -> int:
        with transaction(self.sessions) as session:
            return ask_draft(
                session, self.now, self.mall(session), first_day=first_day, weeks=weeks, seconds=seconds, seed=seed, by=self.by
            ).id

    def work(self, meanwhile: Callable[[str], None] = lambda kind: None) -> list[tuple[str, str]]:
        """Do what waits, and what comes of each: its kind and state."""
        done = []
        for _ in range(9):
            with transaction(self.sessions) as session:
                claimed = claim_next(session, self.now, LEASE, ("rota",))
                if claimed is None:
                    return done
                kind = session.get_one(Job, claimed[0]).kind
            meanwhile(kind)
            run_job(self.sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: self.now)
            with transaction(self.sessions) as session:
                job = session.get_one(Job, claimed[0])
                done.append((kind, job.error or job.state))
        raise AssertionError("jobs ask for one another for ever")

    def outcome(self, draft_id: int) -> dict[str, Any]:
        with transaction(self.sessions) as session:
            outcome = session.get_one(OverflowDraft, draft_id).outcome
            assert outcome is not None
            return outcome

    def drafted(self, **more: Any) -> int:
        draft_id = self.ask(**more)
        assert self.work()[-1] == ("overflow.draft", "done")
        return draft_id

    def publish(self, draft_id: int) -> int:
        with transaction(self.sessions) as session:
            return publish(session, self.now, session.get_one(OverflowDraft, draft_id), by=self.by)
