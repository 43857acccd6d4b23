"""A period of overflow drafted, from rows to stays and answers, on both databases; stopped, dropped, published; what bars it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.floor.planning import set_aisle_width
from coop.leases.models import Lease
from coop.overflow import drafting
from coop.overflow.domain.facts import PeriodFacts, Widened
from coop.overflow.domain.posing import Posed, pose
from coop.overflow.drafting import (
    ask_draft,
    draft_of,
    drop_draft,
    is_drafted_now,
    last_dropped,
    redraft,
    said_outcome,
    stop_draft,
    take_up_draft,
)
from coop.overflow.models import BayRow, OverflowAnswer, OverflowDraft, OverflowPiece, OverflowRequest, Stay
from coop.overflow.period import facts_of, read_period
from coop.overflow.publishing import publish
from tests.factories.overflow_drafted import FIRST, TODAY, Floor
from tests.factories.overflow_floor import lay_piece, lay_stay


@pytest.fixture
def floor(sessions: Sessions, now: datetime) -> Floor:
    return Floor(sessions, now)


def test_a_draft_goes_from_rows_to_stays_and_answers(sessions: Sessions, now: datetime) -> None:
    """Bays are worked out first. Two chests fit, a wardrobe of 20 ft fits nowhere, and what is asked for later is not told."""
    floor = Floor(sessions, now, surveyed=False)
    first = floor.request("V1", "Pine chest", "Oak bench")
    wide = floor.request("V2", "Long counter", size=(239, 24, 36))
    later = floor.request("V3", "Cane chair", not_before=date(2027, 2, 1))
    draft_id = floor.ask()
    assert floor.work() == [("overflow.survey", "done"), ("overflow.draft", "done")]
    outcome = floor.outcome(draft_id)
    assert [(one["request"], one["answer"]) for one in outcome["answers"]] == [(first, "granted"), (wide, "refused")]
    assert outcome["later"] == [later]
    assert outcome["taken_out"] == []
    assert [tier["name"] for tier in outcome["tiers"]] == ["standing", "fairness", "waiting", "distance", "tones", "money"]
    assert {(one["starts_on"], one["ends_on"]) for one in outcome["placements"]} == {("2026-11-09", "2026-12-06")}
    assert said_outcome(outcome)[0] == "1 of 2 requests granted, 1 goes on waiting and 1 not of this period yet."

    assert floor.publish(draft_id) == 2
    with transaction(floor.sessions) as session:
        assert session.get_one(OverflowDraft, draft_id).state == "published"
        stays = session.execute(select(Stay, OverflowPiece.name).join(OverflowPiece).order_by(Stay.id)).all()
        assert [(name, stay.kind, stay.starts_on, stay.ends_on, stay.granted_until) for stay, name in stays] == [
            (name, "asked", FIRST, date(2026, 12, 6), date(2026, 12, 6)) for name in ("Pine chest", "Oak bench")
        ]
        assert all("bay A" in stay.why for stay, _ in stays)
        states = {row.id: row.state for row in session.scalars(select(OverflowRequest))}
        assert states == {first: "granted", wide: "waiting", later: "waiting"}
        answers = session.scalars(select(OverflowAnswer).order_by(OverflowAnswer.id)).all()
        assert [(one.request_id, one.draft_id, one.answer) for one in answers] == [
            (first, draft_id, "granted"),
            (wide, draft_id, "refused"),
        ]
        told = session.scalars(select(Job.args).where(Job.kind == "overflow.tell").order_by(Job.id)).all()
        assert [args["answer"] for args in told] == [one.id for one in answers]


def test_the_same_seed_gives_the_same_draft_and_another_draft_keeps_what_stands(floor: Floor) -> None:
    for code in floor.hall.dealers:
        floor.request(code, f"Chest of {code}", weeks=3, flexible_weeks=1)
    draft_id = floor.drafted()
    before = floor.outcome(draft_id)
    with transaction(floor.sessions) as session:
        redraft(session, floor.now, session.get_one(OverflowDraft, draft_id), seconds=5, seed=7, by=floor.by)
    assert floor.work() == [("overflow.draft", "done")]
    again = floor.outcome(draft_id)
    assert {**again, "milliseconds": 0} == {**before, "milliseconds": 0}
    assert len(before["placements"]) == 6

    floor.publish(draft_id)
    late = floor.request("V1", "Wash stand", weeks=2)
    second = floor.drafted()
    assert [one["request"] for one in floor.outcome(second)["placements"]] == [late]
    assert floor.publish(second) == 1


def test_facts_changed_since_bar_publishing_until_it_is_drafted_again(floor: Floor) -> None:
    floor.request("V1", "Pine chest")
    draft_id = floor.drafted()
    other = floor.request("V2", "Oak bench")
    with pytest.raises(Refusal, match="Something has changed since this draft was worked out: draft it again"):
        floor.publish(draft_id)
    with transaction(floor.sessions) as session:
        assert session.scalars(select(Stay)).all() == []
        redraft(session, floor.now, session.get_one(OverflowDraft, draft_id), seconds=5, seed=7, by=floor.by)
    floor.work()
    assert other in [one["request"] for one in floor.outcome(draft_id)["placements"]]
    assert floor.publish(draft_id) == 2
    with pytest.raises(Refusal, match="is published: ask for another"):
        floor.publish(draft_id)


def test_what_cannot_be_drafted_is_refused_in_a_sentence(floor: Floor) -> None:
    def refused(**more: Any) -> str:
        with pytest.raises(Refusal) as caught:
            floor.ask(**more)
        return str(caught.value)

    assert refused() == "Nobody waits for floor at Lantern Yard Antiques Hall: there is nothing to draft."
    floor.request("V1", "Pine chest")
    assert refused(first_day=date(2026, 11, 2)) == "The first day, Nov 2, 2026, is past: choose Nov 3, 2026 or a later one."
    assert refused(first_day=date(2027, 11, 4)).endswith("is far off: choose Nov 3, 2027 or an earlier one.")
    assert refused(weeks=53) == "The weeks are 53: write 1 to 52."
    assert refused(seconds=0) == "The seconds are 0: write 1 to 600."
    assert refused(seed=-1) == "The seed is -1: write 0 to 2147483647."
    draft_id = floor.drafted()
    assert refused() == "A draft of Nov 9 to Dec 6, 2026 is there already: publish it, or drop it and draft again."
    with transaction(floor.sessions) as session:
        drop_draft(session, floor.now, session.get_one(OverflowDraft, draft_id), by=floor.by)
        assert draft_of(session, floor.mall_id) is None
    with pytest.raises(Refusal, match="is dropped: ask for another"):
        floor.publish(draft_id)
    with transaction(floor.sessions) as session:
        for bay in session.scalars(select(BayRow)):
            bay.is_lent = False
    assert refused().startswith("No bay is lent at Lantern Yard Antiques Hall. ")


def test_a_draft_that_was_dropped_is_taken_up_again_as_it_was(floor: Floor) -> None:
    """While no other waits: published where nothing has changed, drafted again where something has."""
    floor.request("V1", "Pine chest")
    draft_id = floor.drafted()
    before = floor.outcome(draft_id)

    def row_done(act: Callable[..., None]) -> None:
        with transaction(floor.sessions) as session:
            act(session, floor.now, session.get_one(OverflowDraft, draft_id), by=floor.by)

    row_done(drop_draft)
    with transaction(floor.sessions) as session:
        found = last_dropped(session, floor.mall_id, TODAY)
        assert found is not None
        assert found.id == draft_id
        assert last_dropped(session, floor.mall_id, FIRST + timedelta(days=1)) is None
    other = floor.ask()
    with pytest.raises(Refusal, match="A draft of Nov 9 to Dec 6, 2026 is there already"):
        row_done(take_up_draft)
    floor.work()
    with transaction(floor.sessions) as session:
        assert last_dropped(session, floor.mall_id, TODAY) is None, "another is newer"
        drop_draft(session, floor.now, session.get_one(OverflowDraft, other), by=floor.by)
    row_done(take_up_draft)
    row_done(take_up_draft)
    assert floor.outcome(draft_id) == before
    floor.request("V2", "Oak bench")
    with pytest.raises(Refusal, match="Something has changed since this draft was worked out"):
        floor.publish(draft_id)
    row_done(drop_draft)
    row_done(take_up_draft)
    row_done(lambda session, now, row, by: redraft(session, now, row, seconds=5, seed=7, by=by))
    floor.work()
    assert floor.publish(draft_id) == 2
    with pytest.raises(Refusal, match="is published: only one that was dropped is taken up again"):
        row_done(take_up_draft)


def test_a_draft_whose_first_day_is_past_is_not_taken_up_again(floor: Floor) -> None:
    floor.request("V1", "Pine chest")
    draft_id = floor.drafted()
    with transaction(floor.sessions) as session:
        row = session.get_one(OverflowDraft, draft_id)
        drop_draft(session, floor.now, row, by=floor.by)
        with pytest.raises(Refusal, match="The first day, Nov 9, 2026, is past"):
            take_up_draft(session, floor.now + timedelta(days=7), row, by=floor.by)


def test_a_draft_that_is_stopped_before_it_begins_leaves_nothing(floor: Floor) -> None:
    floor.request("V1", "Pine chest")
    draft_id = floor.ask()
    with transaction(floor.sessions) as session:
        row = session.get_one(OverflowDraft, draft_id)
        assert is_drafted_now(session, row)
        with pytest.raises(Refusal, match="is being worked out: wait for it, or stop it"):
            redraft(session, floor.now, row, by=floor.by)
        stop_draft(session, floor.now, row, by=floor.by)
        last = session.scalars(select(AuditLog).order_by(AuditLog.id.desc()).limit(1)).one()
        assert (last.action, last.subject_id, last.user_id) == ("draft asked to stop", str(draft_id), floor.by.user_id)
    assert floor.work()[-1] == ("overflow.draft", "done")
    with transaction(floor.sessions) as session:
        row = session.get_one(OverflowDraft, draft_id)
        assert row.outcome is None
        with pytest.raises(Refusal, match="is not being worked out"):
            stop_draft(session, floor.now, row, by=floor.by)
        with pytest.raises(Refusal, match="is not worked out: draft it again"):
            publish(session, floor.now, row, by=floor.by)


def test_a_search_that_is_stopped_ends_with_the_best_it_has(floor: Floor, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is stopped when the period has been read and nothing is searched yet: how quick a search is does not matter."""
    for number in range(40):
        size = (24 + number % 7 * 3, 18 + number % 3 * 4, 30)
        floor.request(f"V{1 + number % 6}", f"Chest {number}", size=size, weeks=2 + number % 4, flexible_weeks=3)
    draft_id = floor.ask(weeks=8, seconds=600, seed=None)

    def stop_and_pose(facts: PeriodFacts) -> Posed:
        with transaction(floor.sessions) as session:
            stop_draft(session, floor.now, session.get_one(OverflowDraft, draft_id), by=floor.by)
        return pose(facts)

    monkeypatch.setattr(drafting, "pose", stop_and_pose)
    assert floor.work() == [("overflow.draft", "done")]
    with transaction(floor.sessions) as session:
        row = session.get_one(OverflowDraft, draft_id)
        assert session.get_one(Job, row.job_id).progress_total == 600
    outcome = floor.outcome(draft_id)
    assert outcome["stopped"]
    assert outcome["taken_out"] == [], "bays leave every way clear however they are filled"
    assert "It was stopped before its time: a longer search may find better." in said_outcome(outcome)
    assert floor.publish(draft_id) == len(outcome["placements"]) > 0


