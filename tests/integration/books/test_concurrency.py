"""Two at once at the same books, with real transactions that commit, on both databases.

Nothing here measures time: one transaction is held open, the other is seen to wait (on PostgreSQL by the server's own word), and
what is true after both is what is judged.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.models import Entry, Period, Posting, Seal
from coop.books.service import close_period, ensure_period, lock_period, post_entries, post_entry, seal_period, seal_periods
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.models import Ticket
from coop.sales.service import take_tickets
from tests.factories.books import (
    NOVEMBER,
    OCTOBER,
    SEPTEMBER,
    bank_charge,
    entry_sql,
    month_sql,
    posting_sql,
    proof_sql,
    sale,
    shut,
)
from tests.factories.people import make_coop, make_dealer, make_mall

POSTGRESQL = pytest.mark.parametrize(
    "database_url", [pytest.param("postgresql", marks=pytest.mark.postgres)], indirect=True, ids=["postgresql"]
)


class Other(threading.Thread):
    """Somebody else's transaction: runs a body and commits; what it raised is kept."""

    def __init__(self, sessions: Sessions, body: Callable[[Session], object]) -> None:
        super().__init__(daemon=True)
        self.sessions, self.body = sessions, body
        self.error: BaseException | None = None
        self.start()

    def run(self) -> None:
        try:
            with transaction(self.sessions) as session:
                self.body(session)
        except BaseException as error:
            self.error = error

    def waits(self) -> None:
        """Return once it waits for a lock; on SQLite, once it has had a moment to go wrong in."""
        with self.sessions() as session:
            postgresql = session.get_bind().dialect.name == "postgresql"
        while postgresql and self.is_alive() and not self._blocked():
            self.join(0.01)
        if not postgresql:
            self.join(0.1)
        assert self.is_alive(), f"it did not wait: {self.error!r}"

    def _blocked(self) -> bool:
        with self.sessions() as session:
            waiting = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
            return bool(session.scalar(text(waiting)))

    def ends(self, error: type[BaseException] | None = None) -> str:
        """Wait for its end; it failed so, or not at all. What it said."""
        self.join(60)
        assert not self.is_alive()
        if error is None and self.error is not None:
            raise self.error
        assert error is None or isinstance(self.error, error), f"it ended with {self.error!r}"
        return str(self.error or "")


@pytest.fixture
def house(sessions: Sessions, now: datetime) -> tuple[Mall, Dealer]:
    """A mall with an open September and one sale in it, and a dealer."""
    with transaction(sessions) as session:
        make_coop(session, now)
        mall, dealer = make_mall(session, now), make_dealer(session, now)
        post_entry(session, now, sale(session, mall, dealer, 1000, date(2026, 9, 1), "first"))
    return mall, dealer


def period_of(session: Session, month: Month = SEPTEMBER) -> Period:
    return session.scalars(select(Period).where(Period.first_day == month.first_day)).one()


def closing(now: datetime, month: Month = SEPTEMBER) -> Callable[[Session], None]:
    return lambda session: shut(session, now, period_of(session, month))


def selling(now: datetime, house: tuple[Mall, Dealer], source_id: str, on: date) -> Callable[[Session], int]:
    return lambda session: post_entry(session, now, sale(session, *house, 500, on, source_id))


