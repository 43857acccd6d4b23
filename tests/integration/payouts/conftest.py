"""Two malls and five dealers as `build_malls` has them, and runs of payouts worked off in the test's own process."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core import jobs
from coop.core.db import Sessions, transaction
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer
from coop.payouts.bank_file import taken_bank_file
from coop.payouts.holding import ARREARS, decide_hold
from coop.payouts.models import PayoutLine, PayoutRun
from coop.payouts.queries import lines_of
from coop.payouts.runs import approve_run, prepare_run
from tests.factories.payouts import OCTOBER, Malls, build_malls

LEASE = timedelta(minutes=5)


@dataclass
class Office:
    """The malls, and what the office does."""

    sessions: Sessions
    settings: Settings
    malls: Malls
    now: datetime

    @property
    def keys(self) -> FieldKeys:
        return FieldKeys.of(self.settings)

    def work(self) -> None:
        """Do the jobs there are, at this moment."""
        while True:
            with transaction(self.sessions) as session:
                claimed = jobs.claim_next(session, self.now, LEASE, queues=("statements",))
            if claimed is None:
                return
            jobs.run_job(self.sessions, claimed[0], lease=LEASE, settings=self.settings, token=claimed[1], clock=lambda: self.now)

    def prepare(self) -> int:
        """October's run, prepared by the bookkeeper; its number."""
        with transaction(self.sessions) as session:
            run = prepare_run(session, self.now, OCTOBER, user_id=self.malls.bookkeeper)
            assert run is not None
            return run.number

    def approved(self, number: int = 1, first_check: int = 1041) -> None:
        """Approved by the second manager, its files made, and the bank's taken."""
        with transaction(self.sessions) as session:
            approve_run(session, self.now, self.run(session, number), user_id=self.malls.second, first_check=first_check)
        self.work()
        with transaction(self.sessions) as session:
            run = self.run(session, number)
            if run.ach_document_id is not None:
                taken_bank_file(session, self.now, run, self.keys, user_id=self.malls.second)

    def pay_d01(self, session: Session) -> None:
        """The bookkeeper decides that D01 is paid although she owes at EAST."""
        dealer = session.get_one(Dealer, self.malls.dealers["D01"])
        decide_hold(
            session,
            self.now,
            OCTOBER,
            dealer,
            kind=ARREARS,
            pays=True,
            reason="What she owes is netted.",
            user_id=self.malls.bookkeeper,
        )

    def run(self, session: Session, number: int = 1) -> PayoutRun:
        return session.scalars(select(PayoutRun).where(PayoutRun.number == number)).one()

    def lines(self, session: Session, number: int = 1) -> dict[str, PayoutLine]:
        codes = {dealer_id: code for code, dealer_id in self.malls.dealers.items()}
        return {codes[line.dealer_id]: line for line in lines_of(session, self.run(session, number))}


@pytest.fixture
def office(sessions: Sessions, database_url: str, tmp_path: Path, now: datetime) -> Office:
    settings = Settings(data=tmp_path, database_url=database_url)
    with transaction(sessions) as session:
        malls = build_malls(session, now, FieldKeys.of(settings))
    return Office(sessions, settings, malls, now)
