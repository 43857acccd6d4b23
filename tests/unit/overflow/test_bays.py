"""Bays worked out of plans drawn by hand: what is over the clear width, what is never lent, and what each aisle is told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.geometry import LineString, Polygon

from coop.floor.domain.plan import Aisle, Door, Fixture, Plan, PlanSpace, Wall, checked_plan
from coop.floor.domain.walkable import Walkable
from coop.overflow.domain.across import clipped
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.clear import spoiled
from coop.overflow.domain.keepouts import Opening, keepouts
from coop.overflow.domain.lent import BayRules
from tests.unit.floor.domain.drawing import TURNS, box, in16, outline, turned
from tests.unit.overflow.random_malls import random_mall


def aisle_plan(wide=60, long=300, *, required=None, spaces=(), fixtures=(), walls=(), least=36):
    """A hall that is one aisle, with an exit as wide as itself at either end."""
    doors = (Door("W", outline((0, 0), (0, wide)), True), Door("E", outline((long, 0), (long, wide)), True))
    aisles = (Aisle("A", box(0, 0, long, wide), None if required is None else required * 16),)
    return checked_plan(Plan(box(0, 0, long, wide), walls, doors, aisles, fixtures, spaces, least * 16))


def booths(wide=60, long=300, *, required=None, left_out=()):
    """Two booths of 120 in. below an aisle and two above it, ways of 60 in. across at either end."""
    total = long + 120
    spaces = [
        PlanSpace(code, "booth", box(60 + x, y, long / 2, 72))
        for code, x, y in (("1", 0, 0), ("2", long / 2, 0), ("3", 0, 72 + wide), ("4", long / 2, 72 + wide))
        if code not in left_out
    ]
    high = 144 + wide
    doors = (Door("W", outline((0, 30), (0, 70)), True), Door("E", outline((total, 30), (total, 70)), True))
    aisle = Aisle("A", box(60, 72, long, wide), None if required is None else required * 16)
    return checked_plan(Plan(box(0, 0, total, high), doors=doors, aisles=(aisle,), spaces=tuple(spaces)))


def sizes(survey, *, inches=True):
    return sorted((bay.length_in16 / 16, bay.depth_in16 / 16) for bay in survey.bays)


def along(bay):
    """From where to where a bay of an aisle along x runs, in inches."""
    return min(x for x, _ in bay.corners) / 16, max(x for x, _ in bay.corners) / 16


# --- the clear width ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wide", "required", "deep"),
    [(60, 36, 24), (60, 44, 16), (48, 36, 12), (59.9375, 36, 23), (71, 36, 35), (95, 36, 35), (96, 36, 36), (140, 36, 48)],
)
def test_a_bay_is_what_an_aisle_has_over_its_clear_width(wide, required, deep):
    """2010 ADA Standards 403.5.1 (C1). From 36 in. deep on, 60 in. are left for turns about a piece (403.5.2, C3)."""
    survey = work_out(booths(wide, required=required))
    assert max(bay.depth_in16 for bay in survey.bays) == deep * 16
    assert {bay.aisle for bay in survey.bays} == {"A"}


def test_47_inches_at_36_are_too_few():
    survey = work_out(booths(47))
    assert survey.bays == ()
    assert [said.sentence for said in survey.aisles] == [
        'Aisle A is 3\' 11" wide and must keep 3\' 0" clear: 11" are left, and a bay is at least 1\' 0" deep.'
    ]


def test_the_exception_of_32_inches_is_never_used():
    """403.5.1 allows 32 in. for 24 in. of length (C2): a bay as short as that still leaves 36."""
    survey = work_out(booths(46), rules=BayRules(least_depth_in16=in16(12), least_length_in16=in16(18)))
    assert survey.bays == ()


def test_an_aisle_that_is_too_narrow_already():
    survey = work_out(booths(40, required=44))
    assert survey.aisles[0].sentence == "Aisle A is already narrower than it must be: 3' 4\" of 3' 8\" are clear."


def test_a_wider_aisle_beside_it_takes_no_bays_of_an_aisle():
    """W must keep 56 in. and A, which begins at it, 36 of its 60: in A nobody asks for 56."""
    plan = booths(60)
    survey = work_out(replace(plan, aisles=(*plan.aisles, Aisle("W", box(0, 0, 60, 204), in16(56)))))
    assert {(bay.before, bay.depth_in16) for bay in survey.bays} == {("1", in16(24)), ("2", in16(24))}


def test_two_bays_opposite_share_what_is_left():
    """Of 60 in. 24 are lent, wherever one goes across: at one side, or at the other."""
    survey = work_out(booths(60))
    lower = [b for b in survey.bays if b.before in "12"]
    upper = [b for b in survey.bays if b.before in "34"]
    for one in lower:
        for other in upper:
            ends = [sorted(x for x, _ in bay.corners) for bay in (one, other)]
            if min(ends[0][-1], ends[1][-1]) > max(ends[0][0], ends[1][0]):
                assert one.depth_in16 + other.depth_in16 <= in16(24)
    wide = work_out(booths(120))
    assert {b.depth_in16 for b in wide.bays if b.before in "12"} == {in16(48)}
    left = "of 120 in. 60 stay before bays of 48, for turns about what stands in them (403.5.2)"
    assert {b.depth_in16 for b in wide.bays if b.before in "34"} == {in16(12)}, left


def test_where_two_aisles_meet_at_a_slant_no_corner_of_either_is_cut_off():
    """Of 60 in. in A2 and 44 in A1, a disc of 60 in. goes round a bay at the west wall within A2: from its front's corner
    at (36, 206.4) to the line between the aisles are 30.5 in. straight, and from (40, 206.4) 28.8. With a bay of A1 in it, which
    the whole mall then has no room for, nothing was cut off.
    """
    room = outline((0, 0), (360, 45), (360, 400), (0, 400))
    aisles = (
        Aisle("A1", outline((0, 0), (0, 156.0625), (152.3125, 227.0625), (152.3125, 19.0625)), in16(44)),
        Aisle("A2", outline((0, 156.0625), (0, 340), (152.3125, 340), (152.3125, 227.0625)), in16(60)),
    )
    plan = checked_plan(
        Plan(room, doors=(Door("E", outline((0, 48), (0, 0)), True),), aisles=aisles, required_clear_in16=in16(44))
    )
    between = LineString([(0, in16(156.0625)), (in16(152.3125), in16(227.0625))])
    bays = [bay for bay in work_out(plan).bays if bay.aisle == "A2"]
    assert [bay.depth_in16 for bay in bays if bay.corners[0][0] == 0] == [in16(36)]
    assert min(between.distance(Polygon(bay.corners)) for bay in bays) >= in16(30)


def test_a_longer_wall_is_cut_into_equal_bays():
    survey = work_out(booths(60, 600, left_out="34"))
    assert sizes(work_out(aisle_plan(60, 900), rules=BayRules(longest_in16=in16(240))))[0][0] <= 240
    assert all(bay.length_in16 <= in16(240) for bay in survey.bays)


# --- what is never lent -------------------------------------------------------------------------------------------------


def test_the_middle_of_a_booths_side_is_kept_where_nobody_said():
    """Each booth of 150 in. keeps 36 in its middle: 57 to either hand."""
    survey = work_out(booths(60))
    assert sizes(survey) == [(57, 24)] * 4
    assert [bay.code for bay in survey.bays] == ["A-1", "A-2", "A-3", "A-4"]
    assert {bay.backing for bay in survey.bays} == {"booth"}
    assert survey.aisles[0].sentence == "Aisle A has 4 bays, 19' 0\" long together."


def test_openings_are_kept_where_they_are_said_to_be():
    """Booth 1 opens by 48 in. from its left end; the side goes from its right end above, side 2 of a box."""
    opening = Opening("1", 2, in16(150 - 48), in16(48))
    before = [b for b in work_out(booths(60), [opening]).bays if b.before == "1"]
    assert [(min(x for x, _ in b.corners) / 16, b.length_in16 / 16) for b in before] == [(60 + 48, 102)]


def test_an_opening_narrower_than_the_clear_width_is_kept_as_wide():
    survey = work_out(booths(60, required=44), [Opening("1", 2, in16(60), in16(30))])
    assert sorted(b.length_in16 / 16 for b in survey.bays if b.before == "1") == [53, 53]


def test_before_an_opening_the_width_of_its_own_aisle_is_kept():
    """Booth 1 lies between A, which must keep 36 in., and W, which must keep 56: before its side to A are 36, right from W's end
    on, and before its side to W 56. Its side 2, to booth 2, is no way.
    """
    plan = booths(60)
    wide = replace(plan, aisles=(*plan.aisles, Aisle("W", box(0, 0, 60, 204), in16(56))))
    openings = [Opening("1", 2, 0, in16(150)), Opening("1", 1, in16(10), in16(36)), Opening("1", 3, in16(10), in16(36))]
    said = [kept.said for kept in keepouts(Walkable(wide), openings, in16(36)) if "booth 1" in kept.said]
    assert said == [f"the {width} before the opening of booth 1" for width in ("3' 0\"", "4' 8\"")]


def cornered():
    """Booths 1 and 2 of 150 in. with the west wall at the first's end, an aisle of 160 in. below them, the exit to the east."""
    spaces = (PlanSpace("1", "booth", box(0, 0, 150, 72)), PlanSpace("2", "booth", box(150, 0, 150, 72)))
    doors = (Door("E", outline((400, 120), (400, 180)), True),)
    aisles = (Aisle("A", box(0, 72, 400, 160), 44 * 16),)
    return checked_plan(Plan(box(0, 0, 400, 232), doors=doors, aisles=aisles, spaces=spaces))


