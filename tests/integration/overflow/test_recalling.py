"""Floor asked back on both databases: with its notice, sooner for safety, told by mail, and taken back while nobody has it."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.overflow.models import Stay
from coop.overflow.placing import place_piece
from coop.overflow.queries import recalled
from coop.overflow.recalling import recall, recall_many, take_back_recall
from coop.overflow.staying import end_stay, lengthen_stay, move_stay, take_back_end, take_back_lengthening
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, piece, told

DAY = timedelta(days=1)
MIDDLE = date(2026, 11, 20)


@pytest.fixture
def stay(session: Session, now: datetime, aisles: Aisles) -> Stay:
    _, (hutch,) = aisles.ask(session, now, piece(glass=True, weight_oz=1600))
    return place_piece(session, now, aisles.mall(session), hutch, aisles.place(session), by=aisles.by)


@pytest.fixture
def then(now: datetime) -> datetime:
    return now + (MIDDLE - TODAY)


def test_floor_is_asked_back_with_the_notice_of_the_house_and_its_dealer_told(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    recall(session, then, stay, why="  The hall   is painted. ", by=aisles.by)
    last = date(2026, 11, 27)
    assert (stay.ends_on, stay.granted_until, stay.recall_why) == (last, SUNDAY, "The hall is painted.")
    assert stay.recalled_at == then
    assert [one.stay.id for one in recalled(session, aisles.mall_id, MIDDLE)] == [stay.id]
    assert recalled(session, aisles.mall_id, last + DAY) == []
    assert aisles.logged(session, "overflow stay")[-1] == "floor asked back: last day 2026-11-27"
    letters = told(session, then)
    body = letters["d01@example.org: Oak hutch must go by Nov 27, 2026"]
    assert "needs the floor in bay A1-1 back. Why: The hall is painted.\n" in body
    assert "Take Oak hutch away by the end of Nov 27, 2026; it had floor until Dec 6, 2026." in body
    assert "It weighs 100 lb: lift it with more than one person." in body
    assert "The manager finds somebody to lift with you: say so in time." in body


def test_less_notice_is_for_safety_only_and_what_cannot_be_meant_is_refused(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    def refused(said: str, why: str = "Painting", days: int | None = None) -> None:
        with pytest.raises(Refusal, match=said):
            recall(session, then, stay, why=why, by=aisles.by, days=days)

    refused("Say why Oak hutch must go: its dealer is told", " ")
    refused("The reason has 201 characters: 200 are the most", "x" * 201)
    refused("The notice is 91 days: write 0 to 90", days=91)
    refused("Floor is asked back with 7 days of notice, and 3 are given: fewer are for safety only", days=3)
    refused("Oak hutch goes by Dec 6, 2026 as it is, before the 16 days of notice are over", days=16)
    assert (stay.ends_on, stay.recalled_at) == (SUNDAY, None)
    recall(session, then, stay, why="Painting", by=aisles.by, days=15)
    recall(session, then, stay, why="It blocks the exit", by=aisles.by, days=0, for_safety=True)
    assert (stay.ends_on, stay.recall_why) == (MIDDLE, "It blocks the exit")
    assert aisles.logged(session, "overflow stay")[-1] == "floor asked back: last day 2026-11-20, for safety"
    assert list(told(session, then)) == ["d01@example.org: Oak hutch must go by Nov 20, 2026"]


def test_what_has_not_come_is_taken_back_not_asked_back(session: Session, now: datetime, aisles: Aisles, stay: Stay) -> None:
    with pytest.raises(Refusal, match="Oak hutch comes on Nov 9, 2026 only: take that floor back instead"):
        recall(session, now, stay, why="Painting", by=aisles.by, days=0, for_safety=True)


def test_a_recall_is_taken_back_while_nobody_has_the_floor(session: Session, then: datetime, aisles: Aisles, stay: Stay) -> None:
    with pytest.raises(Refusal, match="Oak hutch was not asked back"):
        take_back_recall(session, then, stay, by=aisles.by)
    recall(session, then, stay, why="Painting", by=aisles.by)
    take_back_recall(session, then, stay, by=aisles.by)
    assert (stay.ends_on, stay.recalled_at, stay.recall_why) == (SUNDAY, None, "")
    assert list(told(session, then)) == ["d01@example.org: Oak hutch may stay"], "asked back and taken back before it was told"
    recall(session, then, stay, why="Painting", by=aisles.by)
    assert list(told(session, then))[1:] == ["d01@example.org: Oak hutch must go by Nov 27, 2026"]
    _, (other,) = aisles.ask(session, then - 17 * DAY, code="D02")
    place_piece(
        session, then, aisles.mall(session), other, aisles.place(session, "A1-1", 10, date(2026, 12, 1), SUNDAY), by=aisles.by
    )
    with pytest.raises(Refusal, match="of bay A1-1 is taken Dec 1 to Dec 6, 2026, by Oak hutch of D02"):
        take_back_recall(session, then, stay, by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch went on Nov 27, 2026: give it floor anew"):
        take_back_recall(session, then + 8 * DAY, stay, by=aisles.by)


def test_a_recall_that_is_taken_back_leaves_the_day_its_dealer_goes_by_sooner(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    """Asked back twice, the second time sooner: what it goes back to is the day before the first."""
    goes = date(2026, 11, 30)
    end_stay(session, then, stay, on=goes, by=aisles.ida)
    for days in (8, 7):
        recall(session, then, stay, why="Painting", by=aisles.by, days=days)
    assert (stay.ends_on, stay.gone_said_at, stay.gone_from, stay.recalled_from) == (MIDDLE + 7 * DAY, None, None, goes)
    take_back_recall(session, then, stay, by=aisles.by)
    assert (stay.ends_on, stay.granted_until, stay.recalled_from) == (goes, SUNDAY, None)
    assert "may stay until Nov 30, 2026." in told(session, then)["d01@example.org: Oak hutch may stay"]


def test_what_was_let_stand_longer_and_asked_back_and_gone_is_let_stand_longer_still(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    until = SUNDAY + 14 * DAY
    lengthen_stay(session, then, stay, until=until, by=aisles.by)
    recall(session, then, stay, why="Painting", by=aisles.by)
    end_stay(session, then, stay, on=MIDDLE, by=aisles.ida)
    take_back_end(session, then, stay, by=aisles.ida)
    assert (stay.ends_on, stay.lengthened_from) == (MIDDLE + 7 * DAY, SUNDAY)
    moved = move_stay(session, then, stay, aisles.bay(session, "A2-1"), 0, by=aisles.by)
    assert (moved.recalled_from, moved.recalled_at) == (until, then)
    take_back_recall(session, then, moved, by=aisles.by)
    assert moved.ends_on == until
    with pytest.raises(Refusal, match="Oak hutch was not let stand longer"):
        take_back_lengthening(session, then, moved, by=aisles.by)  # A part of it is moved.


def test_a_lengthening_is_undone_after_a_recall_and_said_gone_were_undone(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    until = SUNDAY + 14 * DAY
    lengthen_stay(session, then, stay, until=until, by=aisles.by)
    recall(session, then, stay, why="Painting", by=aisles.by)
    end_stay(session, then, stay, on=MIDDLE, by=aisles.ida)
    take_back_end(session, then, stay, by=aisles.ida)
    take_back_recall(session, then, stay, by=aisles.by)
    assert (stay.ends_on, stay.lengthened_from) == (until, SUNDAY)
    take_back_lengthening(session, then, stay, by=aisles.by)
    assert (stay.ends_on, stay.granted_until) == (SUNDAY, SUNDAY)


def test_what_its_dealer_takes_away_before_it_was_let_stand_longer_is_not_longer(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    goes = date(2026, 11, 30)
    lengthen_stay(session, then, stay, until=SUNDAY + 14 * DAY, by=aisles.by)
    end_stay(session, then, stay, on=goes, by=aisles.ida)
    recall(session, then, stay, why="Painting", by=aisles.by)
    take_back_recall(session, then, stay, by=aisles.by)
    with pytest.raises(Refusal, match="Oak hutch was not let stand longer"):
        take_back_lengthening(session, then, stay, by=aisles.by)
    assert stay.ends_on == goes


def test_a_list_is_asked_back_at_once_and_what_goes_anyway_is_left(
    session: Session, then: datetime, aisles: Aisles, stay: Stay
) -> None:
    before = then - (MIDDLE - TODAY)
    _, (bench, table) = aisles.ask(session, before, piece("Pine bench"), piece("Table"), code="D02")
    short, coming = (
        place_piece(session, before, aisles.mall(session), row, aisles.place(session, "A2-1", at, first, last), by=aisles.by)
        for row, at, first, last in ((bench, 0, MONDAY, MIDDLE + DAY), (table, 50, SUNDAY, SUNDAY + 7 * DAY))
    )
    with pytest.raises(Refusal, match="Table comes on Dec 6, 2026 only"):
        recall_many(session, then, [coming, stay, short], why="A door is built", by=aisles.by)
    assert stay.recalled_at is None
    assert recall_many(session, then, [short, stay], why="A door is built", by=aisles.by) == 1
    assert (stay.ends_on, short.ends_on, short.recalled_at) == (MIDDLE + 7 * DAY, MIDDLE + DAY, None)
