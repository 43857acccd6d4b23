"""A demo of two months, without the papers of the last: true to its checks, and the same again from the same seed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.bank_matching import FROM_LINE
from coop.books.models import Entry
from coop.books.service import check_books
from coop.cli.context import Coop, open_coop
from coop.cli.demo import make_year, progress_line, summarize
from coop.closing.models import CloseStep, MonthClose
from coop.core.audit import AuditLog
from coop.core.behind import behind_state
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.outbox import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.leases.deposits import check_deposits
from coop.payouts.holding import place_hold
from coop.payouts.models import PayoutRun
from coop.sales.claims import check_unclaimed
from coop.sales.drawers import check_counts
from coop.sales.models import Claim
from coop.statements.checking import check_statements
from coop.statements.models import Statement
from coop.statements.payday import payday_of, paydays_of
from coop.tax.models import TaxReturn

NOW = datetime(2026, 4, 3, 20, 0, tzinfo=UTC)
"""A Friday afternoon: February is closed and paid, its tax filed; March waits for its end."""


def made_in(folder: Path) -> Coop:
    coop = open_coop(folder, migrated=False)
    make_year(coop, NOW, seed=3, count=2)
    return coop


@pytest.fixture(scope="module")
def coop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Coop]:
    made = made_in(tmp_path_factory.mktemp("demo"))
    yield made
    made.engine.dispose()


@pytest.fixture
def session(coop: Coop) -> Iterator[Session]:
    with transaction(coop.sessions) as session:
        yield session


def test_every_check_holds(session: Session) -> None:
    found = [check(session) for check in (check_books, check_statements, check_deposits, check_unclaimed, check_counts)]
    assert [sentence for each in found for sentence in each] == []


def test_the_month_is_closed_in_its_time_and_only_its_papers_are_to_come(session: Session) -> None:
    closes = session.scalars(select(MonthClose).order_by(MonthClose.id)).all()
    assert [close.first_day for close in closes] == [date(2026, 2, 1)] * 2
    second = datetime(2026, 3, 2, tzinfo=UTC)
    for close in closes:
        assert close.locked_at is not None
        assert second < close.locked_at < second + timedelta(days=1)
        left = (
            select(CloseStep.name).where(CloseStep.close_id == close.id, CloseStep.state != "done").order_by(CloseStep.position)
        )
        assert session.scalars(left).all() == ["statements", "mail"]
    made = session.scalars(select(Statement)).all()
    assert {(statement.first_day, statement.document_id) for statement in made} == {(date(2026, 2, 1), None)}
    waiting = session.execute(select(Job.kind, func.count(Job.id)).where(Job.queue == "behind").group_by(Job.kind)).all()
    assert dict(waiting) == {"statements.make": len(made), "payouts.files": 1, "tax.render": 1}
    assert behind_state(session).pending == len(made) + 2


def test_nothing_was_mailed_but_the_offer_of_yesterday_is_to_be_written(session: Session) -> None:
    assert session.scalars(select(Outbox.kind)).all() == []
    elsewhere = select(Job.kind).where(Job.queue != "behind", Job.state == "queued").distinct().order_by(Job.kind)
    assert session.scalars(elsewhere).all() == ["closing.watch", "leases.letter"]


def test_payouts_and_the_tax_return_were_made_in_the_month_after(session: Session) -> None:
    runs = session.scalars(select(PayoutRun).where(PayoutRun.state != "cancelled")).all()
    assert [(run.first_day, run.state, run.paid_on) for run in runs] == [(date(2026, 2, 1), "paid", date(2026, 3, 10))]
    filed = session.execute(select(TaxReturn.first_day, TaxReturn.filed_at)).all()
    assert [(first_day, filed_at.date()) for first_day, filed_at in filed if filed_at] == [(date(2026, 2, 1), date(2026, 3, 20))]


def test_what_was_done_has_moments_of_its_month_and_nothing_is_of_a_day_to_come(session: Session) -> None:
    months = {(at.year, at.month) for at in session.scalars(select(AuditLog.at))}
    assert {(2026, 2), (2026, 3), (2026, 4)} <= months
    assert max(session.scalars(select(AuditLog.at))) <= NOW
    # What the bank's lines give rise to is posted when they are brought, in the month after.
    of_the_house = select(Entry.posted_at, Entry.business_date).where(Entry.source_kind != FROM_LINE)
    for posted_at, on in session.execute(of_the_house):
        assert on <= NOW.date()
        assert timedelta(days=-1) < posted_at.date() - on < timedelta(days=8)


def test_some_unclaimed_sales_were_granted_and_the_newest_wait(session: Session) -> None:
    states = dict(session.execute(select(Claim.state, func.count()).group_by(Claim.state)).all())
    assert states["granted"] > 5
    assert 0 < states["asked"] < 10


def test_the_summary_and_the_terminal_say_how_far_the_papers_are(coop: Coop, capsys: pytest.CaptureFixture[str]) -> None:
    with transaction(coop.sessions) as session:
        papers = behind_state(session).total
    told = f"Documents of the year: 0 of {papers} made; the rest while it is served, the newest first."
    summarize(coop)
    said = capsys.readouterr().out
    assert told in said
    assert f"{papers - 2} statements" in said
    assert "D07 re-laid" not in said  # that was later than this demo goes
    look_on = progress_line(coop.sessions)
    for _ in range(3):
        look_on()
    assert capsys.readouterr().out == f"{told}\n"


def test_how_many_are_paid_is_told_as_it_is_told_of_each(coop: Coop) -> None:
    march = Month(2026, 3)
    with coop.sessions() as session:
        dealers = {dealer.code: dealer for dealer in session.scalars(select(Dealer))}
        place_hold(session, NOW, dealers["D07"], "A lawyer's letter")
        ids = [dealer.id for dealer in dealers.values()]
        told = paydays_of(session, NOW, ids, march)
        assert told == {one: payday_of(session, NOW, one, march) for one in ids}
        assert told[dealers["D07"].id].held == ("Held by hand: A lawyer's letter.",)
        assert told[dealers["D16"].id].held == ()
        session.rollback()


def test_the_same_seed_on_the_same_day_gives_the_same_figures(coop: Coop, tmp_path: Path) -> None:
    again = made_in(tmp_path)
    assert _figures(again) == _figures(coop)
    again.engine.dispose()


def _figures(coop: Coop) -> list[tuple[str, int, str]]:
    with transaction(coop.sessions) as session:
        rows = session.execute(
            select(Statement.number, Statement.closing_cents, Statement.value_sha256).order_by(Statement.number)
        )
        return [(number, cents, digest) for number, cents, digest in rows]