def holds(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        assert check_books(session) == []


def entries_in(session: Session, month: Month) -> int:
    return session.scalar(select(func.count(Entry.id)).where(Entry.period_id == period_of(session, month).id)) or 0


# --- a posting and a close ----------------------------------------------------------------------------------------------


def test_a_close_waits_for_a_posting_in_flight_and_seals_it(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    with transaction(sessions) as session:
        selling(now, house, "in flight", date(2026, 9, 30))(session)
        close = Other(sessions, closing(now))
        close.waits()
    close.ends()
    with transaction(sessions) as session:
        assert period_of(session).state == "closed"
        assert [seal.entries for seal in session.scalars(select(Seal))] == [2]
    holds(sessions)


def test_a_posting_that_meets_a_close_waits_and_is_refused(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        closing(now)(session)
        late = Other(sessions, selling(now, house, "late", date(2026, 9, 30)))
        late.waits()
    assert "September 2026 is closed" in late.ends(Refusal)
    with transaction(sessions) as session:
        assert entries_in(session, SEPTEMBER) == 1
    holds(sessions)


@POSTGRESQL
def test_tickets_that_meet_a_close_are_dated_in_the_month_that_is_open(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    """The month was open when their date was looked up, and closed when they came to hold it: they wait, and are dated again."""
    mall, dealer = house
    line = LineIn(1, dealer.id, "D01-1", "Plate", 1, Decimal(5), 5_00)
    at = datetime(2026, 9, 30, 18, tzinfo=UTC)
    ticket = TicketIn("desk/1", "1", "desk", "sale", at, (line,), (TenderIn("cash"),), taxed=False)
    with transaction(sessions) as session:
        closing(now)(session)
        late = Other(sessions, lambda s: take_tickets(s, now, mall, [ticket]))
        late.waits()
    late.ends()
    with transaction(sessions) as session:
        kept = session.scalars(select(Ticket)).one()
        assert (kept.sold_on, kept.posting_date) == (date(2026, 9, 30), date(2026, 10, 1))
        assert (entries_in(session, SEPTEMBER), entries_in(session, OCTOBER)) == (1, 1)
    holds(sessions)


CLOSED_BY_HAND = text("UPDATE period SET state = 'closed'")


@pytest.mark.parametrize("by_hand", [False, True], ids=["closed by the program", "closed by hand"])
def test_a_posting_that_knows_no_locks_waits_too(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer], by_hand: bool
) -> None:
    """The guard in the database takes the lock itself: a program that never heard of ours cannot slip past a close."""
    with transaction(sessions) as session:
        period_id = period_of(session).id
        if by_hand:
            session.execute(CLOSED_BY_HAND)
        else:
            closing(now)(session)
        raw = Other(sessions, lambda s: s.execute(text(entry_sql(900, period_id, house[0].id, "2026-09-30"))))
        raw.waits()
    assert "closed and takes no entry" in raw.ends(IntegrityError)


def test_a_close_by_hand_waits_for_a_posting_by_hand(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        first = session.scalars(select(Posting).order_by(Posting.id)).first()
        assert first is not None
        for statement in (
            entry_sql(900, period_of(session).id, house[0].id, "2026-09-30"),
            posting_sql(900, first.account_id, 500),
            posting_sql(900, first.account_id, -500),
            proof_sql(900, 2, 500),
        ):
            session.execute(text(statement))
        close = Other(sessions, lambda s: s.execute(CLOSED_BY_HAND))
        close.waits()
    close.ends()
    with transaction(sessions) as session:
        assert (period_of(session).state, entries_in(session, SEPTEMBER)) == ("closed", 2)


@POSTGRESQL
@pytest.mark.parametrize("level", ["REPEATABLE READ", "SERIALIZABLE"])
def test_what_an_old_snapshot_remembers_is_no_way_in(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer], level: str
) -> None:
    """A transaction begun before an entry was posted, and before its month closed, sees neither; it gets in nowhere."""
    with sessions() as into_entry, sessions() as into_month:
        for old in (into_entry, into_month):
            old.connection(execution_options={"isolation_level": level})
            assert period_of(old).state == "open"
        with transaction(sessions) as session:
            entry_id = selling(now, house, "meanwhile", date(2026, 9, 30))(session)
        with transaction(sessions) as session:
            period_id = period_of(session).id
            closing(now)(session)
        with pytest.raises(DBAPIError, match=r"fk_posting_entry_id|could not serialize|takes no more postings"):
            into_entry.execute(text(posting_sql(entry_id, 1, 5)))
        with pytest.raises(DBAPIError, match=r"could not serialize|closed and takes no entry"):
            into_month.execute(text(entry_sql(900, period_id, house[0].id, "2026-09-30")))
    holds(sessions)


# --- two postings -------------------------------------------------------------------------------------------------------


@POSTGRESQL
def test_two_postings_of_one_month_do_not_wait_for_each_other(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    with sessions() as one, sessions() as two:
        # Waiting would be an error at once.
        for session in (one, two):
            session.execute(text("SET LOCAL lock_timeout = '1ms'"))
        selling(now, house, "desk 1", date(2026, 9, 2))(one)
        selling(now, house, "desk 2", date(2026, 9, 2))(two)
        one.commit()
        two.commit()
    with transaction(sessions) as session:
        assert entries_in(session, SEPTEMBER) == 3
    holds(sessions)


def test_two_open_the_same_new_month(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        selling(now, house, "desk 1", date(2026, 10, 1))(session)
        second = Other(sessions, selling(now, house, "desk 2", date(2026, 10, 1)))
        second.waits()
    second.ends()
    with transaction(sessions) as session:
        assert entries_in(session, OCTOBER) == 2
    holds(sessions)


def test_a_month_whose_opening_came_to_nothing_is_opened_by_the_next(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    with sessions() as undone:
        selling(now, house, "desk 1", date(2026, 10, 1))(undone)
        second = Other(sessions, selling(now, house, "desk 2", date(2026, 10, 1)))
        second.waits()
        undone.rollback()
    second.ends()
    with transaction(sessions) as session:
        assert entries_in(session, OCTOBER) == 1
    holds(sessions)


def test_two_post_one_event(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        selling(now, house, "one ticket", date(2026, 9, 2))(session)
        again = Other(sessions, selling(now, house, "one ticket", date(2026, 9, 2)))
        again.waits()
    again.ends(IntegrityError)
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Entry.id)).where(Entry.source_id == "one ticket")) == 1
    holds(sessions)


def test_many_desks_at_once(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    """Eight desks sell, a new month among it, while the books are sealed again and again; nothing is lost and all is sealed."""

    def sell(desk: int) -> Callable[[Session], object]:
        days = (date(2026, 9, 3), date(2026, 10, 3))
        return lambda s: post_entries(s, now, [sale(s, *house, 100 + desk, day, f"{desk}/{day}") for day in days])

    others = [Other(sessions, sell(desk)) for desk in range(8)]
    others += [Other(sessions, lambda s: seal_periods(s, now)) for _ in range(3)]
    for other in others:
        other.ends()
    with transaction(sessions) as session:
        seal_periods(session, now)
        assert (entries_in(session, SEPTEMBER), entries_in(session, OCTOBER)) == (9, 8)
        assert session.scalar(select(func.sum(Seal.entries))) == 17
    holds(sessions)


# --- seals, closes, openings --------------------------------------------------------------------------------------------


def test_a_seal_waits_for_a_posting_in_flight(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    """On PostgreSQL a number is drawn before the commit: sealed past, the entry would never come under a seal."""
    with transaction(sessions) as session:
        selling(now, house, "in flight", date(2026, 9, 2))(session)
        seal = Other(sessions, lambda s: seal_periods(s, now))
        seal.waits()
    seal.ends()
    with transaction(sessions) as session:
        assert [(seal.entries, seal.number) for seal in session.scalars(select(Seal))] == [(2, 1)]
    holds(sessions)


def test_a_day_s_seal_meets_a_close(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    """The close holds its month, then seals; the day's seal comes between. Neither waits for what the other holds."""
    with transaction(sessions) as session:
        selling(now, house, "october", date(2026, 10, 1))(session)
    with transaction(sessions) as session:
        period = lock_period(session, period_of(session).id)
        day = Other(sessions, lambda s: seal_periods(s, now))
        day.waits()
        seal_period(session, now, period, "close")
        close_period(session, now, period)
    day.ends()
    with transaction(sessions) as session:
        seals = session.execute(select(Seal.number, Seal.reason, Seal.entries).order_by(Seal.number)).all()
    assert [tuple(seal) for seal in seals] == [(1, "close", 1), (2, "day", 1)]
    holds(sessions)


def test_a_day_s_seal_meets_a_batch_that_opens_a_month_of_another_mall(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    """A batch opens the months of its malls before it holds any; a seal takes every mall before any month."""
    with transaction(sessions) as session:
        east = make_mall(session, now, "EAST")
        post_entry(session, now, sale(session, east, house[1], 700, date(2026, 10, 2), "east"))
    with transaction(sessions) as session:
        ensure_period(session, east.id, NOVEMBER)
        day = Other(sessions, lambda s: seal_periods(s, now))
        day.waits()
        selling(now, house, "main", date(2026, 9, 2))(session)
    day.ends()
    with transaction(sessions) as session:
        assert session.execute(select(Seal.chain, Seal.entries).order_by(Seal.chain)).all() == [("EAST", 1), ("MAIN", 2)]
    holds(sessions)


def test_an_import_that_holds_its_mall_meets_a_close(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        session.execute(select(Mall).where(Mall.id == house[0].id).with_for_update(key_share=True))
        close = Other(sessions, closing(now))
        close.waits()
        selling(now, house, "imported", date(2026, 9, 4))(session)
    close.ends()
    with transaction(sessions) as session:
        assert [seal.entries for seal in session.scalars(select(Seal))] == [2]
    holds(sessions)


def test_two_close_the_same_month(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    def close_if_open(session: Session) -> None:
        period = lock_period(session, period_of(session).id)
        if period.state == "open":
            seal_period(session, now, period, "close")
            close_period(session, now, period)

    with transaction(sessions) as session:
        close_if_open(session)
        second = Other(sessions, close_if_open)
        second.waits()
    second.ends()
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Seal.id))) == 1
    holds(sessions)


def test_no_month_opens_behind_one_that_is_closing(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        closing(now)(session)
        early = Other(sessions, selling(now, house, "found in a drawer", date(2026, 8, 30)))
        early.waits()
    assert "August 2026 lies before September 2026, which is closed" in early.ends(Refusal)
    holds(sessions)


def test_no_month_opens_behind_one_that_is_closing_by_hand_either(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    opening = month_sql(900, house[0].id, "'2026-08-01'", "'2026-08-31'")
    with transaction(sessions) as session:
        session.execute(CLOSED_BY_HAND)
        early = Other(sessions, lambda s: s.execute(text(opening)))
        early.waits()
    assert "no month opens before one that is closed" in early.ends(IntegrityError)


def test_a_close_waits_for_a_month_that_opens_behind_it(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        selling(now, house, "found in a drawer", date(2026, 8, 30))(session)
        close = Other(sessions, closing(now))
        close.waits()
    assert "August 2026 is still open" in close.ends(Refusal)
    holds(sessions)


def test_months_of_two_malls_close_at_once(sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]) -> None:
    with transaction(sessions) as session:
        east = make_mall(session, now, "EAST")
        post_entry(session, now, sale(session, east, house[1], 700, date(2026, 11, 2), "east"))
    with sessions() as one:
        closing(now)(one)
        two = Other(sessions, closing(now, NOVEMBER))
        if one.get_bind().dialect.name == "postgresql":
            two.ends()
        one.commit()
    two.ends()
    with transaction(sessions) as session:
        assert set(session.scalars(select(Period.state))) == {"closed"}
        assert {(seal.chain, seal.number) for seal in session.scalars(select(Seal))} == {("MAIN", 1), ("EAST", 1)}
    holds(sessions)


def test_the_coops_own_month_closes_behind_an_entry_in_flight_and_once(
    sessions: Sessions, now: datetime, house: tuple[Mall, Dealer]
) -> None:
    """Two days' seals at once meet a bank charge that is being posted: it is let in, and the month closes behind it."""
    with transaction(sessions) as session:
        closing(now)(session)
    with transaction(sessions) as session:
        post_entry(session, now, bank_charge(session, 4_00, date(2026, 9, 3), "in flight"))
        days = [Other(sessions, lambda s: seal_periods(s, now)) for _ in range(2)]
        for day in days:
            day.waits()
    for day in days:
        day.ends()
    with transaction(sessions) as session:
        own = session.execute(select(Seal.number, Seal.reason, Seal.entries).where(Seal.chain == "co-op")).all()
        assert [tuple(seal) for seal in own] == [(1, "close", 1)]
        assert ensure_period(session, None, SEPTEMBER).state == "closed"
    holds(sessions)
