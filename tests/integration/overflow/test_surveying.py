"""A mall's bays surveyed on both databases: kept, cut anew, gone; what goes over and what must move; asked for, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from threading import Barrier, Thread

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.core import schedule
from coop.core.db import Sessions, transaction
from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.core.jobs import KINDS, Job, JobRun, LeaseLost, claim_job, claim_next, name_job, run_job
from coop.floor.domain.draft import PartDraft, PlanDraft
from coop.floor.models import Mall
from coop.floor.planning import rename_space, retire_space, save_plan, set_aisle_width
from coop.floor.queries import draft_of, find_space, plan_version
from coop.leases.editing import By
from coop.overflow.bay_editing import edit_bay
from coop.overflow.models import BayRow, BaySurvey, Stay
from coop.overflow.openings import set_openings
from coop.overflow.survey_asking import group_of, plan_changed
from coop.overflow.surveying import (
    DAILY,
    KIND,
    SurveyFacts,
    ask_survey,
    keep_survey,
    made_of,
    read_ground,
    survey,
    survey_of,
)
from tests.factories.house import add_person
from tests.factories.overflow_floor import lay_piece, lay_rules, lay_stay
from tests.factories.overflow_hall import build_overflow_hall, feet
from tests.factories.people import make_coop, make_mall

TODAY, LATER = date(2026, 11, 3), date(2026, 12, 1)
LEASE = timedelta(seconds=60)
INCH = IN16_PER_INCH


class Floor:
    """The hall of 44 in. required, with house rules, in one database."""

    def __init__(self, sessions: Sessions, now: datetime) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            make_coop(session, now)
            self.hall = build_overflow_hall(session, now, make_mall(session, now))
            self.mall_id = self.hall.mall.id
            lay_rules(session, self.hall.mall)
            member = self.hall.dealers["V1"].member_id
            self.by = By(add_person(session, now, "vera@example.org", ("dealer",), member))

    def at(self, day: date) -> datetime:
        return datetime(day.year, day.month, day.day, 15, tzinfo=UTC)

    def mall(self, session: Session) -> Mall:
        return session.get_one(Mall, self.mall_id)

    def ask(self, day: date = TODAY) -> None:
        with transaction(self.sessions) as session:
            ask_survey(session, self.at(day), self.mall(session))

    def work(self, day: date = TODAY) -> int:
        """Do what surveys wait; how many."""
        for count in range(9):
            with transaction(self.sessions) as session:
                claimed = claim_next(session, self.at(day), LEASE, group_key=group_of(self.mall_id))
            if claimed is None:
                return count
            run_job(self.sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: self.at(day))
        raise AssertionError("surveys ask for one another for ever")

    def survey(self, day: date = TODAY) -> SurveyFacts:
        self.ask(day)
        assert self.work(day) == 1
        return self.found(day)

    def found(self, day: date = TODAY) -> SurveyFacts:
        with transaction(self.sessions) as session:
            found = survey_of(session, self.mall(session), day)
        assert found is not None
        return found

    def bays(self, *, ended: bool = False) -> dict[str, BayRow]:
        with transaction(self.sessions) as session:
            rows = session.scalars(select(BayRow).where(BayRow.ended_on.is_not(None) if ended else BayRow.ended_on.is_(None)))
            return {row.code: row for row in rows}

    def stay(
        self,
        code: str,
        inches: tuple[int, int] = (30, 20),
        *,
        at: int = 0,
        first: date = TODAY,
        last: date = date(2027, 1, 10),
        dealer: str = "V1",
    ) -> int:
        """A piece so wide and so deep in a bay; the id of its stay."""
        with transaction(self.sessions) as session:
            bay = session.scalars(select(BayRow).where(BayRow.code == code, BayRow.ended_on.is_(None))).one()
            piece = lay_piece(session, self.hall.dealers[dealer], "Oak chest", (*inches, 30))
            return lay_stay(session, piece, bay, first, last, at=at).id

    def stays_in(self, stay_id: int) -> tuple[BayRow, Stay]:
        with transaction(self.sessions) as session:
            stay = session.get_one(Stay, stay_id)
            return session.get_one(BayRow, stay.bay_id), stay

    def widen(self, aisle: str, inches: int, since: date) -> None:
        with transaction(self.sessions) as session:
            set_aisle_width(session, self.now, self.mall(session), aisle, since, inches * INCH, said_by="fire marshal")

    def change_plan(self, *more: PartDraft, without: Sequence[str] = ()) -> None:
        with transaction(self.sessions) as session:
            self.save(session, *more, without=without)

    def save(self, session: Session, *more: PartDraft, without: Sequence[str] = ()) -> None:
        mall = self.mall(session)
        draft: PlanDraft | None = draft_of(session, mall, TODAY)
        assert draft is not None
        parts = (*(part for part in draft.parts if part.code not in without), *more)
        save_plan(session, self.now, mall, replace(draft, parts=parts), version=plan_version(session, mall.id))


@pytest.fixture
def floor(sessions: Sessions, now: datetime) -> Floor:
    return Floor(sessions, now)


# --- bays -------------------------------------------------------------------------------------------------------------------


def test_bays_are_written_once_and_stay_the_same_rows(floor: Floor) -> None:
    """84 in. less 44 are 40: the cap of 35 in. before booths (403.5.2), and 48 in. of floor at the west wall."""
    first = floor.survey()
    bays = floor.bays()
    assert [aisle.code for aisle in first.aisles] == ["A1", "A2"]
    assert first.aisles[0].sentence.startswith("Aisle A1 has 8 bays")
    assert (bays["A1-2"].depth_in16, bays["A1-2"].backing, bays["A1-2"].before) == (35 * INCH, "booth", "21")
    assert {(row.is_lent, row.starts_on) for row in bays.values()} == {(True, TODAY)}
    assert first.is_current
    assert (first.is_under_way, first.failed, first.note, first.must_move) == (False, "", "", {})

    floor.change_plan(PartDraft("P1", "post", feet(56, 3, 0.5, 0.5)))
    assert not floor.found().is_current
    again = floor.survey(LATER)
    assert {code: row.id for code, row in floor.bays().items()} == {code: row.id for code, row in bays.items()}
    assert floor.bays(ended=True) == {}
    assert again.is_current
    assert again.made_at == floor.at(LATER)


def test_a_mall_without_a_plan_is_told_to_draw_it(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        assert survey_of(session, mall, TODAY) is None
        ask_survey(session, now, mall)
        job_id = session.scalars(select(Job.id)).one()
    run_job(sessions, job_id, lease=LEASE, clock=lambda: now)
    with transaction(sessions) as session:
        found = survey_of(session, mall, TODAY)
        assert found is not None
        assert found.note == "Lantern Yard Antiques Hall has no plan yet. Draw the plan first: bays come from its aisles."
        assert found.is_current


def test_an_aisle_too_narrow_says_so_and_its_bays_end(floor: Floor) -> None:
    floor.survey()
    floor.widen("A1", 96, TODAY)
    found = floor.survey()
    assert found.aisles[0].sentence == "Aisle A1 is already narrower than it must be: 7' 0\" of 8' 0\" are clear."
    assert {row.aisle for row in floor.bays().values()} == {"A2"}
    assert {(row.aisle, row.ended_on) for row in floor.bays(ended=True).values()} == {("A1", TODAY)}


def test_bays_that_may_be_again_have_their_codes_again(floor: Floor) -> None:
    floor.survey()
    old = floor.bays()
    floor.widen("A1", 96, TODAY)
    floor.survey()
    floor.widen("A1", 44, LATER)
    floor.survey(LATER)
    assert {code: row.corners_in16 for code, row in floor.bays().items()} == {code: row.corners_in16 for code, row in old.items()}
    assert floor.bays()["A1-2"].starts_on == LATER


def test_bays_grow_with_their_aisle_when_nothing_stands_in_them(floor: Floor) -> None:
    floor.widen("A1", 60, TODAY)
    floor.survey()
    assert {row.depth_in16 for row in floor.bays().values() if row.before} == {24 * INCH}
    floor.widen("A1", 44, LATER)
    floor.survey(LATER)
    assert {row.depth_in16 for row in floor.bays().values() if row.before} == {35 * INCH}


def test_a_bay_cut_anew_keeps_its_code_its_colours_its_note_and_whether_it_is_lent(floor: Floor) -> None:
    floor.survey()
    with transaction(floor.sessions) as session:
        row = session.scalars(select(BayRow).where(BayRow.code == "A1-2")).one()
        edit_bay(session, floor.now, row, is_lent=False, palette=["#8B5A2B"], note="By the mirror", by=floor.by)
    floor.widen("A1", 60, LATER)
    floor.survey(LATER)
    old, new = floor.bays(ended=True)["A1-2"], floor.bays()["A1-2"]
    assert old.id != new.id
    assert (old.ended_on, new.starts_on) == (LATER, LATER)
    assert (new.depth_in16, new.is_lent, new.palette, new.note) == (24 * INCH, False, ["#8b5a2b"], "By the mirror")


def test_a_renamed_aisle_has_bays_of_its_name_with_all_that_was_said_of_them(floor: Floor) -> None:
    floor.survey()
    stay_id = floor.stay("A1-2", at=5)
    with transaction(floor.sessions) as session:
        row = session.scalars(select(BayRow).where(BayRow.code == "A1-2")).one()
        edit_bay(session, floor.now, row, is_lent=False, palette=[], note="By the mirror", by=floor.by)
    floor.change_plan(PartDraft("NORTH", "aisle", feet(0.5, 8.5, 59, 7)), without=["A1"])
    found = floor.survey()
    bay, stay = floor.stays_in(stay_id)
    assert (bay.aisle, bay.before, bay.note, bay.is_lent) == ("NORTH", "21", "By the mirror", False)
    assert (stay.from_in16, stay.to_in16) == (5 * INCH, 35 * INCH)
    assert found.must_move == {}


def test_a_renamed_booth_changes_what_is_behind_a_bay_and_no_row(floor: Floor) -> None:
    floor.survey()
    before = floor.bays()["A1-2"].id
    with transaction(floor.sessions) as session:
        space = find_space(session, floor.mall_id, "21")
        assert space is not None
        rename_space(session, floor.now, space, "21A")
    floor.survey()
    after = floor.bays()["A1-2"]
    assert (after.id, after.before) == (before, "21A")


# --- what stands ------------------------------------------------------------------------------------------------------------


def test_from_the_day_a_width_is_raised_what_is_too_deep_must_move_and_what_still_fits_goes_over(floor: Floor) -> None:
    floor.survey()
    deep, flat = floor.stay("A1-2", (17, 34)), floor.stay("A1-2", (24, 20), at=18, dealer="V2")
    later = floor.stay("A1-2", (20, 20), first=date(2027, 1, 11), last=date(2027, 1, 24), dealer="V3")
    floor.widen("A1", 60, LATER)
    assert floor.survey().must_move == {}, "the width holds from December on"
    found = floor.survey(LATER)
    assert list(found.must_move) == [deep]
    assert found.must_move[deep] == (
        "Oak chest (V1) leaves 4' 2\" of the 5' 0\" that aisle A1 must keep clear: move it. "
        "So wide since Dec 1, 2026, says fire marshal."
    )
    assert floor.stays_in(deep)[0].ended_on == LATER
    for stay_id in (flat, later):
        bay, stay = floor.stays_in(stay_id)
        assert (bay.code, bay.ended_on, bay.depth_in16) == ("A1-2", None, 24 * INCH)
        # The new bay begins at the same corner; it is 42 in. long and was 50.
        assert (stay.from_in16, stay.to_in16) == ((18 * INCH, 42 * INCH) if stay_id == flat else (0, 20 * INCH))
    assert found.is_current

    floor.widen("A1", 44, LATER)
    assert floor.survey(LATER).must_move == {}, "what stands there may stay when the width is lowered again"


def test_a_door_made_after_pieces_stood_there_makes_them_move(floor: Floor) -> None:
    floor.survey()
    at_door, away = floor.stay("A2-3", at=0), floor.stay("A2-4", at=150, dealer="V2")
    floor.change_plan(PartDraft("D2", "door", feet(23, 38.5, 3, 0.5)))
    found = floor.survey()
    assert list(found.must_move) == [at_door]
    assert "door D2" in found.must_move[at_door]
    assert floor.stays_in(away)[0].ended_on is None


def test_an_opening_said_where_a_piece_stands_makes_it_move(floor: Floor) -> None:
    floor.survey()
    before_21 = floor.stay("A1-2")
    with transaction(floor.sessions) as session:
        space = floor.hall.spaces["21"]
        # Its south side, from its east corner on: A1-2 begins there.
        set_openings(session, floor.now, floor.mall(session), space, [(2, 0, 48 * INCH)], by=floor.by)
    assert floor.work() == 1
    found = floor.found()
    assert list(found.must_move) == [before_21]
    assert "booth 21" in found.must_move[before_21]


def test_an_opening_whose_side_is_gone_is_left_out_with_a_word(floor: Floor) -> None:
    with transaction(floor.sessions) as session:
        space = floor.hall.spaces["21"]
        set_openings(session, floor.now, floor.mall(session), space, [(2, 90 * INCH, 48 * INCH)], by=floor.by)
    floor.work()
    assert floor.found().openings == ()
    with transaction(floor.sessions) as session:
        mall = floor.mall(session)
        draft = draft_of(session, mall, TODAY)
        assert draft is not None
        smaller = [replace(s, outline=feet(0.5, 0.5, 10, 8)) if s.code == "21" else s for s in draft.spaces]
        save_plan(session, floor.now, mall, replace(draft, spaces=tuple(smaller)), version=plan_version(session, mall.id))
    assert floor.survey().openings == (
        "Space 21 has no side 3 any more that holds the opening said for it, 4' 0\" from 7' 6\": it is left out. "
        "Say its openings again.",
    )


def test_what_has_ended_or_was_cancelled_moves_nowhere(floor: Floor) -> None:
    floor.survey()
    ended, cancelled = floor.stay("A1-2", (20, 34), last=date(2026, 11, 30)), floor.stay("A1-3", (20, 34), dealer="V2")
    with transaction(floor.sessions) as session:
        session.execute(update(Stay).where(Stay.id == cancelled).values(state="cancelled"))
    floor.widen("A1", 60, LATER)
    assert floor.survey(LATER).must_move == {}
    assert [floor.stays_in(one)[0].ended_on for one in (ended, cancelled)] == [LATER, LATER]


# --- asked for --------------------------------------------------------------------------------------------------------------


def test_one_that_waits_is_not_asked_for_twice_and_one_under_way_is(floor: Floor) -> None:
    floor.ask()
    floor.ask()
    assert floor.found().is_under_way
    with transaction(floor.sessions) as session:
        [job] = session.scalars(select(Job).where(Job.kind == KIND)).all()
        assert (job.queue, job.args) == ("rota", {"mall_id": floor.mall_id})
        assert claim_job(session, floor.now, job.id, LEASE)
    floor.ask()
    with transaction(floor.sessions) as session:
        assert list(session.scalars(select(Job.state).where(Job.kind == KIND).order_by(Job.id))) == ["running", "queued"]


def test_two_at_once_write_one(floor: Floor) -> None:
    with transaction(floor.sessions) as session:
        for _ in range(2):
            name_job(session, floor.now, KIND, {"mall_id": floor.mall_id}, queue="rota", group_key=group_of(floor.mall_id))
        ids = list(session.scalars(select(Job.id).where(Job.kind == KIND)))
    together = Barrier(2)

    def run(job_id: int) -> None:
        together.wait()
        run_job(floor.sessions, job_id, lease=LEASE, clock=lambda: floor.now)

    threads = [Thread(target=run, args=(job_id,)) for job_id in ids]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with transaction(floor.sessions) as session:
        assert set(session.scalars(select(Job.state).where(Job.kind == KIND))) == {"done"}
        codes = list(session.scalars(select(BayRow.code)))
    assert len(codes) == len(set(codes)) == len(floor.bays())


def test_a_worker_that_dies_leaves_nothing_and_one_that_wakes_late_writes_nothing(floor: Floor) -> None:
    floor.ask()
    with transaction(floor.sessions) as session:
        claimed = claim_next(session, floor.now, LEASE, group_key=group_of(floor.mall_id))
    assert claimed is not None
    body, dead = KINDS[KIND].long, JobRun(claimed[0], claimed[1], floor.sessions, LEASE, clock=lambda: floor.now)
    assert body is not None
    assert floor.work() == 0, "it may live"
    late = floor.now + timedelta(minutes=5)
    with transaction(floor.sessions) as session:
        other = claim_next(session, late, LEASE, group_key=group_of(floor.mall_id))
    assert other is not None
    with pytest.raises(LeaseLost):
        body(dead, {"mall_id": floor.mall_id})
    assert floor.bays() == {}, "what it found is not written without its being done"
    run_job(floor.sessions, other[0], lease=LEASE, token=other[1], clock=lambda: late)
    assert floor.bays()


def test_what_was_found_on_other_ground_is_not_written_and_another_is_asked_for(floor: Floor) -> None:
    with transaction(floor.sessions) as session:
        ground = read_ground(session, floor.mall(session), TODAY)
    assert ground is not None
    floor.widen("A1", 96, TODAY)
    with transaction(floor.sessions) as session:
        keep_survey(session, floor.now, floor.mall(session), ground, survey(ground))
    assert floor.bays() == {}
    assert floor.work() == 1
    assert {row.aisle for row in floor.bays().values()} == {"A2"}


def test_daily_a_mall_is_looked_at_whose_width_begins(floor: Floor) -> None:
    floor.widen("A1", 60, LATER)
    floor.survey()
    looked = []
    for day in (date(2026, 11, 30), LATER):
        with transaction(floor.sessions) as session:
            look = KINDS[DAILY].short
            assert look is not None
            look(session, floor.at(day), {})
        looked.append(floor.work(day))
    assert looked == [0, 1]
    assert [each.every for each in schedule.SCHEDULE if each.kind == DAILY] == [timedelta(days=1)]


def test_a_mall_that_lends_no_floor_has_no_survey(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = build_overflow_hall(session, now, make_mall(session, now)).mall
        look = KINDS[DAILY].short
        assert look is not None
        look(session, now, {})
        plan_changed(session, now, mall)
        assert session.scalars(select(Job).where(Job.kind == KIND)).all() == []
        lay_rules(session, mall)
        plan_changed(session, now, mall)
        assert len(session.scalars(select(Job).where(Job.kind == KIND)).all()) == 1


def test_the_hash_changes_with_each_thing_bays_come_of_and_with_nothing_else(floor: Floor) -> None:
    floor.survey()
    seen: list[str] = []

    def is_new(session: Session, day: date = TODAY) -> bool:
        session.flush()
        seen.append(made_of(session, floor.mall(session), day))
        return seen[-1] not in seen[:-1]

    with transaction(floor.sessions) as session:
        mall, spaces = floor.mall(session), floor.hall.spaces
        assert is_new(session)
        assert not is_new(session, LATER), "a day alone changes nothing"
        floor.save(session, PartDraft("P1", "post", feet(56, 3, 0.5, 0.5)))
        assert is_new(session), "the plan"
        set_aisle_width(session, floor.now, mall, "A2", LATER, 60 * INCH)
        assert not is_new(session), "a width to come"
        assert is_new(session, LATER), "a width that has begun"
        set_openings(session, floor.now, mall, spaces["31"], [(0, 0, 3 * IN16_PER_FOOT)], by=floor.by)
        assert is_new(session), "an opening"
        lay_rules(session, mall, TODAY, entry_in16=48 * INCH)
        assert is_new(session), "a rule of bays"
        lay_rules(session, mall, date(2026, 11, 2), fee_kind="foot-week", fee_cents=350, entry_in16=48 * INCH)
        assert not is_new(session), "a fee"
        retire_space(session, floor.now, spaces["32"], LATER)
        assert not is_new(session), "a booth that is still there"
        assert is_new(session, date(2026, 12, 2)), "a booth that is gone"
        bay = session.scalars(select(BayRow).where(BayRow.code == "A1-2")).one()
        edit_bay(session, floor.now, bay, is_lent=False, palette=["#112233"], note="", by=floor.by)
        assert not is_new(session), "what is noted of a bay"
        piece = lay_piece(session, floor.hall.dealers["V1"])
        stay = lay_stay(session, piece, bay, date(2026, 11, 9), date(2026, 11, 22))
        assert is_new(session), "a stay"
        stay.from_in16, stay.to_in16 = stay.from_in16 + 16, stay.to_in16 + 16
        assert is_new(session), "its place"
        stay.state = "cancelled"
        assert not is_new(session), "a stay that was cancelled"
    with transaction(floor.sessions) as session:
        assert len(session.scalars(select(BaySurvey)).all()) == 1
