"""A reset on both databases: planned, worked out, ticked, planned again from what stands, done; and what is refused."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.leases.editing import By
from coop.resets import booking, planning, sets, ticking
from coop.resets.composing import FOR_BUYERS, compose
from coop.resets.domain.booth import rectangle_booth
from coop.resets.models import PieceRow, SetPiece, SetPrice
from coop.resets.planning import Asked, make_reset
from coop.resets.reset_models import Reset, ResetPlan
from coop.resets.ticking import Tick
from coop.resets.working import facts_digest, is_outdated, read_facts
from coop.shifts.domain.hours import Hours
from coop.shifts.hours import set_week
from tests.factories.house import add_person
from tests.factories.resets import BoothLaid, a_booth, in16, make_smalls, measure_booth

DAY = date(2026, 12, 1)
ASKED = Asked(DAY, 10 * 60, 18 * 60, staging=(("By the dock", in16(120), in16(60)),))


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Iterator[tuple[Session, BoothLaid, By]]:
    with transaction(sessions) as session:
        booth = a_booth(session, now)
        yield session, booth, By(add_person(session, now, "ida@example.org", ("dealer",), booth.dealer.member_id))


def planned(laid: tuple[Session, BoothLaid, By], now: datetime, asked: Asked = ASKED) -> Reset:
    session, booth, by = laid
    return make_reset(session, now, booth.dealer, booth.space, before=booth.stands, after=booth.draft, asked=asked, by=by)


def worked_out(session: Session, now: datetime, row: Reset) -> ResetPlan:
    facts = read_facts(session, row)
    return planning.keep_plan(session, now, row, compose(facts), facts_digest(facts))


def names(plan: ResetPlan) -> list[tuple[int, str, str]]:
    return [(move["number"], move["name"], move["kind"]) for move in plan.value["moves"]]


def test_two_that_swap_places_take_one_staging_and_the_lamp_comes_off_first(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    """Two pieces that swap places with room for one in staging: three moves (rearrangement planning, Han et al. 2018)."""
    session, _, _ = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    value = plan.value
    assert (value["stopped"], value["staged"], value["bound"], value["proven"]) == ("", 1, 1, True)
    floor = [move for move in value["moves"] if move["how"] != "by hand"]
    assert sorted(move["name"] for move in floor) == ["Oak dresser", "Oak dresser", "Tall cupboard"] or sorted(
        move["name"] for move in floor
    ) == ["Oak dresser", "Tall cupboard", "Tall cupboard"]
    assert names(plan)[0][1] == "Brass lamp", "what stands on top comes off before what it stands on moves"
    assert names(plan)[-1][1] == "Brass lamp"
    heavy = next(move for move in floor if move["name"] == "Tall cupboard")
    assert heavy["weight"] == "140 lb"
    assert heavy["hands"]["people"] is None or heavy["hands"]["people"] >= 2


def test_its_job_is_named_once_a_plan(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, _, _ = laid
    row = planned(laid, now)
    jobs = session.scalars(select(Job).where(Job.group_key == planning.group_of(row))).all()
    assert [(job.kind, job.queue, job.args) for job in jobs] == [("resets.plan", "rota", {"reset_id": row.id})]


def test_a_plan_is_outdated_by_a_piece_that_changed_and_not_by_ticks(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    assert not is_outdated(session, row, plan)
    ticking.take_ticks(session, now, row, plan, [Tick(1, True, now)], user_id=by.user_id)
    assert not is_outdated(session, row, plan)
    booth.pieces["Pine table"].width_in16 = in16(50)
    session.flush()
    assert is_outdated(session, row, plan)


def test_a_piece_ticked_out_for_good_makes_no_plan_outdated(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    """It stands no longer, and is not in the set to come: the plan was made of its feet and its power all the same."""
    session, booth, by = laid
    gone = [booth.pieces["Cane chair"].id, booth.pieces["Brass lamp"].id]
    for put in session.scalars(select(SetPiece).where(SetPiece.set_id == booth.draft.id, SetPiece.piece_id.in_(gone))):
        session.delete(put)
    session.flush()
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    for move in plan.value["moves"]:
        ticking.take_ticks(session, now, row, plan, [Tick(move["number"], True, now)], user_id=by.user_id)
        assert not is_outdated(session, row, plan), move["sentence"]


def test_a_plan_is_outdated_by_the_set_that_stands_too(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, _ = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    put = session.scalars(select(SetPiece).where(SetPiece.set_id == booth.stands.id)).first()
    assert put is not None
    put.x_in16 += in16(2)
    session.flush()
    assert is_outdated(session, row, plan)
    assert not is_outdated(session, row, worked_out(session, now, row))


def test_ticks_count_once_and_the_later_of_two(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, _, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    first, last = plan.value["moves"][0]["number"], plan.value["moves"][-1]["number"]
    sent = [Tick(first, True, now), Tick(last, True, now + timedelta(minutes=5))]
    assert ticking.take_ticks(session, now, row, plan, sent, user_id=by.user_id) == {first, last}
    assert ticking.take_ticks(session, now, row, plan, sent, user_id=by.user_id) == {first, last}, "sent twice is taken once"
    begun = session.scalars(select(AuditLog).where(AuditLog.action == "reset begun")).one()
    assert (begun.subject_id, begun.user_id, begun.detail) == (str(row.id), by.user_id, f"plan {plan.number}")
    early, late = Tick(last, False, now), Tick(first, False, now + timedelta(minutes=6))
    assert ticking.take_ticks(session, now, row, plan, [early, late], user_id=by.user_id) == {last}
    assert row.state == "under way"
    with pytest.raises(Refusal, match="Plan 1 has no move 99"):
        ticking.take_ticks(session, now, row, plan, [Tick(99, True, now), Tick(first, True, now)], user_id=by.user_id)
    assert ticking.done_of(session, plan) == {last}, "of what is refused nothing is written"


def test_a_plan_made_again_begins_from_what_is_ticked(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, _, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    moves = plan.value["moves"]
    ticking.take_ticks(session, now, row, plan, [Tick(move["number"], True, now) for move in moves[:2]], user_id=by.user_id)
    again = worked_out(session, now, row)
    assert again.number == 2
    assert names(again) == [(move["number"], move["name"], move["kind"]) for move in moves[2:]]
    ticking.take_ticks(session, now, row, again, [Tick(moves[2]["number"], True, now)], user_id=by.user_id)
    third = worked_out(session, now, row)
    assert [move["number"] for move in third.value["moves"]] == [move["number"] for move in moves[3:]]
    assert not is_outdated(session, row, third)


def test_ticks_of_an_earlier_plan_count_when_they_come_late(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    """A phone without a network ticked on plan 1, while another device had plan 2 worked out."""
    session, _, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    moves = plan.value["moves"]
    ticking.take_ticks(session, now, row, plan, [Tick(moves[0]["number"], True, now)], user_id=by.user_id)
    again = worked_out(session, now, row)
    assert not is_outdated(session, row, again)
    late = [Tick(move["number"], True, now) for move in moves[1:3]]
    ticking.take_ticks(session, now + timedelta(minutes=30), row, plan, late, user_id=by.user_id)
    assert is_outdated(session, row, again), "things do not stand as plan 2 has them"
    third = worked_out(session, now, row)
    assert names(third) == [(move["number"], move["name"], move["kind"]) for move in moves[3:]]
    assert not is_outdated(session, row, third)
    ticking.take_ticks(session, now, row, again, [Tick(again.value["moves"][0]["number"], True, now)], user_id=by.user_id)
    assert not is_outdated(session, row, third), "ticked on both plans, it is done once"
    taken_back = [Tick(move["number"], False, now + timedelta(hours=1)) for move in moves]
    ticking.take_ticks(session, now + timedelta(hours=2), row, plan, taken_back, user_id=by.user_id)
    assert is_outdated(session, row, third)


def test_ticks_that_cannot_be_are_said_to_be_missing_or_too_many(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    """The dresser is ticked as moved, the lamp on it was forgotten."""
    session, _, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    moves = plan.value["moves"]
    ticking.take_ticks(session, now, row, plan, [Tick(moves[1]["number"], True, now)], user_id=by.user_id)
    again = worked_out(session, now, row)
    assert "Brass lamp stands on a piece that is not in it" in again.value["stopped"]
    assert "tick every move that was done, take back what was not" in again.value["stopped"]
    assert again.value["moves"] == []
    ticking.take_ticks(session, now, row, plan, [Tick(moves[0]["number"], True, now)], user_id=by.user_id)
    assert is_outdated(session, row, again)
    assert names(worked_out(session, now, row)) == [(move["number"], move["name"], move["kind"]) for move in moves[2:]]


def test_what_is_sold_is_never_sent_home(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, by = laid
    chair = booth.pieces["Cane chair"]
    for put in session.scalars(select(SetPiece).where(SetPiece.set_id == booth.draft.id)):
        if put.piece_id == chair.id:
            session.delete(put)
    chair.bound = "sold"
    session.flush()
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    move = next(move for move in plan.value["moves"] if move["name"] == "Cane chair")
    assert (move["kind"], move["to"]) == ("out", FOR_BUYERS)
    assert [one["name"] for one in plan.value["home"]] == []
    planning.finish_reset(session, now + timedelta(days=40), row, by=by)
    assert session.get_one(PieceRow, chair.id).place == "booth", "it waits in the mall for its buyer"


def test_what_to_bring_counts_what_goes_home_and_straps_for_what_may_tip(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    """Forty fragile things of 96 cu in., twelve a box, on a dresser that goes home; a cupboard of 78 by 18 in. that stays."""
    session, booth, by = laid
    out = make_reset(session, now, booth.dealer, booth.space, before=booth.stands, after=None, asked=ASKED, by=by)
    kit = worked_out(session, now, out).value["kit"]
    items = {one["what"]: one["count"] for one in kit["items"]}
    assert (items["boxes"], items["blankets"], items["dollies"]) == (4, 5, 1)
    assert kit["boxes"][0] == ["Box 1 of 4", "china: 12 things", "Goes home", "Fragile"]
    assert "wall straps" not in items
    then = planned(laid, now, replace(ASKED, on_date=date(2026, 12, 3)))
    straps = next(one for one in worked_out(session, now, then).value["kit"]["items"] if one["what"] == "wall straps")
    assert "Tall cupboard" in straps["why"]


def test_the_hours_pack_as_many_boxes_as_what_to_bring_has(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    """Forty fragile things of 96 cu in. are four boxes, three of twelve and one; of the books the boxes alone were counted."""
    session, booth, _ = laid
    make_smalls(session, booth.dealer, "books", 0, on=booth.pieces["Pine table"], boxes=3)
    value = worked_out(session, now, planned(laid, now, replace(ASKED, people=3))).value
    assert {one["what"]: one["count"] for one in value["kit"]["items"]}["boxes"] == 7
    words = [task["words"] for day in value["hours"]["days"] for task in day["tasks"]]
    assert "Carry 4 boxes of china out of the way" in words
    assert "Pack books: 3 boxes" in words


def test_a_piece_let_go_stops_the_plan_until_its_set_is_without_it(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, _ = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    booth.pieces["Cane chair"].gone_on = now.date()
    session.flush()
    assert is_outdated(session, row, plan)
    said = "Cane chair is in the next set, and you have it no more: take it out of that set, or take back that you let it go."
    assert worked_out(session, now, row).value["stopped"] == said


def test_a_lift_that_is_too_high_is_said_in_the_plan_and_shown_beside_the_other_lifts(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    """The chair is lifted from the floor, and then on to a cupboard of 78 in.: hands above 70 in. (NIOSH 94-110)."""
    session, booth, _ = laid
    chair, cupboard = booth.pieces["Cane chair"], booth.pieces["Tall cupboard"]
    put = session.scalars(select(SetPiece).where(SetPiece.set_id == booth.draft.id, SetPiece.piece_id == chair.id)).one()
    put.on_piece_id, put.x_in16, put.y_in16, put.turn_deg = cupboard.id, in16(20), in16(10), 0
    session.flush()
    value = worked_out(session, now, planned(laid, now)).value
    assert [move["hands"]["short"] for move in value["moves"] if move["name"] == "Cane chair"] == ["1 person", "not by hand so"]
    assert "Cane chair is not to be lifted as the next set asks: the hands say why." in value["notes"]


def test_boxes_of_smalls_go_in_the_van_too(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    """Four boxes of china, one column, with the four pieces that go home; the cupboard is higher than the van."""
    session, booth, by = laid
    van = {"width_in16": in16(60), "depth_in16": in16(120), "height_in16": in16(60), "payload_oz": 2000 * 16}
    row = make_reset(
        session, now, booth.dealer, booth.space, before=booth.stands, after=None, asked=replace(ASKED, van=van), by=by
    )
    (out,) = worked_out(session, now, row).value["loads"]
    assert out["direction"] == "out"
    assert [piece for trip in out["trips"] for piece in trip["pieces"]].count("Boxes 1 to 4") == 1


def test_what_its_day_does_not_hold_goes_on_when_the_mall_is_open_again(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    """Closed on Wednesdays: what Tuesday, December 1 does not hold is done on Thursday."""
    session, booth, _ = laid
    week = {weekday: Hours() if weekday == 2 else Hours(10 * 60, 18 * 60) for weekday in range(7)}
    set_week(session, now, booth.mall, date(2026, 11, 3), week)
    short = worked_out(session, now, planned(laid, now, replace(ASKED, people=3, ends_minute=11 * 60 + 30))).value
    assert [day["on"] for day in short["hours"]["days"]] == ["2026-12-01", "2026-12-03"]
    assert not any("closed" in note for note in short["notes"])
    closed = worked_out(session, now, planned(laid, now, replace(ASKED, on_date=date(2026, 12, 2)))).value
    assert closed["notes"][0] == "The mall is closed on Dec 2, 2026: choose another day for the reset, or ask to be let in."


def test_done_the_set_stands_with_its_prices(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, by = laid
    session.add(SetPrice(set_id=booth.draft.id, piece_id=booth.pieces["Pine table"].id, price_cents=180_00))
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    assert plan.value["tags"]["sentence"].startswith("1 tag to write")
    with pytest.raises(Refusal, match="it is done on that day or after"):
        planning.finish_reset(session, now, row, by=by)
    planning.finish_reset(session, now + timedelta(days=40), row, by=by)
    session.refresh(booth.stands)
    assert (row.state, booth.draft.state, booth.stands.state) == ("done", "stands", "stood")
    assert session.get_one(PieceRow, booth.pieces["Pine table"].id).price_cents == 180_00
    with pytest.raises(Refusal, match="This reset is done"):
        planning.drop_reset(session, now, row, by=by)


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"on_date": date(2026, 1, 1)}, "is past"),
    ({"begins_minute": 700, "ends_minute": 600}, "ends before it begins"),
    ({"people": 0}, "At least one person"),
]


@pytest.mark.parametrize(("change", "sentence"), REFUSED)
def test_a_reset_that_cannot_be_is_refused(
    laid: tuple[Session, BoothLaid, By], now: datetime, change: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(Refusal, match=sentence):
        planned(laid, now, replace(ASKED, **change))


def test_a_set_on_an_older_measuring_is_told_to_be_laid_over(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, _ = laid
    measure_booth(session, booth.space, on=date(2026, 11, 10))
    with pytest.raises(Refusal, match="'Autumn' was laid out before booth 12 was measured again on Nov 10, 2026"):
        planned(laid, now)


def test_a_booth_measured_again_after_the_plan_asks_for_its_sets_to_be_laid_over(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    session, booth, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    measure_booth(session, booth.space, rectangle_booth(in16(150), in16(160)), on=date(2026, 11, 10))
    assert is_outdated(session, row, plan)
    for wanted in ("Autumn", "Winter"):
        with pytest.raises(Refusal, match=f"'{wanted}' was laid out before booth 12 was measured again on Nov 10, 2026"):
            planning.plan_again(session, now, row, by=by)
        standing = booth.stands if wanted == "Autumn" else booth.draft
        sets.lay_over(session, now, standing, version=standing.version, user_id=by.user_id)
    planning.plan_again(session, now, row, by=by)
    asked = session.scalars(select(AuditLog).where(AuditLog.action == "plan asked for")).one()
    assert (asked.subject_id, asked.user_id) == (str(row.id), by.user_id)


def test_two_of_one_set_or_none_are_refused(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, by = laid
    with pytest.raises(Refusal, match="chosen for before and after"):
        make_reset(session, now, booth.dealer, booth.space, before=booth.stands, after=booth.stands, asked=ASKED, by=by)
    with pytest.raises(Refusal, match="choose the set that is to stand"):
        make_reset(session, now, booth.dealer, booth.space, before=None, after=None, asked=ASKED, by=by)


def test_a_booth_in_which_a_set_stands_is_not_filled_as_if_it_were_empty(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    session, booth, by = laid
    later = replace(ASKED, on_date=DAY + timedelta(days=2))
    with pytest.raises(Refusal, match="'Autumn' stands in booth 12: choose it as what stands before, or plan to empty it first"):
        make_reset(session, now, booth.dealer, booth.space, before=None, after=booth.draft, asked=later, by=by)
    make_reset(session, now, booth.dealer, booth.space, before=booth.stands, after=None, asked=ASKED, by=by)
    filled = make_reset(session, now, booth.dealer, booth.space, before=None, after=booth.draft, asked=later, by=by)
    assert {move["kind"] for move in worked_out(session, now, filled).value["moves"]} == {"in"}


def test_dropped_and_taken_up_again(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, _, by = laid
    row = planned(laid, now)
    with pytest.raises(Refusal, match="was not dropped"):
        planning.take_up_again(session, now, row, by=by)
    planning.drop_reset(session, now, row, by=by)
    with pytest.raises(Refusal, match="was dropped"):
        planning.change_reset(session, now, row, ASKED, by=by)
    planning.take_up_again(session, now, row, by=by)
    assert row.state == "planned"


def test_what_waits_and_is_wanted_no_more_is_told_to_go_home(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, booth, by = laid
    row = planned(laid, now)
    plan = worked_out(session, now, row)
    staged = next(move for move in plan.value["moves"] if move["kind"] == "stage" and move["how"] != "by hand")
    done = [Tick(move["number"], True, now) for move in plan.value["moves"] if move["number"] <= staged["number"]]
    ticking.take_ticks(session, now, row, plan, done, user_id=by.user_id)
    for put in session.scalars(select(SetPiece).where(SetPiece.set_id == booth.draft.id)):
        if str(put.piece_id) == staged["key"] or str(put.on_piece_id) == staged["key"]:
            session.delete(put)
    session.flush()
    again = worked_out(session, now, row)
    said = f"{staged['name']} waits on the staging floor By the dock and is not in the next set: take it home."
    assert said in again.value["notes"]
    assert is_outdated(session, row, plan)
    assert not is_outdated(session, row, again)


def test_two_resets_of_one_booth_on_one_day_are_refused(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, _, by = laid
    row = planned(laid, now)
    with pytest.raises(Refusal, match="Booth 12 has a reset planned on Dec 1, 2026 already"):
        planned(laid, now)
    other = planned(laid, now, replace(ASKED, on_date=date(2026, 12, 2)))
    with pytest.raises(Refusal, match="already"):
        planning.change_reset(session, now, other, ASKED, by=by)
    planning.change_reset(session, now, row, ASKED, by=by)
    planning.drop_reset(session, now, row, by=by)
    planning.change_reset(session, now, other, ASKED, by=by)
    with pytest.raises(Refusal, match="already"):
        planning.take_up_again(session, now, row, by=by)


def test_other_hours_let_go_what_is_booked(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    session, _, by = laid
    row = planned(laid, now)
    booking.book_places(session, now, row, [booking.Wanted("dock", booking.DOCK, 600, 660)], by=by)
    planning.change_reset(session, now, row, replace(ASKED, note="Bring the ladder."), by=by)
    assert len(booking.places_of(session, row)) == 1
    planning.change_reset(session, now, row, replace(ASKED, begins_minute=630), by=by)
    assert list(booking.places_of(session, row)) == []


def test_a_piece_for_more_hands_than_there_are_is_named_and_the_clock_is_made(
    laid: tuple[Session, BoothLaid, By], now: datetime
) -> None:
    session, booth, _ = laid
    booth.pieces["Oak dresser"].weight_oz = 60 * 16
    session.flush()
    plan = worked_out(session, now, planned(laid, now, replace(ASKED, people=1)))
    assert any(note.startswith("Oak dresser takes ") and "1 at most is there" in note for note in plan.value["notes"])
    assert plan.value["hours"]["stopped"] == ""
    assert plan.value["hours"]["days"]


def test_what_is_found_against_the_next_set_is_said(laid: tuple[Session, BoothLaid, By], now: datetime) -> None:
    """Doors that need twelve feet of floor: the cupboard can be moved there all the same."""
    session, booth, _ = laid
    plan = worked_out(session, now, planned(laid, now))
    assert not any("found against the next set" in note for note in plan.value["notes"])
    booth.pieces["Tall cupboard"].opens_in16 = in16(144)
    session.flush()
    plan = worked_out(session, now, planned(laid, now, replace(ASKED, on_date=date(2026, 12, 4))))
    (note,) = (note for note in plan.value["notes"] if "found against the next set" in note)
    assert note.startswith("One thing is found against the next set as it is laid out: Tall cupboard")