def test_bays_that_changed_meanwhile_are_worked_out_before_a_draft_goes_on(floor: Floor) -> None:
    floor.request("V1", "Pine chest")
    floor.drafted()

    def widen(kind: str) -> None:
        if kind == "overflow.draft":
            with transaction(floor.sessions) as session:
                set_aisle_width(session, floor.now, floor.mall(session), "A1", TODAY, 50 * IN16_PER_INCH)

    with transaction(floor.sessions) as session:
        redraft(session, floor.now, session.scalars(select(OverflowDraft)).one(), seconds=5, seed=7, by=floor.by)
    assert floor.work(widen) == [("overflow.draft", "Bays are worked out first."), ("overflow.survey", "done")]
    floor.now += timedelta(minutes=1)
    assert floor.work() == [("overflow.draft", "done")]


def test_bays_that_could_not_be_worked_out_fail_the_draft_with_the_reason(floor: Floor) -> None:
    floor.request("V1", "Pine chest")
    with transaction(floor.sessions) as session:
        set_aisle_width(session, floor.now, floor.mall(session), "A1", TODAY, 50 * IN16_PER_INCH)
        draft_id = ask_draft(session, floor.now, floor.mall(session), first_day=FIRST, by=floor.by).id
        surveys = session.scalars(select(Job).where(Job.kind == "overflow.survey")).all()
        for job in surveys:
            job.state, job.error = "failed", "out of memory"
        assert surveys
    assert floor.work() == [
        (
            "overflow.draft",
            "The bays of Lantern Yard Antiques Hall could not be worked out (out of memory): ask for them again, then draft.",
        )
    ]
    with transaction(floor.sessions) as session:
        row = session.get_one(OverflowDraft, draft_id)
        assert (row.outcome, is_drafted_now(session, row)) == (None, False)


