"""A draft of overflow published, on both databases: what is moved, what it meets meanwhile, long names."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.dealers.models import Member
from coop.floor.planning import set_aisle_width
from coop.overflow.drafting import drop_draft, redraft
from coop.overflow.models import BayRow, BaySurvey, OverflowDraft, OverflowRule, Stay
from coop.overflow.telling import NOTES, reminders
from tests.factories.overflow_drafted import TODAY, Floor
from tests.factories.overflow_floor import lay_piece, lay_rules, lay_stay


@pytest.fixture
def floor(sessions: Sessions, now: datetime) -> Floor:
    return Floor(sessions, now)


def test_what_is_moved_keeps_its_last_day_only_where_its_place_is_free_and_is_told(floor: Floor) -> None:
    """From November 16 on it stands in A2-2, where another has the floor from December 7 on: until the 6th, not the 20th."""
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        for bay in bays.values():
            bay.is_lent = bay.code in ("A1-3", "A2-2")
        chest, other = (lay_piece(session, floor.hall.dealers[code], "Deep chest", (20, 30, 30)) for code in ("V2", "V3"))
        stay = lay_stay(session, chest, bays["A1-3"], TODAY, date(2026, 12, 20), why="Given.")
        lay_stay(session, other, bays["A2-2"], date(2026, 12, 7), date(2026, 12, 13))
        set_aisle_width(session, floor.now, floor.mall(session), "A1", date(2026, 11, 16), 60 * IN16_PER_INCH)
        stay_id = stay.id
    floor.request("V1", "Pine chest")
    floor.publish(floor.drafted())
    with transaction(floor.sessions) as session:
        old = session.get_one(Stay, stay_id)
        new = session.scalars(select(Stay).where(Stay.piece_id == old.piece_id, Stay.id != stay_id)).one()
        assert (old.ends_on, new.starts_on, new.ends_on) == (date(2026, 11, 15), date(2026, 11, 16), date(2026, 12, 6))
        (job,) = [job for job in session.scalars(select(Job).where(Job.kind == "overflow.tell")) if job.args["what"] == "moved"]
        session.get_one(Member, floor.hall.dealers["V2"].member_id).email = "otis@example.org"
        (letter,) = NOTES["moved"](session, job.args)
        assert (
            "It had floor until Dec 20, 2026: for the days after Dec 6, 2026 the new place is not free, so ask the manager, "
            "or ask for floor again."
        ) in letter.note.sentences


@pytest.mark.parametrize("lent", [("A1-3", "A2-2"), ("A1-3",)])
def test_what_a_draft_ends_sooner_than_its_dealer_said_is_looked_for_and_told_of(floor: Floor, lent: tuple[str, ...]) -> None:
    """It was to be gone after December 2; from November 16 on it cannot stand there, and has another place or none."""
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        for bay in bays.values():
            bay.is_lent = bay.code in lent
        chest = lay_piece(session, floor.hall.dealers["V2"], "Deep chest", (20, 30, 30))
        stay = lay_stay(session, chest, bays["A1-3"], TODAY, date(2026, 12, 20), why="Given.")
        stay.ends_on, stay.gone_said_at, stay.gone_said_by = date(2026, 12, 2), floor.now, floor.by.user_id
        set_aisle_width(session, floor.now, floor.mall(session), "A1", date(2026, 11, 16), 60 * IN16_PER_INCH)
        stay_id = stay.id
    floor.request("V1", "Pine chest")
    floor.publish(floor.drafted())
    with transaction(floor.sessions) as session:
        old = session.get_one(Stay, stay_id)
        assert (old.state, old.ends_on, old.is_gone(old.ends_on)) == ("stands", date(2026, 11, 15), False)
        assert (old.gone_said_at, old.gone_said_by) == (None, None)
        assert old.recalled_from == (date(2026, 12, 2) if len(lent) == 1 else None), "the last day it had"
        has_another = session.scalar(select(Stay.id).where(Stay.piece_id == old.piece_id, Stay.id != stay_id)) is not None
        assert has_another == (len(lent) == 2)
        session.get_one(Member, floor.hall.dealers["V2"].member_id).email = "otis@example.org"
        letters = [letter.note.subject for letter in reminders(session, floor.now + timedelta(days=11))]
        assert ("The last day of Deep chest is tomorrow" in letters) == (len(lent) == 1)


def test_what_came_today_and_moves_today_has_not_come_by_its_last_day(floor: Floor) -> None:
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        for bay in bays.values():
            bay.is_lent = bay.code in ("A1-3", "A2-2")
        chest = lay_piece(session, floor.hall.dealers["V2"], "Deep chest", (20, 30, 30))
        stay = lay_stay(session, chest, bays["A1-3"], TODAY - timedelta(days=1), date(2026, 12, 20), why="Given.")
        stay.moved_in_on = TODAY
        stay.recalled_at, stay.recall_why, stay.recalled_from = floor.now, "It is wide", date(2026, 12, 22)
        stay_id = stay.id
    floor.request("V1", "Pine chest", not_before=TODAY)
    draft_id = floor.drafted(first_day=TODAY)
    with transaction(floor.sessions) as session:
        row = session.scalars(select(BaySurvey)).one()
        row.value = {**row.value, "must_move": {str(stay_id): "Deep chest (V2) stands before the exit: move it."}}
        redraft(session, floor.now, session.get_one(OverflowDraft, draft_id), seed=7, by=floor.by)
    floor.work()
    floor.publish(draft_id)
    with transaction(floor.sessions) as session:
        old = session.get_one(Stay, stay_id)
        assert (old.ends_on, old.moved_in_on) == (TODAY - timedelta(days=1), None)
        new = session.scalars(select(Stay).where(Stay.piece_id == old.piece_id, Stay.id != stay_id)).one()
        assert (new.recalled_at, new.recall_why, new.recalled_from) == (floor.now, "It is wide", date(2026, 12, 22))


def test_what_is_in_the_way_now_is_moved_with_the_reason_and_not_to_wait(floor: Floor) -> None:
    """The draft begins on November 9, and it stands before an exit today."""
    said = "Deep chest (V2) stands before the exit, which must stay free: move it."
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        for bay in bays.values():
            bay.is_lent = bay.code in ("A1-3", "A2-2")
        chest = lay_piece(session, floor.hall.dealers["V2"], "Deep chest", (20, 30, 30))
        stay_id = lay_stay(session, chest, bays["A1-3"], TODAY, date(2026, 12, 20), why="Given.").id
    floor.request("V1", "Pine chest")
    draft_id = floor.drafted()
    with transaction(floor.sessions) as session:
        row = session.scalars(select(BaySurvey)).one()
        row.value = {**row.value, "must_move": {str(stay_id): said}}
        redraft(session, floor.now, session.get_one(OverflowDraft, draft_id), seed=7, by=floor.by)
    floor.work()
    floor.publish(draft_id)
    with transaction(floor.sessions) as session:
        (job,) = [job for job in session.scalars(select(Job).where(Job.kind == "overflow.tell")) if job.args["what"] == "moved"]
        session.get_one(Member, floor.hall.dealers["V2"].member_id).email = "otis@example.org"
        (letter,) = NOTES["moved"](session, job.args)
        assert letter.note.sentences[1:4] == (
            f"Why: {said}",
            "Move it on Nov 9, 2026.",
            "What is in the way is not to wait until then: put it aside today, or ask the manager where it may stand.",
        )


def test_a_period_in_which_the_rules_change_is_not_drafted_and_not_published(floor: Floor) -> None:
    """No glass from November 30 on: a draft to the 29th, or from the 30th. A fee from the 23rd on bars nothing."""
    request = floor.request("V1", "Pine chest", weeks=2)
    draft_id = floor.drafted()
    said = "The house rules change on Nov 30, 2026: let the draft end before that day, or begin on it."
    with transaction(floor.sessions) as session:
        lay_rules(session, floor.mall(session), date(2026, 11, 23), fee_kind="piece-week", fee_cents=5_00)
        glass = lay_rules(
            session, floor.mall(session), date(2026, 11, 30), fee_kind="piece-week", fee_cents=5_00, glass="nowhere"
        )
        glass_id = glass.id
    with pytest.raises(Refusal) as caught:
        floor.publish(draft_id)
    assert str(caught.value) == said
    with transaction(floor.sessions) as session:
        drop_draft(session, floor.now, session.get_one(OverflowDraft, draft_id), by=floor.by)
    with pytest.raises(Refusal, match="The house rules change on Nov 30, 2026"):
        floor.ask()
    shorter = floor.drafted(weeks=3)
    with transaction(floor.sessions) as session:
        session.delete(session.get_one(OverflowRule, glass_id))
    assert [one["request"] for one in floor.outcome(shorter)["placements"]] == [request]
    assert floor.publish(shorter) == 1


def test_who_was_in_a_bay_in_one_period_is_not_in_it_in_the_next(floor: Floor) -> None:
    """One bay is lent, and nobody is in it for more than three weeks of any 52: V1 had them, V2 has them next."""
    with transaction(floor.sessions) as session:
        lay_rules(session, floor.mall(session), TODAY, rotation_weeks=3, longest_weeks=3)
        for bay in session.scalars(select(BayRow)):
            bay.is_lent = bay.code == "A1-1"
    first = floor.request("V1", "Pine chest", weeks=3, size=(50, 18, 30))
    assert floor.publish(floor.drafted(weeks=3)) == 1
    again = floor.request("V1", "Oak chest", weeks=3, size=(50, 18, 30))
    second = floor.request("V2", "Wash stand", weeks=3, size=(50, 18, 30), asked_on=TODAY)
    outcome = floor.outcome(floor.drafted(weeks=3, first_day=date(2026, 11, 30)))
    assert [one["request"] for one in outcome["placements"]] == [second]
    said = {one["request"]: one["sentence"] for one in outcome["answers"]}
    assert first not in said
    assert "3 weeks of a period and the 52 before it, and with this you would be in bay A1-1 for 6;" in said[again]


def test_a_sold_piece_that_waits_counts_for_its_dealers_limits(floor: Floor) -> None:
    """Six of a dealer's eight feet are taken until November 20, in the second week: a chest of 3 ft comes in the third."""
    with transaction(floor.sessions) as session:
        bay = session.scalars(select(BayRow).where(BayRow.code == "A2-2")).one()
        sold = lay_piece(session, floor.hall.dealers["V2"], "Long table", (72, 20, 30))
        lay_stay(session, sold, bay, TODAY, date(2026, 11, 20), kind="sold")
    floor.request("V2", "Pine chest", weeks=2, flexible_weeks=2)
    (placed,) = floor.outcome(floor.drafted())["placements"]
    assert (placed["starts_on"], placed["ends_on"]) == ("2026-11-23", "2026-12-06")
