"""A demo of two months, without the papers of the last: true to its checks, and the same again from the same seed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.bank_matching import FROM_LINE
from coop.books.checking import check_books
from coop.books.models import Entry
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
from coop.floor.models import Mall
from coop.leases.deposits import check_deposits
from coop.leases.models import Charge
from coop.office.waiting_counts import count_all
from coop.overflow.charging import charged_otherwise, of_month
from coop.overflow.models import OverflowAnswer, OverflowDraft, Walk
from coop.overflow.period import hash_of, read_period
from coop.overflow.queries import found_on, overdue_sold, recalled, standing_now
from coop.overflow.surveying import survey_of
from coop.payouts.holding import place_hold
from coop.payouts.models import PayoutRun
from coop.sales.claims import check_unclaimed
from coop.sales.drawers import check_counts
from coop.sales.models import Claim, TicketLine
from coop.statements.checking import check_statements
from coop.statements.models import Statement
from coop.statements.payday import payday_of, paydays_of
from coop.tax.due import due_rows
from coop.tax.models import TaxReturn

NOW = datetime(2026, 4, 3, 20, 0, tzinfo=UTC)
"""A Friday afternoon: February is closed and paid, its tax filed; March is closed since yesterday, its checks to be approved."""

FIRST_NIGHT = datetime(2026, 4, 1, 7, 0, tzinfo=UTC)


def made_in(folder: Path, now: datetime = NOW, count: int = 2) -> Coop:
    coop = open_coop(folder, migrated=False)
    make_year(coop, now, seed=3, count=count)
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


def test_the_months_are_closed_in_their_time_and_only_their_papers_are_to_come(session: Session) -> None:
    closes = session.scalars(select(MonthClose).order_by(MonthClose.id)).all()
    assert [close.first_day for close in closes] == [date(2026, 2, 1)] * 2 + [date(2026, 3, 1)] * 2
    for close in closes:
        second = datetime(close.first_day.year, close.first_day.month + 1, 2, tzinfo=UTC)
        assert close.locked_at is not None
        assert second < close.locked_at < second + timedelta(days=1)
        left = (
            select(CloseStep.name).where(CloseStep.close_id == close.id, CloseStep.state != "done").order_by(CloseStep.position)
        )
        assert session.scalars(left).all() == ["statements", "mail"]
    made = session.scalars(select(Statement)).all()
    assert {(statement.first_day, statement.document_id) for statement in made} == {
        (date(2026, 2, 1), None),
        (date(2026, 3, 1), None),
    }
    assert {statement.created_at.date() for statement in made} == {date(2026, 3, 2), date(2026, 4, 2)}
    of_february = sum(statement.first_day == date(2026, 2, 1) for statement in made)
    waiting = session.execute(select(Job.kind, func.count(Job.id)).where(Job.queue == "behind").group_by(Job.kind)).all()
    assert dict(waiting) == {"statements.make": of_february, "payouts.files": 1, "tax.render": 1}
    assert behind_state(session).pending == of_february + 2


def test_nothing_was_mailed_and_the_last_months_papers_the_offer_and_a_question_are_to_go_out(session: Session) -> None:
    assert session.execute(select(Outbox.kind, Outbox.state)).all() == [("question", "queued")]
    elsewhere = select(Job.kind).where(Job.queue != "behind", Job.state == "queued").distinct().order_by(Job.kind)
    assert session.scalars(elsewhere).all() == [
        "closing.watch",
        "leases.letter",
        "mail.send",
        "overflow.tell",
        "shifts.tell",
        "statements.make",
    ]


def test_payouts_and_the_tax_return_were_made_in_the_month_after(session: Session) -> None:
    runs = session.scalars(select(PayoutRun).where(PayoutRun.state != "cancelled").order_by(PayoutRun.id)).all()
    assert [(run.first_day, run.state, run.pay_on, run.paid_on) for run in runs] == [
        (date(2026, 2, 1), "paid", date(2026, 3, 10), date(2026, 3, 10)),
        (date(2026, 3, 1), "prepared", date(2026, 4, 10), None),
    ]
    filed = session.execute(select(TaxReturn.first_day, TaxReturn.filed_at)).all()
    assert [(first_day, filed_at.date()) for first_day, filed_at in filed if filed_at] == [(date(2026, 2, 1), date(2026, 3, 20))]


def test_decisions_wait_in_the_office_and_none_of_them_is_late(session: Session) -> None:
    today = NOW.date()
    waiting = {row.kind: row for row in count_all(session, NOW, dict.fromkeys(session.scalars(select(Mall.id)), today), today)}
    assert {"claims", "disputes", "journals", "questions", "runs"} <= waiting.keys()
    assert waiting["runs"].day == date(2026, 4, 10)
    assert [row.period.name for row in due_rows(session, today) if row.late] == []


@pytest.mark.parametrize(
    ("now", "closed_on", "paid", "filed"),
    [
        (FIRST_NIGHT, date(2026, 4, 1), False, False),
        (datetime(2026, 4, 20, 11, 0, tzinfo=UTC), date(2026, 4, 2), True, True),
    ],
    ids=["on the first, at two in the morning", "early on the day the return is due"],
)
def test_whatever_the_day_nothing_is_late(tmp_path: Path, now: datetime, closed_on: date, paid: bool, filed: bool) -> None:
    coop = made_in(tmp_path, now, count=1)
    with transaction(coop.sessions) as session:
        locked = session.scalars(select(MonthClose.locked_at)).all()
        assert [moment.date() for moment in locked if moment] == [closed_on] * 2
        (run,) = session.scalars(select(PayoutRun).where(PayoutRun.state != "cancelled"))
        assert (run.state == "paid", run.pay_on) == (paid, date(2026, 4, 10))
        assert (session.scalar(select(func.count(TaxReturn.id)).where(TaxReturn.state == "filed")) == 1) == filed
        assert [row.period.name for row in due_rows(session, now.date()) if row.late] == []
        assert check_books(session) == []
    coop.engine.dispose()


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
    assert states["granted"] > 3
    assert 0 < states["asked"] < 10


def test_floor_in_the_aisles_is_lent_and_nothing_of_it_is_left_undone(session: Session) -> None:
    today, mall = NOW.date(), session.scalars(select(Mall).where(Mall.code == "FERRY")).one()
    running, to_come = session.scalars(select(OverflowDraft).order_by(OverflowDraft.first_day))
    assert (running.state, running.first_day, to_come.state) == ("published", date(2026, 3, 2), "draft")
    assert to_come.made_of == hash_of(read_period(session, mall, to_come.first_day, to_come.weeks, today))
    assert to_come.outcome is not None
    assert {one["answer"] for one in to_come.outcome["answers"]} == {"granted", "refused"}
    assert [one["placed"] for one in to_come.outcome["moves"]] == [True]  # out of the aisle that is to be wider
    answers = Counter(session.scalars(select(OverflowAnswer.answer).where(OverflowAnswer.draft_id == running.id)))
    assert answers["granted"] > 8
    assert answers["refused"] > 0
    found = survey_of(session, mall, today)
    assert found is not None
    assert (found.is_current, found.is_under_way, found.failed, found.must_move) == (True, False, "", {})


def test_pieces_are_asked_back_sold_and_found_out_of_place(session: Session) -> None:
    today, mall = NOW.date(), session.scalars(select(Mall).where(Mall.code == "FERRY")).one()
    (back,) = recalled(session, mall.id, today)
    assert (back.stay.ends_on, back.dealer.code) == (today + timedelta(days=4), "D16")
    (overdue,) = overdue_sold(session, mall.id, today)
    assert overdue.stay.ends_on == today - timedelta(days=7)
    sold = [one for one in standing_now(session, mall.id, today) if one.stay.kind == "sold"]
    assert {one.stay.ends_on: one.is_unfetched for one in sold} == {today + timedelta(days=3): False, overdue.stay.ends_on: True}
    walk = session.scalars(select(Walk).order_by(Walk.id.desc()).limit(1)).one()
    assert [one.mark.mark for one in found_on(session, walk)] == ["out of place"]
    assert overdue.piece.name in walk.note
    assert walk.told_at is not None


def test_a_closed_month_charges_its_floor(session: Session) -> None:
    mall, march = session.scalars(select(Mall).where(Mall.code == "FERRY")).one(), Month(2026, 3)
    charged = func.sum(Charge.amount_cents)
    of_march = select(charged).where(Charge.mall_id == mall.id, Charge.what.startswith("overflow:stay:"))
    assert session.scalar(of_march) == of_month(session, mall, march) > 0
    assert charged_otherwise(session, mall, march) == []


def test_the_summary_and_the_terminal_say_how_far_the_papers_are(coop: Coop, capsys: pytest.CaptureFixture[str]) -> None:
    with transaction(coop.sessions) as session:
        papers = behind_state(session).total
        made = session.scalar(select(func.count(Statement.id)).where(Statement.first_day == date(2026, 3, 1))) or 0
    told = f"Documents of the year: 0 of {papers} made; the rest while it is served, the newest first."
    summarize(coop)
    said = capsys.readouterr().out
    assert told in said
    assert f"{papers - 2 + made} statements" in said
    assert "D07 re-laid" not in said  # that was later than this demo goes
    look_on = progress_line(coop.sessions)
    for _ in range(3):
        look_on()
    assert capsys.readouterr().out == f"{told}\n"


def test_how_many_are_paid_is_told_as_it_is_told_of_each(coop: Coop) -> None:
    april = Month(2026, 4)
    with coop.sessions() as session:
        dealers = {dealer.code: dealer for dealer in session.scalars(select(Dealer))}
        sold = func.sum(TicketLine.price_cents)
        most = select(Dealer).join(TicketLine, TicketLine.dealer_id == Dealer.id).where(TicketLine.credited_on >= april.first_day)
        held = session.scalars(most.group_by(Dealer.id).order_by(sold.desc()).limit(1)).one()
        place_hold(session, NOW, held, "A lawyer's letter")
        ids = [dealer.id for dealer in dealers.values()]
        told = paydays_of(session, NOW, ids, april)
        assert told == {one: payday_of(session, NOW, one, april) for one in ids}
        assert told[held.id].held == ("Held by hand: A lawyer's letter.",)
        assert told[dealers["D16"].id].held == ()
        session.rollback()


def test_the_same_seed_on_the_same_day_gives_the_same_figures(tmp_path: Path) -> None:
    one, again = (made_in(tmp_path / name, FIRST_NIGHT, count=1) for name in ("one", "again"))
    assert len(_figures(one)) > 60
    assert _figures(again) == _figures(one)
    one.engine.dispose()
    again.engine.dispose()


def _figures(coop: Coop) -> list[tuple[str, int, str]]:
    with transaction(coop.sessions) as session:
        rows = session.execute(
            select(Statement.number, Statement.closing_cents, Statement.value_sha256).order_by(Statement.number)
        )
        return [(number, cents, digest) for number, cents, digest in rows]
