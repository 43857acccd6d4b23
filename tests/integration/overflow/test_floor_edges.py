"""Lent floor at its edges, on both databases: long names, leases that end or begin, sold pieces, days that are near."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.models import Lease
from coop.overflow.charging import charged_otherwise, charged_so_far, expected, post_overflow
from coop.overflow.domain.answers import LONGEST
from coop.overflow.judging import free_place
from coop.overflow.models import OverflowAnswer, Stay
from coop.overflow.placing import place_piece, place_request, place_sold
from coop.overflow.recalling import recall
from coop.overflow.rules import rules_on
from coop.overflow.staying import lengthen_stay, move_stay
from coop.overflow.telling import NOTES, reminders
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, mails, piece, write
from tests.factories.leases import make_lease
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_rules, lay_stay

DAY = timedelta(days=1)


def test_an_answer_of_the_longest_names_and_reason_is_kept_whole(session: Session, now: datetime, aisles: Aisles) -> None:
    """Of three pieces of 80 letters in a bay of 28 two are named, the third is counted; what waits is named."""
    bay = f"{'B' * 20}-{'1' * 7}"
    lay_bay(session, aisles.mall(session), bay, 120, 24, y=600)
    names = [f"{letter * 74} chest" for letter in "ABCD"]
    request, rows = aisles.ask(session, now, *(piece(name, 20) for name in names))
    places = [(row, aisles.place(session, bay, at=25 * number)) for number, row in enumerate(rows[:3])]
    place_request(session, now, request, places, by=aisles.by, why="w" * 120)
    session.expire_all()
    sentence = session.scalars(select(OverflowAnswer)).one().sentence
    assert len(sentence) <= LONGEST
    assert sentence.startswith(f"Given by the manager: {names[0]} in bay {bay}, Nov 9 to Dec 6, 2026; {names[1]} in bay")
    assert sentence.endswith(f"; 1 more as your list has them; {names[3]} waits ({'w' * 120}).")


def test_a_sold_piece_is_not_taken_of_whose_lease_has_not_begun(session: Session, now: datetime, aisles: Aisles) -> None:
    """Its floor of this month could be charged under no lease."""
    ruth, mall = aisles.dealer(session, "D03"), aisles.mall(session)
    lease = make_lease(session, now, mall, ruth, starts_on=date(2026, 12, 1))
    with pytest.raises(Refusal, match=r"D03 has never rented at .*, and nobody can be charged for its floor"):
        place_sold(session, now, mall, ruth, piece(), aisles.bay(session), by=aisles.by)
    session.get_one(Lease, lease.id).starts_on = TODAY
    assert place_sold(session, now, mall, ruth, piece(), aisles.bay(session), by=aisles.by).kind == "sold"


def test_no_last_day_is_told_of_what_has_not_come_yet(session: Session, now: datetime, aisles: Aisles) -> None:
    """A stay of two days, the day after tomorrow and the next: first it moves in, then it has a last day."""
    chest = lay_piece(session, aisles.dealer(session), "Pine chest", (30, 18, 30), weight_oz=160)
    lay_stay(session, chest, aisles.bay(session), TODAY + 2 * DAY, TODAY + 3 * DAY)
    told = []
    for day in range(4):
        write(session, now, reminders(session, now + day * DAY))
        told.append(len(mails(session)))
    assert told == [0, 1, 1, 2]


def test_what_is_asked_back_by_a_draft_that_begins_today_must_go_at_once(session: Session, now: datetime, aisles: Aisles) -> None:
    """Its last day was yesterday: nobody is told to take it away by a day that is past."""
    chest = lay_piece(session, aisles.dealer(session), "Pine chest", (30, 18, 30), weight_oz=160)
    told = {"recalled_at": now, "recall_why": "The aisle is wider."}
    stay = lay_stay(session, chest, aisles.bay(session), TODAY - 7 * DAY, TODAY - DAY, **told)
    stay.granted_until = SUNDAY
    (letter,) = NOTES["recalled"](session, {"stay": stay.id, "at": now.isoformat()})
    assert letter.note.subject == "Pine chest must go at once"
    assert "Take Pine chest away today; it had floor until Dec 6, 2026. You may ask for other floor at once." in (
        letter.note.sentences
    )


def test_a_piece_moved_and_asked_back_within_a_month_is_charged_for_each_day_once(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """2 ft at $3.50 a foot-week are $1.00 a day: November 9 to 17 are nine, 18 to 25 eight days, turned: 1 ft."""
    mall = aisles.mall(session)
    lay_rules(session, mall, TODAY, fee_kind="foot-week", fee_cents=3_50)
    _, (chest,) = aisles.ask(session, now, piece("Chest", 24, 12, 20, may_turn=True))
    stay = place_piece(session, now, mall, chest, aisles.place(session), by=aisles.by)
    moved = move_stay(session, now, stay, aisles.bay(session, "A2-1"), 0, by=aisles.by, on=date(2026, 11, 18), turned=True)
    recall(session, datetime(2026, 11, 18, 15, 0, tzinfo=UTC), moved, why="A pipe.", by=aisles.by)
    assert (stay.ends_on, moved.starts_on, moved.ends_on) == (date(2026, 11, 17), date(2026, 11, 18), date(2026, 11, 25))
    assert expected(session, mall, [stay, moved]) == {stay.id: 9_00, moved.id: 4_00}
    assert post_overflow(session, now, mall, Month(2026, 11)) == 2
    assert post_overflow(session, now, mall, Month(2026, 12)) == 0
    assert charged_so_far(session, [stay, moved]) == {stay.id: 9_00, moved.id: 4_00}
    assert charged_otherwise(session, mall, Month(2026, 11)) == []


def test_an_amount_below_half_a_cent_is_not_charged(session: Session, now: datetime, aisles: Aisles) -> None:
    """1 ft at 3 cents a foot-week is 3/7 of a cent for a day."""
    mall = aisles.mall(session)
    lay_rules(session, mall, TODAY, fee_kind="foot-week", fee_cents=3)
    stool = lay_piece(session, aisles.dealer(session), "Stool", (12, 12, 12))
    stay = lay_stay(session, stool, aisles.bay(session), MONDAY, MONDAY)
    assert (expected(session, mall, [stay]), post_overflow(session, now, mall, Month(2026, 11))) == ({stay.id: 0}, 0)


def test_of_two_managers_one_asks_back_and_the_other_is_told(sessions: Sessions, now: datetime) -> None:
    """At once one asks for the floor back and the other lengthens the stay: it is asked back, or longer and then asked back."""
    with transaction(sessions) as session:
        aisles = Aisles(session, now)
        chest = lay_piece(session, aisles.dealer(session), "Pine chest", (30, 18, 30))
        stay_id = lay_stay(session, chest, aisles.bay(session), TODAY, SUNDAY).id
    told: list[str] = []
    both = threading.Barrier(2)

    def ask_back(session: Session, stay: Stay) -> None:
        recall(session, now, stay, why="A pipe.", by=aisles.by)

    def lengthen(session: Session, stay: Stay) -> None:
        lengthen_stay(session, now, stay, until=SUNDAY + 7 * DAY, by=aisles.by)

    def act(deed: Callable[[Session, Stay], None]) -> None:
        both.wait()
        try:
            with transaction(sessions) as session:
                deed(session, session.get_one(Stay, stay_id))
        except Refusal as refused:
            told.append(str(refused))

    threads = [threading.Thread(target=act, args=(deed,)) for deed in (ask_back, lengthen)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with transaction(sessions) as session:
        stay = session.get_one(Stay, stay_id)
        assert stay.ends_on == TODAY + 7 * DAY
        if told:
            assert told == ["Pine chest was asked back: take that back first."]
            assert stay.granted_until == SUNDAY
        else:
            assert stay.granted_until == SUNDAY + 7 * DAY


def test_what_stands_partly_in_a_bay_that_was_cut_anew_bars_that_part_of_it(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """A new exit takes the first four feet of ten: of lockers at 30 to 80 in. 32 in. are within what is left."""
    old, amos, mall = aisles.bay(session), aisles.dealer(session, "D02"), aisles.mall(session)
    lay_stay(session, lay_piece(session, amos, "Locker bank", (50, 18, 36)), old, TODAY - DAY, SUNDAY, at=30)
    old.ended_on = TODAY
    new = lay_bay(session, mall, "A1-1", 72, 24, x=48, starts_on=TODAY)
    _, (shelf,) = aisles.ask(session, now, piece("Shelf", 30, 14, 36))
    gap = rules_on(session, mall.id, TODAY).gap_in16
    assert free_place(session, new, 30 * 16, TODAY, SUNDAY) in range(32 * 16 + gap - 2, 32 * 16 + gap + 1)
    with pytest.raises(Refusal, match='0" to 2\' 8" of bay A1-1 is taken Nov 2 to Dec 6, 2026, by Locker bank of D02'):
        place_piece(session, now, mall, shelf, aisles.place(session, at=10), by=aisles.by)
    place_piece(session, now, mall, shelf, aisles.place(session, at=34), by=aisles.by)
