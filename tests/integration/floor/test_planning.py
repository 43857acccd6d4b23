"""Plans saved, judged and measured, on both databases."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.membership import add_dealer, found_coop
from coop.floor import planning, queries
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.measuring import record_measure
from coop.floor.models import FloorPlan, Mall, PlanPart, Space
from coop.floor.planning import PlanOutdated, PlanRefused, save_plan
from coop.floor.service import add_mall
from coop.leases.agreements import make_lease
from tests.factories.house import add_person

FT = 192
TODAY = date(2026, 11, 3)


def box(x: int, y: int, width: int, depth: int) -> tuple[tuple[int, int], ...]:
    return ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))


BOOTH = SpaceDraft("14", "booth", "front", box(FT, FT, 10 * FT, 8 * FT))
SHELF = SpaceDraft("S1", "shelf", "shelf")
DRAFT = PlanDraft(
    outline=box(0, 0, 40 * FT, 30 * FT),
    parts=(
        PartDraft("E", "exit", ((40 * FT, 10 * FT), (40 * FT, 14 * FT))),
        PartDraft("MAIN", "aisle", box(12 * FT, FT, 6 * FT, 28 * FT)),
        PartDraft("DESK", "counter", box(30 * FT, 24 * FT, 6 * FT, 2 * FT), 34 * 16),
    ),
    spaces=(BOOTH, SHELF),
)


@pytest.fixture
def mall(sessions: Sessions, now: datetime) -> Mall:
    with transaction(sessions) as session:
        found_coop(session, now, "Elm Street Dealers", commission_percent=Decimal(10))
        return add_mall(session, now, "MAIN", name="Elm Street Hall", timezone="America/Chicago")


def test_a_mall_that_is_added_stands_in_the_log(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        orla = add_person(session, now, "orla@example.org", ("manager",))
        add_mall(session, now, "east", name="East Mill Hall", timezone="America/Denver", user_id=orla, request_id="r1")
    with transaction(sessions) as session:
        lines = session.scalars(select(AuditLog).where(AuditLog.action == "mall added").order_by(AuditLog.id)).all()
        said = [(line.subject_kind, line.subject_id, line.user_id, line.request_id) for line in lines]
    assert said == [("mall", "MAIN", None, ""), ("mall", "EAST", orla, "r1")]


def lease_booth(session: Session, now: datetime, mall: Mall) -> None:
    dealer = add_dealer(session, now, "D01", name="Ida Fenwick", joined_on=date(2025, 1, 1))
    space = queries.find_space(session, mall.id, "14")
    assert space is not None
    make_lease(session, now, mall, dealer, starts_on=date(2026, 10, 1), commission_percent=Decimal(10), spaces=[space])


def test_a_plan_comes_back_as_it_was_saved(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        change = save_plan(session, now, mall, DRAFT, version=0)
        assert change.added == ("exit E", "aisle MAIN", "counter DESK", "booth 14", "shelf S1")
        assert not change.changed
        assert not change.removed
    with transaction(sessions) as session:
        assert queries.draft_of(session, mall, TODAY) == DRAFT
        assert queries.plan_version(session, mall.id) == 1
        booth = queries.find_space(session, mall.id, "14")
        assert booth is not None
        # Nobody measured it: its area is the drawn one, and follows the drawing.
        assert (booth.measured_area_sqft100, booth.measured_on) == (8000, None)


def test_what_a_draft_does_not_name_goes_and_what_it_changes_is_said(sessions: Sessions, now: datetime, mall: Mall) -> None:
    wider = replace(BOOTH, outline=box(FT, FT, 12 * FT, 8 * FT), zone="back")
    after = replace(DRAFT, parts=(replace(DRAFT.parts[2], height_in16=36 * 16),), spaces=(wider,), required_clear_in16=44 * 16)
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
    with transaction(sessions) as session:
        change = save_plan(session, now, mall, after, version=1)
    assert change.changed == ("the clear width of aisles", "counter DESK (height)", "booth 14 (zone, outline)")
    assert change.removed == ("exit E", "aisle MAIN", "shelf S1")
    with transaction(sessions) as session:
        assert queries.draft_of(session, mall, TODAY) == after
        booth = queries.find_space(session, mall.id, "14")
        assert booth is not None
        assert booth.measured_area_sqft100 == 9600
        logged = session.scalars(select(AuditLog.detail).where(AuditLog.action == "plan saved").order_by(AuditLog.id)).all()
        assert logged[-1] == "MAIN version 2: 0 added, 3 changed, 3 taken away"


def test_every_saving_counts_the_version_up_even_of_the_same_plan(sessions: Sessions, now: datetime, mall: Mall) -> None:
    for version in range(3):
        with transaction(sessions) as session:
            save_plan(session, now, mall, DRAFT, version=version)
    with transaction(sessions) as session:
        assert queries.plan_version(session, mall.id) == 3


def test_a_change_made_from_an_older_plan_says_who_changed_it_and_when(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        user_id = add_person(session, now, "manager@example.org", ("manager",))
        save_plan(session, now, mall, DRAFT, version=0, user_id=user_id)
    with transaction(sessions) as session, pytest.raises(PlanOutdated) as refused:
        save_plan(session, now, mall, DRAFT, version=0)
    assert str(refused.value) == (
        "The plan of Elm Street Hall was changed on Nov 3, 2026 at 09:00 by manager@example.org after you opened it. "
        "Open it again and make your change there, or lay your change over it."
    )


@pytest.mark.parametrize("version", [0, 1])
def test_of_two_who_save_the_same_version_one_is_refused(sessions: Sessions, now: datetime, mall: Mall, version: int) -> None:
    if version:
        with transaction(sessions) as session:
            save_plan(session, now, mall, DRAFT, version=0)
    together, outcomes = threading.Barrier(2), []

    def save(zone: str) -> None:
        draft = replace(DRAFT, spaces=(replace(BOOTH, zone=zone),))
        together.wait(timeout=30)
        try:
            with transaction(sessions) as session:
                save_plan(session, now, mall, draft, version=version)
            outcomes.append(zone)
        except PlanOutdated:
            outcomes.append("refused")

    threads = [threading.Thread(target=save, args=(zone,)) for zone in ("window", "middle")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert len(outcomes) == 2
    assert outcomes.count("refused") == 1
    with transaction(sessions) as session:
        booth = queries.find_space(session, mall.id, "14")
        assert booth is not None
        assert booth.zone in outcomes
        assert queries.plan_version(session, mall.id) == version + 1


def test_a_draft_that_cannot_be_drawn_changes_nothing_and_names_every_fault(
    sessions: Sessions, now: datetime, mall: Mall
) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
    crossed = replace(BOOTH, outline=((0, 0), (FT, FT), (FT, 0), (0, FT)))
    bad = replace(DRAFT, parts=(PartDraft("W", "curtain", box(0, 0, 1, 1)),), spaces=(crossed, replace(SHELF, zone=" ")))
    with transaction(sessions) as session, pytest.raises(PlanRefused) as refused:
        save_plan(session, now, mall, bad, version=1)
    assert [(str(fault.part), fault.field) for fault in refused.value.faults] == [
        ("part W", "kind"),
        ("space S1", "zone"),
        ("space 14", "outline"),
    ]
    with transaction(sessions) as session:
        assert queries.draft_of(session, mall, TODAY) == DRAFT


def test_a_leased_space_stays_on_record_and_is_retired_instead(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        lease_booth(session, now, mall)
    with (
        pytest.raises(Refusal, match="Space 14 cannot be taken off the plan: a lease or an offer names it"),
        transaction(sessions) as s,
    ):
        save_plan(s, now, mall, replace(DRAFT, spaces=(SHELF,)), version=1)
    with transaction(sessions) as session:
        assert queries.draft_of(session, mall, TODAY) == DRAFT
        booth = queries.find_space(session, mall.id, "14")
        assert booth is not None
        planning.retire_space(session, now, booth, date(2026, 12, 1))
    with transaction(sessions) as session:
        assert [s.code for s in queries.spaces_of(session, mall.id, date(2026, 11, 30))] == ["14", "S1"]
        assert [s.code for s in queries.spaces_of(session, mall.id, date(2026, 12, 1))] == ["S1"]
    # A plan of after that day neither holds the retired space nor takes it away, and its code is not given again.
    later = now + timedelta(days=40)
    with transaction(sessions) as session:
        save_plan(session, later, mall, replace(DRAFT, spaces=(SHELF,)), version=2)
        assert queries.find_space(session, mall.id, "14") is not None
    with (
        pytest.raises(Refusal, match="Space 14 is in Elm Street Hall already: it is retired since Dec 1, 2026"),
        transaction(sessions) as s,
    ):
        save_plan(s, later, mall, DRAFT, version=3)


def test_a_space_is_moved_by_its_upper_left_corner_and_renamed_with_its_past(
    sessions: Sessions, now: datetime, mall: Mall
) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        lease_booth(session, now, mall)
        booth = queries.find_space(session, mall.id, "14")
        assert booth is not None
        planning.move_space(session, now, booth, x_in16=20 * FT, y_in16=3 * FT, version=1)
        planning.rename_space(session, now, booth, "14A")
    with transaction(sessions) as session:
        moved = queries.find_space(session, mall.id, "14A")
        assert moved is not None
        assert queries.as_outline(moved.outline_in16) == box(20 * FT, 3 * FT, 10 * FT, 8 * FT)
        assert queries.plan_version(session, mall.id) == 3
        shelf = queries.find_space(session, mall.id, "S1")
        assert shelf is not None
        with pytest.raises(Refusal, match="Space S1 is not drawn yet"):
            planning.move_space(session, now, shelf, x_in16=0, y_in16=0, version=3)
        with pytest.raises(PlanOutdated):
            planning.move_space(session, now, moved, x_in16=0, y_in16=0, version=2)
        with pytest.raises(PlanRefused, match="crosses or touches itself"):
            planning.draw_space(session, now, moved, ((0, 0), (FT, FT), (FT, 0), (0, FT)), version=3)
        with pytest.raises(Refusal, match="Space S1 is in Elm Street Hall already"):
            planning.rename_space(session, now, moved, "S1")


def test_findings_never_stop_a_plan_and_follow_the_widths_of_the_day(sessions: Sessions, now: datetime, mall: Mall) -> None:
    """The aisle is 6 ft wide and two booths leave 60 in. of it: enough for 36 in. and 44 in., not for 66 in."""
    over = SpaceDraft("15", "booth", "front", box(11 * FT, 4 * FT, 2 * FT, 2 * FT))
    across = SpaceDraft("16", "booth", "front", box(18 * FT, 2 * FT, 8 * FT, 20 * FT))
    twice = SpaceDraft("17", "booth", "front", box(20 * FT, 4 * FT, 3 * FT, 3 * FT))
    with transaction(sessions) as session:
        save_plan(session, now, mall, replace(DRAFT, spaces=(BOOTH, over, across, twice)), version=0)
        kinds = [(finding.kind, finding.codes) for finding in queries.judge(session, mall, TODAY)]
        assert ("overlap", ("16", "17")) in kinds
        assert "aisle_narrow" not in [kind for kind, _ in kinds]
        planning.set_aisle_width(session, now, mall, "MAIN", date(2026, 12, 1), 66 * 16, said_by="the fire marshal")
    with transaction(sessions) as session:
        assert "aisle_narrow" not in [finding.kind for finding in queries.judge(session, mall, date(2026, 11, 30))]
        narrow = [finding for finding in queries.judge(session, mall, date(2026, 12, 1)) if finding.kind == "aisle_narrow"]
        assert [(finding.codes, finding.required_in16) for finding in narrow] == [(("MAIN",), 66 * 16)]


def test_a_width_said_again_for_a_day_holds_and_bad_ones_are_refused(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        for width in (44 * 16, 48 * 16):
            planning.set_aisle_width(session, now, mall, "", date(2026, 1, 1), width)
        assert queries.widths_on(session, mall.id, TODAY) == {"": 48 * 16}
        with pytest.raises(Refusal, match="Every aisle: its clear width must be 36"):
            planning.set_aisle_width(session, now, mall, "", TODAY, 35 * 16)
        with pytest.raises(Refusal, match="Aisle SIDE is not on the plan"):
            planning.set_aisle_width(session, now, mall, "SIDE", TODAY, 44 * 16)


def test_a_width_said_by_two_at_once_is_said_once(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
    together, said = threading.Barrier(2), []

    def say(width_in16: int) -> None:
        together.wait(timeout=30)
        with transaction(sessions) as session:
            planning.set_aisle_width(session, now, session.get_one(Mall, mall.id), "", TODAY, width_in16)
        said.append(width_in16)

    threads = [threading.Thread(target=say, args=(width,)) for width in (44 * 16, 48 * 16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    with transaction(sessions) as session:
        assert len(said) == 2
        assert queries.widths_on(session, mall.id, TODAY)[""] in said
        assert queries.plan_version(session, mall.id) == 3


def test_measurings_are_kept_and_the_newest_is_the_spaces_own(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        booth = queries.find_space(session, mall.id, "14")
        assert booth is not None
        record_measure(session, now, booth, measured_on=TODAY, measured_by="Amos Pell", area_sqft100=7950)
        older = box(0, 0, 9 * FT, 8 * FT)
        record_measure(session, now, booth, measured_on=date(2026, 5, 1), measured_by="Ida", outline=older, length_in16=9 * FT)
        assert [(m.measured_by, m.area_sqft100) for m in queries.measures_of(session, booth.id)] == [
            ("Amos Pell", 7950),
            ("Ida", 7200),
        ]
        assert (booth.measured_area_sqft100, booth.measured_on, booth.measured_by) == (7950, TODAY, "Amos Pell")
        assert booth.length_in16 == 9 * FT
        # Measured, it does not follow the drawing any more.
        planning.draw_space(session, now, booth, box(0, 0, FT, FT), version=1)
        assert booth.measured_area_sqft100 == 7950


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"measured_by": " ", "area_sqft100": 1}, "who measured it is empty"),
        ({"measured_on": date(2026, 11, 4), "area_sqft100": 1}, "is to come"),
        ({}, "either the area measured or the corners"),
        ({"area_sqft100": 1, "outline": box(0, 0, 1, 1)}, "either the area measured or the corners"),
        ({"area_sqft100": 0}, "its area must be above zero"),
        ({"area_sqft100": 1, "length_in16": 0}, "its length must be above zero"),
        ({"outline": ((0, 0), (FT, FT), (FT, 0), (0, FT))}, "crosses or touches itself"),
    ],
)
def test_a_bad_measuring_is_refused(sessions: Sessions, now: datetime, mall: Mall, given: dict[str, object], said: str) -> None:
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        booth = session.scalars(select(Space).where(Space.code == "14")).one()
        with pytest.raises(Refusal, match=said):
            record_measure(session, now, booth, **{"measured_on": TODAY, "measured_by": "Ida", **given})  # type: ignore[arg-type]


def test_areas_beyond_the_tolerance_are_told(sessions: Sessions, now: datetime, mall: Mall) -> None:
    """Drawn 80.00. Of 81.63 leased, 2% is 1.6326 and the difference 1.63: within. Of 81.64 it is 1.6328 against 1.64: beyond."""
    with transaction(sessions) as session:
        save_plan(session, now, mall, DRAFT, version=0)
        booth = session.scalars(select(Space).where(Space.code == "14")).one()
        assert queries.area_differences(session, mall, TODAY, {booth.id: 8163}) == []
        told = queries.area_differences(session, mall, TODAY, {booth.id: 8164})
        assert [(a.code, a.drawn_difference_sqft100, a.measured_difference_sqft100) for a in told] == [("14", -164, None)]
        record_measure(session, now, booth, measured_on=TODAY, measured_by="Ida", area_sqft100=8500)
        told = queries.area_differences(session, mall, TODAY, {booth.id: 8100})
        assert [(a.drawn_difference_sqft100, a.measured_difference_sqft100, a.beyond) for a in told] == [(-100, 400, True)]


def test_nothing_stands_of_a_mall_without_a_plan(sessions: Sessions, now: datetime, mall: Mall) -> None:
    with transaction(sessions) as session:
        assert queries.plan_of(session, mall, TODAY) is None
        assert queries.judge(session, mall, TODAY) == []
        assert session.scalars(select(FloorPlan)).all() == []
        assert session.scalars(select(PlanPart)).all() == []
