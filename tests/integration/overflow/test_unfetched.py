"""Sold pieces that nobody fetched in time, on both databases: there until somebody says that they are not, and charged for it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.floor.domain.draft import SpaceDraft
from coop.floor.planning import save_plan
from coop.floor.queries import spaces_of
from coop.overflow.charging import charged_otherwise, expected, post_overflow
from coop.overflow.judging import free_place
from coop.overflow.models import BayRow, OverflowPiece, Stay
from coop.overflow.placing import place_piece, place_sold
from coop.overflow.queries import overdue_sold, sold_since, standing_now
from coop.overflow.reading import there_between
from coop.overflow.recalling import take_back_recall
from coop.overflow.staying import (
    cancel_stay,
    end_stay,
    gone_on,
    lengthen_stay,
    move_stay,
    said_moved_in,
    stand_again,
    take_back_end,
    take_back_lengthening,
)
from coop.overflow.surveying import read_ground
from coop.overflow.telling import TELL
from coop.overflow.walking import begin_walk, mark, walk_sheet
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, piece, told
from tests.factories.overflow_hall import overflow_draft

DAY = timedelta(days=1)
LAST = date(2026, 11, 23)
"""By when the table is to be fetched."""
END = date(2026, 11, 30)
STILL = "Table of D02 is sold, was to be fetched by Nov 23, 2026, and may stand there still: say that it was fetched, or"

TOLD_DEALER = (
    "What stood there last is sold, was to be fetched by Nov 23, 2026, and may stand there still: ask the manager whether"
)


@pytest.fixture
def aisles(session: Session, now: datetime) -> Aisles:
    """Floor costs $7.00 a week for each piece, and that of a sold one nothing for a week."""
    return Aisles(session, now, fee_kind="piece-week", fee_cents=7_00, sold_days=7)


@pytest.fixture
def table(session: Session, now: datetime, aisles: Aisles) -> Stay:
    """At 0 in. of A1-1 since November 3."""
    amos = aisles.dealer(session, "D02")
    return place_sold(session, now, aisles.mall(session), amos, piece("Table"), aisles.bay(session), by=aisles.by, until=LAST)


def at(now: datetime, on: date) -> datetime:
    return now + (on - TODAY)


def put(session: Session, now: datetime, aisles: Aisles, row: OverflowPiece, bay: str, inches: int, *days: date) -> Stay:
    return place_piece(session, now, aisles.mall(session), row, aisles.place(session, bay, inches, *days), by=aisles.by)


def days(stay: Stay) -> tuple[date, date]:
    return stay.starts_on, stay.ends_on


def costs(session: Session, aisles: Aisles, *stays: Stay) -> int:
    return sum(expected(session, aisles.mall(session), stays).values())


# --- still there ----------------------------------------------------------------------------------------------------------


def test_it_stands_there_however_long_ago_it_was_to_be_fetched(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    mall = aisles.mall(session)
    for on in (LAST + DAY, LAST + 31 * DAY, LAST + 400 * DAY):
        (there,) = standing_now(session, mall.id, on)
        assert (there.stay.id, there.is_unfetched, there.is_late_on(on), there.stands_on(on)) == (table.id, True, True, True)
        assert [one.stay.id for one in overdue_sold(session, mall.id, on)] == [table.id]
    (there,) = standing_now(session, mall.id, LAST)
    assert not there.is_unfetched
    assert there_between(session, mall.id, SUNDAY, SUNDAY, TODAY) == [], "on no day to come, as long as it may still be fetched"
    end_stay(session, at(now, END), table, on=END, by=aisles.by)
    assert standing_now(session, mall.id, END + DAY) == []


def test_it_is_looked_for_on_a_walk_and_marked(session: Session, now: datetime, aisles: Aisles, table: Stay) -> None:
    mall, then = aisles.mall(session), at(now, LAST + 40 * DAY)
    walk = begin_walk(session, then, mall, by=aisles.by)
    (row,) = walk_sheet(session, mall, walk.on_date, walk)
    assert (row.late_since, row.moves_out) == (LAST, False)
    assert mark(session, then, walk, table, "out of place", by=aisles.by).mark == "out of place"
    assert table.moved_in_on is None, "it came before its last day, whenever that was"
    end_stay(session, then, table, on=walk.on_date - DAY, by=aisles.by)
    with pytest.raises(Refusal, match="That piece has no floor on the day of this walk"):
        mark(session, then, walk, table, "in place", by=aisles.by)


def test_its_floor_is_nobodys_by_any_way(session: Session, now: datetime, aisles: Aisles, table: Stay) -> None:
    """Given by hand, moved to before it begins and while it stands, given again, kept after all, lengthened, kept."""
    bay, then, by = aisles.bay(session), at(now, LAST + DAY), aisles.by
    assert free_place(session, bay, 12 * 16, LAST + DAY, SUNDAY) == 41 * 16
    _, (hutch, bench, chest) = aisles.ask(session, now, piece(), piece("Pine bench"), piece("Chest"))
    with pytest.raises(Refusal, match=STILL), session.begin_nested():
        put(session, then, aisles, hutch, "A1-1", 10, SUNDAY, SUNDAY + DAY)
    to_come = put(session, now, aisles, hutch, "A2-1", 0, SUNDAY, SUNDAY + 7 * DAY)
    with pytest.raises(Refusal, match=STILL), session.begin_nested():
        move_stay(session, then, to_come, bay, 10 * 16, by=by)
    stands = put(session, now, aisles, bench, "A2-1", 50, MONDAY, SUNDAY)
    with pytest.raises(Refusal, match=STILL), session.begin_nested():
        move_stay(session, then, stands, bay, 10 * 16, by=by)
    for other in (to_come, stands):
        cancel_stay(session, now, other, by=by)
    # After the table's days, as though given when nobody thought it late.
    again = put(session, now, aisles, chest, "A1-1", 0, LAST + 2 * DAY, SUNDAY)
    cancel_stay(session, then, again, by=by)
    with pytest.raises(Refusal, match=STILL), session.begin_nested():
        stand_again(session, then, again, by=by)
    again.state, again.starts_on, again.cancelled_by = "stands", LAST + DAY, None
    session.flush()
    end_stay(session, then, again, on=LAST + DAY, by=aisles.ida)
    with pytest.raises(Refusal, match=TOLD_DEALER), session.begin_nested():
        take_back_end(session, then, again, by=aisles.ida)
    again.gone_said_at = again.gone_said_by = again.gone_from = None
    session.flush()
    with pytest.raises(Refusal, match=STILL), session.begin_nested():
        lengthen_stay(session, then, again, until=SUNDAY, by=by)
    recall_day = at(now, LAST)
    again.ends_on, again.recalled_at, again.recall_why = LAST + DAY, recall_day, "Painting"
    session.flush()
    with pytest.raises(Refusal, match=STILL):
        take_back_recall(session, then, again, by=by)


def test_it_bars_no_day_while_it_may_still_be_fetched_in_time(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    _, (hutch,) = aisles.ask(session, now)
    assert put(session, now, aisles, hutch, "A1-1", 0, LAST + DAY, SUNDAY).from_in16 == 0


def test_bays_are_worked_out_with_it_where_it_stands(session: Session, now: datetime, aisles: Aisles, table: Stay) -> None:
    mall = aisles.mall(session)
    draft = overflow_draft()
    undrawn = [SpaceDraft(space.code, space.kind, space.zone) for space in spaces_of(session, mall.id, TODAY)]
    save_plan(session, now, mall, replace(draft, spaces=(*draft.spaces, *undrawn)), version=0)
    for on in (LAST, LAST + 40 * DAY):
        ground = read_ground(session, mall, on)
        assert ground is not None
        assert [one.key for one in ground.basis.standing] == [str(table.id)]


# --- fetched late ---------------------------------------------------------------------------------------------------------


def test_fetched_late_it_had_its_floor_until_then_and_pays_as_though_it_was_let_wait(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    """November 3 to 9 are free; the 10th to the 23rd two weeks, $14.00; to the 30th three, $21.00."""
    assert costs(session, aisles, table) == 14_00
    then = at(now, END)
    assert gone_on(session, table, END) == END
    assert end_stay(session, then, table, on=END, by=aisles.by) is table
    assert (days(table), table.granted_until, costs(session, aisles, table)) == ((TODAY, END), LAST, 21_00)
    assert take_back_end(session, then, table, by=aisles.by) is table
    assert (days(table), table.gone_said_at) == ((TODAY, LAST), None)
    assert [one.stay.id for one in overdue_sold(session, aisles.mall_id, END)] == [table.id], "late again"
    assert aisles.logged(session, "overflow stay")[-2:] == [
        "piece taken away: last day 2026-11-30",
        "piece stays after all: until 2026-11-23",
    ]
    lengthen_stay(session, then, table, until=END, by=aisles.by)
    assert costs(session, aisles, table) == 21_00, "the same for both"


def test_it_is_said_on_which_day_it_was_fetched(session: Session, now: datetime, aisles: Aisles, table: Stay) -> None:
    then = at(now, END)
    with pytest.raises(Refusal, match="Table stands Nov 3 to Nov 30, 2026: choose its last day among these"):
        end_stay(session, then, table, on=END + DAY, by=aisles.by)
    end_stay(session, then, table, on=LAST + 2 * DAY, by=aisles.by)
    assert days(table) == (TODAY, LAST + 2 * DAY)
    take_back_end(session, then, table, by=aisles.by)
    end_stay(session, then, table, on=LAST, by=aisles.by)
    assert days(table) == (TODAY, LAST), "it was in time, and nobody said so"
    assert gone_on(session, table, END) == LAST
    assert [one.stay.id for one in sold_since(session, aisles.mall_id, END - DAY)] == [table.id], "said lately, it is shown"


def test_fetched_after_its_month_was_charged_it_has_the_days_since_and_those_alone(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    """The 24th to the 30th of November are charged, which they were not: December 1 to 7 are a week, $7.00."""
    mall, then = aisles.mall(session), at(now, date(2026, 12, 7))
    post_overflow(session, now, mall, Month(2026, 11))
    more = end_stay(session, then, table, on=date(2026, 12, 7), by=aisles.by)
    assert (days(table), days(more), more.from_in16) == ((TODAY, LAST), (date(2026, 12, 1), date(2026, 12, 7)), table.from_in16)
    assert charged_otherwise(session, mall, Month(2026, 11)) == []
    assert costs(session, aisles, more) == 7_00
    assert overdue_sold(session, mall.id, date(2026, 12, 8)) == []
    assert take_back_end(session, then, more, by=aisles.by) is table
    assert more.state == "cancelled"
    assert [one.stay.id for one in overdue_sold(session, mall.id, date(2026, 12, 7))] == [table.id]
    end_stay(session, at(now, END), table, on=END, by=aisles.by)
    assert days(table) == (TODAY, LAST), "no day is left that is not charged"
    assert overdue_sold(session, mall.id, END) == []


def test_what_is_charged_of_the_days_it_was_late_is_not_taken_back(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    end_stay(session, at(now, END), table, on=END, by=aisles.by)
    post_overflow(session, now, aisles.mall(session), Month(2026, 11))
    take_back_end(session, at(now, END + DAY), table, by=aisles.by)
    assert (days(table), table.gone_said_at) == ((TODAY, END), None)
    assert [one.stay.id for one in overdue_sold(session, aisles.mall_id, END + DAY)] == [table.id]


def test_of_days_it_was_late_only_those_that_are_charged_stay(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    """To December 5 it had floor: November is charged, and the five days of December are not."""
    then = at(now, date(2026, 12, 5))
    assert end_stay(session, then, table, on=date(2026, 12, 5), by=aisles.by) is table
    said_moved_in(session, then, table, on=date(2026, 12, 2), by=aisles.by)
    post_overflow(session, now, aisles.mall(session), Month(2026, 11))
    assert take_back_end(session, then, table, by=aisles.by) is table
    assert (days(table), table.gone_said_at, table.moved_in_on) == ((TODAY, END), None, None)
    assert charged_otherwise(session, aisles.mall(session), Month(2026, 11)) == []
    assert [one.stay.id for one in overdue_sold(session, aisles.mall_id, date(2026, 12, 5))] == [table.id]


def test_what_is_late_is_let_stand_longer_before_it_is_moved(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    then = at(now, END)
    with pytest.raises(Refusal, match="Table had floor until Nov 23, 2026: let it stand longer first, then move it"):
        move_stay(session, then, table, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    lengthen_stay(session, then, table, until=END, by=aisles.by)
    assert move_stay(session, then, table, aisles.bay(session, "A2-1"), 0, by=aisles.by).starts_on == END


def test_fetched_late_it_takes_no_day_of_who_came_in_its_place(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    _, (hutch,) = aisles.ask(session, now)
    put(session, now, aisles, hutch, "A1-1", 0, LAST + 3 * DAY, SUNDAY)
    end_stay(session, at(now, END), table, on=END, by=aisles.by)
    assert days(table) == (TODAY, LAST + 2 * DAY)


# --- let wait longer --------------------------------------------------------------------------------------------------------


def test_late_it_is_let_wait_longer_over_a_month_that_is_charged_and_that_is_undone(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    mall, then = aisles.mall(session), at(now, date(2026, 12, 5))
    post_overflow(session, now, mall, Month(2026, 11))
    with pytest.raises(Refusal, match="charged by now: choose Dec 1, 2026 or a later day"):
        lengthen_stay(session, at(now, END), table, until=END, by=aisles.by)
    until = date(2026, 12, 14)
    longer = lengthen_stay(session, then, table, until=until, by=aisles.by)
    assert (days(table), days(longer), longer.kind) == ((TODAY, LAST), (date(2026, 12, 1), until), "sold")
    assert costs(session, aisles, longer) == 14_00
    assert overdue_sold(session, mall.id, date(2026, 12, 5)) == []
    assert [one.stay.id for one in overdue_sold(session, mall.id, until + DAY)] == [longer.id]
    assert "d02@example.org: Table has floor until Dec 14, 2026" in told(session, then)
    assert take_back_lengthening(session, then, longer, by=aisles.by) is table
    assert (longer.state, longer.cancelled_by) == ("cancelled", aisles.by.user_id)
    assert [one.stay.id for one in overdue_sold(session, mall.id, date(2026, 12, 5))] == [table.id]
    assert "d02@example.org: Table has floor until Nov 23, 2026 only" in told(session, then)
    again = lengthen_stay(session, then + timedelta(minutes=1), table, until=until, by=aisles.by)
    take_back_lengthening(session, then + timedelta(minutes=2), again, by=aisles.by)
    jobs = [job for job in session.scalars(select(Job).where(Job.kind == TELL)) if job.args["what"] == "not longer"]
    assert len(jobs) == 2, "each is told"


def test_what_a_bay_that_is_none_any_more_has_is_not_let_wait_longer(
    session: Session, now: datetime, aisles: Aisles, table: Stay
) -> None:
    session.get_one(BayRow, table.bay_id).ended_on = END
    session.flush()
    with pytest.raises(Refusal, match="There is no bay A1-1 on all of Nov 24 to Dec 6, 2026"):
        lengthen_stay(session, at(now, END), table, until=SUNDAY, by=aisles.by)
    end_stay(session, at(now, END), table, on=END, by=aisles.by)
    assert overdue_sold(session, aisles.mall_id, END + DAY) == []
