"""A month-end from its first step to the mails: what it refuses, what it takes in, and that it comes out once."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import delete, select, update

from coop.books.checking import check_books
from coop.books.models import Entry, Period
from coop.books.service import ensure_period
from coop.closing.queries import dealer_rows, step_faults
from coop.closing.service import rehearse_close, start_close
from coop.closing.steps import BEFORE_LOCK, TITLES
from coop.core import clock, jobs, runner
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.dealers.models import Member
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from coop.leases.models import RentRate
from coop.leases.rules import set_rate
from coop.sales.models import SalesImport
from coop.sales.service import take_tickets
from coop.statements.checking import check_statements
from coop.statements.domain import from_json
from coop.statements.models import Statement
from tests.factories.coops import APRIL, MARCH, everything, line, noon_zone, ticket

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


def sell(desk, number, day, *lines):
    with transaction(desk.sessions) as session:
        take_tickets(session, utc_now(), desk.coop.mall, [ticket(number, day, lines, zone=desk.coop.mall.timezone)])


def held(desk, *besides):
    with transaction(desk.sessions) as session:
        return everything(session, besides=besides)


def letters(desk):
    """The addressees in the post-box, sorted."""
    return sorted(path.name for path in (desk.settings.maildir / "new").iterdir())


# --- all goes well ------------------------------------------------------------------------------------------------------


def test_a_month_closes_step_by_step_to_the_mails(desk):
    steps = desk.close()
    assert list(steps) == list(TITLES)
    assert {step.state for step in steps.values()} == {"done"}
    assert {name: step.report for name, step in steps.items()} == {
        "sales": "Net sales of $1,285.08: $1,264.58 credited to dealers, $20.50 unclaimed.",
        "drawers": "Every drawer in which cash moved is counted.",
        "devices": "There are none.",
        "unclaimed": "2 unclaimed lines, $20.50 in all, are carried.",
        "turns": "No turns are kept here.",
        "rent": "$412.98 in all; 3 charges posted now.",
        "commission": "$120.22 in all; 3 charges posted now.",
        "card": "The co-op bears it.",
        "tax": "$77.11 was collected.",
        "dealers": "4 dealers agree.",
        "bank": "There is no bank account in the books yet.",
        "balance": "Debits and credits are equal.",
        "holds": "Nothing waits for a decision.",
        "lock": "March 2025 takes no more entries.",
        "statements": "4 statements are made.",
        "mail": "3 are sent; 1 dealer has no mail address that can be used: print that statement.",
        # D02's 264.15 (below), and D04's 754.00 less 8 percent.
        "payouts": "Run 1 pays 2 dealers $957.83, once it is approved.",
    }
    close = desk.month_close()
    assert close.locked_at is not None
    assert close.finished_at is not None
    with transaction(desk.sessions) as session:
        rows = {row.dealer: row for row in dealer_rows(session, desk.coop.mall.id, MARCH)}
        assert check_books(session) == []
        assert check_statements(session) == []
    # D03: booth 2 of 90 sq ft at $2.25 from the 17th, 15 of 31 days; nothing sold.
    assert (rows["D03"].net, rows["D03"].rent, rows["D03"].closing) == (0, 9798, -9798)
    # D02: three bowls less the one returned, 12.5 percent, and the case.
    assert (rows["D02"].gross, rows["D02"].returns, rows["D02"].commission) == (68665, 33333, 4417)
    assert rows["D02"].closing == 68665 - 33333 - 4417 - 4500
    assert len(letters(desk)) == 3


@SQLITE
def test_closing_again_changes_nothing(desk):
    desk.close()
    before = held(desk, "audit_log")
    desk.close()
    assert held(desk, "audit_log") == before


@SQLITE
def test_a_mall_in_which_nothing_happened_closes(desk, now):
    with transaction(desk.sessions) as session:
        west = add_mall(session, now, "WEST", name="West", timezone="America/Chicago")
        start_close(session, utc_now(), mall_id=west.id, month=MARCH)
    desk.work()
    with transaction(desk.sessions) as session:
        period = session.scalars(select(Period).where(Period.mall_id == west.id)).one()
    assert period.state == "closed"


# --- dry run ------------------------------------------------------------------------------------------------------------


def test_a_dry_run_says_what_would_come_and_changes_nothing(desk):
    before = held(desk)
    with desk.sessions() as session:
        said = {step.name: step for step in rehearse_close(session, utc_now(), desk.coop.mall, MARCH)}
        would_be = dealer_rows(session, desk.coop.mall.id, MARCH)
        session.rollback()
    assert held(desk) == before
    steps = desk.close()
    assert {name: (step.state, step.report) for name, step in said.items()} == {
        name: (steps[name].state, steps[name].report) for name in BEFORE_LOCK
    }
    with transaction(desk.sessions) as session:
        assert dealer_rows(session, desk.coop.mall.id, MARCH) == would_be


@SQLITE
def test_a_dry_run_names_every_step_that_would_refuse_and_tries_the_others(desk):
    with transaction(desk.sessions) as session:
        session.execute(delete(RentRate).where(RentRate.zone == "front"))
        ensure_period(session, desk.coop.mall.id, Month(2025, 2))
    with desk.sessions() as session:
        said = {step.name: step for step in rehearse_close(session, utc_now(), desk.coop.mall, MARCH)}
        session.rollback()
    assert {name for name, step in said.items() if step.state == "refused"} == {"sales", "rent"}
    assert "February 2025 is still open" in said["sales"].report
    assert "set a rate for that zone first" in said["rent"].report
    assert said["commission"].report.startswith("$120.22")


# --- what it refuses ----------------------------------------------------------------------------------------------------


@SQLITE
def test_a_month_that_is_not_over_where_the_mall_stands_is_refused(desk):
    zone = ZoneInfo(desk.coop.mall.timezone)
    before = held(desk)
    last_minute = datetime(2025, 3, 31, 23, 59, tzinfo=zone).astimezone(UTC)
    with pytest.raises(Refusal, match=r"March 2025 is not over yet at Lantern Yard .*: it can close from April 1, 2025"):
        desk.start(now=last_minute)
    assert held(desk) == before
    desk.start(now=last_minute + timedelta(minutes=1))


@SQLITE
def test_an_earlier_month_that_is_open_must_close_first(desk):
    with transaction(desk.sessions) as session:
        early = add_dealer(session, utc_now(), "D05", name="Nell Ashby")
        make_lease(session, utc_now(), desk.coop.mall, early, starts_on=date(2025, 2, 10), commission_percent=Decimal(10))
    sell(desk, "900", date(2025, 2, 27), line(early, 1000))
    said = "February 2025 is still open at Lantern Yard Antiques Hall: months close in their order, so close that one first."
    with pytest.raises(Refusal, match=said):
        desk.start()
    with transaction(desk.sessions) as session:  # no rent, no commission yet
        assert set(session.scalars(select(Entry.kind))) == {"sale", "return"}
    assert desk.close(Month(2025, 2))["mail"].state == "done"
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    assert steps["sales"].report == "Net sales of $1,285.08: $1,264.58 credited to dealers, $20.50 unclaimed."


@SQLITE
def test_an_import_that_stopped_half_way_must_be_finished_first(desk):
    with transaction(desk.sessions) as session:
        session.add(
            SalesImport(
                mall_id=desk.coop.mall.id,
                mapping="open-retail",
                file_name="march.csv",
                file_sha256="0" * 64,
                started_at=utc_now(),
            )
        )
    steps = desk.close()
    assert steps["sales"].state == "refused"
    assert steps["sales"].report == "The import of march.csv stopped before its last row: run the same import again."
    with transaction(desk.sessions) as session:
        session.execute(update(SalesImport).values(state="done"))
    assert {step.state for step in desk.close().values()} == {"done"}


def test_rent_without_a_rate_is_refused_by_the_spaces_name_and_nothing_of_it_is_posted(desk):
    with transaction(desk.sessions) as session:
        session.execute(update(RentRate).where(RentRate.zone == "front").values(starts_on=date(2025, 3, 20)))
    steps = desk.close()
    assert steps["rent"].state == "refused"
    assert steps["rent"].report == (
        "Booth 1 is in zone front, and there is no rate in force on 2025-03-01: set a rate for that zone first. "
        "Booth 2 is in zone front, and there is no rate in force on 2025-03-17: set a rate for that zone first."
    )
    assert steps["commission"].state == "waiting"
    assert desk.content()["charges"] == []
    with transaction(desk.sessions) as session:
        set_rate(session, desk.coop.mall, "front", Decimal("2.25"), per="sqft", starts_on=date(2025, 1, 1))
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    assert steps["rent"].report == "$412.98 in all; 3 charges posted now."


@SQLITE
def test_what_came_between_the_checks_and_the_lock_is_refused_by_the_lock(desk):
    desk.start()
    desk.work_until("balance")
    with transaction(desk.sessions) as session:
        session.add(
            SalesImport(mall_id=desk.coop.mall.id, mapping="m", file_name="late.csv", file_sha256="1" * 64, started_at=utc_now())
        )
    desk.work_until("lock")
    assert desk.steps()["lock"].state == "refused"
    assert "late.csv stopped before its last row" in desk.steps()["lock"].report
    with transaction(desk.sessions) as session:
        assert session.scalars(select(Period.state)).all() == ["open"]
        session.execute(update(SalesImport).values(state="done"))
    assert {step.state for step in desk.close().values()} == {"done"}


@SQLITE
def test_a_fault_of_the_program_is_said_and_the_month_end_goes_on_when_it_is_mended(desk, forge):
    desk.start()
    desk.work_until("turns")
    # A booth whose measured area is no number: no honest data can be so.
    forge("lease_space", "UPDATE lease_space SET leased_area_sqft100 = 'wide'")
    with transaction(desk.sessions) as session:
        session.execute(update(jobs.Job).where(jobs.Job.state == "queued").values(attempts=jobs.MAX_ATTEMPTS - 1))
    desk.work()
    close = desk.month_close()
    assert {s.name: s.state for s in close.steps}["rent"] == "waiting"
    with transaction(desk.sessions) as session:
        (said,) = step_faults(session, close)
    assert said.startswith("The step 'rent' failed: ")
    forge("lease_space", "UPDATE lease_space SET leased_area_sqft100 = 12000")
    assert {step.state for step in desk.close().values()} == {"done"}


# --- what comes in between ----------------------------------------------------------------------------------------------


def test_sales_that_come_between_commission_and_lock_are_in_the_month(desk):
    desk.start()
    desk.work_until("commission")
    sell(desk, "777", date(2025, 3, 31), line(desk.coop.dealers["D01"], 10000), line(desk.coop.dealers["D03"], 20000, position=2))
    desk.work()
    assert {step.state for step in desk.steps().values()} == {"done"}
    with transaction(desk.sessions) as session:
        rows = {row.dealer: row for row in dealer_rows(session, desk.coop.mall.id, MARCH)}
        statement = session.scalars(select(Statement).where(Statement.number == "MAIN.D01.2025-03")).one()
        charges = [c for c in from_json(statement.value_json).charges if c.kind == "commission"]
        assert check_statements(session) == []
    assert rows["D01"].net == 12500 + 3825 + 101 - 700 + 10000
    assert rows["D01"].commission == 2573  # 10 percent of all, rounded once
    assert rows["D03"].commission == 2000
    assert [c.amount_cents for c in charges] == [-1573, -1000]
    assert charges[1].working == "10% of $257.26, less $15.73 charged before"


@SQLITE
def test_a_ticket_after_the_lock_posts_in_the_open_month_and_keeps_the_day_of_its_sale(desk):
    desk.close()
    before = desk.content()["statements"]
    sell(desk, "late", date(2025, 3, 30), line(desk.coop.dealers["D01"], 4400))
    sell(desk, "2001", date(2025, 4, 2), line(desk.coop.dealers["D01"], 5500))
    assert {step.state for step in desk.close(APRIL).values()} == {"done"}
    with transaction(desk.sessions) as session:
        statement = session.scalars(select(Statement).where(Statement.number == "MAIN.D01.2025-04")).one()
        value = from_json(statement.value_json)
        assert check_statements(session) == []
        assert check_books(session) == []
    assert [(s.ticket, s.sold_on, s.posted_on) for s in value.sales] == [
        ("late", date(2025, 3, 30), date(2025, 4, 1)),
        ("2001", date(2025, 4, 2), date(2025, 4, 2)),
    ]
    assert desk.content()["statements"][:1] == before[:1]


# --- twice at once ------------------------------------------------------------------------------------------------------


def test_started_twice_at_once_it_is_one_month_end(desk, make_test_engine, database_url):
    barrier = threading.Barrier(2)
    failed: list[BaseException] = []

    def run() -> None:
        try:
            barrier.wait()
            desk.start()
            runner.run_loop(desk.sessions, desk.settings, runner.Stop(), until_idle=True)
        except BaseException as error:
            failed.append(error)

    both = [threading.Thread(target=run) for _ in range(2)]
    for thread in both:
        thread.start()
    for thread in both:
        thread.join()
    assert not failed
    content = desk.content()
    assert {state for _, state, _ in content["steps"]} == {"done"}
    assert len(content["steps"]) == len(TITLES)
    assert [count for *_, count, _ in content["seals"]] == [14]
    assert len(content["charges"]) == 6
    assert len(letters(desk)) == 3
    assert desk.failed() == []


# --- one dealer's trouble is not the others' ----------------------------------------------------------------------------


def test_a_statement_that_does_not_add_up_stops_one_dealer_and_no_other(desk, forge):
    desk.start()
    desk.work_until("lock")
    change = "UPDATE ticket_line SET price_cents = price_cents + :by, tag_cents = tag_cents + :by WHERE tag = 'D02-1999'"
    forge("ticket_line", change, by=100)
    desk.work()
    steps = desk.steps()
    assert steps["statements"].state == "refused"
    assert steps["statements"].report.startswith(
        "3 statements are made. Not made: D02. The first said: D02: statement MAIN.D02.2025-03"
    )
    assert "does not add up: the closing balance is stated as" in steps["statements"].report
    assert steps["mail"].state == "done"
    assert steps["mail"].report.startswith("2 are sent")
    assert len(letters(desk)) == 2
    first = set(letters(desk))
    assert desk.month_close().finished_at is None

    # Run again without mending: the same, and nobody gets a second letter.
    assert desk.close()["statements"].state == "refused"
    assert set(letters(desk)) == first

    forge("ticket_line", change, by=-100)
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    assert (steps["statements"].report, steps["mail"].report[:10]) == ("4 statements are made.", "3 are sent")
    assert desk.month_close().finished_at is not None
    assert first < set(letters(desk))
    assert len(letters(desk)) == 3


@SQLITE
def test_an_address_no_letter_can_bear_stops_nobody_else(desk):
    with transaction(desk.sessions) as session:
        session.execute(update(Member).where(Member.name == "Amos Pell").values(email="amos@example.org\nBcc: all@example.org"))
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    assert steps["mail"].report == "2 are sent; 2 dealers have no mail address that can be used: print theirs."


@SQLITE
def test_a_mail_whose_worker_dies_every_time_does_not_keep_the_month_end_from_ending(desk):
    desk.start()
    while not held_jobs(desk, "mail.send"):
        with transaction(desk.sessions) as session:
            claimed = jobs.claim_next(session, utc_now(), timedelta(seconds=30), queues=("default", "statements", "mail"))
        if claimed:
            jobs.run_job(desk.sessions, claimed[0], lease=timedelta(seconds=30), settings=desk.settings, token=claimed[1])
    with transaction(desk.sessions) as session:
        first = session.scalars(select(jobs.Job).where(jobs.Job.kind == "mail.send").order_by(jobs.Job.id)).first()
        first.attempts = jobs.MAX_ATTEMPTS  # as after so many kills
        session.get_one(Outbox, first.args["outbox_id"]).state = "sending"
    desk.work()
    assert desk.steps()["mail"].state == "done"
    assert desk.steps()["mail"].report.startswith("2 are sent; 1 could not be delivered: see Letters")
    # Asked for again, it is tried again.
    with transaction(desk.sessions) as session:
        session.execute(update(Outbox).where(Outbox.state == "sending").values(lease_until=utc_now() - timedelta(seconds=1)))
    desk.close()
    assert len(letters(desk)) == 3


def held_jobs(desk, kind):
    with transaction(desk.sessions) as session:
        return list(session.scalars(select(jobs.Job.id).where(jobs.Job.kind == kind)))


def test_dates_do_not_hang_on_midnight():
    """The zone these tests put their mall in has noon now."""
    assert 11 <= utc_now().astimezone(ZoneInfo(noon_zone())).hour <= 13
    assert clock.is_timezone(noon_zone())
