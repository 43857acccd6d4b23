"""The co-op's own month closes with the last mall that locks it: nothing of the co-op's own is dated in it afterwards."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import select

from coop.books.checking import check_books
from coop.books.domain.entries import EntryDraft
from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal, refuse_journal
from coop.books.models import Account, Period, Seal
from coop.books.service import ensure_period, post_entry, posting_date
from coop.closing.steps import BODIES, StepRefused
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.sales.service import take_tickets
from tests.factories.coops import MARCH, line, ticket
from tests.factories.people import make_dealer
from tests.integration.books.test_concurrency import Other

BILL = [HandLine("Expenses:Audit", 40_00), HandLine("Liabilities:Bills", -40_00)]


@pytest.fixture
def east(desk):
    with transaction(desk.sessions) as session:
        mall = add_mall(session, utc_now(), "EAST", name="East", timezone="America/Chicago")
        ensure_period(session, mall.id, MARCH)
    return mall


def by_hand(session, key, on=date(2025, 3, 20), times=1):
    lines = [HandLine(part.account, part.amount_cents * times) for part in BILL]
    made = {"on": on, "lines": lines, "reason": "Audit, bill 7", "new_accounts": True}
    return enter_journal(session, utc_now(), key=key, mall=None, **made)


def lock(mall):
    return lambda session: BODIES["lock"](session, utc_now(), session.get_one(Mall, mall.id), MARCH)


def own_months(session):
    rows = session.execute(select(Period.first_day, Period.state).where(Period.mall_id.is_(None)).order_by(Period.first_day))
    return {day.isoformat()[:7]: state for day, state in rows}


def test_the_last_mall_to_lock_a_month_closes_the_coops_own(desk, east):
    with transaction(desk.sessions) as session:
        by_hand(session, "february", date(2025, 2, 20))
        # A mall whose books begin later holds nothing back.
        west = add_mall(session, utc_now(), "WEST", name="West", timezone="America/Chicago")
        ensure_period(session, west.id, MARCH.next)
    assert desk.close()["lock"].state == "done"
    with transaction(desk.sessions) as session:
        by_hand(session, "march")
        waits = by_hand(session, "much", times=100)
        assert (waits.state, own_months(session)) == ("entered", {"2025-02": "open", "2025-03": "open"})
    with pytest.raises(StepRefused, match="1 entry by hand waits for a second person"), transaction(desk.sessions) as session:
        lock(east)(session)
    with transaction(desk.sessions) as session:
        refuse_journal(session, utc_now(), waits.id, "Not ours", user_id=None)
        lock(east)(session)
        assert own_months(session) == {"2025-02": "closed", "2025-03": "closed"}
        seals = session.scalars(select(Seal).where(Seal.chain == "co-op").order_by(Seal.number)).all()
        assert [(seal.number, seal.reason, seal.entries) for seal in seals] == [(1, "close", 1), (2, "close", 1)]
        assert posting_date(session, None, date(2025, 3, 31)) == date(2025, 4, 1)
        with pytest.raises(Refusal, match=r"March 2025 is closed in the co-op's own books and takes no entry\. Date it on"):
            by_hand(session, "late")
        assert by_hand(session, "april", date(2025, 4, 1)).state == "posted"
        assert check_books(session) == []


def test_a_posting_of_the_coops_own_in_flight_is_let_in_before_its_month_closes(desk, east):
    with transaction(desk.sessions) as session:
        lock(east)(session)
        by_hand(session, "first")
        accounts = session.scalars(select(Account.id).where(Account.path.in_([part.account for part in BILL]))).all()
    late = EntryDraft(
        mall_id=None,
        business_date=date(2025, 3, 31),
        kind="journal",
        source_kind="test",
        source_id="1",
        purpose="late",
        postings=((accounts[0], 5_00), (accounts[1], -5_00)),
    )
    with transaction(desk.sessions) as session:
        post_entry(session, utc_now(), late)
        closing = Other(desk.sessions, lock(desk.coop.mall))
        closing.waits()
    closing.ends()
    with transaction(desk.sessions) as session:
        assert own_months(session) == {"2025-03": "closed"}
        assert session.scalars(select(Seal.entries).where(Seal.chain == "co-op")).all() == [2]
        assert check_books(session) == []


def test_two_malls_that_lock_at_once_close_the_coops_own(desk, east):
    others = [Other(desk.sessions, lock(mall)) for mall in (desk.coop.mall, east)]
    for other in others:
        other.ends()
    with transaction(desk.sessions) as session:
        assert own_months(session) == {"2025-03": "closed"}


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_dealer_who_sold_without_a_lease_is_mended_where_one_is_made(desk):
    with transaction(desk.sessions) as session:
        new = make_dealer(session, utc_now(), "D09")
        sold = ticket("n1", date(2025, 3, 12), [line(new, 10_00)], zone=desk.coop.mall.timezone)
        take_tickets(session, utc_now(), desk.coop.mall, [sold])
    refused = desk.close()["commission"]
    assert (refused.state, refused.mend) == ("refused", "/office/leases/MAIN/new?dealer=D09")
