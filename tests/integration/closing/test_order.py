"""Months close one after the other, and a month-end that was stopped or refused is seen and goes on to its end."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import delete, event, select, update

from coop.books.checking import check_trial_balance
from coop.books.models import Entry, Period
from coop.books.service import close_period, ensure_period, lock_period
from coop.closing import checking, steps
from coop.closing.models import CloseStep
from coop.closing.queries import close_first, close_of, group_of, step_faults
from coop.closing.service import start_close
from coop.core import jobs
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.leases.models import Charge
from coop.sales.service import take_tickets
from coop.statements.checking import check_statements
from coop.statements.exporting import export_statements
from coop.statements.models import Statement
from tests.factories.coops import APRIL, MARCH, line, ticket

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
MAY = Month(2025, 5)


def sell(desk, number, day, *lines):
    with transaction(desk.sessions) as session:
        take_tickets(session, utc_now(), desk.coop.mall, [ticket(number, day, lines, zone=desk.coop.mall.timezone)])


def rents(desk, month):
    with transaction(desk.sessions) as session:
        wanted = select(Charge.amount_cents).where(Charge.first_day == month.first_day, Charge.what.startswith("space:"))
        return sorted(session.scalars(wanted))


# --- the order ----------------------------------------------------------------------------------------------------------


def test_a_month_between_in_which_nothing_was_sold_cannot_be_skipped_and_has_its_rent(desk):
    sell(desk, "5001", date(2025, 5, 3), line(desk.coop.dealers["D01"], 1000))
    desk.close(MARCH)
    with pytest.raises(Refusal, match="April 2025 is still open at Lantern Yard Antiques Hall: months close in their order"):
        desk.start(MAY)
    assert {step.state for step in desk.close(APRIL).values()} == {"done"}
    assert rents(desk, APRIL) == [4500, 20250, 27000]
    assert {step.state for step in desk.close(MAY).values()} == {"done"}
    assert rents(desk, MAY) == [4500, 20250, 27000]


def test_the_first_month_is_the_first_in_the_books(desk):
    """A lease older than the books owes nothing in them; a month that was opened before does."""
    with transaction(desk.sessions) as session:
        early = desk.coop.dealers["D04"]
        make_lease(
            session,
            utc_now(),
            desk.coop.mall,
            early,
            starts_on=date(2025, 1, 20),
            ends_on=date(2025, 2, 20),
            commission_percent=Decimal(8),
        )
        assert close_first(session, desk.coop.mall.id, MARCH) is None
        ensure_period(session, desk.coop.mall.id, Month(2025, 1))
        assert close_first(session, desk.coop.mall.id, MARCH) == Month(2025, 1)
        assert close_first(session, desk.coop.mall.id, Month(2025, 1)) is None
        assert close_first(session, desk.coop.mall.id, Month(2024, 12)) is None
    with pytest.raises(Refusal, match="January 2025 is still open"):
        desk.start(MARCH)


@SQLITE
def test_a_month_before_a_closed_one_is_refused_and_a_closed_one_stays_as_it_is(desk):
    desk.close(MARCH)
    with pytest.raises(Refusal, match="February 2025 lies before March 2025, which is closed"):
        desk.start(Month(2025, 2))
    finished = desk.month_close().finished_at
    desk.start(MARCH)
    assert desk.month_close().finished_at == finished


@SQLITE
def test_a_month_whose_turn_is_taken_while_it_is_under_way_leads_to_the_other(desk):
    desk.start()
    with transaction(desk.sessions) as session:
        ensure_period(session, desk.coop.mall.id, Month(2025, 2))
    desk.work()
    step = desk.steps()["sales"]
    assert (step.state, step.mend) == ("refused", "/office/months/MAIN/2025-02")


@SQLITE
def test_any_refusal_is_told_on_its_step(desk, monkeypatch):
    def refuse(*_args):
        raise Refusal("The month was closed by another hand.")

    monkeypatch.setitem(steps.BODIES, "tax", refuse)
    step = desk.close()["tax"]
    assert (step.state, step.report, step.mend) == ("refused", "The month was closed by another hand.", "/office/tax/")
    assert desk.failed() == []
    monkeypatch.undo()
    assert {step.state for step in desk.close().values()} == {"done"}


# --- begun again at any moment ------------------------------------------------------------------------------------------


def change_d02(forge, by):
    forge(
        "ticket_line",
        "UPDATE ticket_line SET price_cents = price_cents + :by, tag_cents = tag_cents + :by WHERE tag = 'D02-1999'",
        by=by,
    )


def test_statements_made_anew_while_the_mails_go_out_are_mailed_too(desk, forge):
    desk.start()
    desk.work_until("lock")
    change_d02(forge, 100)
    run_until(desk, lambda: desk.steps()["mail"].state == "running")
    assert desk.steps()["statements"].state == "refused"
    change_d02(forge, -100)
    desk.start()
    desk.work()
    assert {step.state for step in desk.steps().values()} == {"done"}
    assert desk.steps()["mail"].report.startswith("3 are sent")
    assert desk.month_close().finished_at is not None


def run_until(desk, reached):
    while not reached():
        with transaction(desk.sessions) as session:
            claimed = jobs.claim_next(session, utc_now(), timedelta(seconds=30))
        if claimed:
            jobs.run_job(desk.sessions, claimed[0], lease=timedelta(seconds=30), settings=desk.settings, token=claimed[1])


@SQLITE
def test_statements_that_end_after_the_mails_have_ended_begin_the_mails_again(desk):
    desk.close()
    with transaction(desk.sessions) as session:
        close = close_of(session, desk.coop.mall.id, MARCH)
        # As when the watch of the statements failed, the mails ended meanwhile, and the watch is tried again.
        close.finished_at = None
        step = next(s for s in close.steps if s.name == "statements")
        step.state = "running"
        watch = session.scalars(select(jobs.Job).where(jobs.Job.key == f"{group_of(close.id)}:statements:0:watch")).one()
        watch.state, watch.finished_at = "queued", None
        late = session.scalars(select(Statement).where(Statement.number == "MAIN.D01.2025-03")).one()
        mail_id, late.outbox_id = late.outbox_id, None
        session.flush()
        session.execute(delete(jobs.Job).where(jobs.Job.key == f"statement-mail:{late.id}:0"))
    desk.work()
    steps_now = desk.steps()
    assert {step.state for step in steps_now.values()} == {"done"}
    assert steps_now["mail"].tries == 1
    with transaction(desk.sessions) as session:
        late = session.scalars(select(Statement).where(Statement.number == "MAIN.D01.2025-03")).one()
        assert late.outbox_id == mail_id  # one letter, under one key
    assert desk.month_close().finished_at is not None


@SQLITE
def test_the_month_end_is_finished_whichever_step_ends_last(desk):
    desk.close()
    with transaction(desk.sessions) as session:
        close = close_of(session, desk.coop.mall.id, MARCH)
        close.finished_at = None
        next(s for s in close.steps if s.name == "statements").state = "refused"
        next(s for s in close.steps if s.name == "mail").state = "done"
    desk.close()
    assert desk.month_close().finished_at is not None


# --- the mails ----------------------------------------------------------------------------------------------------------


@SQLITE
def test_each_letter_is_a_job_and_one_that_fails_is_said_and_tried_again(desk, forge):
    desk.start()
    run_until(desk, lambda: desk.steps()["mail"].state == "running")
    forge("statement", "UPDATE statement SET value_json = '{' || value_json WHERE number = 'MAIN.D01.2025-03'")
    with transaction(desk.sessions) as session:
        asked = select(jobs.Job).where(jobs.Job.kind == "statements.mail")
        assert len(session.scalars(asked).all()) == 4
        session.execute(update(jobs.Job).where(jobs.Job.kind == "statements.mail").values(attempts=jobs.MAX_ATTEMPTS - 1))
    desk.work()
    step = desk.steps()["mail"]
    assert step.state == "refused"
    assert step.report.startswith("2 are sent; 1 could not be written; the first said: JSONDecodeError")
    assert step.report.endswith("1 dealer has no mail address that can be used: print that statement.")
    forge("statement", "UPDATE statement SET value_json = substr(value_json, 2) WHERE number = 'MAIN.D01.2025-03'")
    assert desk.close()["mail"].report.startswith("3 are sent; 1 dealer has")


@SQLITE
def test_an_address_mended_before_the_mails_are_begun_again_is_used(desk):
    with transaction(desk.sessions) as session:
        session.execute(update(Member).where(Member.name == "Amos Pell").values(email=""))
    assert desk.close()["mail"].report == "2 are sent; 2 dealers have no mail address that can be used: print theirs."
    with transaction(desk.sessions) as session:
        session.execute(update(Member).where(Member.name == "Amos Pell").values(email="amos@example.org"))
        session.execute(update(CloseStep).where(CloseStep.name == "mail").values(state="refused"))
    assert desk.close()["mail"].report.startswith("3 are sent; 1 dealer has")


@SQLITE
def test_a_letter_that_could_not_be_delivered_leads_to_the_letters(desk):
    with transaction(desk.sessions) as session:
        session.execute(update(Member).where(Member.name == "Amos Pell").values(email="nowhere"))
    run = desk.close()["mail"]
    with transaction(desk.sessions) as session:
        states = sorted(session.scalars(select(Outbox.state)))
    assert (run.mend == "/office/letters") == ("failed" in states)
    assert "failed" in states


# --- the checks ---------------------------------------------------------------------------------------------------------


def test_the_month_s_balance_is_of_the_month_alone(desk, forge):
    desk.close(MARCH)
    sell(desk, "2001", date(2025, 4, 5), line(desk.coop.dealers["D01"], 1000))
    with transaction(desk.sessions) as session:
        april = session.scalars(select(Period).where(Period.first_day == APRIL.first_day)).one().id
        march = session.scalars(select(Period).where(Period.first_day == MARCH.first_day, Period.mall_id.is_not(None))).one().id
        entry = session.scalars(select(Entry.id).where(Entry.period_id == march)).first()
    forge("posting", "UPDATE posting SET amount_cents = amount_cents + 7 WHERE id = (SELECT min(id) FROM posting)")
    with transaction(desk.sessions) as session:
        assert check_trial_balance(session, april) == []
        said = check_trial_balance(session, march)
        assert said == check_trial_balance(session)
    assert said[0] == "The trial balance is off by 0.07."
    assert f"Entry {entry} " in said[1]


MISSING = {
    "statement": (
        "DELETE FROM statement WHERE number = 'MAIN.D02.2025-03'",
        ["March 2025 is closed at MAIN, but these dealers have no statement of it: D02."],
    ),
    "document": (
        "UPDATE statement SET document_id = NULL WHERE number = 'MAIN.D03.2025-03'",
        ["March 2025 is closed at MAIN, but these dealers' statements have no document: D03."],
    ),
}


@pytest.mark.parametrize("what", MISSING)
def test_a_closed_month_that_lacks_a_statement_or_its_document_is_found(desk, forge, what):
    desk.close()
    with transaction(desk.sessions) as session:
        assert checking.check_months(session) == []
    change, said = MISSING[what]
    forge("statement", change)
    with transaction(desk.sessions) as session:
        assert checking.check_months(session) == said


CHANGED = {
    "line": (
        "ticket_line",
        "UPDATE ticket_line SET price_cents = price_cents + 5, tag_cents = tag_cents + 5 WHERE tag = 'D02-1999'",
        ["Statement MAIN.D02.2025-03 has net sales of 353.32; the tickets' lines are others, 353.37."],
    ),
    "its words": (
        "ticket_line",
        "UPDATE ticket_line SET description = 'Another bowl' WHERE tag = 'D02-1999'",
        ["Statement MAIN.D02.2025-03 has net sales of 353.32; the tickets' lines are others, 353.32."],
    ),
    "charge": (
        "charge",
        "UPDATE charge SET amount_cents = amount_cents - 100 WHERE kind = 'case'",
        ["Statement MAIN.D02.2025-03 has charges of -89.17; those posted are others, -88.17."],
    ),
}


@pytest.mark.parametrize("what", CHANGED)
def test_lines_and_charges_changed_after_the_close_are_found(desk, forge, what):
    desk.close()
    table, change, said = CHANGED[what]
    with transaction(desk.sessions) as session:
        assert check_statements(session) == []
    forge(table, change)
    with transaction(desk.sessions) as session:
        assert check_statements(session) == said


def test_a_fault_of_the_program_is_told_once_a_step(desk):
    desk.start()
    with transaction(desk.sessions) as session:
        session.execute(update(jobs.Job).values(state="failed", error="KeyError: 'x'."))
        close = close_of(session, desk.coop.mall.id, MARCH)
        assert step_faults(session, close) == ["The step 'sales' failed: KeyError: 'x'. Tell whoever keeps the program."]


# --- a database that is not held ----------------------------------------------------------------------------------------


def test_writing_statements_out_holds_no_transaction_while_a_file_is_written(desk, monkeypatch, tmp_path):
    desk.close()
    open_now = []
    engine = desk.sessions.kw["bind"]
    event.listen(engine, "begin", lambda _connection: open_now.append(1))
    for end in ("commit", "rollback"):
        event.listen(engine, end, lambda _connection: open_now.clear())
    written = []
    real = export_statements.__globals__["write_file"]

    def write(target, content):
        written.append((target.name, len(open_now)))
        real(target, content)

    monkeypatch.setitem(export_statements.__globals__, "write_file", write)
    monkeypatch.setitem(export_statements.__globals__, "_AT_ONCE", 3)
    done = export_statements(desk.sessions, desk.coop.mall, MARCH, tmp_path / "out")
    assert (done.written, done.unchanged) == (4, 0)
    assert written == [(f"statement-MAIN.{code}.2025-03.pdf", 0) for code in ("D01", "D02", "D03", "D04")]


@SQLITE
def test_two_malls_whose_codes_run_together_have_statements_of_their_own(desk, now):
    with transaction(desk.sessions) as session:
        for mall_code, dealer_code in (("A", "B-C"), ("A-B", "C")):
            mall = add_mall(session, now, mall_code, name=mall_code, timezone="America/Chicago")
            member = Member(name=dealer_code, email="", address="", joined_on=date(2025, 3, 1))
            session.add(member)
            session.flush()
            dealer = Dealer(member_id=member.id, code=dealer_code, trade_name="", created_at=now)
            session.add(dealer)
            session.flush()
            make_lease(session, now, mall, dealer, starts_on=date(2025, 3, 1), commission_percent=Decimal(10))
            start_close(session, utc_now(), mall_id=mall.id, month=MARCH)
    desk.work()
    with transaction(desk.sessions) as session:
        assert sorted(session.scalars(select(Statement.number))) == ["A-B.C.2025-03", "A.B-C.2025-03"]


@SQLITE
def test_a_period_closed_by_hand_is_the_last_closed(desk, now):
    """Whatever closed it, the next month follows the last closed one."""
    with transaction(desk.sessions) as session:
        period = lock_period(session, ensure_period(session, desk.coop.mall.id, MARCH).id)
        close_period(session, now, period)
        assert close_first(session, desk.coop.mall.id, MAY) == APRIL
        assert close_first(session, desk.coop.mall.id, APRIL) is None
