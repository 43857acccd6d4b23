"""A mall surveyed a second time, after nothing has changed or something elsewhere: bays and pieces that stand in them stay."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from math import dist

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from coop.floor.domain.findings import ways_findings
from coop.floor.domain.plan import Fixture, Outline, Plan, checked_plan
from coop.overflow.domain.across import edge_between
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.carrying import held_by, place_in
from coop.overflow.domain.clear import Standing
from coop.overflow.domain.keepouts import Opening
from coop.overflow.domain.lent import BayRules
from coop.overflow.surveying import Basis, Found, Ground, survey
from tests.unit.floor.domain.drawing import TURNS, box, in16, turned
from tests.unit.overflow.random_malls import changed_elsewhere, random_mall
from tests.unit.overflow.test_bays import booths

SEEDS = st.integers(0, 10_000)
ELSEWHERE_IN16 = in16(96)


def surveyed(plan: Plan, before: tuple[Bay, ...], used: list[Bay], standing: list[Standing], openings=()) -> Found:
    basis = Basis(plan, tuple(openings), (), BayRules(), tuple(standing))
    return survey(Ground(basis, None, before, tuple(used), before))


def some_standing(bays: tuple[Bay, ...], chance: random.Random) -> tuple[list[Bay], list[Standing]]:
    """In every other bay a piece, maybe as long and as deep as the bay."""
    used = [bay for bay in bays if chance.random() < 0.5]
    standing = []
    for n, bay in enumerate(used):
        to = chance.choice((bay.length_in16, chance.randrange(160, bay.length_in16 + 1)))
        outline = bay.stretch(0, to, chance.choice((bay.depth_in16, chance.randrange(100, bay.depth_in16 + 1))))
        standing.append(Standing(bay.code, bay.code, outline, n))
    return used, standing


def places(bays) -> set[tuple[str, object]]:
    return {(bay.code, bay.corners) for bay in bays}


@settings(max_examples=3, deadline=None)
@given(SEEDS, SEEDS)
@example(53, 0)
def test_where_nothing_has_changed_nothing_changes(seed: int, other: int) -> None:
    """In seed 53 a bay at an aisle's end used to cut a corner off before the bay in that corner was asked for."""
    plan = random_mall(seed)
    bays = work_out(plan).bays
    used, standing = some_standing(bays, random.Random(other))
    assert places(work_out(plan, kept=bays).bays) >= places(bays)
    found = surveyed(plan, bays, used, standing)
    assert places(found.cut.bays) >= places(used)
    assert (found.must_move, found.findings) == ((), ())


@settings(max_examples=3, deadline=None)
@given(SEEDS, SEEDS)
@example(65, 2)
@example(374, 171)
def test_what_stands_stays_where_something_else_has_changed(seed: int, other: int) -> None:
    """A booth gone, an opening, a post, an extinguisher or a wider aisle, 8 ft away and more: its bay is as it was."""
    plan, chance = random_mall(seed), random.Random(other)
    bays = work_out(plan).bays
    used, standing = some_standing(bays, chance)
    now, openings, place = changed_elsewhere(plan, chance)
    narrow = {found.parts[0].code for found in ways_findings(now) if found.kind == "aisle_narrow"}
    far = [bay for bay in used if bay.aisle not in narrow and Polygon(bay.corners).distance(place) > ELSEWHERE_IN16]
    assume(far)
    found = surveyed(now, bays, used, standing, openings)
    assert places(found.cut.bays) >= places(far)
    assert {bay.code for bay in far} & {moving.key for moving in found.must_move} == set()


@pytest.mark.parametrize(("seed", "x", "y", "stay"), [(50, -227, 336, {"A0-3", "E-1"}), (159, 33, 314, {"A1-2"})])
def test_a_thing_in_an_aisle_takes_no_bay_across_it(seed: int, x: int, y: int, stay: set[str]) -> None:
    """With an extinguisher in it and all bays full the aisle is too narrow: not all bays within 5 ft of that go."""
    plan = random_mall(seed)
    bays = work_out(plan).bays
    thing = Fixture("N", "extinguisher", box(x, y, 8, 8))
    now = work_out(checked_plan(replace(plan, fixtures=(*plan.fixtures, thing))), kept=bays).bays
    assert places(now) >= places(bay for bay in bays if bay.code in stay)


