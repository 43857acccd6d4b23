"""What the steps refuse, where it is mended, what the manager may let pass, and the payouts at the end."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from sqlalchemy import delete, func, select, update

from coop.app import create_app
from coop.books.accounts import bank_account
from coop.books.domain.hand import HandLine
from coop.books.journal import approve_journal, enter_journal
from coop.books.models import Period
from coop.books.payments import receive_payment
from coop.books.rules import Rules, set_rules
from coop.books.service import close_period, ensure_period, lock_period, post_entry
from coop.closing.models import CloseOverride, CloseStep, MonthClose
from coop.closing.queries import late_tickets
from coop.closing.service import let_pass, rehearse_close
from coop.closing.steps import BEFORE_LOCK, BODIES, MENDS, TITLES, StepRefused, check_balance
from coop.core.audit import AuditLog
from coop.core.clock import utc_now
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.dealers.models import UserAccount
from coop.floor.service import add_mall
from coop.leases.models import Charge
from coop.payouts.holding import place_hold
from coop.payouts.models import PayoutLine, PayoutRun
from coop.sales.devices import register_device, report_queue
from coop.sales.drawers import count_drawer
from coop.sales.service import take_tickets
from tests.factories.books import bank_charge
from tests.factories.coops import APRIL, MARCH, build_coop, line, ticket
from tests.factories.house import add_person

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


def sell(desk, number, day, *lines, tender="card"):
    with transaction(desk.sessions) as session:
        sold = ticket(number, day, lines, zone=desk.coop.mall.timezone, tender=tender)
        take_tickets(session, utc_now(), desk.coop.mall, [sold])


def pass_step(desk, step, *, reason="The desk burned down with the cash in it", by=None):
    with transaction(desk.sessions) as session:
        close = session.scalars(select(MonthClose)).one()
        let_pass(session, utc_now(), close, step, reason=reason, user_id=by)


@pytest.fixture
def manager(desk):
    with transaction(desk.sessions) as session:
        return add_person(session, utc_now(), "manager@example.org", ("manager",))


def test_an_uncounted_drawer_a_waiting_device_and_an_open_bank_refuse_and_may_be_let_pass(desk, manager):
    """Both databases: the drawer is counted, the device is let pass, the bank is let pass; the lock asks the same."""
    with transaction(desk.sessions) as session:
        mall, now = desk.coop.mall, utc_now()
        clerk = add_person(session, now, "desk@example.org", ("desk", "bookkeeper"))
        receive_payment(
            session, now, mall, desk.coop.dealers["D03"], amount_cents=20_00, paid_by="cash", on=date(2025, 3, 30), reference="7"
        )
        register_device(session, now, mall, "front")
        report_queue(session, now, mall, "front", 2)
        post_entry(session, now, bank_charge(session, 5_00, date(2025, 3, 31), "fee"))
    steps = desk.close()
    said = "The drawer of MAIN was never counted, and cash moved in it on Mar 30, 2025: count it."
    mend = "/office/sales/drawers/MAIN?month=2025-03"
    assert (steps["drawers"].state, steps["drawers"].report, steps["drawers"].mend) == ("refused", said, mend)
    assert steps["devices"].state == "waiting"
    with pytest.raises(Refusal, match="'Desk devices have sent all they rang up' is not refused"):
        pass_step(desk, "devices", by=manager)

    with transaction(desk.sessions) as session:
        count_drawer(session, utc_now(), mall, key="k", drawer="", on=date(2025, 3, 31), counted_cents=19_50)
    steps = desk.close()
    assert steps["drawers"].state == "done"
    assert (steps["devices"].state, steps["devices"].report) == (
        "refused",
        "front has 2 tickets that the books have not had: have it send them.",
    )
    for by in (None, clerk):
        with pytest.raises(Refusal, match="Only a manager lets a step pass"):
            pass_step(desk, "devices", by=by)
    with pytest.raises(Refusal, match="why it may pass"):
        pass_step(desk, "devices", reason=" ", by=manager)
    pass_step(desk, "devices", by=manager)
    with pytest.raises(Refusal, match="was let pass already"):
        pass_step(desk, "devices", by=manager)
    steps = desk.close()
    assert steps["devices"].report == (
        "Let pass: The desk burned down with the cash in it "
        "What it said: front has 2 tickets that the books have not had: have it send them."
    )
    assert (steps["bank"].state, steps["bank"].mend) == ("refused", "/office/bank/months/2025-03")
    pass_step(desk, "bank", by=manager, reason="The statement comes on the 9th.")
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    with transaction(desk.sessions) as session:
        assert session.scalars(select(Period.state).where(Period.mall_id == mall.id)).all() == ["closed"]
        log = session.execute(select(AuditLog.detail, AuditLog.user_id).where(AuditLog.action == "step let pass"))
        assert [tuple(row) for row in log] == [("devices", manager), ("bank", manager)]
        assert session.scalar(select(func.count(CloseOverride.id))) == 2


@SQLITE
def test_what_the_books_say_is_never_let_pass(desk, manager):
    with transaction(desk.sessions) as session:
        place_hold(session, utc_now(), desk.coop.dealers["D04"], "A lawyer's letter")
    steps = desk.close()
    assert steps["holds"].state == "refused"
    assert steps["holds"].report == "D04: held by hand: A lawyer's letter. Decide whether the payout goes out."
    assert steps["holds"].mend == "/office/payouts/holds?month=2025-03"
    with pytest.raises(Refusal, match="'Holds on payouts are decided' cannot be let pass: mend what it says"):
        pass_step(desk, "holds", by=manager)


@SQLITE
def test_a_month_end_of_a_program_with_fewer_steps_gets_the_others_in_their_order(desk):
    desk.start()
    desk.work_until("commission")
    older = ("sales", "unclaimed", "rent", "commission", "tax", "dealers", "balance", "lock", "statements", "mail")

    def as_before():
        with transaction(desk.sessions) as session:
            session.execute(delete(CloseStep).where(CloseStep.name.not_in(older)))
            session.execute(delete(Job).where(Job.key.in_([f"close:1:{name}:0" for name in TITLES if name not in older])))
            for position, name in enumerate(older):
                session.execute(update(CloseStep).where(CloseStep.name == name).values(position=position))

    as_before()
    desk.start()
    steps = desk.steps()
    assert list(steps) == list(TITLES)
    states = {name: step.state for name, step in steps.items()}
    assert (states["sales"], states["drawers"], states["commission"], states["card"]) == ("done", "waiting", "done", "waiting")
    desk.work_until("lock")
    as_before()
    desk.start()
    report = "The month was locked before this was asked."
    assert {name for name, step in desk.steps().items() if step.report == report} == set(BEFORE_LOCK) - set(older)
    desk.work()
    assert {step.state for step in desk.steps().values()} == {"done"}
    assert desk.month_close().finished_at is not None


@SQLITE
def test_card_cost_is_charged_where_the_rules_pass_it_on(desk):
    """D02 sold 686.65 by card and took 333.33 back by card: 353.32 at 3 percent is 10.5996."""
    with transaction(desk.sessions) as session:
        set_rules(session, utc_now(), Rules(card_percent=3), starts_on=date(2025, 1, 1))
    assert {step.state for step in desk.close().values()} == {"done"}
    with transaction(desk.sessions) as session:
        wanted = select(Charge.amount_cents).where(Charge.kind == "card", Charge.dealer_id == desk.coop.dealers["D02"].id)
        assert session.scalars(wanted).all() == [10_60]


def test_payouts_wait_for_the_last_mall_and_name_whom_they_leave_out(desk):
    with transaction(desk.sessions) as session:
        east = add_mall(session, utc_now(), "EAST", name="East", timezone="America/Chicago")
        ensure_period(session, east.id, MARCH)
        set_rules(session, utc_now(), Rules(payout_minimum_cents=300_00), starts_on=date(2025, 1, 1))
    steps = desk.close()
    assert steps["payouts"].report == "Waits for EAST: payouts are prepared when the last mall has closed March 2025."
    with transaction(desk.sessions) as session:
        assert session.scalars(select(PayoutRun.id)).all() == []
        period = ensure_period(session, east.id, MARCH)
        lock_period(session, period.id)
        close_period(session, utc_now(), period)
        said = BODIES["payouts"](session, utc_now(), east, MARCH).report
        lines = session.execute(select(PayoutLine.dealer_id, PayoutLine.amount_cents)).all()
    # By hand: D04 sold 5.00 and 749.00, less 8 percent, 60.32; D01 and D02 come to less than 300.00, D03 owes.
    assert [tuple(row) for row in lines] == [(desk.coop.dealers["D04"].id, 693_68)]
    assert said.startswith("Run 1 pays 1 dealer $693.68, once it is approved. Held: D02 (")
    assert "less than the smallest payout, $300.00)" in said
    assert desk.steps()["payouts"].report == "The last mall has closed March 2025 since. They are in run 1."


@SQLITE
def test_the_dry_run_shows_every_step_up_to_the_lock_with_what_refuses(desk):
    sell(desk, "c1", date(2025, 3, 12), line(desk.coop.dealers["D01"], 10_00), tender="cash")
    with desk.sessions() as session:
        said = {step.name: step.state for step in rehearse_close(session, utc_now(), desk.coop.mall, MARCH)}
        session.rollback()
    assert said == {name: "refused" if name == "drawers" else "done" for name in BEFORE_LOCK}


@SQLITE
def test_a_ticket_that_comes_after_the_lock_is_counted_for_the_amended_return(desk):
    desk.start()
    desk.work_until("lock")
    sell(desk, "late", date(2025, 3, 28), line(desk.coop.dealers["D01"], 10_00))
    with transaction(desk.sessions) as session:
        assert late_tickets(session, desk.coop.mall.id, MARCH) == 1
        assert late_tickets(session, desk.coop.mall.id, APRIL) == 0
        assert bank_account(session)


@SQLITE
def test_every_page_that_mends_is_there(desk):
    app = create_app(desk.settings)
    addresses = app.url_map.bind("localhost")
    for name in TITLES:
        if name in ("statements", "mail"):
            continue
        path, _, _query = MENDS[name].format(mall="MAIN", month=MARCH).partition("?")
        assert addresses.match(path, method="GET"), name


def test_an_entry_by_hand_that_waits_keeps_the_month_open(sessions: Sessions, now: datetime) -> None:
    """Closed first, it could only be refused and entered again in the next month."""
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        for n in (1, 2):
            session.add(UserAccount(id=n, email=f"office{n}@example.org", password_hash="x", created_at=now))
        session.flush()
        lines = [HandLine("Expenses:Repairs", 400_00), HandLine("Liabilities:Dealers:MAIN:D01", -400_00)]
        made = {"on": date(2025, 3, 20), "lines": lines, "reason": "Her window", "new_accounts": True, "user_id": 1}
        journal = enter_journal(session, now, key="k", mall=coop.mall, **made)
        with pytest.raises(StepRefused, match="1 entry by hand waits for a second person") as refused:
            check_balance(session, now, coop.mall, MARCH)
        assert refused.value.mend == "/office/books/by-hand"
        approve_journal(session, now, journal.id, user_id=2)
        assert check_balance(session, now, coop.mall, MARCH).report == "Debits and credits are equal."