def test_an_opening_by_a_wall_is_kept_as_wide_to_its_other_hand():
    """32 in. are said by the wall, 44 are required: all that is lacking is kept where there is floor."""
    survey = work_out(cornered(), [Opening("1", 2, in16(150 - 32), in16(32))])
    assert min(x / 16 for bay in survey.bays if bay.before == "1" for x, _ in bay.corners) == 44


def test_a_narrow_door_in_a_corner_is_kept_as_wide_as_the_clear_width():
    """A door of 36 in. from the corner on, where 44 are required."""
    plan = cornered()
    door = Door("S", outline((0, 232), (36, 232)))
    south = [
        b for b in work_out(replace(plan, doors=(*plan.doors, door))).bays if b.corners[0][1] == b.corners[1][1] == in16(232)
    ]
    assert min(x / 16 for bay in south for x, _ in bay.corners) == 44


def test_a_fully_kept_aisle_is_told():
    openings = [Opening(code, side, 0, in16(150)) for code, side in (("1", 2), ("2", 2), ("3", 0), ("4", 0))]
    survey = work_out(booths(60), openings)
    assert survey.bays == ()
    assert "every stretch of it is taken by openings, doors and exits" in survey.aisles[0].sentence


def test_nothing_goes_before_an_exit_or_within_36_in_of_an_extinguisher():
    """A wall with an extinguisher in its middle (36 in.: common practice; the local code decides), exits at both ends."""
    plan = aisle_plan(60, 400, fixtures=(Fixture("X", "extinguisher", box(196, 0, 8, 8)),))
    bays = work_out(plan).bays
    assert [along(bay) for bay in bays] == [(48, 160), (240, 352)], "on both sides of it"
    for bay in bays:
        xs, ys = [x / 16 for x, _ in bay.corners], [y / 16 for _, y in bay.corners]
        assert min(xs) >= 36
        assert max(xs) <= 400 - 36
        assert max(xs) <= 160 or min(xs) >= 240 or min(ys) >= 44


