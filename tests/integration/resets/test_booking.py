"""Places booked on both databases: against the neighbors', let go, and of two who book at once the second is told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.leases.editing import By
from coop.resets.booking import Wanted, book_places, bookings_of, closed_days, places_of
from coop.resets.planning import Asked, change_reset, drop_reset, make_reset
from coop.resets.reset_models import Reset, ResetBooking
from tests.factories.house import add_person
from tests.factories.leases import make_lease, make_space
from tests.factories.people import make_dealer
from tests.factories.resets import BoothLaid, a_booth, make_set, measure_booth
from tests.factories.turns import lay_hours

DAY, SUNDAY = date(2026, 12, 1), date(2026, 12, 6)
ASKED = Asked(DAY, 10 * 60, 18 * 60)
TEN, NOON, TWO = 600, 720, 840


@dataclass
class Two:
    """Two dealers, each with a reset on one day."""

    ida: int
    amos: int
    booth: BoothLaid
    by: By


@pytest.fixture
def two(sessions: Sessions, now: datetime) -> Two:
    with transaction(sessions) as session:
        booth = a_booth(session, now)
        by = By(add_person(session, now, "ida@example.org", ("dealer",), booth.dealer.member_id))
        ida = make_reset(session, now, booth.dealer, booth.space, before=booth.stands, after=booth.draft, asked=ASKED, by=by)
        amos = make_dealer(session, now, "D02")
        space = make_space(session, now, booth.mall, "14")
        make_lease(session, now, booth.mall, amos, [space])
        draft = make_set(session, amos, space, measure_booth(session, space), "Winter")
        other = make_reset(session, now, amos, space, before=None, after=draft, asked=ASKED, by=by)
        return Two(ida.id, other.id, booth, by)


@pytest.fixture
def open_session(sessions: Sessions) -> Iterator[Session]:
    with transaction(sessions) as session:
        yield session


def book(session: Session, now: datetime, two: Two, reset_id: int, *wanted: Wanted) -> None:
    book_places(session, now, session.get_one(Reset, reset_id), wanted, by=two.by)


def test_of_two_who_book_at_once_the_second_is_told(sessions: Sessions, now: datetime, two: Two) -> None:
    together, outcomes = threading.Barrier(2), []

    def save(reset_id: int) -> None:
        together.wait(timeout=30)
        try:
            with transaction(sessions) as session:
                book(session, now, two, reset_id, Wanted("dock", "dock", TEN, NOON), Wanted("staging", "By the dock", TEN, TWO))
            outcomes.append("")
        except Refusal as refusal:
            outcomes.append(str(refusal))

    threads = [threading.Thread(target=save, args=(one,)) for one in (two.ida, two.amos)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    first, told = sorted(outcomes)
    assert first == ""
    assert told.startswith("The dock is taken, Tue, Dec 1, 2026, 10 am to noon, for the reset of Booth 1")
    assert told.endswith("the next time all of it is free is Tue, Dec 1, 2026, noon to 2 pm.")
    with transaction(sessions) as session:
        rows = session.scalars(select(ResetBooking)).all()
        assert len(rows) == 2, "all of the first, nothing of the second"
        assert len({row.reset_id for row in rows}) == 1


def test_what_was_booked_is_replaced_and_said_in_the_log(open_session: Session, now: datetime, two: Two) -> None:
    book(open_session, now, two, two.ida, Wanted("dock", "dock", TEN, NOON), Wanted("aisle", "12", TEN, TWO))
    book(open_session, now, two, two.ida, Wanted("dock", "dock", NOON, TWO))
    row = open_session.get_one(Reset, two.ida)
    assert [(one.kind, one.from_minute, one.to_minute) for one in places_of(open_session, row)] == [("dock", NOON, TWO)]
    log = open_session.scalars(select(AuditLog).where(AuditLog.action == "places booked").order_by(AuditLog.id)).all()
    assert [one.detail for one in log] == ["The dock, The aisle before Booth 12", "The dock"]
    book(open_session, now, two, two.amos, Wanted("dock", "dock", TEN, NOON))
    theirs = bookings_of(open_session, two.booth.mall, DAY, DAY, besides=row)
    assert [(one.who, one.space, one.dock, one.from_minute) for one in theirs] == [("D02", "Booth 14", True, TEN)]


REFUSED: list[tuple[Wanted, str]] = [
    (Wanted("aisle", "14", TEN, NOON), "The aisle before Booth 14 is taken"),
    (Wanted("aisle", "12", NOON - 1, TWO), "The aisle before Booth 12 is taken"),
    (Wanted("dock", "dock", TEN, NOON), "The aisle before Booth 12 is blocked"),
    (Wanted("staging", "By the dock", NOON, TEN), "Staging floor By the dock is booked to before it begins"),
]


@pytest.mark.parametrize(("wanted", "sentence"), REFUSED)
def test_a_neighbor_who_has_the_aisle_is_named(
    open_session: Session, now: datetime, two: Two, wanted: Wanted, sentence: str
) -> None:
    book(open_session, now, two, two.amos, Wanted("aisle", "14", TEN, NOON), Wanted("aisle", "12", TEN, NOON))
    with pytest.raises(Refusal, match=sentence):
        book(open_session, now, two, two.ida, wanted)
    book(open_session, now, two, two.ida, Wanted("dock", "dock", NOON, TWO), Wanted("aisle", "12", NOON, TWO))


def test_another_day_or_none_lets_it_go(open_session: Session, now: datetime, two: Two) -> None:
    row = open_session.get_one(Reset, two.ida)
    book(open_session, now, two, two.ida, Wanted("dock", "dock", TEN, NOON))
    changes: dict[str, Any] = {"begins_minute": 540, "ends_minute": 1080}
    change_reset(open_session, now, row, Asked(DAY, **changes), by=two.by)
    assert len(places_of(open_session, row)) == 1, "other hours of the day keep it"
    change_reset(open_session, now, row, Asked(date(2026, 12, 2), **changes), by=two.by)
    assert list(places_of(open_session, row)) == []
    book(open_session, now, two, two.ida, Wanted("dock", "dock", TEN, NOON))
    drop_reset(open_session, now, row, by=two.by)
    assert list(places_of(open_session, row)) == []
    with pytest.raises(Refusal, match="is over, or was dropped"):
        book(open_session, now, two, two.ida, Wanted("dock", "dock", TEN, NOON))


def test_resets_are_worked_while_the_mall_is_open_where_its_hours_are_set(open_session: Session, now: datetime, two: Two) -> None:
    book(open_session, now, two, two.ida, Wanted("dock", "dock", 0, 60))
    week = [date(2026, 12, n) for n in range(1, 8)]
    assert closed_days(open_session, two.booth.mall, week) == set(), "nobody has set its hours"
    lay_hours(open_session, two.booth.mall)
    assert closed_days(open_session, two.booth.mall, week) == {SUNDAY}
    with pytest.raises(Refusal, match="The mall is open only 10 am to 6 pm on Tue, Dec 1, 2026: the next time"):
        book(open_session, now, two, two.ida, Wanted("dock", "dock", 0, 60))
    book(open_session, now, two, two.ida, Wanted("dock", "dock", TEN, NOON))