# --- a bay that must be cut ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", TURNS)
def test_a_bay_is_cut_so_that_what_stands_in_it_stays(degrees: int) -> None:
    """Of 57 in. before booth 1 an opening leaves 20 in. to the left and 1 to the right: a trunk stands in the former."""
    drawn = booths(60)
    plan = turned(drawn, degrees)
    bays = work_out(plan).bays
    old, trunk = at_its_left(drawn, bays, degrees, in16(18))
    left = min(x for x, _ in work_out(drawn).bays[0].corners) // 16 - 60
    found = surveyed(plan, bays, [old], [Standing("t", "Trunk", trunk, 1)], [Opening("1", 2, in16(150 - left - 56), in16(36))])
    assert found.must_move == ()
    assert stays(found, old, trunk)


@pytest.mark.parametrize("degrees", TURNS)
def test_of_a_bay_what_holds_more_pieces_stays_before_what_is_larger(degrees: int) -> None:
    """Something 4 in. deep opposite leaves 20 in. of 24 before the last 17 of the bay's 57 in.: 57 by 20 are 1,140 square inches.

    A dresser as deep as the bay stands 1 to 19 in. from its end. Its corner is 21 in. along and 32 across from that of what is
    opposite: 38 in., and 36 are required.
    """
    drawn = booths(60)
    left = min(x for x, _ in work_out(drawn).bays[0].corners) // 16
    things = (Fixture("F", "other", box(left + 40, 132 - 4, 17, 4)),)
    bays = work_out(turned(drawn, degrees)).bays
    old, dresser = at_its_left(drawn, bays, degrees, in16(18))
    found = surveyed(turned(replace(drawn, fixtures=things), degrees), bays, [old], [Standing("d", "Dresser", dresser, 1)])
    assert found.must_move == ()
    assert stays(found, old, dresser)
    if degrees % 90 == 0:
        empty = surveyed(turned(replace(drawn, fixtures=things), degrees), bays, [old], [])
        assert {bay.depth_in16 for bay in empty.cut.bays if bay.code == "A-1"} == {in16(20)}


def at_its_left(drawn: Plan, bays: Sequence[Bay], degrees: int, width: int) -> tuple[Bay, Outline]:
    """The bay A-1 of a plan that was turned, and a place in it as deep as it, 1 in. from its left end as it was drawn."""
    old = next(bay for bay in bays if bay.code == "A-1")
    begin = min(work_out(drawn).bays[0].corners)
    corner = turned(replace(drawn, outline=(begin, *drawn.outline[1:])), degrees).outline[0]
    ends = [dist(corner, old.corners[0]), dist(corner, old.corners[1])]
    at = in16(1) if ends[0] < ends[1] else old.length_in16 - in16(1) - width
    return old, old.stretch(at, at + width, old.depth_in16)


def stays(found: Found, old: Bay, piece: Outline) -> bool:
    """Whether the bay of this code still holds a piece, at its back."""
    (now,) = [bay for bay in found.cut.bays if bay.code == old.code]
    edge = edge_between(old.corners[0], old.corners[1], old.corners[3])
    from_, _, to, deep = edge.seen(Polygon(piece)).bounds
    return held_by([now], [piece]) == {piece} and place_in(now, old, round(from_), round(to), round(deep)) is not None


def test_what_still_holds_something_is_cut_before_what_stands_empty():
    """56 in. required in A0: what stands in A0-6 leaves 55 of its 90 and must go. What would be left of that bay, 34 in. deep,
    took the mouth of A0 from a piece 24 in. wide that stands in E-2 across from it and may stay.
    """
    plan = random_mall(82)
    bays = work_out(plan).bays
    used = [bay for bay in bays if bay.code in ("A0-6", "E-2")]
    deep, flat = used[0].stretch(0, used[0].length_in16, used[0].depth_in16), used[1].stretch(0, in16(24), in16(7))
    now = replace(
        plan, aisles=tuple(replace(one, required_clear_in16=in16(56)) if one.code == "A0" else one for one in plan.aisles)
    )
    found = surveyed(now, bays, used, [Standing("deep", "Dresser", deep, 1), Standing("flat", "Rack", flat, 2)])
    assert [moving.key for moving in found.must_move] == ["deep"]
    assert held_by(found.cut.bays, [flat]) == {flat}
