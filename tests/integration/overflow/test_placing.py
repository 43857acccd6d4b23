"""Floor given by hand on both databases: judged, answered, never two on one floor, limits let pass by a second person only."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.finding import Finding
from coop.floor.domain.plan import Outline, Plan
from coop.floor.planning import set_aisle_width
from coop.leases.editing import By
from coop.overflow import judging
from coop.overflow.asking import AskRefused
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.clear import spoiled
from coop.overflow.judging import LimitRefused, Place, free_place
from coop.overflow.models import OverflowAnswer, OverflowPiece, OverflowRequest, Stay
from coop.overflow.placing import place_piece, place_request, place_sold
from coop.overflow.queries import request_row
from coop.overflow.staying import end_stay, lengthen_stay, move_stay
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles, piece, told
from tests.factories.house import add_person
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_request, lay_rules, lay_stay
from tests.factories.overflow_hall import build_overflow_hall
from tests.factories.people import make_coop, make_mall


def put(session: Session, now: datetime, aisles: Aisles, row: OverflowPiece, place: Place, **more: Any) -> Stay:
    return place_piece(session, now, aisles.mall(session), row, place, by=aisles.by, **more)


def test_a_piece_gets_floor_with_its_days_and_the_log_says_so(session: Session, now: datetime, aisles: Aisles) -> None:
    request, (hutch,) = aisles.ask(session, now)
    stay = put(session, now, aisles, hutch, aisles.place(session, at=12), why="  By the   door. ")
    assert (stay.from_in16, stay.to_in16, stay.depth_in16, stay.turned) == (12 * 16, 52 * 16, 18 * 16, False)
    assert (stay.starts_on, stay.ends_on, stay.granted_until, stay.kind, stay.why) == (
        MONDAY,
        SUNDAY,
        SUNDAY,
        "asked",
        "By the door.",
    )
    assert request.state == "granted"
    assert aisles.logged(session, "overflow stay") == ["floor given: D01, bay A1-1 from 1' 0\", 2026-11-09 to 2026-12-06"]


def test_what_may_not_stand_there_is_refused_with_the_reason(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, tall, chest, lamp) = aisles.ask(
        session, now, piece(), piece("Shelf", 30, 14, 48), piece("Chest", 60, 20, may_turn=True), piece("Lamp", 12, 12, 40)
    )
    _, (amos,) = aisles.ask(session, now, piece("Bookcase", 30, 17, 48), code="D02")
    put(session, now, aisles, hutch, aisles.place(session, at=20))
    mall_end = date(2027, 1, 31)
    cases: list[tuple[OverflowPiece, Place, str]] = [
        (
            tall,
            aisles.place(session, first=date(2026, 11, 2)),
            "The first day, Nov 2, 2026, is past: choose Nov 3, 2026 or a later",
        ),
        (tall, aisles.place(session, last=TODAY), "The last day, Nov 3, 2026, is before the first, Nov 9, 2026"),
        (hutch, aisles.place(session, "A2-1"), "Oak hutch stands in bay A1-1 already, Nov 9 to Dec 6, 2026"),
        (tall, aisles.place(session, at=90), "would reach beyond the end of bay A1-1: let it begin between 0 and 7' 5\""),
        (tall, aisles.place(session, at=-1), "would reach beyond the end of bay A1-1"),
        (chest, aisles.place(session, "A1-2"), "Chest may not stand in bay A1-2: it is 1' 8\" deep and the bay 1' 6\""),
        (chest, aisles.place(session, turned=True), "Chest may not stand in bay A1-1: it is 5' 0\" deep and the bay 2' 0\""),
        (tall, aisles.place(session, turned=True), "Shelf may not be turned"),
        (amos, aisles.place(session, "A1-2"), "is 4' 0\" high; nothing higher than 3' 6\" stands before another dealer's booth"),
        (lamp, aisles.place(session, "A1-2"), "it tips easily"),
        (amos, aisles.place(session, last=mall_end + timedelta(days=1)), "The lease of D02 at .* ends on Jan 31, 2027"),
        (tall, aisles.place(session, at=10), "1' 8\" to 5' 0\" of bay A1-1 is taken Nov 9 to Dec 6, 2026, by Oak hutch of D01"),
        (tall, aisles.place(session, at=10), "the first place free for it is at 5' 1\""),
        (tall, aisles.place(session, at=60), "is taken"),
    ]
    for row, place, said in cases:
        with pytest.raises(Refusal, match=said.replace("(", r"\(")), session.begin_nested():
            put(session, now, aisles, row, place)
    assert session.scalar(select(func.count()).select_from(Stay)) == 1
    put(session, now, aisles, tall, aisles.place(session, at=61))
    put(session, now, aisles, chest, aisles.place(session, at=10, first=SUNDAY + timedelta(days=1), last=date(2026, 12, 20)))
    aisles.bay(session, "A2-1").is_lent = False
    with pytest.raises(Refusal, match="Bay A2-1 is kept free: choose another bay, or let it be lent again first"):
        put(session, now, aisles, amos, aisles.place(session, "A2-1"))


def test_a_bay_that_ends_or_is_full_takes_nothing(session: Session, now: datetime, aisles: Aisles) -> None:
    _, (hutch, bench) = aisles.ask(session, now, piece(width=59), piece("Pine bench", 12, height=18))
    ended = aisles.place(session, "A2-1")
    ended.bay.ended_on = SUNDAY
    with pytest.raises(Refusal, match="There is no bay A2-1 on all of Nov 9 to Dec 6, 2026: choose another bay, or other days"):
        put(session, now, aisles, hutch, ended)
    put(session, now, aisles, hutch, aisles.place(session, "A1-2"))
    assert free_place(session, aisles.bay(session, "A1-2"), 12 * 16, MONDAY, SUNDAY) is None
    assert free_place(session, aisles.bay(session, "A1-2"), 12 * 16, TODAY, date(2026, 11, 8)) == 0
    with pytest.raises(Refusal, match="no other place of the bay is free then: choose another bay, or other days"):
        put(session, now, aisles, bench, aisles.place(session, "A1-2", at=20))


def test_limits_count_all_that_stands_and_are_let_pass_only_by_another_person(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """95 in. with the gaps, of 96: the next inch is one too many. The fifth piece, too, and a sold one is a piece."""
    _, (hutch, bench) = aisles.ask(session, now, piece(width=53), piece("Pine bench", 40))
    put(session, now, aisles, hutch, aisles.place(session))
    put(session, now, aisles, bench, aisles.place(session, at=54))
    box = piece("Tin box", 1, 12, 2)
    mall, ida = aisles.mall(session), aisles.dealer(session)
    with pytest.raises(LimitRefused, match="D01 would have 8' 1\" of floor at a time, the gaps beside pieces counted: 8' 0\" is"):
        place_sold(session, now, mall, ida, box, aisles.bay(session, "A2-1"), by=aisles.by, until=MONDAY)
    place_sold(session, now, mall, ida, box, aisles.bay(session, "A2-1"), by=aisles.by, until=date(2026, 11, 8))
    small = [lay_piece(session, ida, f"Box {n}", (1, 12, 2)) for n in range(4)]
    for n, one in enumerate(small[:3]):
        lay_stay(session, one, aisles.bay(session, "A2-1"), TODAY, TODAY, at=10 + 2 * n)
    today = aisles.place(session, "A2-1", 50, TODAY, TODAY)
    with pytest.raises(LimitRefused, match="D01 would have 5 pieces in the aisles at a time: 4 are the most"):
        put(session, now, aisles, small[3], today)
    with pytest.raises(Refusal, match="You cannot decide on your own limits of floor: a second person has to"):
        place_piece(session, now, mall, small[3], today, by=aisles.ida, anyway=True)
    put(session, now, aisles, small[3], today, anyway=True)
    assert aisles.logged(session, "overflow stay")[-1].endswith(
        "2026-11-03 to 2026-11-03; let pass: D01 would have 5 pieces in the aisles at a time: 4 are the most."
    )


def test_nobody_is_in_one_bay_for_more_of_a_year_than_the_rotation_lets(session: Session, now: datetime) -> None:
    """Two weeks of 52: ten days from November 13 of last year, four now; a fifth is too many while all ten are within 52 weeks.

    The days of two pieces at once count once. 52 weeks that end on November 12 begin on the 14th of last year.
    """
    aisles = Aisles(session, now, rotation_weeks=2, longest_weeks=2)
    before, hutch, bench = (lay_piece(session, aisles.dealer(session), name) for name in ("Before", "Oak hutch", "Bench"))
    lay_stay(session, before, aisles.bay(session), date(2025, 11, 13), date(2025, 11, 22))
    for last, days, mend in (
        (date(2026, 11, 11), 15, "from Nov 8, 2026 on it may be there for as many"),
        (SUNDAY, 30, "choose 14 days at most"),
    ):
        with pytest.raises(LimitRefused) as caught:
            put(session, now, aisles, hutch, aisles.place(session, first=date(2026, 11, 7), last=last))
        assert str(caught.value) == (
            f"D01 would be in bay A1-1 on {days} days of 52 weeks: 2 weeks (14 days) are the most, so that "
            f"everybody has a turn in it; {mend}."
        )
    stay = put(session, now, aisles, hutch, aisles.place(session, first=date(2026, 11, 7), last=date(2026, 11, 10)))
    put(session, now, aisles, bench, aisles.place(session, at=50, first=date(2026, 11, 9), last=date(2026, 11, 10)))
    end_stay(session, now, stay, on=date(2026, 11, 8), by=aisles.ida)
    put(session, now, aisles, hutch, aisles.place(session, first=date(2026, 11, 12), last=date(2026, 11, 13)))


def test_two_who_give_one_floor_at_once_are_not_both_given_it(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        aisles = Aisles(session, now)
        ids = [aisles.ask(session, now, code=code)[1][0].id for code in ("D01", "D02")]
    together, outcomes = threading.Barrier(2), []

    def give(piece_id: int) -> None:
        together.wait(timeout=30)
        try:
            with transaction(sessions) as session:
                put(session, now, aisles, session.get_one(OverflowPiece, piece_id), aisles.place(session))
            outcomes.append("")
        except Refusal as refusal:
            outcomes.append(str(refusal))

    threads = [threading.Thread(target=give, args=(one,)) for one in ids]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    first, told_second = sorted(outcomes)
    assert first == ""
    assert told_second.startswith('0" to 3\' 4" of bay A1-1 is taken Nov 9 to Dec 6, 2026, by Oak hutch of D0')
    with transaction(sessions) as session:
        assert session.scalar(select(func.count()).select_from(Stay)) == 1


# --- answers --------------------------------------------------------------------------------------------------------------


def test_a_request_is_answered_in_part_and_then_whole(session: Session, now: datetime, aisles: Aisles) -> None:
    request, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench", weight_oz=None))
    place = aisles.place(session)
    first = place_request(session, now, request, [(hutch, place)], by=aisles.by, why="The only one that fits.")
    assert (first.answer, request.state) == ("partly", "partly")
    assert first.sentence == (
        "Given by the manager: Oak hutch in bay A1-1, Nov 9 to Dec 6, 2026; Pine bench waits (The only one that fits)."
    )
    with pytest.raises(Refusal, match="Oak hutch has been given floor already: move or lengthen its stay"):
        place_request(session, now, request, [(hutch, place)], by=aisles.by)
    second = place_request(session, now, request, [(bench, aisles.place(session, at=50))], by=aisles.by)
    assert (second.answer, request.state) == ("granted", "granted")
    with pytest.raises(Refusal, match="This request is granted: only what waits is given floor"):
        place_request(session, now, request, [(bench, place)], by=aisles.by)
    assert [stay.why for stay in session.scalars(select(Stay).order_by(Stay.id))] == [
        "The only one that fits.",
        "Given by the manager.",
    ]
    letters = told(session, now)
    hall = "Lantern Yard Antiques Hall"
    assert list(letters) == [
        f"d01@example.org: Floor for some of your pieces: {hall}",
        f"d01@example.org: Floor for your pieces: {hall}",
    ]
    assert "What has no floor goes on waiting" in letters[f"d01@example.org: Floor for some of your pieces: {hall}"]
    assert (
        "- Pine bench: bay A1-1, 4' 2\" to 7' 6\" along it, Nov 9 to Dec 6, 2026"
        in letters[f"d01@example.org: Floor for your pieces: {hall}"]
    )


def test_all_of_a_request_is_given_or_nothing(session: Session, now: datetime, aisles: Aisles) -> None:
    request, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    _, (other,) = aisles.ask(session, now)
    for places, said in (
        ([], "No piece has a place: choose the bay and the days of one at least"),
        ([(other, aisles.place(session))], "Oak hutch is not asked for in this request: choose one of its pieces"),
        ([(hutch, aisles.place(session)), (bench, aisles.place(session, at=40))], "is taken"),
    ):
        with pytest.raises(Refusal, match=said):
            place_request(session, now, request, places, by=aisles.by)
    assert session.scalars(select(Stay)).all() == []
    assert session.scalars(select(OverflowAnswer)).all() == []
    assert request.state == "waiting"


def test_what_was_asked_together_is_given_together_unless_said(session: Session, now: datetime, aisles: Aisles) -> None:
    request, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"), together=True)
    with pytest.raises(LimitRefused, match="These pieces are asked for side by side and for the same weeks"):
        place_request(session, now, request, [(hutch, aisles.place(session))], by=aisles.by)
    apart = [(hutch, aisles.place(session)), (bench, aisles.place(session, "A2-1"))]
    with pytest.raises(LimitRefused, match="give all of them one bay and the same days"):
        place_request(session, now, request, apart, by=aisles.by)
    assert place_request(session, now, request, apart, by=aisles.by, anyway=True).answer == "granted"


# --- sold pieces ----------------------------------------------------------------------------------------------------------


def test_a_sold_piece_waits_its_days_at_the_first_free_place(session: Session, now: datetime, aisles: Aisles) -> None:
    mall, amos, bay = aisles.mall(session), aisles.dealer(session, "D02"), aisles.bay(session)
    _, (hutch,) = aisles.ask(session, now)
    put(session, now, aisles, hutch, aisles.place(session))
    stay = place_sold(session, now, mall, amos, piece("Pine table", 30), bay, by=aisles.by)
    assert (stay.kind, stay.from_in16, stay.starts_on, stay.ends_on) == ("sold", 41 * 16, TODAY, MONDAY)
    row = session.get_one(OverflowPiece, stay.piece_id)
    assert (row.name, row.request_id, row.dealer_id) == ("Pine table", None, amos.id)
    ends = date(2026, 11, 8)
    short = place_sold(session, now, mall, amos, piece("Stool", 30), bay, by=aisles.by, until=ends)
    assert (short.from_in16, short.ends_on) == (0, ends)
    counted = session.scalar(select(func.count()).select_from(OverflowPiece))
    with pytest.raises(
        Refusal, match="Bay A1-1 has no free place of 4' 2\" until Nov 9, 2026: choose another bay, or an earlier"
    ):
        place_sold(session, now, mall, amos, piece("Sofa", 50), bay, by=aisles.by)
    with pytest.raises(Refusal, match="D03 has never rented at Lantern Yard Antiques Hall, and nobody can be charged"):
        place_sold(session, now, mall, aisles.dealer(session, "D03"), piece("Sofa", 10), bay, by=aisles.by)
    with pytest.raises(AskRefused, match="Sofa: write its width, above zero"):
        place_sold(session, now, mall, amos, piece("Sofa", 0), bay, by=aisles.by)
    with pytest.raises(Refusal, match="Sofa would wait until Feb 2, 2027: choose a day of the next 90, and lengthen it then"):
        place_sold(session, now, mall, amos, piece("Sofa", 10), bay, by=aisles.by, until=TODAY + timedelta(days=91))
    with pytest.raises(Refusal, match="Sofa may not stand in bay A1-1: it is 2' 6\" deep and the bay 2' 0\""):
        place_sold(session, now, mall, amos, piece("Sofa", 10, 30), bay, by=aisles.by, from_in16=1200)
    assert session.scalar(select(func.count()).select_from(OverflowPiece)) == counted


# --- clear width ----------------------------------------------------------------------------------------------------------


def test_clear_width_is_never_let_pass(session: Session, now: datetime) -> None:
    """Aisle A1 is 84 in. wide and must keep 44, and 60 from November 16 on: a piece 36 deep leaves 48."""
    make_coop(session, now)
    mall = make_mall(session, now)
    hall = build_overflow_hall(session, now, mall)
    bay = lay_bay(session, mall, "A1-1", 120, 48, x=96, y=102)
    by = By(add_person(session, now, "manager@example.org", ("manager",)))
    deep, fits, narrow = (
        lay_piece(session, hall.dealers["V1"], name, (30, depth, 30))
        for name, depth in (("Deep", 42), ("Fits", 36), ("Small", 20))
    )
    with pytest.raises(Refusal, match=r"Deep may not stand there, from Nov 9, 2026 on: Aisle A1"):
        place_piece(session, now, mall, deep, Place(bay, 0, MONDAY, SUNDAY), by=by, anyway=True)
    stay = place_piece(session, now, mall, fits, Place(bay, 0, MONDAY, SUNDAY), by=by)
    assert stay.depth_in16 == 36 * IN16_PER_INCH
    set_aisle_width(session, now, mall, "A1", date(2026, 11, 16), 60 * IN16_PER_INCH, said_by="fire marshal")
    wide = lay_piece(session, hall.dealers["V2"], "Wide", (30, 36, 30))
    with pytest.raises(Refusal, match=r"Wide may not stand there, from Nov 16, 2026 on: Aisle A1"):
        place_piece(session, now, mall, wide, Place(bay, 600, MONDAY, SUNDAY), by=by, anyway=True)
    place_piece(session, now, mall, wide, Place(bay, 600, MONDAY, date(2026, 11, 15)), by=by)
    # What the first spoils by now is not the third one's fault.
    place_piece(session, now, mall, narrow, Place(bay, 1200, date(2026, 11, 20), SUNDAY), by=by)


def test_the_whole_mall_is_judged_once_for_all_pieces_of_a_request(
    session: Session, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three fit, and are judged together; of two others the second is too deep, and is named though the first was judged too."""
    make_coop(session, now)
    mall = make_mall(session, now)
    hall = build_overflow_hall(session, now, mall)
    lay_rules(session, mall)
    bay = lay_bay(session, mall, "A1-1", 240, 48, x=96, y=102)
    by = By(add_person(session, now, "manager@example.org", ("manager",)))
    judged: list[int] = []

    def counted(plan: Plan, standing: Mapping[str, Outline], bays: Sequence[Bay]) -> list[Finding]:
        judged.append(len(standing))
        return spoiled(plan, standing, bays)

    def give(*depths: int, at: int) -> OverflowRequest:
        values = {"asked_on": TODAY, "not_before": MONDAY, "weeks": 4}
        request = lay_request(session, mall, hall.dealers["V1"], **values)
        pieces = [lay_piece(session, hall.dealers["V1"], f"Deep {deep}", (18, deep, 30), request) for deep in depths]
        places = [(one, Place(bay, (at + 20 * n) * IN16_PER_INCH, MONDAY, SUNDAY)) for n, one in enumerate(pieces)]
        place_request(session, now, request, places, by=by, anyway=True)
        return request

    monkeypatch.setattr(judging, "spoiled", counted)
    assert give(36, 30, 20, at=0).state == "granted"
    assert judged == [3], "once, with all three in it"
    with pytest.raises(Refusal, match=r"^Deep 42 may not stand there, from Nov 9, 2026 on: Aisle A1"):
        give(20, 42, at=100)
    assert session.scalar(select(func.count()).select_from(Stay)) == 3


