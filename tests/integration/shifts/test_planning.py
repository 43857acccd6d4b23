"""A rota's turns made from hours and posts and brought up to changes while it is a draft; a day the mall stays closed."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.shifts.domain.hours import CLOSED, Hours
from coop.shifts.hours import calendar_of, set_exception
from coop.shifts.models import OpeningHours, PostNeed, Rota, Turn
from coop.shifts.planning import close_day, ensure_rota, seats_of
from coop.shifts.posts import add_need
from coop.shifts.turn_models import Attendance, TurnChange, TurnOffer
from tests.factories.hall import Hall
from tests.factories.people import make_mall
from tests.factories.turns import NOVEMBER, lay_hours, lay_mall, lay_need, lay_post, lay_published, lay_rota, lay_rules, turns_of

DECEMBER = Month(2026, 12)
FRIDAY = date(2026, 12, 4)


class Shop(Hall):
    """A desk in two halves, 10 to 2 and 2 to 6, Monday to Saturday, and one on the floor on Saturdays."""

    def __init__(self, session: Session, now: datetime) -> None:
        super().__init__(session, now)
        self.desk, self.floor = lay_mall(self.session, self.mall)

    def ensure(self) -> Rota:
        return ensure_rota(self.session, self.now, self.mall, DECEMBER)

    def give(self, rota: Rota, day: date, half: int, member_id: int, *, locked: bool = False) -> Turn:
        turn = [turn for turn in turns_of(self.session, rota) if turn.on_date == day and turn.post_id == self.desk.id][half]
        turn.member_id, turn.locked, turn.why = member_id, locked, "asked for it"
        self.session.flush()
        return turn

    def desk_on(self, rota: Rota, day: date) -> list[tuple[int, int | None, bool]]:
        """Hour it begins in UTC, who has it, whether it is locked."""
        turns = [turn for turn in turns_of(self.session, rota) if turn.on_date == day and turn.post_id == self.desk.id]
        return [(turn.starts_at.hour, turn.member_id, turn.locked) for turn in turns]


@pytest.fixture
def shop(sessions: Sessions, now: datetime) -> Iterator[Shop]:
    with transaction(sessions) as session:
        yield Shop(session, now)


def test_a_months_seats_follow_hours_and_posts(shop: Shop) -> None:
    seats = seats_of(shop.session, shop.mall, DECEMBER)
    # December 2026: 27 days but Sundays, two halves each; four Saturdays with one on the floor.
    assert len(seats) == 27 * 2 + 4
    assert [seat.words for seat in seats if seat.on_date == date(2026, 12, 5)] == [
        "Desk, 10 am to 2 pm",
        "Floor, 10 am to 6 pm",
        "Desk, 2 to 6 pm",
    ]
    assert {seat.holiday for seat in seats} == {"", "Christmas Day"}


def test_a_rota_is_made_once_with_its_turns(shop: Shop) -> None:
    rota = shop.ensure()
    assert (rota.state, rota.version) == ("draft", 2)
    turns = turns_of(shop.session, rota)
    assert len(turns) == 58
    first = turns[0]
    assert (first.on_date, first.starts_at) == (date(2026, 12, 1), datetime(2026, 12, 1, 16, tzinfo=UTC))
    assert (first.opens, first.closes, first.needs_keys, first.member_id, first.state) == (True, False, True, None, "standing")
    assert shop.ensure() is rota
    assert rota.version == 2, "nothing changed"
    assert [turn.id for turn in turns_of(shop.session, rota)] == [turn.id for turn in turns]


def test_a_draft_keeps_who_has_a_seat_that_is_still_there(shop: Shop) -> None:
    rota = shop.ensure()
    kept = shop.give(rota, FRIDAY, 0, shop.ida.member_id, locked=True)
    add_need(shop.session, shop.now, shop.desk, starts_on=FRIDAY, weekdays=1 << 4, to_what="clock", to_min=840)
    shop.ensure()
    assert rota.version == 3
    # A second person stands beside the first, who keeps the first seat.
    assert shop.desk_on(rota, FRIDAY) == [(16, shop.ida.member_id, True), (16, None, False), (20, None, False)]
    assert (kept.seat, kept.why) == (1, "asked for it")


def test_a_turn_moves_with_its_seat(shop: Shop) -> None:
    rota = shop.ensure()
    shop.give(rota, FRIDAY, 0, shop.ida.member_id, locked=True)
    afternoon = shop.give(rota, FRIDAY, 1, shop.amos.member_id)
    # Open at 11 (17:00 UTC) rather than 10, and until 8: the morning begins later, the afternoon ends later.
    set_exception(shop.session, shop.now, shop.mall, FRIDAY, Hours(660, 1200), "Late shopping")
    shop.ensure()
    assert shop.desk_on(rota, FRIDAY) == [(17, shop.ida.member_id, True), (20, shop.amos.member_id, False)]
    assert afternoon.ends_at == datetime(2026, 12, 5, 2, tzinfo=UTC)
    assert afternoon.closes


def test_a_day_that_is_closed_has_no_turns_in_a_draft(shop: Shop) -> None:
    rota = shop.ensure()
    shop.give(rota, FRIDAY, 0, shop.ida.member_id)
    set_exception(shop.session, shop.now, shop.mall, FRIDAY, CLOSED, "Stocktaking")
    shop.ensure()
    assert shop.desk_on(rota, FRIDAY) == []
    assert len(turns_of(shop.session, rota)) == 56


def test_a_member_who_is_busy_elsewhere_does_not_move_with_the_seat(shop: Shop) -> None:
    """Ida has the morning here until 2 pm and the other mall's desk from 3 to 6 pm."""
    east = make_mall(shop.session, shop.now, "EAST")
    lay_rules(shop.session, east)
    lay_hours(shop.session, east, opens=900)
    lay_need(shop.session, lay_post(shop.session, east))
    rota, other = shop.ensure(), lay_rota(shop.session, east, DECEMBER)
    shop.give(rota, FRIDAY, 0, shop.ida.member_id, locked=True)
    (hers,) = (turn for turn in turns_of(shop.session, other) if turn.on_date == FRIDAY)
    hers.member_id = shop.ida.member_id
    shop.session.flush()
    # The morning's turn here is now until 4 pm.
    shop.session.execute(delete(PostNeed).where(PostNeed.post_id == shop.desk.id))
    lay_need(shop.session, shop.desk, to_what="clock", to_min=960, key_holders=1)
    shop.ensure()
    assert shop.desk_on(rota, FRIDAY) == [(16, None, False)]
    assert hers.member_id == shop.ida.member_id


