"""What must move when a door, an opening or a booth was added, or the required width was raised, after pieces stood there."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.floor.domain.plan import Door, Fixture, PlanSpace, checked_plan
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.clear import Standing, must_move, spoiled
from coop.overflow.domain.keepouts import Opening
from coop.overflow.domain.lent import BayRules
from tests.unit.floor.domain.drawing import box, in16, outline
from tests.unit.overflow.random_malls import random_mall
from tests.unit.overflow.test_bays import booths

RULES = BayRules()
PLAN = booths(60)
BAYS = work_out(PLAN).bays
FULL = [Standing(bay.code, f"Dresser {n}", bay.stretch(0, in16(40), in16(20)), since=n) for n, bay in enumerate(BAYS, 1)]


def moved(plan, openings=(), standing=FULL):
    bays = work_out(plan, openings, kept=BAYS).bays
    return {must.key: must.reason for must in must_move(plan, openings, RULES, standing, bays)}


def test_what_stands_in_its_bay_stays():
    assert moved(PLAN) == {}
    assert spoiled(PLAN, {piece.key: piece.outline for piece in FULL}) == []


def test_a_raised_width_names_what_is_left_of_it():
    """60 in. less 20 leave 40 of 44: all four must move, and are told why."""
    reasons = moved(booths(60, required=44))
    assert reasons["A-1"] == "Dresser 1 leaves 3' 4\" of the 3' 8\" that aisle A must keep clear: move it."
    assert len(reasons) == 4


def test_what_a_piece_leaves_is_measured_straight_across_and_the_whole_aisle_by_the_floor_beside_it_too():
    """24 in. of 72 leave 48. The bench stands 66 in. wide before 100 in. between booths, 17 from either: what comes through goes
    round its corners by there, about the root of 48 and 17 squared, 50.9 in.
    """
    open_to = booths(72, required=54, left_out=("3", "4"))
    beside = (PlanSpace("3", "booth", box(60, 144, 100, 72)), PlanSpace("4", "booth", box(260, 144, 100, 72)))
    plan = checked_plan(replace(open_to, spaces=(*open_to.spaces, *beside)))
    bench = Standing("b", "Work bench", outline((177, 72), (243, 72), (243, 96), (177, 96)), 1)
    bays = work_out(plan).bays
    (must,) = must_move(plan, (), RULES, [bench], bays)
    assert must.reason.startswith("Work bench leaves 4' 0\" of the 4' 6\"")
    (found,) = spoiled(plan, {"b": bench.outline}, bays)
    assert found.sentence.startswith("Aisle A is 4' 2 15/16\" clear at its narrowest; 4' 6\" is required")


def test_what_must_move_for_a_width_names_its_bay_and_the_aisle():
    """44 in. of 60: 20 deep leave 40. One 16 deep stands in the last 18 in. of the bay's 57, and of these the opening of booth 1,
    in the middle of its side of 150, must have 4 now.
    """
    bay = BAYS[0]
    at = in16(39) if bay.corners[0][0] < bay.corners[1][0] else 0
    deep = Standing("d", "Dresser", bay.stretch(0, in16(40), in16(20)), 1, bay.code)
    before = Standing("t", "Trunk", bay.stretch(at, at + in16(18), in16(16)), 2, bay.code)
    at_door = Standing("c", "Chest", BAYS[1].stretch(0, in16(18), in16(16)), 3, "A-2")
    (x, y), *_ = at_door.outline
    door = Door("D3", ((x - in16(20), y), (x + in16(20), y)))
    plan = checked_plan(replace(booths(60, required=44), doors=(*PLAN.doors, door)))
    found = must_move(plan, (), RULES, [deep, before, at_door], work_out(plan, kept=BAYS).bays)
    assert [(one.key, one.bay, one.aisle) for one in found] == [("d", "A-1", "A"), ("t", "A-1", "A"), ("c", "A-2", "A")]
    case = PlanSpace("C9", "case", box(62, 74, 30, 12))
    drawn = checked_plan(replace(PLAN, spaces=(*PLAN.spaces, case)))
    reasons = {one.key: one.aisle for one in must_move(drawn, (), RULES, FULL, work_out(drawn, kept=BAYS).bays)}
    assert reasons["A-1"] == "", "what is drawn where it stands is no matter of a width"


def test_a_raised_width_moves_only_what_is_too_deep():
    shallow = replace(FULL[0], outline=BAYS[0].stretch(in16(5), in16(45), in16(16)))
    assert "A-1" not in moved(booths(60, required=44), standing=[shallow, *FULL[1:]])


def test_a_new_opening_moves_what_stands_before_it():
    bay = next(bay for bay in BAYS if bay.before == "1")
    left = min(x for x, _ in bay.corners) // 16 - 60
    reasons = moved(PLAN, [Opening("1", 2, in16(150 - left - 36), in16(36))])
    piece = next(piece for piece in FULL if piece.key == bay.code)
    assert (
        reasons[bay.code]
        == f"{piece.name} stands within the 3' 0\" before the opening of booth 1, which must stay free: move it."
    )


def test_a_door_added_after_a_piece_stood_there():
    door = Door("D3", outline((60 + 20, 72), (60 + 60, 72)))
    reasons = moved(checked_plan(replace(PLAN, doors=(*PLAN.doors, door))))
    assert reasons == {"A-1": "Dresser 1 stands within the 3' 4\" before door D3, which must stay free: move it."}


def test_a_booth_drawn_where_a_piece_stands():
    case = PlanSpace("C9", "case", box(62, 74, 30, 12))
    reasons = moved(checked_plan(replace(PLAN, spaces=(*PLAN.spaces, case))))
    assert reasons["A-1"] == "Dresser 1 stands where case C9 is drawn: move it."


def test_a_piece_in_no_bay():
    stray = Standing("x", "Trunk", box(100, 100, 30, 12), since=1)
    assert "x" in moved(PLAN, standing=[stray])
    left = Standing("x", "Trunk", box(5, 180, 14, 14), since=1)
    assert moved(PLAN, standing=[left]) == {"x": "Trunk stands wholly within no bay there is now: move it into one."}


def test_where_an_aisle_has_no_bays_any_more_it_is_named():
    """A post leaves 30 in. of it at its other end: nothing of the aisle is lent."""
    post = Fixture("P", "post", box(330, 72, 8, 30))
    reasons = moved(checked_plan(replace(PLAN, fixtures=(post,))), standing=FULL[:1])
    assert reasons == {"A-1": "Dresser 1 stands where no floor is lent any more, in aisle A: move it."}


def test_of_two_that_spoil_a_way_together_the_later_comer_goes():
    """Bays that lie opposite, as nobody would work them out: 20 in. each leave 20 of 36."""
    pair = [
        Standing("old", "Chest", ((1920, 1152), (2400, 1152), (2400, 1472), (1920, 1472)), since=1),
        Standing("new", "Bench", ((1920, 2112), (2400, 2112), (2400, 1792), (1920, 1792)), since=2),
    ]
    bays = [replace(bay, corners=piece.outline) for bay, piece in zip(BAYS, pair, strict=False)]
    rules = BayRules(entry_in16=1)
    openings = [Opening(code, side, 0, 16) for code, side in (("1", 2), ("2", 2), ("3", 0), ("4", 0))]
    (must,) = must_move(PLAN, openings, rules, pair[::-1], bays)
    assert must.key == "new"
    assert must.reason.startswith("With Bench in place: exit ")
    assert "the way narrows to 1' 8\"" in must.reason


@settings(max_examples=3, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([40, 44, 50]))
def test_after_what_must_move_has_gone_nothing_is_spoiled(seed, wider):
    """The width is raised in a mall whose bays were full."""
    plan = random_mall(seed)
    standing = [Standing(bay.code, bay.code, bay.corners, n) for n, bay in enumerate(work_out(plan).bays)]
    raised = replace(plan, required_clear_in16=max(wider * 16, plan.required_clear_in16))
    bays = work_out(raised).bays
    gone = {must.key for must in must_move(raised, (), RULES, standing, bays)}
    assert spoiled(raised, {piece.key: piece.outline for piece in standing if piece.key not in gone}, bays) == []


@pytest.mark.parametrize("turned", [False, True])
def test_single_pieces_with_gaps_are_no_worse_than_a_full_bay(turned):
    """403.5.2 (C3): under 36 in. deep nobody turns about a piece; a pocket beside one is no way that is too narrow."""
    bay = BAYS[0]
    places = [(0, 160), (720, 880)] if turned else [(100, 300)]
    pieces = {str(n): bay.stretch(a, b, bay.depth_in16) for n, (a, b) in enumerate(places)}
    assert spoiled(PLAN, pieces) == []