def test_the_floor_of_a_sold_piece_that_nobody_fetched_is_not_given_by_hand_on_any_day(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """It was to be gone by November 2; nor is it given to what is moved before it comes."""
    sold = lay_piece(session, aisles.dealer(session, "D02"), "Pine table", (30, 18, 30))
    gone = lay_stay(session, sold, aisles.bay(session), date(2026, 10, 20), date(2026, 11, 2), at=10, kind="sold")
    _, (hutch,) = aisles.ask(session, now)
    said = "Pine table of D02 is sold, was to be fetched by Nov 2, 2026, and may stand there still: say that it was fetched, or"
    with pytest.raises(Refusal, match=said):
        put(session, now, aisles, hutch, aisles.place(session))
    stay = put(session, now, aisles, hutch, aisles.place(session, at=41))
    with pytest.raises(Refusal, match=said):
        move_stay(session, now, stay, aisles.bay(session), 0, by=aisles.by)
    end_stay(session, now, gone, on=date(2026, 11, 1), by=aisles.by)
    move_stay(session, now, stay, aisles.bay(session), 0, by=aisles.by)
    assert stay.from_in16 == 0


def test_fewer_weeks_than_were_asked_for_are_told_as_granted_in_part_and_nothing_of_it_waits(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    """Four weeks are asked for, and two given. Let stand for all four, it has what it asked for."""
    request, (hutch,) = aisles.ask(session, now, bay_code="A1-1")
    until = date(2026, 11, 22)
    answer = place_request(session, now, request, [(hutch, aisles.place(session, last=until))], by=aisles.by, why="A fair.")
    assert (answer.answer, request.state) == ("partly", "granted")
    assert answer.sentence == (
        "Given by the manager: Oak hutch in bay A1-1, which you wished for, Nov 9 to Nov 22, 2026; that is 2 of the 4 weeks "
        "asked for, so ask again for the rest (A fair)."
    )
    ((subject, letter),) = told(session, now).items()
    assert subject == "d01@example.org: Floor for fewer weeks than you asked for: Lantern Yard Antiques Hall"
    assert "waiting" not in letter

    def has_fewer_weeks() -> bool:
        row = request_row(session, request.id)
        assert row is not None
        return row.has_fewer_weeks

    assert has_fewer_weeks()
    stay = session.scalars(select(Stay)).one()
    moved = move_stay(session, now, stay, aisles.bay(session, "A2-1"), 0, by=aisles.by, on=date(2026, 11, 16))
    lengthen_stay(session, now, moved, until=SUNDAY, by=aisles.by)
    assert not has_fewer_weeks(), "moved or not"


def test_of_pieces_that_get_different_weeks_the_fewest_are_told(session: Session, now: datetime, aisles: Aisles) -> None:
    request, (hutch, bench) = aisles.ask(session, now, piece(), piece("Pine bench"))
    first = place_request(session, now, request, [(hutch, aisles.place(session, last=date(2026, 11, 18)))], by=aisles.by)
    assert first.sentence.endswith("; Pine bench waits; that is 10 days of the 4 weeks asked for, so ask again for the rest.")
    assert (first.answer, request.state) == ("partly", "partly")
    second = place_request(session, now, request, [(bench, aisles.place(session, at=50))], by=aisles.by)
    assert (second.answer, request.state) == ("partly", "granted"), "the other has fewer"
    assert second.sentence.endswith("Dec 6, 2026; what was given before has fewer weeks than you asked for.")
    request, pieces = aisles.ask(session, now, piece(), piece("Pine bench"), code="D02")
    places = [aisles.place(session, "A2-1", last=date(2026, 11, 15)), aisles.place(session, "A2-1", 50)]
    both = place_request(session, now, request, list(zip(pieces, places, strict=True)), by=aisles.by)
    assert both.sentence.endswith("; that is at least 1 of the 4 weeks asked for, so ask again for the rest.")
