"""What walks look for and how pieces were found last, on both databases: one begun forgets nothing, one told stays as it was."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.overflow.models import Stay
from coop.overflow.queries import last_found, standing_now, waiting_counts
from coop.overflow.recalling import recall
from coop.overflow.staying import end_stay, move_stay, said_moved_in
from coop.overflow.walking import begin_walk, finish_walk, mark, take_back_mark, walk_sheet
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, told
from tests.factories.overflow_floor import lay_piece, lay_stay

DAY = timedelta(days=1)
LAST = MONDAY - DAY


@pytest.fixture
def then(now: datetime) -> datetime:
    """On Monday."""
    return now + (MONDAY - TODAY)


@pytest.fixture
def stays(session: Session, aisles: Aisles) -> dict[str, Stay]:
    """Ida's clock and Amos' chair stand on Monday; the last day of Ida's bench was Sunday, and nobody said that it is gone."""
    ida, amos = aisles.dealer(session), aisles.dealer(session, "D02")
    laid = {
        "Clock": (ida, "A2-1", TODAY, SUNDAY, 0),
        "Bench": (ida, "A1-1", TODAY, LAST, 50),
        "Chair": (amos, "A1-1", TODAY, SUNDAY, 0),
    }
    return {
        name: lay_stay(session, lay_piece(session, dealer, name), aisles.bay(session, bay), first, last, at=at)
        for name, (dealer, bay, first, last, at) in laid.items()
    }


def found(session: Session, aisles: Aisles, day: timedelta = timedelta()) -> dict[str, str]:
    there = standing_now(session, aisles.mall_id, MONDAY + day)
    return {one.standing.piece.name: one.mark.mark for one in last_found(session, there, MONDAY + day).values()}


def names(session: Session, aisles: Aisles, day: timedelta = timedelta()) -> list[str]:
    return [row.standing.piece.name for row in walk_sheet(session, aisles.mall(session), MONDAY + day)]


# --- how it was found last --------------------------------------------------------------------------------------------------