def test_a_width_raised_within_the_period_leaves_less_of_a_bay_and_moves_what_stands_too_deep(floor: Floor) -> None:
    """Before booth 22 a bay is 50 in. long and 35 in. deep. From November 23 aisle A1 keeps 60 in., and so does the booth's
    opening: 42 in. and 24 in. are left of it.

    A chest of 30 in. that stands there goes elsewhere from then on; another 30 in. deep for four weeks is not placed there.
    """
    with transaction(floor.sessions) as session:
        bay = session.scalars(select(BayRow).where(BayRow.code == "A1-3")).one()
        assert (bay.length_in16, bay.depth_in16) == (50 * IN16_PER_INCH, 35 * IN16_PER_INCH)
        piece = lay_piece(session, floor.hall.dealers["V2"], "Deep chest", (20, 30, 30))
        stay_id = lay_stay(session, piece, bay, TODAY, date(2026, 12, 20)).id
        set_aisle_width(session, floor.now, floor.mall(session), "A1", date(2026, 11, 23), 60 * IN16_PER_INCH)
    floor.request("V3", "Deep press", size=(24, 30, 30))
    with transaction(floor.sessions) as session:
        facts = facts_of(read_period(session, floor.mall(session), FIRST, 4, TODAY))
    room = facts.bays["A1-3"]
    assert [depth // IN16_PER_INCH for depth in room.depth_by_week] == [35, 35, 24, 24]
    assert {(each.to_in16 - each.from_in16, each.first, each.last) for each in room.closed} == {(8 * IN16_PER_INCH, 2, 3)}
    wider = Widened("A1", 60 * IN16_PER_INCH, date(2026, 11, 23))
    assert room.widened == (None, None, wider, wider)
    assert {each.because for each in room.closed} == {wider}
    parts = [(one.starts_on, one.ends_on, one.must_move) for one in facts.standing]
    assert parts == [(TODAY, date(2026, 11, 22), False), (date(2026, 11, 23), date(2026, 12, 20), True)]

    draft_id = floor.drafted()
    outcome = floor.outcome(draft_id)
    (moved,) = [one for one in outcome["placements"] if one["stay"]]
    assert (moved["stay"], moved["starts_on"], moved["ends_on"]) == (stay_id, "2026-11-23", "2026-12-06")
    assert {f"A1-{number}" for number in range(2, 9)}.isdisjoint(one["bay"] for one in outcome["placements"])
    floor.publish(draft_id)
    with transaction(floor.sessions) as session:
        old = session.get_one(Stay, stay_id)
        assert (old.state, old.ends_on) == ("stands", date(2026, 11, 22))
        new = session.scalars(select(Stay).where(Stay.piece_id == old.piece_id, Stay.id != stay_id)).one()
        assert (new.starts_on, new.ends_on, new.granted_until) == (date(2026, 11, 23), date(2026, 12, 20), date(2026, 12, 20))
        assert "; it had floor until Dec 20, 2026, and keeps it so long if that place is free; " in new.why
        told = [args for args in session.scalars(select(Job.args).where(Job.kind == "overflow.tell")) if args["what"] == "moved"]
        assert [(args["stay"], args["before"], "had" in args) for args in told] == [(new.id, "A1-3", False)]


def test_what_must_move_and_has_no_place_goes_and_what_has_not_come_waits_again(floor: Floor) -> None:
    """Only one bay is 48 in. deep. From November 16 it has 42 in.

    A chest of 45 in. in it goes on the 15th; another that was to come on the 23rd waits again.
    """
    late = floor.request("V3", "Late press", size=(20, 45, 30), state="granted")
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        chest = lay_piece(session, floor.hall.dealers["V2"], "Deep chest", (20, 45, 30))
        stay_id = lay_stay(session, chest, bays["A1-1"], TODAY, date(2026, 12, 20)).id
        press = session.scalars(select(OverflowPiece).where(OverflowPiece.request_id == late)).one()
        later_id = lay_stay(session, press, bays["A1-1"], date(2026, 11, 23), date(2026, 12, 20), at=40).id
        set_aisle_width(session, floor.now, floor.mall(session), "A1", date(2026, 11, 16), 60 * IN16_PER_INCH)
    floor.request("V1", "Pine chest")
    draft_id = floor.drafted()
    outcome = floor.outcome(draft_id)
    assert [(one["stay"], one["from"], one["placed"]) for one in outcome["moves"]] == [
        (stay_id, "2026-11-16", False),
        (later_id, "2026-11-23", False),
    ]
    said = (
        "V2: Deep chest cannot stay where it stands, as aisle A1 must keep 5' 0\" clear from Nov 16, 2026 on, and no bay has "
        "floor for it: take it home, or ask the manager."
    )
    assert said in said_outcome(outcome)
    assert floor.publish(draft_id) == 1
    with transaction(floor.sessions) as session:
        stay, later = session.get_one(Stay, stay_id), session.get_one(Stay, later_id)
        assert (stay.state, stay.ends_on, stay.recalled_at) == ("stands", date(2026, 11, 15), floor.now)
        assert (later.state, session.get_one(OverflowRequest, late).state) == ("cancelled", "waiting")
        told = session.scalars(select(OverflowAnswer).where(OverflowAnswer.request_id == late)).one()
        assert (told.answer, told.sentence[:40]) == ("refused", "Late press cannot stay where it stands, ")
        asked_back = [
            args["stay"] for args in session.scalars(select(Job.args).where(Job.kind == "overflow.tell")) if "stay" in args
        ]
        assert asked_back == [stay_id]


def test_a_width_that_begins_within_the_period_is_told_to_who_gets_nothing_for_it(floor: Floor) -> None:
    """A press 45 in. deep fits bay A1-1 alone, until aisle A1 keeps 60 in. from November 20 on."""
    with transaction(floor.sessions) as session:
        for bay in session.scalars(select(BayRow)):
            bay.is_lent = bay.code == "A1-1"
        for day in (date(2026, 11, 20), date(2026, 12, 1)):
            set_aisle_width(session, floor.now, floor.mall(session), "A1", day, 60 * IN16_PER_INCH)
    floor.request("V3", "Deep press", size=(45, 45, 30))
    (said,) = floor.outcome(floor.drafted())["answers"]
    assert (said["answer"], said["sentence"]) == (
        "refused",
        "Deep press gets no floor for 4 weeks from Nov 9, 2026: bay A1-1 would do until Nov 19, 2026, but from Nov 20, 2026 on "
        "aisle A1 must keep 5' 0\" clear; for 1 week there would be room in bay A1-1 from Nov 9, 2026; the request goes on "
        "waiting, and counts as having waited longer.",
    )


def test_a_sold_piece_that_nobody_fetched_bars_its_floor_until_somebody_says_that_it_is_gone(floor: Floor) -> None:
    """It was to be gone by November 1, and leaves 10 in. of the only bay that is lent."""
    with transaction(floor.sessions) as session:
        bays = {bay.code: bay for bay in session.scalars(select(BayRow))}
        for bay in bays.values():
            bay.is_lent = bay.code == "A2-2"
        bay = bays["A2-2"]
        length = bay.length_in16 // IN16_PER_INCH
        sold = lay_piece(session, floor.hall.dealers["V2"], "Pine bench", (length - 30, 18, 30))
        stay_id = lay_stay(session, sold, bay, date(2026, 10, 20), date(2026, 11, 1), at=20, kind="sold").id
    floor.request("V1", "Oak chest")
    draft_id = floor.drafted()
    outcome = floor.outcome(draft_id)
    (said,) = outcome["answers"]
    assert (said["answer"], outcome["placements"]) == ("refused", [])
    assert "as a sold piece that was to be fetched by Nov 1, 2026 still stands in bay A2-2; " in said["sentence"]
    assert said_outcome(outcome)[-1] == (
        "Pine bench of V2 is sold, was to be fetched by Nov 1, 2026, and may stand in bay A2-2 still: its floor is given to "
        "nobody until somebody says that it was fetched."
    )
    with transaction(floor.sessions) as session:
        session.get_one(Stay, stay_id).gone_said_at = floor.now
    with pytest.raises(Refusal, match="Something has changed since this draft was worked out"):
        floor.publish(draft_id)
    with transaction(floor.sessions) as session:
        redraft(session, floor.now, session.get_one(OverflowDraft, draft_id), seconds=5, seed=7, by=floor.by)
    floor.work()
    outcome = floor.outcome(draft_id)
    assert ([one["bay"] for one in outcome["placements"]], outcome["unfetched"]) == (["A2-2"], [])


def test_a_sold_piece_that_nobody_fetched_is_not_moved_by_a_draft(floor: Floor) -> None:
    """From November 23 aisle A1 keeps 60 in.: what has floor and is too deep is moved, what has none any more is not."""
    with transaction(floor.sessions) as session:
        bay = session.scalars(select(BayRow).where(BayRow.code == "A1-3")).one()
        piece = lay_piece(session, floor.hall.dealers["V2"], "Deep chest", (20, 30, 30))
        lay_stay(session, piece, bay, date(2026, 10, 20), date(2026, 11, 1), kind="sold")
        set_aisle_width(session, floor.now, floor.mall(session), "A1", date(2026, 11, 23), 60 * IN16_PER_INCH)
        facts = facts_of(read_period(session, floor.mall(session), FIRST, 4, TODAY))
    assert [(one.must_move, one.ends_on, one.was_due) for one in facts.standing] == [
        (False, date(2026, 12, 6), date(2026, 11, 1))
    ]


def test_floor_is_asked_for_no_longer_than_a_lease_runs(floor: Floor) -> None:
    """V1's lease ends on November 24: two whole weeks of four. V2's ends on November 10: not a week."""
    short, none = floor.request("V1", "Pine chest"), floor.request("V2", "Oak bench")
    with transaction(floor.sessions) as session:
        for code, ends_on in (("V1", date(2026, 11, 24)), ("V2", date(2026, 11, 10))):
            dealer_id = floor.hall.dealers[code].id
            session.scalars(select(Lease).where(Lease.dealer_id == dealer_id)).one().ends_on = ends_on
    outcome = floor.outcome(floor.drafted())
    assert [(one["ends_on"]) for one in outcome["placements"]] == ["2026-11-22"]
    said = {one["request"]: one for one in outcome["answers"]}
    assert said[short]["answer"] == "partly"
    assert said[short]["sentence"].endswith("It was taken for no longer than the lease, which ends on Nov 24, 2026.")
    assert (said[none]["answer"], said[none]["sentence"][:38]) == ("refused", "Floor is lent under a lease only, and ")