def test_a_counter_stays_to_be_reached():
    """904.4.1 (C5) is of its height; it is of use only with the way to it, 36 in. all round."""
    plan = aisle_plan(120, 400, fixtures=(Fixture("D", "counter", box(180, 0, 40, 24), 36 * 16),))
    bays = work_out(plan).bays
    assert bays
    for bay in bays:
        xs, ys = [x / 16 for x, _ in bay.corners], [y / 16 for _, y in bay.corners]
        assert max(xs) <= 144 or min(xs) >= 256 or min(ys) >= 60


def test_a_turn_about_a_row_under_48_in_wide_stays():
    """403.5.2 (C3): 42 in. approaching, 48 at the turn, 42 leaving, about a row of cases 40 in. wide."""
    case = PlanSpace("C", "case", box(0, 70, 200, 40))
    plan = Plan(
        box(0, 0, 300, 180),
        doors=(Door("S", outline((0, 10), (0, 60)), True), Door("N", outline((0, 120), (0, 170)), True)),
        aisles=(Aisle("A", box(0, 0, 300, 70)), Aisle("B", box(0, 110, 300, 70)), Aisle("T", box(200, 70, 100, 40))),
        spaces=(case,),
    )
    survey = work_out(checked_plan(plan))
    assert survey.bays
    for bay in survey.bays:
        xs, ys = [x / 16 for x, _ in bay.corners], [y / 16 for _, y in bay.corners]
        beside = max(xs) > 152 and min(xs) < 200
        assert not beside or max(ys) <= 70 - 42 or min(ys) >= 110 + 42
        assert max(xs) <= 200 or min(xs) >= 248 or max(ys) <= 28 or min(ys) >= 152