def test_a_published_rota_is_left_as_it_is(shop: Shop) -> None:
    rota = shop.ensure()
    lay_published(shop.session, rota, shop.now)
    set_exception(shop.session, shop.now, shop.mall, FRIDAY, CLOSED, "Stocktaking")
    version = rota.version
    assert shop.ensure() is rota
    assert (len(turns_of(shop.session, rota)), rota.version) == (58, version)


def test_a_month_without_seats_says_what_to_set_first(shop: Shop) -> None:
    shop.session.execute(delete(PostNeed))
    with pytest.raises(Refusal, match="No post of Lantern Yard Antiques Hall needs anybody in December 2026"):
        shop.ensure()
    lay_need(shop.session, shop.desk, weekdays=1 << 6)
    with pytest.raises(Refusal, match="is closed whenever its posts need somebody in December 2026"):
        shop.ensure()
    shop.session.execute(delete(OpeningHours))
    with pytest.raises(Refusal, match="has no opening hours yet: set them first"):
        shop.ensure()
    assert shop.session.scalars(select(Rota)).all() == []


# --- a day closed ---------------------------------------------------------------------------------------------------------


def test_a_snow_day_closes_the_turns_that_nobody_came_to(shop: Shop) -> None:
    day = date(2026, 11, 4)
    rota = lay_rota(shop.session, shop.mall, NOVEMBER)
    morning, afternoon = shop.give(rota, day, 0, shop.ida.member_id), shop.give(rota, day, 1, shop.amos.member_id)
    lay_published(shop.session, rota, shop.now)
    shop.session.add(Attendance(turn_id=morning.id, signed_in_at=morning.starts_at))
    shop.session.flush()
    offer = TurnOffer(turn_id=afternoon.id, kind="give", by_member_id=shop.amos.member_id, made_at=shop.now)
    shop.session.add(offer)
    shop.session.flush()
    version = rota.version
    closed = close_day(shop.session, shop.now, shop.mall, day, "Snow", None)
    assert offer.state == "lapsed"
    assert any(job.kind == "shifts.tell" and afternoon.id in job.args.values() for job in shop.session.scalars(select(Job)))
    assert [turn.id for turn in closed] == [afternoon.id]
    assert (morning.state, afternoon.state, afternoon.member_id) == ("standing", "closed", shop.amos.member_id)
    assert rota.version == version + 1
    (change,) = shop.session.scalars(select(TurnChange).where(TurnChange.how == "closed"))
    assert (change.turn_id, change.from_member_id, change.to_member_id) == (
        afternoon.id,
        shop.amos.member_id,
        shop.amos.member_id,
    )
    found = calendar_of(shop.session, shop.mall, NOVEMBER)[day]
    assert (found.is_open, found.why) == (False, "Snow")
    assert close_day(shop.session, shop.now, shop.mall, day, "Still snow", None) == []


def test_a_snow_day_in_a_draft_takes_its_turns_away(shop: Shop) -> None:
    rota = shop.ensure()
    assert close_day(shop.session, shop.now, shop.mall, FRIDAY, "Snow", None) == []
    assert shop.desk_on(rota, FRIDAY) == []


def test_a_rota_that_is_being_published_is_not_worked_over(sessions: Sessions, now: datetime) -> None:
    """Whoever brings its turns up to the hours waits, and finds it published."""
    with transaction(sessions) as session:
        shop = Shop(session, now)
        shop.ensure()
        mall_id = shop.mall.id
        set_exception(session, now, shop.mall, FRIDAY, CLOSED, "Stocktaking")
    found: list[tuple[str, int]] = []

    def bring_up() -> None:
        with transaction(sessions) as session:
            rota = ensure_rota(session, now, session.get_one(Mall, mall_id), DECEMBER)
            found.append((rota.state, len(turns_of(session, rota))))

    with transaction(sessions) as session:
        lay_published(session, session.scalars(select(Rota).with_for_update(key_share=True)).one(), now)
        other = threading.Thread(target=bring_up)
        other.start()
        # Long enough that it stands before the row, which is held until the commit; sooner or later, the answer is the same.
        other.join(timeout=0.3)
    other.join(timeout=30)
    assert found == [("published", 58)]


def test_a_day_is_closed_for_a_reason_and_not_afterwards(shop: Shop) -> None:
    with pytest.raises(Refusal, match="Say why Lantern Yard Antiques Hall stays closed on Dec 4, 2026, such as snow"):
        close_day(shop.session, shop.now, shop.mall, FRIDAY, " ", None)
    with pytest.raises(Refusal, match="Nov 2, 2026 is past"):
        close_day(shop.session, shop.now, shop.mall, date(2026, 11, 2), "Snow", None)
