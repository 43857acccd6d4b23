"""Two who do something to one reset or set at once: the second sees what the first did, and is told in a sentence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlalchemy.orm.exc import StaleDataError

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.resets import booking, planning, sets, ticking, timing, ways
from coop.resets.domain.way import Door
from coop.resets.models import BoothSet, PieceRow, SetPrice
from coop.resets.planning import Asked
from coop.resets.reset_models import CarryWay, Reset, ResetBooking, ResetSetting, ResetTick, ResetTime
from coop.resets.settings import Setting, change_settings, setting_of
from coop.resets.ticking import Tick
from tests.factories.house import add_person
from tests.factories.resets import a_booth, plan_reset
from tests.integration.leases.test_two_at_once import POSTGRESQL
from tests.together import act_late, told_second

DAY = date(2026, 12, 1)
ASKED = Asked(DAY, 10 * 60, 18 * 60)
DOCK = booking.Wanted("dock", booking.DOCK, 600, 660)
Deed = Callable[[Session, Reset], object]


@dataclass(frozen=True)
class Committed:
    """A booth with its two sets, and a reset of 1 December with a plan, committed."""

    sessions: Sessions
    now: datetime
    mall: int
    space: int
    dealer: int
    stands: int
    draft: int
    reset: int
    by: By

    def make(self, session: Session, on: date = DAY, way: int | None = None) -> Reset:
        return planning.make_reset(
            session,
            self.now,
            session.get_one(Dealer, self.dealer),
            session.get_one(Space, self.space),
            before=session.get_one(BoothSet, self.stands),
            after=session.get_one(BoothSet, self.draft),
            asked=replace(ASKED, on_date=on, way_id=way),
            by=self.by,
        )

    def drop(self, session: Session) -> None:
        planning.drop_reset(session, self.now, session.get_one(Reset, self.reset), by=self.by)

    def late(self, act: Deed, meanwhile: Callable[[Session], object] | None = None) -> object:
        """Somebody has the reset on the page, another drops it (or what is said), and then the first acts."""
        return act_late(self.sessions, lambda session: session.get_one(Reset, self.reset), meanwhile or self.drop, act)


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Committed:
    with transaction(sessions) as session:
        booth = a_booth(session, now)
        by = By(add_person(session, now, "ida@example.org", ("dealer",), booth.dealer.member_id))
        reset = plan_reset(session, now, booth, by.user_id or 0)
        ids = booth.mall.id, booth.space.id, booth.dealer.id, booth.stands.id, booth.draft.id, reset.id
        return Committed(sessions, now, *ids, by)


def test_two_resets_of_one_booth_and_day_made_at_once_are_one(laid: Committed) -> None:
    second = date(2026, 12, 2)
    said = told_second(laid.sessions, lambda session: laid.make(session, second), lambda session: laid.make(session, second))
    assert said.startswith("Booth 12 has a reset planned on Dec 2, 2026 already")
    with transaction(laid.sessions) as session:
        assert session.scalar(select(func.count()).where(Reset.on_date == second)) == 1


def test_a_reset_put_to_a_day_while_another_is_made_for_it_is_told(laid: Committed) -> None:
    second = date(2026, 12, 2)

    def change(session: Session) -> None:
        row = session.get_one(Reset, laid.reset)
        planning.change_reset(session, laid.now, row, replace(ASKED, on_date=second), by=laid.by)

    said = told_second(laid.sessions, lambda session: laid.make(session, second), change)
    assert said.startswith("Booth 12 has a reset planned on Dec 2, 2026 already")


@POSTGRESQL
def test_nothing_is_ticked_of_a_reset_dropped_meanwhile(laid: Committed) -> None:
    def tick(session: Session, row: Reset) -> None:
        plan = planning.newest_plan(session, row)
        assert plan is not None
        ticking.take_ticks(session, laid.now, row, plan, [Tick(1, True, laid.now)], user_id=laid.by.user_id)

    with pytest.raises(Refusal, match="This reset is over: nothing more is ticked"):
        laid.late(tick)
    with transaction(laid.sessions) as session:
        assert session.scalar(select(func.count()).select_from(ResetTick)) == 0
        assert session.get_one(Reset, laid.reset).state == "dropped"


@POSTGRESQL
def test_no_place_is_booked_for_a_reset_dropped_meanwhile(laid: Committed) -> None:
    with pytest.raises(Refusal, match="is over, or was dropped: nothing is booked for it"):
        laid.late(lambda session, row: booking.book_places(session, laid.now, row, [DOCK], by=laid.by))
    with transaction(laid.sessions) as session:
        assert session.scalar(select(func.count()).select_from(ResetBooking)) == 0


@POSTGRESQL
def test_a_place_is_booked_on_the_day_that_the_reset_is_put_to(laid: Committed) -> None:
    second = date(2026, 12, 2)

    def change(session: Session) -> None:
        row = session.get_one(Reset, laid.reset)
        planning.change_reset(session, laid.now, row, replace(ASKED, on_date=second), by=laid.by)

    laid.late(lambda session, row: booking.book_places(session, laid.now, row, [DOCK], by=laid.by), change)
    with transaction(laid.sessions) as session:
        assert session.scalars(select(ResetBooking.on_date)).all() == [second]


DEEDS: dict[str, Callable[[Committed], Deed]] = {
    "change": lambda laid: lambda session, row: planning.change_reset(session, laid.now, row, ASKED, by=laid.by),
    "drop": lambda laid: lambda session, row: planning.drop_reset(session, laid.now, row, by=laid.by),
    "finish": lambda laid: lambda session, row: planning.finish_reset(session, laid.now, row, by=laid.by),
    "plan again": lambda laid: lambda session, row: planning.plan_again(session, laid.now, row, by=laid.by),
}


@POSTGRESQL
@pytest.mark.parametrize("deed", DEEDS)
def test_what_is_done_to_a_reset_dropped_meanwhile_is_told(laid: Committed, deed: str) -> None:
    """In the words of the refusal, not as a row that somebody changed."""
    with pytest.raises(Refusal, match="This reset was dropped: take it up again first"):
        laid.late(DEEDS[deed](laid))


@POSTGRESQL
def test_a_reset_taken_up_again_by_two_is_taken_up_once(laid: Committed) -> None:
    def take_up(session: Session, row: Reset) -> None:
        planning.take_up_again(session, laid.now, row, by=laid.by)

    with transaction(laid.sessions) as session:
        laid.drop(session)
    with pytest.raises(Refusal, match="This reset was not dropped"):
        laid.late(take_up, lambda session: take_up(session, session.get_one(Reset, laid.reset)))


@POSTGRESQL
def test_a_set_is_not_dropped_while_a_reset_is_planned_with_it(laid: Committed, now: datetime) -> None:
    with transaction(laid.sessions) as session:
        other = sets.copy_set(session, now, session.get_one(BoothSet, laid.draft), sets.Terms("Frost", DAY)).made.id

    def plan(session: Session) -> None:
        planning.make_reset(
            session,
            now,
            session.get_one(Dealer, laid.dealer),
            session.get_one(Space, laid.space),
            before=session.get_one(BoothSet, laid.stands),
            after=session.get_one(BoothSet, other),
            asked=replace(ASKED, on_date=date(2026, 12, 3)),
            by=laid.by,
        )

    def drop(session: Session) -> None:
        row = session.get_one(BoothSet, other)
        sets.drop_set(session, now, row, version=row.version)

    assert told_second(laid.sessions, plan, drop).startswith("A reset is planned with Frost, so it is kept")


@POSTGRESQL
def test_a_reset_is_not_planned_with_a_set_dropped_meanwhile(laid: Committed, now: datetime) -> None:
    with transaction(laid.sessions) as session:
        other = sets.copy_set(session, now, session.get_one(BoothSet, laid.draft), sets.Terms("Frost", DAY)).made.id

    def drop(session: Session) -> None:
        row = session.get_one(BoothSet, other)
        sets.drop_set(session, now, row, version=row.version)

    def plan(session: Session, after: BoothSet) -> None:
        dealer, space = session.get_one(Dealer, laid.dealer), session.get_one(Space, laid.space)
        before = session.get_one(BoothSet, laid.stands)
        asked = replace(ASKED, on_date=date(2026, 12, 3))
        planning.make_reset(session, now, dealer, space, before=before, after=after, asked=asked, by=laid.by)

    with pytest.raises(StaleDataError):
        act_late(laid.sessions, lambda session: session.get_one(BoothSet, other), drop, plan)


def test_two_sets_of_one_name_made_at_once_are_one(laid: Committed, now: datetime) -> None:
    def make(session: Session) -> BoothSet:
        return sets.make_set(session, now, laid.dealer, session.get_one(Space, laid.space), sets.Terms("Frost", DAY))

    assert told_second(laid.sessions, make, make) == "Booth 12 has a set called Frost already: give this one another name."


@POSTGRESQL
def test_of_two_sets_that_are_to_stand_at_once_both_stood_one_after_the_other(laid: Committed, now: datetime) -> None:
    with transaction(laid.sessions) as session:
        other = sets.copy_set(session, now, session.get_one(BoothSet, laid.draft), sets.Terms("Frost", DAY)).made.id

    def stand(set_id: int) -> Callable[[Session], object]:
        def body(session: Session) -> None:
            session.scalars(select(BoothSet)).all()
            row = session.get_one(BoothSet, set_id)
            sets.let_stand(session, now, row, version=row.version, anyway=True)

        return body

    assert told_second(laid.sessions, stand(laid.draft), stand(other)) == ""
    with transaction(laid.sessions) as session:
        states = {row.id: row.state for row in session.scalars(select(BoothSet))}
        assert states == {laid.stands: "stood", laid.draft: "stood", other: "stands"}


@POSTGRESQL
def test_pieces_changed_while_their_reset_is_done_keep_both(laid: Committed, now: datetime) -> None:
    """Another writes a note to the table, which the reset prices, and stores the held lamp: the reset has read both before."""
    later = datetime(2026, 12, 1, 20, tzinfo=now.tzinfo)
    with transaction(laid.sessions) as session:
        table, lamp = (
            session.scalars(select(PieceRow).where(PieceRow.name == name)).one() for name in ("Pine table", "Brass lamp")
        )
        lamp.bound = "held"
        ids = table.id, lamp.id
        session.add(SetPrice(set_id=laid.draft, piece_id=table.id, price_cents=321_00))

    def change(session: Session) -> None:
        session.get_one(PieceRow, ids[0]).note = "waxed"
        session.get_one(PieceRow, ids[1]).place = "store"

    act_late(
        laid.sessions,
        lambda session: (session.get_one(Reset, laid.reset), session.scalars(select(PieceRow)).all()),
        change,
        lambda session, seen: planning.finish_reset(session, later, seen[0], by=laid.by),
    )
    with transaction(laid.sessions) as session:
        priced, held = (session.get_one(PieceRow, one) for one in ids)
        assert (priced.note, priced.price_cents, held.place) == ("waxed", 321_00, "store")


# --- the mall's ways, a dealer's times and settings ---------------------------------------------------------------------------


def a_way(laid: Committed, now: datetime) -> int:
    with transaction(laid.sessions) as session:
        legs = [Door("Back door", 36 * 16, 80 * 16)]
        return ways.set_way(session, now, session.get_one(Mall, laid.mall), "Dock", legs, user_id=laid.by.user_id or 0).id


@POSTGRESQL
def test_a_way_is_not_taken_away_while_a_reset_is_planned_by_it(laid: Committed, now: datetime) -> None:
    way = a_way(laid, now)

    def drop(session: Session) -> None:
        mall, row = session.get_one(Mall, laid.mall), session.get_one(CarryWay, way)
        ways.drop_way(session, now, mall, row, user_id=laid.by.user_id or 0)

    second = date(2026, 12, 2)
    said = told_second(laid.sessions, lambda session: laid.make(session, second, way), drop)
    assert said.startswith("A reset goes by Dock, so it is kept")
    with transaction(laid.sessions) as session:
        session.delete(session.scalars(select(Reset).where(Reset.on_date == second)).one())
    third = date(2026, 12, 3)
    said = told_second(laid.sessions, drop, lambda session: laid.make(session, third, way))
    assert said == "The way to the van was taken away: choose another one."


@POSTGRESQL
def test_a_time_taken_back_by_two_is_logged_once(laid: Committed, now: datetime) -> None:
    with transaction(laid.sessions) as session:
        dealer = session.get_one(Dealer, laid.dealer)
        day = date(2026, 11, 1)
        time = timing.log_time(session, now, dealer, task="pack", minutes=40, count=3, people=2, on=day, today=day).id

    def take_back(session: Session, row: ResetTime) -> None:
        timing.take_back_time(session, now, row)

    with pytest.raises(StaleDataError):
        act_late(
            laid.sessions,
            lambda session: session.get_one(ResetTime, time),
            lambda session: take_back(session, session.get_one(ResetTime, time)),
            take_back,
        )
    with transaction(laid.sessions) as session:
        assert session.scalar(select(func.count()).where(AuditLog.action == "time taken back")) == 1


@POSTGRESQL
def test_settings_changed_by_two_are_those_of_the_later(laid: Committed, now: datetime) -> None:
    def keep(session: Session, smalls: int) -> None:
        dealer = session.get_one(Dealer, laid.dealer)
        change_settings(session, now, dealer, Setting(smalls_a_box=smalls), user_id=laid.by.user_id or 0)

    with transaction(laid.sessions) as session:
        keep(session, 11)
    act_late(
        laid.sessions,
        # Kept, so that the session has them still when it acts.
        lambda session: session.scalars(select(ResetSetting)).all(),
        lambda session: keep(session, 12),
        lambda session, _seen: keep(session, 13),
    )
    with transaction(laid.sessions) as session:
        assert setting_of(session, laid.dealer).smalls_a_box == 13