def test_a_long_way_keeps_its_passing_space():
    """403.5.3 (C4): 60 by 60 in. at least every 200 ft of a way under 60 in. wide."""
    survey = work_out(aisle_plan(72, 3600))
    assert survey.bays
    assert spoiled(aisle_plan(72, 3600), {bay.code: bay.corners for bay in survey.bays}) == []
    assert max(b.depth_in16 for b in survey.bays) > in16(12)


def test_a_crossing_is_never_lent():
    plan = booths(60)
    across = Aisle("B", box(200, 72, 50, 60))
    bays = work_out(replace(plan, aisles=(*plan.aisles, across))).bays
    assert sorted(along(bay) for bay in bays) == [(60, 117), (153, 200), (303, 360)], "up to it, and beyond it"
    assert all(last <= 200 or first >= 250 for first, last in map(along, bays))


# --- order, walls, turned plans -----------------------------------------------------------------------------------------


def test_bays_at_walls_come_first():
    """No booths above: the wall there is taken, and the booths' sides below have nothing left of 24 in."""
    survey = work_out(walled())
    assert {(bay.backing, bay.before) for bay in survey.bays} == {("wall", "")}


def walled():
    plan = booths(60, left_out="34")
    return replace(plan, walls=(Wall("N", outline((60, 134), (360, 134)), 64),))


@pytest.mark.parametrize("degrees", TURNS)
def test_a_turned_plan_has_the_same_bays_within_an_inch(degrees):
    straight, other = work_out(booths(60.5)), work_out(turned(booths(60.5), degrees))
    for (long, deep), (length, depth) in zip(sizes(straight), sizes(other), strict=True):
        assert length == pytest.approx(long, abs=1)
        assert depth == pytest.approx(deep, abs=1)


# --- bays there were ----------------------------------------------------------------------------------------------------


def test_bays_there_were_stay_and_new_ones_get_other_codes():
    old = work_out(booths(60)).bays
    again = work_out(booths(60), kept=old[1:3], taken_codes={"A-1"})
    assert [b for b in again.bays if b.code in ("A-2", "A-3")] == list(old[1:3])
    assert sorted(b.code for b in again.bays) == ["A-2", "A-3", "A-4", "A-5"]
    assert {b.corners for b in again.bays} == {b.corners for b in old}


def test_a_bay_gets_shallower_when_the_width_is_raised():
    old = work_out(booths(60)).bays
    now = work_out(booths(60, required=44), kept=old).bays
    assert [b.code for b in now] == [b.code for b in old]
    assert {b.depth_in16 for b in now} == {in16(16)}
    # The wider way must get to the openings too.
    assert {b.length_in16 for b in now} == {in16(53)}
    assert work_out(booths(60, required=50), kept=old).bays == ()


def test_a_bay_is_cut_before_a_new_opening():
    old = work_out(booths(60)).bays
    bay = next(b for b in old if b.before == "1")
    left = min(x for x, _ in bay.corners) // 16 - 60
    opening = Opening("1", 2, in16(150 - left - 36), in16(36))
    now = {b.code: b for b in work_out(booths(60), [opening], kept=old).bays}
    assert now[bay.code].length_in16 == in16(21)
    assert now[bay.code].before == "1"


@pytest.mark.parametrize("seed", [0, 3, 4, 6, 10, 11])
def test_bays_of_the_same_plan_all_stay(seed):
    """In whatever order they are taken: none stands in the way before another."""
    plan = random_mall(seed)
    old = work_out(plan).bays
    assert set(work_out(plan, kept=old).bays) >= set(old)


def test_a_floor_is_cut_to_a_rectangle_where_rounding_leaves_three_corners_on_its_side():
    """A floor of a turned plan, as it came up."""
    corners = [
        (1824.5267149461076, 1440.2110755188962),
        (1759.88797132602, 1440.215251957716),
        (1856.5267148793125, 1440.2090079347433),
        (2048.000000000001, 1440.1966364619045),
        (2048.0000000000005, 480.1966344580435),
        (2016.090624723086, 480.1986961867556),
        (2016.05959812257, 8.31365383254811e-13),
        (947.6756423489212, 7.533372590732485e-13),
        (65.74868431079511, -3.9282762242739115e-13),
        (31.917965971508263, -2.3150412426852165e-14),
        (32.01098589807607, 1439.6694034907089),
        (288.2756678895586, 1439.6694034907093),
        (288.2942975074754, 1728.0000000000005),
        (1824.5453095655093, 1728),
    ]
    rectangle = (1760.38797132602, 3, 1824.0267149461076, 1728)
    assert clipped(Polygon(corners), *rectangle).bounds == pytest.approx(rectangle)
