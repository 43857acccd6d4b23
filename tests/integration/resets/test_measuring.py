"""A booth measured: proposed from the plan, refused field by field, kept with a number, compared with the last and the lease."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime
from threading import Barrier
from typing import Any

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.models import Space
from coop.floor.planning import save_plan
from coop.floor.queries import find_space
from coop.resets.domain.booth import Booth, Side, rectangle_booth
from coop.resets.holding import held_booths
from coop.resets.measuring import (
    MeasureRefused,
    differences,
    leased_told,
    measure_faults,
    measures_of,
    placed_at_origin,
    propose_measure,
    record_booth,
    said_anew,
)
from coop.resets.models import BoothMeasure
from coop.resets.reading import booth_of
from tests.factories.hall import Hall

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
TODAY = date(2026, 11, 3)
FT = 192
BOOTH = rectangle_booth(10 * FT, 12 * FT, aisle_in16=5 * FT)
"""As booth 12 of the hall is leased."""


def test_who_holds_a_booth_today_or_from_a_coming_day_may_measure_it_and_nobody_else(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        hall.lease(hall.ida, hall.booth, hall.case, starts_on=date(2026, 12, 1))
        kept = measure(session, hall.ida, hall.booth)
        assert (kept.number, kept.measured_by) == (1, "Ida Fenwick")
        found = held_booths(session, NOW, [hall.ida.id, hall.amos.id])
        assert [(one.name, one.dealer.code, one.starts_on, one.is_coming) for one in found] == [
            ("Booth 12", "D01", date(2026, 12, 1), True)
        ]
        with pytest.raises(Refusal, match="Booth 12 is not yours today, nor from a coming day"):
            measure(session, hall.amos, hall.booth)


def measure(session: Session, dealer: Dealer, space: Space, booth: Booth = BOOTH, **more: Any) -> BoothMeasure:
    given = {"measured_on": TODAY, "measured_by": " Ida  Fenwick ", **more}
    return record_booth(session, NOW, dealer, space, booth, **given)


def test_who_has_left_may_not_and_who_shares_may(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        own = hall.lease(hall.ida, starts_on=date(2020, 1, 1))
        other = hall.lease(hall.amos, starts_on=date(2020, 1, 1), ends_on=date(2026, 11, 2))
        hall.hold(own, hall.booth, date(2026, 1, 1), shares={own: 50, other: 50})
        measure(session, hall.ida, hall.booth)
        with pytest.raises(Refusal, match="is not yours today"):
            measure(session, hall.amos, hall.booth)
        other.ends_on = TODAY
        session.flush()
        assert measure(session, hall.amos, hall.booth).number == 2


def test_a_measuring_is_kept_from_its_upper_left_with_a_number_and_logged(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        hall.lease(hall.ida, hall.booth)
        moved = replace(
            BOOTH,
            outline=tuple((x - 50, y + 70) for x, y in BOOTH.outline),
            posts=(((0, 100), (96, 100), (96, 196), (0, 196)),),
            outlets=((-50, 100),),
            height_limit_in16=8 * FT,
        )
        row = measure(session, hall.ida, hall.booth, moved)
        kept = booth_of(row)
        assert kept.outline == BOOTH.outline
        assert kept.posts == (((50, 30), (146, 30), (146, 126), (50, 126)),)
        assert kept.outlets == ((0, 30),)
        assert kept.sides == BOOTH.sides
        line = session.scalars(select(AuditLog).where(AuditLog.subject_kind == "booth measure")).one()
        assert (line.action, line.subject_id, line.detail) == ("booth measured", "MAIN/12", "number 1")


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=3, max_size=7, unique=True), st.booleans())
def test_gone_round_the_other_way_each_side_stays_what_it_is(corners: list[tuple[int, int]], flip: bool) -> None:
    """A side is known by its two ends, whichever comes first."""
    shape = shapely.Polygon(corners)
    if not shape.is_valid or shape.area == 0:
        return
    outline = tuple(corners[::-1] if flip else corners)
    sides = tuple(Side("wall", height_in16=n + 1) for n in range(len(outline)))
    found = placed_at_origin(Booth(outline, sides))
    assert shapely.LinearRing(found.outline).is_ccw
    left, top = min(x for x, _ in outline), min(y for _, y in outline)

    def by_ends(corners: tuple[tuple[int, int], ...], sides: tuple[Side, ...], dx: int, dy: int) -> dict[frozenset[Any], Side]:
        moved = [(x - dx, y - dy) for x, y in corners]
        return {frozenset((moved[n], moved[(n + 1) % len(moved)])): side for n, side in enumerate(sides)}

    assert by_ends(found.outline, found.sides, 0, 0) == by_ends(outline, sides, left, top)


@pytest.mark.parametrize(
    ("changes", "field", "told"),
    [
        ({"outline": ((0, 0), (1920, 0), (0, 1920), (1920, 1920))}, "outline", "crosses or touches itself"),
        ({"outline": ((0, 0), (1920, 0), (3840, 0), (1000, 0))}, "outline", "no width or no depth"),
        ({"outline": ((0, 0), (120, 0), (120, 144), (0, 144))}, "outline", "a plain number is inches, so write 10 feet as 10'"),
        ({"outline": ((0, 0), (1920, 0), (1920, 0), (1920, 1920))}, "outline", "Two corners that follow each other are the same"),
        ({"outline": ((0, 0), (1920, 0), (1920, 1920))}, "outline", "as many sides as corners"),
        ({"sides": (Side("wall"),) * 4}, "side 1", "No side is open: say by which one people come in."),
        ({"sides": (Side("open"), Side("window", hooks=True), Side("wall"), Side("wall"))}, "side 2", "Only a wall takes hooks"),
        ({"sides": (Side("open"), Side("wall", height_in16=0), Side("wall"), Side("wall"))}, "side 2", "above zero and 40 feet"),
        ({"height_limit_in16": 0}, "height_limit", "leave it empty where there is none"),
        ({"way_in16": 30}, "way", 'between 12" and 8 feet'),
        ({"aisle_in16": -1}, "aisle", "zero or more"),
        ({"posts": (((0, 0), (0, 0), (0, 0), (0, 0)),)}, "post 1", "each above zero"),
        ({"posts": (((5000, 0), (5100, 0), (5100, 100), (5000, 100)),)}, "post 1", "outside of the booth"),
        ({"posts": (BOOTH.outline,)}, "post 1", "more than half of the booth"),
        ({"outlets": ((100, 100), (0, 3000))}, "outlet 2", "outside of the booth"),
    ],
)
def test_what_is_wrong_with_a_measuring_is_told_at_its_field(changes: dict[str, Any], field: str, told: str) -> None:
    assert measure_faults(BOOTH) == {}
    found = measure_faults(replace(BOOTH, **changes))
    assert list(found) == [field]
    assert told in found[field]


def test_who_and_when_are_asked_too(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        hall.lease(hall.ida, hall.booth)
        with pytest.raises(MeasureRefused) as refused:
            measure(session, hall.ida, hall.booth, measured_on=date(2026, 11, 4), measured_by=" ")
        assert refused.value.faults == {
            "measured_by": "Write who measured it.",
            "measured_on": "Nov 4, 2026 is to come: give the day it was measured.",
        }
        assert session.scalars(select(BoothMeasure)).all() == []


def test_a_newer_measuring_says_what_differs_from_the_last_and_from_the_lease(sessions: Sessions) -> None:
    """120 sq ft are leased; 2% of that are 2.40."""
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        hall.lease(hall.ida, hall.booth)
        held = held_booths(session, NOW, [hall.ida.id])[0]
        measure(session, hall.ida, hall.booth)
        assert said_anew(measures_of(session, hall.booth.id)) == []
        smaller = rectangle_booth(9 * FT + 180, 12 * FT, aisle_in16=5 * FT)
        measure(session, hall.ida, hall.booth, replace(smaller, outlets=((10, 10),), height_limit_in16=8 * FT))
        rows = measures_of(session, hall.booth.id)
        assert [row.number for row in rows] == [2, 1]
        assert said_anew(rows) == [
            "It is 9' 11 1/4\" wide now; it was 10' 0\".",
            "It has 1 outlet now; it had 0.",
            "Its height limit is 8' 0\" now; it was not given.",
        ]
        assert leased_told(session, held, BOOTH) == "It measures 120.00 sq ft; your lease says 120.00: the same."
        assert leased_told(session, held, smaller) == (
            "It measures 119.25 sq ft; your lease says 120.00: 0.75 less, within the 2% that measurings may be apart."
        )
        assert leased_told(session, held, rectangle_booth(10 * FT, 11 * FT)) == (
            "It measures 110.00 sq ft; your lease says 120.00: 10.00 less, beyond the 2% that measurings may be apart. "
            "Your lease stays as it is: ask the manager to measure."
        )


def test_sides_that_changed_are_named() -> None:
    after = replace(BOOTH, sides=(*BOOTH.sides[:3], Side("neighbour")))
    assert differences(BOOTH, after) == ["Its left is neighbor’s, no wall between now; it was wall with hooks."]
    assert differences(BOOTH, BOOTH) == []


def test_two_who_share_a_booth_and_measure_it_at_once_make_two_measurings(sessions: Sessions) -> None:
    """Each waits for the other at the space: else both would take one number, and one would see an error of the database."""
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        own, other = hall.lease(hall.ida), hall.lease(hall.amos)
        hall.hold(own, hall.booth, date(2026, 1, 1), shares={own: 50, other: 50})
        space_id, dealers = hall.booth.id, (hall.ida.id, hall.amos.id)
    both_read = Barrier(2, timeout=20)

    def measure_it(dealer_id: int) -> int:
        both_read.wait()
        with transaction(sessions) as session:
            return measure(session, session.get_one(Dealer, dealer_id), session.get_one(Space, space_id)).number

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(measure_it, dealers)) == [1, 2]


# --- from the plan ---------------------------------------------------------------------------------------------------------


def rect(x: float, y: float, w: float, d: float) -> tuple[tuple[int, int], ...]:
    left, top, right, bottom = (round(one * FT) for one in (x, y, x + w, y + d))
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def test_a_booth_is_proposed_from_the_floor_plan_with_its_aisle_in_front(sessions: Sessions) -> None:
    """Booth 12 hangs from the plan's lower wall; its aisle runs above it, five feet deep, with booth 14 across."""
    draft = PlanDraft(
        outline=rect(0, 0, 40, 40),
        parts=(
            PartDraft("W1", "wall", rect(0, 32, 40, 0.5), 9 * FT),
            PartDraft("A1", "aisle", rect(0, 15, 40, 5), None),
            PartDraft("P1", "post", rect(11, 30, 1, 1), None),
        ),
        spaces=(
            SpaceDraft("12", "booth", "front", rect(10, 20, 10, 12)),
            SpaceDraft("13", "booth", "front", rect(20, 20, 10, 12)),
            SpaceDraft("14", "booth", "front", rect(10, 3, 10, 12)),
        ),
    )
    with transaction(sessions) as session:
        hall = Hall(session, NOW)
        bare = propose_measure(session, hall.mall, hall.booth, TODAY)
        assert bare is not None
        assert (bare.outline, [side.kind for side in bare.sides]) == (BOOTH.outline, ["wall", "wall", "open", "wall"])
        save_plan(session, NOW, hall.mall, draft, version=0)
        space = find_space(session, hall.mall.id, "12")
        assert space is not None
        found = propose_measure(session, hall.mall, space, TODAY)
    assert found is not None
    # Turned half round: what lay at the right lies at the left.
    assert found.outline == ((0, 0), (10 * FT, 0), (10 * FT, 12 * FT), (0, 12 * FT))
    assert [(side.kind, side.height_in16) for side in found.sides] == [
        ("wall", 9 * FT),
        ("wall", None),
        ("open", None),
        ("neighbour", None),
    ]
    assert found.aisle_in16 == 5 * FT
    assert {*found.posts[0]} == {*rect(8, 1, 1, 1)}
    assert measure_faults(found) == {}
