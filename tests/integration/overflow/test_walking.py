"""Walks along the aisles on both databases: the list in walking order, marks of the day, dealers told once a walk."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.overflow.models import Stay, WalkMark
from coop.overflow.queries import found_on, last_walk, waiting_counts, walks_of
from coop.overflow.staying import end_stay
from coop.overflow.walking import begin_walk, finish_walk, mark, note_walk, take_back_mark, walk_sheet
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, told
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_stay

DAY = timedelta(days=1)


@pytest.fixture
def then(now: datetime) -> datetime:
    return now + (MONDAY - TODAY)


@pytest.fixture
def stays(session: Session, aisles: Aisles) -> dict[str, Stay]:
    """Two of Ida's and one of Amos' stand on Monday; a fourth comes on Tuesday."""
    ida, amos = aisles.dealer(session), aisles.dealer(session, "D02")
    tenth = lay_bay(session, aisles.mall(session), "A10-1", y=600)
    laid = {
        "Clock": (ida, tenth, MONDAY, SUNDAY, 0),
        "Bench": (ida, aisles.bay(session), TODAY, MONDAY, 50),
        "Chair": (amos, aisles.bay(session), TODAY, SUNDAY, 0),
        "Later": (amos, aisles.bay(session, "A2-1"), MONDAY + DAY, SUNDAY, 0),
    }
    return {
        name: lay_stay(session, lay_piece(session, dealer, name), bay, first, last, at=at)
        for name, (dealer, bay, first, last, at) in laid.items()
    }


def test_the_sheet_goes_aisle_by_aisle_and_along_each_bay(session: Session, aisles: Aisles, stays: dict[str, Stay]) -> None:
    rows = walk_sheet(session, aisles.mall(session), MONDAY)
    assert [(row.standing.bay.code, row.standing.piece.name, row.standing.dealer.code) for row in rows] == [
        ("A1-1", "Chair", "D02"),
        ("A1-1", "Bench", "D01"),
        ("A10-1", "Clock", "D01"),
    ]
    assert [(row.moves_in, row.moves_out) for row in rows] == [(False, False), (False, True), (True, False)]
    assert (rows[1].along, rows[1].size, rows[1].mark) == ("4' 2\" to 7' 2\"", "3' 0\" × 1' 6\" × 2' 6\"", None)
    tuesday = walk_sheet(session, aisles.mall(session), MONDAY + DAY)
    assert [row.standing.bay.code for row in tuesday] == ["A1-1", "A1-1", "A2-1", "A10-1"], "A2 before A10"
    assert [row.late_since for row in tuesday] == [None, MONDAY, None, None], "nobody has said that the bench is gone"


def test_marks_are_changed_on_their_day_and_say_what_has_moved_in(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall, clock, chair = aisles.mall(session), stays["Clock"], stays["Chair"]
    walk = begin_walk(session, then, mall, by=aisles.by)
    assert begin_walk(session, then, mall, by=aisles.by).id == walk.id, "gone on with"
    chair.moved_in_on = TODAY
    mark(session, then, walk, clock, "in place", by=aisles.by)
    mark(session, then, walk, chair, "in place", by=aisles.by)
    assert (clock.moved_in_on, chair.moved_in_on) == (MONDAY, TODAY)
    mark(session, then, walk, clock, "not there", " Not   seen ", by=aisles.by)
    mark(session, then, walk, chair, "not there", by=aisles.by)
    assert (clock.moved_in_on, chair.moved_in_on) == (None, TODAY)
    take_back_mark(session, then, walk, chair, by=aisles.by)
    marks = session.scalars(select(WalkMark)).all()
    assert [(one.stay_id, one.mark, one.note) for one in marks] == [(clock.id, "not there", "Not seen")]
    assert waiting_counts(session, mall.id, MONDAY).unmarked == 2
    with pytest.raises(Refusal, match="The mark is 'gone': choose in place, out of place or not there"):
        mark(session, then, walk, clock, "gone", by=aisles.by)
    with pytest.raises(Refusal, match="The note has 201 characters: 200 are the most"):
        mark(session, then, walk, clock, "in place", "x" * 201, by=aisles.by)
    with pytest.raises(Refusal, match="That piece has no floor on the day of this walk: write what stands there in the note"):
        mark(session, then, walk, stays["Later"], "in place", by=aisles.by)
    with pytest.raises(Refusal, match="This walk is of Nov 9, 2026, and stays as it is: begin one of today"):
        mark(session, then + DAY, walk, clock, "in place", by=aisles.by)


def test_dealers_are_told_once_what_was_out_of_place(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall = aisles.mall(session)
    walk = begin_walk(session, then, mall, by=aisles.by)
    with pytest.raises(Refusal, match="Nothing is marked on this walk: mark what you found in place, out of place or not there"):
        finish_walk(session, then, walk, by=aisles.by)
    mark(session, then, walk, stays["Clock"], "out of place", "Before the exit", by=aisles.by)
    mark(session, then, walk, stays["Bench"], "not there", by=aisles.by)
    mark(session, then, walk, stays["Chair"], "in place", by=aisles.by)
    note_walk(session, then, walk, "A ladder in A2", by=aisles.by)
    assert walk.told_at is None
    assert finish_walk(session, then, walk, by=aisles.by) == 1
    assert finish_walk(session, then + timedelta(minutes=1), walk, by=aisles.by) == 1
    assert walk.told_at == then
    letters = told(session, then)
    assert list(letters) == ["d01@example.org: Out of place: 2 pieces"]
    body = letters["d01@example.org: Out of place: 2 pieces"]
    assert "- Bench, bay A1-1, 4' 2\" to 7' 2\" along it: not there\n" in body
    assert '- Clock, bay A10-1, 0" to 3\' 0" along it: out of place (Before the exit)' in body
    assert "Put what is out of place back where it has its floor today" in body
    for late in (
        lambda: mark(session, then, walk, stays["Clock"], "in place", by=aisles.by),
        lambda: note_walk(session, then, walk, "", by=aisles.by),
    ):
        with pytest.raises(Refusal, match="Dealers were told what this walk found: begin another for what you find now"):
            late()
    second = begin_walk(session, then, mall, by=aisles.by)
    assert second.id != walk.id
    mark(session, then, second, stays["Chair"], "not there", by=aisles.by)
    finish_walk(session, then, second, by=aisles.by)
    letters = told(session, then)
    assert list(letters)[1:] == ["d02@example.org: Not there: Chair"]
    assert "If what is not there is gone for good, say so in the portal" in letters["d02@example.org: Not there: Chair"]
    assert aisles.logged(session, "overflow walk") == [
        "walk begun: MAIN",
        "piece marked: Clock in bay A10-1: out of place (Before the exit)",
        "piece marked: Bench in bay A1-1: not there",
        "piece marked: Chair in bay A1-1: in place",
        "walk noted: ",
        "dealers told of a walk: 1 told",
        "walk begun: MAIN",
        "piece marked: Chair in bay A1-1: not there",
        "dealers told of a walk: 1 told",
    ]


def test_pages_see_walks_and_what_was_found_of_whom(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall = aisles.mall(session)
    assert last_walk(session, mall.id) is None
    walk = begin_walk(session, then, mall, by=aisles.by)
    mark(session, then, walk, stays["Clock"], "out of place", by=aisles.by)
    mark(session, then, walk, stays["Chair"], "in place", by=aisles.by)
    assert [(one.id, counts) for one, counts in walks_of(session, mall.id)] == [(walk.id, {"out of place": 1, "in place": 1})]
    assert [(one.mark.mark, one.standing.piece.name) for one in found_on(session, walk)] == [("out of place", "Clock")]


def test_what_is_said_to_be_gone_is_looked_for_no_more_and_what_was_found_stays(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    mall = aisles.mall(session)
    walk = begin_walk(session, then, mall, by=aisles.by)
    mark(session, then, walk, stays["Bench"], "not there", by=aisles.by)
    for name in ("Bench", "Chair"):
        end_stay(session, then, stays[name], on=MONDAY, by=aisles.by)
    rows = walk_sheet(session, mall, MONDAY, walk)
    assert [row.standing.piece.name for row in rows] == ["Bench", "Clock"]
    assert waiting_counts(session, mall.id, MONDAY).unmarked == 1
    finish_walk(session, then, walk, by=aisles.by)
    end_stay(session, then, stays["Clock"], on=MONDAY, by=aisles.by)
    with pytest.raises(Refusal, match="Nothing has floor in the aisles of"):
        begin_walk(session, then, mall, by=aisles.by)


def test_nobody_is_asked_to_say_that_a_piece_is_gone_who_has_said_so(
    session: Session, then: datetime, aisles: Aisles, stays: dict[str, Stay]
) -> None:
    walk = begin_walk(session, then, aisles.mall(session), by=aisles.by)
    mark(session, then, walk, stays["Bench"], "not there", by=aisles.by)
    mark(session, then, walk, stays["Clock"], "out of place", by=aisles.by)
    mark(session, then, walk, stays["Chair"], "not there", by=aisles.by)
    assert len(found_on(session, walk)) == 3
    for name in ("Bench", "Clock"):
        end_stay(session, then, stays[name], on=MONDAY, by=aisles.ida)
    assert finish_walk(session, then, walk, by=aisles.by) == 1
    assert list(told(session, then)) == ["d02@example.org: Not there: Chair"]


def test_where_nothing_stands_nobody_walks(session: Session, now: datetime, aisles: Aisles) -> None:
    with pytest.raises(Refusal, match="Nothing has floor in the aisles of Lantern Yard Antiques Hall today"):
        begin_walk(session, now, aisles.mall(session), by=aisles.by)