def test_how_a_piece_was_found_stands_until_it_is_looked_at_again(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall = aisles.mall(session)
    walk = begin_walk(session, then, mall, by=aisles.by)
    mark(session, then, walk, stays["Clock"], "out of place", by=aisles.by)
    mark(session, then, walk, stays["Chair"], "not there", by=aisles.by)
    finish_walk(session, then, walk, by=aisles.by)
    second = begin_walk(session, then + DAY, mall, by=aisles.by)
    assert found(session, aisles, DAY) == {"Clock": "out of place", "Chair": "not there"}, "a walk begun has looked at nothing"
    mark(session, then + DAY, second, stays["Clock"], "in place", by=aisles.by)
    assert found(session, aisles, DAY) == {"Clock": "in place", "Chair": "not there"}
    take_back_mark(session, then + DAY, second, stays["Clock"], by=aisles.by)
    assert found(session, aisles, DAY)["Clock"] == "out of place"


def test_what_is_moved_brought_or_gone_was_not_found_so(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall = aisles.mall(session)
    new = lay_stay(
        session, lay_piece(session, aisles.dealer(session), "Stool"), aisles.bay(session, "A2-1"), MONDAY, SUNDAY, at=50
    )
    walk = begin_walk(session, then, mall, by=aisles.by)
    for stay, how in ((stays["Clock"], "out of place"), (new, "out of place"), (stays["Chair"], "not there")):
        mark(session, then, walk, stay, how, by=aisles.by)
    assert set(found(session, aisles)) == {"Clock", "Stool", "Chair"}
    move_stay(session, then, new, aisles.bay(session, "A1-1"), 16 * 50, by=aisles.by, anyway=True)
    assert set(found(session, aisles)) == {"Clock", "Chair"}, "moved on the day it came, within its stay"
    said_moved_in(session, then, stays["Chair"], on=MONDAY, by=aisles.by)
    assert set(found(session, aisles)) == {"Clock"}
    end_stay(session, then, stays["Clock"], on=MONDAY, by=aisles.by)
    assert found(session, aisles) == {}


# --- the list of a walk that is over ----------------------------------------------------------------------------------------


def test_a_walk_that_was_told_keeps_the_list_it_had(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall, later = aisles.mall(session), then + timedelta(hours=1)
    walk = begin_walk(session, then, mall, by=aisles.by)
    mark(session, then, walk, stays["Clock"], "out of place", by=aisles.by)
    finish_walk(session, then, walk, by=aisles.by)

    def listed() -> list[tuple[str, bool]]:
        return [(row.standing.piece.name, row.mark is not None) for row in walk_sheet(session, mall, MONDAY, walk)]

    had = [("Chair", False), ("Bench", False), ("Clock", True)]
    assert listed() == had
    new = lay_stay(session, lay_piece(session, aisles.dealer(session), "Stool"), aisles.bay(session, "A1-2"), MONDAY, SUNDAY)
    new.created_at = later
    session.flush()
    assert listed() == had, "put down since"
    assert waiting_counts(session, mall.id, MONDAY).unmarked == 2
    move_stay(session, later, stays["Clock"], aisles.bay(session, "A2-1"), 16 * 50, by=aisles.by, anyway=True)
    end_stay(session, later, stays["Bench"], on=LAST, by=aisles.by)
    end_stay(session, later, stays["Chair"], on=LAST, by=aisles.by)
    assert listed() == had, "moved since, and gone since"
    assert "Stool" in names(session, aisles)
    assert "Chair" not in names(session, aisles), "the next walk looks for what is there now"


def test_a_walk_that_nobody_told_of_keeps_the_list_of_its_day(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall = aisles.mall(session)
    walk = begin_walk(session, then, mall, by=aisles.by)
    new = lay_stay(session, lay_piece(session, aisles.dealer(session), "Stool"), aisles.bay(session, "A1-2"), MONDAY, SUNDAY)
    new.created_at = then + timedelta(hours=1)
    session.flush()
    assert len(walk_sheet(session, mall, MONDAY, walk)) == 4, "it goes on"
    new.created_at = then + DAY
    session.flush()
    assert len(walk_sheet(session, mall, MONDAY, walk)) == 3


# --- what should be gone ----------------------------------------------------------------------------------------------------


def test_what_should_be_gone_is_looked_for_until_somebody_says_it_is(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall, bench = aisles.mall(session), stays["Bench"]
    (row,) = [row for row in walk_sheet(session, mall, MONDAY) if row.standing.stay is bench]
    assert (row.late_since, row.should_be_gone) == (LAST, True)
    walk = begin_walk(session, then, mall, by=aisles.by)
    with pytest.raises(
        Refusal, match="Bench should be gone since Nov 8, 2026 and has no place: mark it out of place if it still"
    ):
        mark(session, then, walk, bench, "in place", by=aisles.by)
    mark(session, then, walk, bench, "not there", by=aisles.by)
    assert (bench.gone_said_at, bench.gone_said_by, bench.ends_on) == (then, aisles.by.user_id, LAST)
    assert "Bench" not in names(session, aisles)
    assert len(walk_sheet(session, mall, MONDAY, walk)) == 3, "what is marked stays on its walk"
    take_back_mark(session, then, walk, bench, by=aisles.by)
    assert (bench.gone_said_at, bench.ends_on) == (None, LAST)
    mark(session, then, walk, bench, "not there", by=aisles.by)
    mark(session, then, walk, bench, "out of place", by=aisles.by)
    assert (bench.gone_said_at, bench.ends_on, bench.moved_in_on) == (None, LAST, None)
    assert aisles.logged(session, "overflow walk")[1:] == [
        "piece marked: Bench in bay A1-1: not there",
        "mark taken back: Bench in bay A1-1: not there",
        "piece marked: Bench in bay A1-1: not there",
        "piece marked: Bench in bay A1-1: out of place",
    ]


@pytest.mark.parametrize("first", ["in place", "not there"])
def test_a_mark_takes_back_no_word_but_its_walks_own(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay], first: str
) -> None:
    """Ida says of her clock, which has floor until December 6 and was marked, that it left on Sunday."""
    mall, clock = aisles.mall(session), stays["Clock"]
    walk = begin_walk(session, then, mall, by=aisles.by)
    clock.moved_in_on = TODAY
    mark(session, then, walk, clock, first, by=aisles.by)
    end_stay(session, then, clock, on=LAST, by=aisles.ida)
    for how in ("out of place", "not there", "out of place"):
        mark(session, then, walk, clock, how, by=aisles.by)
        assert (clock.ends_on, clock.gone_said_at, clock.gone_said_by) == (LAST, then, aisles.ida.user_id)
    (row,) = [row for row in walk_sheet(session, mall, MONDAY, walk) if row.standing.stay is clock]
    assert row.is_said_gone
    assert finish_walk(session, then, walk, by=aisles.by) == 1
    (letter,) = told(session, then).values()
    assert "out of place, should be gone since Nov 8, 2026" in " ".join(letter.split())


def test_a_mark_taken_back_takes_back_no_word_of_the_dealer_and_lends_no_day(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall, clock = aisles.mall(session), stays["Clock"]
    walk = begin_walk(session, then, mall, by=aisles.by)
    mark(session, then, walk, clock, "not there", by=aisles.by)
    end_stay(session, then, clock, on=LAST, by=aisles.ida)
    take_back_mark(session, then, walk, clock, by=aisles.by)
    assert (clock.ends_on, clock.gone_said_by) == (LAST, aisles.ida.user_id)
    bench = stays["Bench"]
    bench.granted_until = SUNDAY
    mark(session, then, walk, bench, "not there", by=aisles.by)
    mark(session, then, walk, bench, "out of place", by=aisles.by)
    assert (bench.ends_on, bench.gone_said_at, bench.gone_said_by) == (LAST, None, None)
    (row,) = [row for row in walk_sheet(session, mall, MONDAY, walk) if row.standing.stay is bench]
    assert (row.should_be_gone, row.is_said_gone) == (True, False)


def test_its_dealer_is_told_to_take_it_away_where_it_still_stands(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    walk = begin_walk(session, then, aisles.mall(session), by=aisles.by)
    mark(session, then, walk, stays["Bench"], "out of place", "before the exit", by=aisles.by)
    assert finish_walk(session, then, walk, by=aisles.by) == 1
    (letter,) = told(session, then).values()
    assert (
        "- Bench, bay A1-1, 4' 2\" to 7' 2\" along it: out of place, should be gone since Nov 8, 2026 (before the exit)" in letter
    )
    assert "What should be gone has no floor any more: take it away today, or ask the manager." in " ".join(letter.split())
    assert "Put what is out of place back" not in letter


def test_nobody_is_told_of_what_should_be_gone_and_is(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    walk = begin_walk(session, then, aisles.mall(session), by=aisles.by)
    mark(session, then, walk, stays["Bench"], "not there", by=aisles.by)
    assert finish_walk(session, then, walk, by=aisles.by) == 0
    assert told(session, then) == {}


def test_what_was_marked_and_then_moved_is_not_late(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    walk = begin_walk(session, then, aisles.mall(session), by=aisles.by)
    mark(session, then, walk, stays["Clock"], "out of place", by=aisles.by)
    move_stay(session, then, stays["Clock"], aisles.bay(session, "A2-1"), 16 * 50, by=aisles.by, anyway=True)
    assert stays["Clock"].ends_on == LAST
    finish_walk(session, then, walk, by=aisles.by)
    (letter,) = [body for subject, body in told(session, then).items() if "Out of place" in subject]
    assert "should be gone" not in letter


def test_a_piece_recalled_for_safety_with_today_as_its_last_day_is_looked_for_the_next(
    session: Session, now: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    recall(session, now, stays["Clock"], why="It blocks the exit", by=aisles.by, days=0, for_safety=True)
    mall, tomorrow = aisles.mall(session), now + DAY
    walk = begin_walk(session, tomorrow, mall, by=aisles.by)
    assert [row.late_since for row in walk_sheet(session, mall, TODAY + DAY, walk) if row.standing.stay is stays["Clock"]] == [
        TODAY
    ]
    mark(session, tomorrow, walk, stays["Clock"], "out of place", by=aisles.by)
    assert finish_walk(session, tomorrow, walk, by=aisles.by) == 1


def test_it_is_looked_for_fourteen_days_or_since_the_last_walk_and_longer_once_it_was_seen(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall, days = aisles.mall(session), [LAST + 14 * DAY - MONDAY, LAST + 15 * DAY - MONDAY]
    assert ["Bench" in names(session, aisles, day) for day in days] == [True, False]
    first = begin_walk(session, then - 2 * DAY, mall, by=aisles.by)
    mark(session, then - 2 * DAY, first, stays["Bench"], "in place", by=aisles.by)
    assert "Bench" not in names(session, aisles, days[1]), "that walk goes on"
    finish_walk(session, then - 2 * DAY, first, by=aisles.by)
    assert "Bench" in names(session, aisles, days[1]), "no walk since it ended"
    second = begin_walk(session, then, mall, by=aisles.by)
    mark(session, then, second, stays["Clock"], "in place", by=aisles.by)
    finish_walk(session, then, second, by=aisles.by)
    assert "Bench" not in names(session, aisles, days[1]), "it ended before the last walk"
    third = begin_walk(session, then + DAY, mall, by=aisles.by)
    mark(session, then + DAY, third, stays["Bench"], "out of place", by=aisles.by)
    finish_walk(session, then + DAY, third, by=aisles.by)
    assert "Bench" in names(session, aisles, 60 * DAY), "a walk saw it after its last day, and nobody has said that it is gone"
