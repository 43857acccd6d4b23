"""When a mall's bays are surveyed: asked for once, by one worker, on the ground there is, and when a width begins."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import date, datetime, timedelta
from threading import Barrier, Thread

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from coop.core import schedule
from coop.core.db import Sessions, transaction
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import KINDS, Job, JobRun, LeaseLost, claim_job, claim_next, name_job, run_job
from coop.floor.domain.draft import PartDraft
from coop.floor.planning import retire_space, set_aisle_width
from coop.overflow.bay_editing import edit_bay
from coop.overflow.models import BayRow, BaySurvey
from coop.overflow.openings import set_openings
from coop.overflow.survey_asking import KIND, ask_survey, group_of, plan_changed
from coop.overflow.surveying import DAILY, keep_survey, made_of, read_ground, survey, survey_of
from tests.databases import fill
from tests.factories.overflow_floor import lay_piece, lay_rules, lay_stay
from tests.factories.overflow_hall import build_overflow_hall, feet
from tests.factories.people import make_coop, make_mall
from tests.factories.surveyed import LEASE, TODAY, Floor, build_hall

LATER = date(2026, 12, 1)
INCH = IN16_PER_INCH
RULED = "a hall that lends floor"


@pytest.fixture
def begins_with(request: pytest.FixtureRequest) -> Hashable:
    return RULED if "floor" in request.fixturenames else None


@pytest.fixture
def floor(engine: Engine, sessions: Sessions, now: datetime) -> Floor:
    """Nothing is surveyed yet."""
    return Floor(sessions, now, fill(engine, RULED, lambda session: build_hall(session, now)))


def look(session: Session, now: datetime) -> None:
    """What the schedule does daily."""
    daily = KINDS[DAILY].short
    assert daily is not None
    daily(session, now, {})


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


def test_one_that_waits_is_not_asked_for_twice_and_one_under_way_is(floor: Floor) -> None:
    mall_id = floor.mall_id
    floor.ask()
    floor.ask()
    assert floor.found().is_under_way
    with transaction(floor.sessions) as session:
        [job] = session.scalars(select(Job).where(Job.kind == KIND)).all()
        assert (job.queue, job.args) == ("rota", {"mall_id": mall_id})
        assert claim_job(session, floor.now, job.id, LEASE)
    floor.ask()
    with transaction(floor.sessions) as session:
        assert list(session.scalars(select(Job.state).where(Job.kind == KIND).order_by(Job.id))) == ["running", "queued"]


def test_two_at_once_write_one(floor: Floor) -> None:
    mall_id = floor.mall_id
    with transaction(floor.sessions) as session:
        for _ in range(2):
            name_job(session, floor.now, KIND, {"mall_id": mall_id}, queue="rota", group_key=group_of(mall_id))
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
    mall_id = floor.mall_id
    floor.ask()
    with transaction(floor.sessions) as session:
        claimed = claim_next(session, floor.now, LEASE, group_key=group_of(mall_id))
    assert claimed is not None
    body, dead = KINDS[KIND].long, JobRun(claimed[0], claimed[1], floor.sessions, LEASE, clock=lambda: floor.now)
    assert body is not None
    assert floor.work() == 0, "it may live"
    late = floor.now + timedelta(minutes=5)
    with transaction(floor.sessions) as session:
        other = claim_next(session, late, LEASE, group_key=group_of(mall_id))
    assert other is not None
    with pytest.raises(LeaseLost):
        body(dead, {"mall_id": mall_id})
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
            look(session, floor.at(day))
        looked.append(floor.work(day))
    assert looked == [0, 1]
    assert [each.every for each in schedule.SCHEDULE if each.kind == DAILY] == [timedelta(days=1)]


def test_a_mall_that_lends_no_floor_has_no_survey(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = build_overflow_hall(session, now, make_mall(session, now)).mall
        look(session, now)
        plan_changed(session, now, mall)
        assert session.scalars(select(Job).where(Job.kind == KIND)).all() == []
        lay_rules(session, mall)
        plan_changed(session, now, mall)
        assert len(session.scalars(select(Job).where(Job.kind == KIND)).all()) == 1


def test_the_hash_changes_with_each_thing_bays_come_of_and_with_nothing_else(floor: Floor) -> None:
    """By day: what holds from a day on changes that day's hash alone."""
    floor.survey()
    with transaction(floor.sessions) as session:
        mall = floor.mall(session)
        was: dict[date, str] = {}

        def changed(what: str, *days: date) -> None:
            """What was just done has changed the hashes of these days and of no others."""
            session.flush()
            for day in (TODAY, LATER):
                made = made_of(session, mall, day)
                assert (made != was.get(day, made)) == (day in days), f"{what}, {day}"
                was[day] = made

        changed("nothing")
        assert was[TODAY] == was[LATER], "a day alone changes nothing"
        floor.save(session, PartDraft("P1", "post", feet(56, 3, 0.5, 0.5)))
        changed("the plan", TODAY, LATER)
        set_aisle_width(session, floor.now, mall, "A2", LATER, 60 * INCH)
        changed("a width to come", LATER)
        set_openings(session, floor.now, mall, floor.space(session, "31"), [(0, 0, 36 * INCH)], by=floor.by)
        changed("an opening", TODAY, LATER)
        lay_rules(session, mall, TODAY, entry_in16=48 * INCH)
        changed("a rule of bays", TODAY, LATER)
        lay_rules(session, mall, LATER, entry_in16=48 * INCH, fee_kind="foot-week", fee_cents=3_50)
        changed("a fee")
        retire_space(session, floor.now, floor.space(session, "32"), LATER)
        changed("a booth that goes", LATER)
        bay = session.scalars(select(BayRow).where(BayRow.code == "A1-2")).one()
        edit_bay(session, floor.now, bay, is_lent=False, palette=["#112233"], note="", by=floor.by)
        changed("what is noted of a bay")
        piece = lay_piece(session, floor.dealer(session, "V1"))
        stay = lay_stay(session, piece, bay, date(2026, 11, 9), date(2026, 11, 22))
        changed("a stay that has ended by then", TODAY)
        stay.from_in16, stay.to_in16 = stay.from_in16 + INCH, stay.to_in16 + INCH
        changed("its place", TODAY)
        stay.state = "cancelled"
        changed("its end", TODAY)
    with transaction(floor.sessions) as session:
        assert len(session.scalars(select(BaySurvey)).all()) == 1
