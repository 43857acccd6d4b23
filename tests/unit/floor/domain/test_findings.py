"""A plan judged whole: who is reached, which exits are blocked, which aisles are narrow; and what further pieces would spoil."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coop.floor.domain.findings import CAUTION, clear_after, judge_plan
from coop.floor.domain.plan import Aisle, Door, Fixture, Plan, PlanSpace, Wall, checked_plan
from tests.benchmarks.floor import mall_plan
from tests.unit.floor.domain.drawing import TURNS, box, hall, outline, things, turned

SIXTEENTH = 1 / 16
ROOM = box(0, 0, 400, 300)
FRONT = Door("front", outline((0, 100), (0, 160)), True)


def judged(plan, kind=None):
    return [finding for finding in judge_plan(checked_plan(plan)) if kind in (None, finding.kind)]


def kinds(plan):
    return [(finding.kind, finding.codes) for finding in judged(plan)]


def booth(code, *rectangle, open_sides=None, kind="booth"):
    return PlanSpace(code, kind, box(*rectangle), open_sides)


# --- reach --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", TURNS)
def test_a_mall_with_nothing_wrong(degrees):
    assert judged(turned(mall_plan(120), degrees)) == []


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(("gap", "measured"), [(36.125, None), (30.5, 30.5), (12, 12), (0, 0)])
def test_a_booth_behind_a_gap(gap, measured, degrees):
    """A booth in the back room, whose only way in is a gap 40 in. long."""
    walls = (box(200, 0, 40, 100), box(200, 100 + gap, 40, 200 - gap))
    plan = Plan(
        ROOM, doors=(FRONT,), fixtures=things(*walls), spaces=(booth("14", 300, 150, 80, 120), booth("2", 20, 200, 80, 80))
    )
    findings = judged(turned(plan, degrees))
    if measured is None:
        assert findings == []
        return
    (finding,) = findings
    assert (finding.kind, finding.codes, finding.required_in16) == ("unreachable", ("14",), 576)
    assert finding.measured_in16 == pytest.approx(measured * 16, abs=2)


def test_the_sentence_and_place_of_an_unreached_booth():
    walls = (box(200, 0, 40, 100), box(200, 130.5, 40, 169.5))
    plan = Plan(ROOM, doors=(FRONT,), fixtures=things(*walls), spaces=(booth("14", 300, 150, 80, 120),))
    (finding,) = judged(plan)
    assert finding.sentence == (
        "Booth 14 cannot be reached: the way narrows to 2' 6 1/2\". 3' 0\" is required. Move what stands in the way."
    )
    assert not finding.closed
    xs, ys = zip(*finding.at, strict=True)
    assert 150 * 16 < min(xs) < 200 * 16, "drawn from one side of the gap"
    assert 240 * 16 < max(xs) < 290 * 16, "to the other"
    assert all(100 * 16 < y < 131 * 16 for y in ys)


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(("deep", "reached"), [(0, True), (23.75, True), (25, False)])
def test_a_booth_at_the_end_of_a_narrow_recess(deep, reached, degrees):
    """Its open side, 33 in. long, lies so far behind the fronts of its neighbours: the 24 in. of 403.5.1 once more."""
    spaces = (
        booth("1", 60, 60, 40, 80),
        booth("2", 100, 60 + deep, 33, 80 - deep, open_sides=(0,)),
        booth("3", 133, 60, 40, 80),
    )
    plan = Plan(box(0, 0, 300, 140), doors=(Door("front", outline((0, 0), (0, 60)), True),), spaces=spaces)
    assert [f.codes for f in judged(turned(plan, degrees), "unreachable")] == ([] if reached else [("2",)])


@pytest.mark.parametrize(
    ("open_sides", "reached"),
    [(None, True), ((0,), False), ((1,), True), ((2,), False), ((3,), True), ((0, 3), True)],
)
def test_only_an_open_side_lets_people_in(open_sides, reached):
    """A booth between the wall below and another booth above: sides 1 and 3 face the floor."""
    spaces = (booth("1", 150, 0, 80, 100, open_sides=open_sides), booth("2", 150, 100, 80, 100))
    assert [f.codes for f in judged(Plan(ROOM, doors=(FRONT,), spaces=spaces))] == ([] if reached else [("1",)])


def test_a_corner_on_the_aisle_is_no_way_in():
    """The open side runs down a crack of 20 in.; only its end is on the aisle."""
    spaces = (booth("1", 100, 0, 80, 150, open_sides=(1,)), booth("2", 200, 0, 80, 150))
    assert kinds(Plan(ROOM, doors=(FRONT,), spaces=spaces)) == [("unreachable", ("1",))]
    spaces = (spaces[0], booth("2", 216.0625, 0, 80, 150))
    assert kinds(Plan(ROOM, doors=(FRONT,), spaces=spaces)) == []


def test_a_case_is_to_be_reached_and_a_shelf_within_a_booth_is_not():
    def boxed_in(kind, at):
        spaces = (booth("x", *at, kind=kind), booth("b", 300, 0, 100, 100))
        return kinds(Plan(ROOM, doors=(FRONT,), fixtures=things(box(280, 0, 20, 120), box(300, 100, 100, 20)), spaces=spaces))

    assert ("unreachable", ("b",)) in boxed_in("shelf", (310, 10, 30, 12))
    assert ("unreachable", ("x",)) not in boxed_in("shelf", (310, 10, 30, 12))
    walled = (box(180, 0, 10, 120), box(180, 120, 210, 10), box(390, 0, 10, 130))
    for kind in ("case", "shelf", "wall"):
        plan = Plan(ROOM, doors=(FRONT,), fixtures=things(*walled), spaces=(booth("x", 250, 0, 30, 12, kind=kind),))
        assert kinds(plan) == [("unreachable", ("x",))]


def test_a_space_without_an_outline_is_not_judged():
    assert kinds(Plan(ROOM, doors=(FRONT,), spaces=(PlanSpace("W", "wall"),))) == []


def test_a_main_width_of_44_knows_no_exception():
    pinch = things(box(200, 0, 10, 100), box(200, 140, 10, 160))
    plan = Plan(ROOM, doors=(FRONT,), fixtures=pinch, spaces=(booth("1", 300, 150, 80, 120),))
    assert kinds(plan) == []
    (finding,) = judged(replace(plan, required_clear_in16=44 * 16))
    assert (finding.kind, finding.measured_in16, finding.required_in16) == ("unreachable", 40 * 16, 44 * 16)


def test_a_floor_that_is_full():
    plan = Plan(ROOM, doors=(FRONT,), spaces=(PlanSpace("1", "booth", ROOM),))
    assert ("unreachable", ()) in kinds(plan)


# --- exits and doors ----------------------------------------------------------------------------------------------------


def test_no_exit():
    assert kinds(Plan(ROOM, spaces=(booth("1", 300, 150, 80, 120),))) == [("no_exit", ())]


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(("before", "blocked"), [(40, False), (30, True)])
def test_a_thing_before_an_exit(before, blocked, degrees):
    """Something 80 in. wide before an exit of 36: one must come between them."""
    back = Door("back", outline((400, 132), (400, 168)), True)
    plan = Plan(ROOM, doors=(FRONT, back), fixtures=things(box(330 - before + 20, 110, 50, 80)))
    assert kinds(turned(plan, degrees)) == ([("exit_blocked", ("back",))] if blocked else [])


def test_a_booth_is_reached_by_any_exit_even_through_a_narrow_one():
    """A back room of its own, whose exit is at the end of a recess 33 in. wide and 20 in. long."""
    back = Door("back", outline((400, 100), (400, 133)), True)
    recess = box(380, 0, 20, 100), box(380, 133, 20, 167)
    room = Wall("w", outline((200, 0), (200, 300)), 64)
    plan = Plan(ROOM, (room,), (FRONT, back), fixtures=things(*recess), spaces=(booth("1", 250, 200, 80, 100),))
    assert [(f.kind, f.codes) for f in judged(plan)] == [("exit_pinch", ("back",))]


def test_an_exit_behind_a_pinch():
    back = Door("back", outline((400, 100), (400, 160)), True)
    pinch = things(box(200, 0, 40, 100), box(200, 130, 40, 170))
    (finding,) = judged(Plan(ROOM, doors=(FRONT, back), fixtures=pinch, spaces=(booth("1", 20, 200, 80, 80),)))
    assert finding.kind == "exit_pinch"
    assert finding.measured_in16 == 30 * 16
    assert "does not lead to the main floor" in finding.sentence


def test_an_exit_behind_a_stretch_that_is_too_long_tells_its_length():
    back = Door("back", outline((400, 100), (400, 160)), True)
    pinch = things(box(200, 0, 26, 100), box(200, 133, 26, 167))
    (finding,) = judged(Plan(ROOM, doors=(FRONT, back), fixtures=pinch))
    assert "the way narrows to 2' 9\" for 2' 2\"." in finding.sentence
    assert (finding.measured_in16, finding.closed) == (33 * 16, True)


def test_two_stretches_too_near_are_told_as_such():
    back = Door("back", outline((400, 100), (400, 160)), True)
    pinches = [box(x, y, 4, deep) for x in (200, 244) for y, deep in ((0, 100), (133, 167))]
    (finding,) = judged(Plan(ROOM, doors=(FRONT, back), fixtures=things(*pinches)))
    assert "a second time within 4 ft" in finding.sentence


def test_a_room_behind_a_door_that_cannot_be_got_to():
    wall = Wall("w", outline((250, 0), (250, 300)), 64)
    inner = Door("inner", outline((250, 120), (250, 156)))
    plan = Plan(ROOM, (wall,), (FRONT, inner), spaces=(booth("1", 300, 150, 80, 120),))
    assert kinds(plan) == []
    # The larger floor is before the bar, with the exit; the gap of 10 in. beside the bar is all that leads on.
    barred = judged(replace(plan, fixtures=things(box(200, 0, 10, 290))))
    assert [(f.kind, f.codes, f.measured_in16) for f in barred] == [
        ("door_pinch", ("inner",), 160),
        ("unreachable", ("1",), 160),
    ]


@pytest.mark.parametrize(("wide", "narrow"), [(32, False), (32 - 2 * SIXTEENTH, True), (28, True)])
def test_a_door_is_32_inches_wide(wide, narrow):
    back = Door("back", outline((400, 100), (400, 100 + wide)), True)
    assert kinds(Plan(ROOM, doors=(FRONT, back))) == ([("door_narrow", ("back",))] if narrow else [])


# --- aisles -------------------------------------------------------------------------------------------------------------


def aisle_plan(width, required=None, *extra, end_closed=False):
    """An aisle 200 in. long between two rows, open at both ends or shut at the right, with another way round."""
    rows = (booth("1", 60, 60, 200, 80), booth("2", 60, 140 + width, 200, 80))
    shut = (Wall("shut", box(260, 60, 10, 160 + width)),) if end_closed else ()
    required_in16 = None if required is None else round(required * 16)
    return Plan(
        box(0, 0, 330, 280 + width),
        doors=(Door("front", outline((0, 100), (0, 160)), True),),
        aisles=(Aisle("A", box(60, 140, 200, width), required_in16),),
        walls=shut,
        fixtures=things(*extra),
        spaces=rows,
    )


@pytest.mark.parametrize("end_closed", [False, True])
@pytest.mark.parametrize(
    ("width", "required", "measured"),
    [
        (36, None, None),
        (36 - SIXTEENTH, None, 36 - SIXTEENTH),
        (44, 44, None),
        (44 - SIXTEENTH, 44, 44 - SIXTEENTH),
        (60, 44, None),
        (24, 44, 24),
    ],
)
def test_an_aisle_and_its_width(width, required, measured, end_closed):
    found = judged(aisle_plan(width, required, end_closed=end_closed), "aisle_narrow")
    assert [f.measured_in16 for f in found] == ([] if measured is None else [measured * 16])


@pytest.mark.parametrize("degrees", TURNS)
@pytest.mark.parametrize(("width", "required", "narrow"), [(44.25, 44, False), (43.75, 44, True), (50, 44, False)])
def test_a_turned_aisle(width, required, narrow, degrees):
    assert len(judged(turned(aisle_plan(width, required), degrees), "aisle_narrow")) == narrow


@pytest.mark.parametrize(
    ("thing", "required", "narrow"),
    [
        # A thing in an aisle of 60 in. that leaves so much; there is another way round, which mends nothing.
        ((150, 140, 30, 16), 44, False),
        ((150, 140, 30, 17), 44, True),
        ((150, 140, 24, 28), 36, False),
        ((150, 140, 25, 28), 36, True),
        ((150, 140, 24, 28.0625), 36, True),
        ((150, 140, 24, 28), 44, True),
        ((150, 140, 30, 60), 36, True),
        ((150, 162, 16, 16), 36, True),
        # At the very mouth, and beside it.
        ((60, 140, 4, 30), 36, True),
        ((60, 140, 4, 28), 36, False),
        ((60, 140, 25, 28), 36, True),
        ((256, 140, 4, 17), 44, True),
        ((256, 140, 4, 16), 44, False),
        ((20, 140, 30, 30), 44, True),
        ((0, 140, 16, 30), 44, False),
    ],
)
def test_a_thing_in_an_aisle(thing, required, narrow):
    found = judged(aisle_plan(60, required, box(*thing)), "aisle_narrow")
    assert len(found) == narrow
    for finding in found:
        xs = [x / 16 for x, _ in finding.at]
        assert min(xs) < thing[0] + thing[2] + 30
        assert max(xs) > thing[0] - 30


def test_the_sentence_of_an_aisle():
    (finding,) = judged(aisle_plan(40, 44), "aisle_narrow")
    assert finding.sentence == (
        "Aisle A is 3' 4\" clear at its narrowest; 3' 8\" is required: move what stands in it or beside it."
    )
    (finding,) = judged(aisle_plan(60, 44, box(60, 140, 200, 60)), "aisle_narrow")
    assert "is blocked" in finding.sentence


# --- what further pieces would spoil ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("piece", "spoiled"),
    [
        ((150, 140, 60, 24), []),
        ((150, 140, 60, 24 + SIXTEENTH), [("aisle_narrow", ("A",))]),
        ((0, 80, 60, 140), [("exit_blocked", ("front",))]),
        ((285, 100, 40, 60), []),
    ],
)
def test_a_piece_in_an_aisle(piece, spoiled):
    assert [(f.kind, f.codes) for f in clear_after(aisle_plan(60), [box(*piece)])][: len(spoiled) or None] == spoiled


def test_what_was_wrong_before_counts_only_when_it_is_worse():
    plan = aisle_plan(30)
    assert judged(plan, "aisle_narrow") != []
    assert clear_after(plan, []) == []
    assert clear_after(plan, [box(285, 100, 40, 20)]) == []
    (worse,) = clear_after(plan, [box(150, 140, 20, 6)])
    assert (worse.kind, worse.measured_in16) == ("aisle_narrow", 24 * 16)


def test_a_wider_width_may_be_asked_for():
    piece = [box(150, 140, 60, 20)]
    assert clear_after(aisle_plan(60), piece) == []
    assert [f.kind for f in clear_after(aisle_plan(60), piece, 44 * 16)] == ["aisle_narrow"]


def test_a_piece_that_shuts_a_booth_off():
    plan = aisle_plan(60, end_closed=True)
    opened = tuple(replace(s, open_sides=((2,) if s.code == "1" else (0,))) for s in plan.spaces)
    found = clear_after(replace(plan, spaces=opened), [box(60, 140, 4, 30)])
    assert {(f.kind, f.codes) for f in found} == {("unreachable", ("1",)), ("unreachable", ("2",)), ("aisle_narrow", ("A",))}


def test_a_piece_that_makes_a_turn_too_tight():
    plan = Plan(
        box(0, 0, 400, 130),
        doors=(Door("front", outline((400, 40), (400, 90)), True),),
        spaces=(PlanSpace("C", "case", box(0, 45, 300, 40)),),
    )
    assert judged(plan) == []
    assert [(f.kind, f.codes) for f in clear_after(plan, [box(345, 0, 10, 90)])] == [("turn_tight", ("C",))]


def test_an_extinguisher_on_the_floor_is_in_the_way_like_anything():
    plan = aisle_plan(36)
    extinguisher = Fixture("X", "extinguisher", box(150, 140, 6, 6))
    assert [f.kind for f in judged(replace(plan, fixtures=(extinguisher,)))] == ["aisle_narrow"]


def test_the_caution():
    assert "planning only" in CAUTION
    assert "fire marshal" in CAUTION


@pytest.mark.parametrize("degrees", TURNS)
def test_a_second_way_with_nowhere_to_pass_counts_beside_one_there_was(degrees):
    """403.5.3: 59 in. to one side of a partition and 61 to the other, where a row of posts 2 in. deep leaves a longer way."""
    long = 240 * 12
    plan = turned(hall(160, long, box(100, 61, 50, 38), box(150, 59, long - 250, 40)), degrees)
    (there,) = judged(plan, "no_passing_space")
    posts = [box(x, 158, 4, 2) for x in range(110, long - 110, 50)]
    extra = tuple(f.outline for f in turned(replace(hall(160, long), fixtures=things(*posts)), degrees).fixtures)
    (found,) = clear_after(plan, extra)
    assert found.kind == "no_passing_space"
    assert found.at != there.at
    assert clear_after(plan, ()) == []
    beside = turned(hall(160, long, box(1000, 0, 20, 4)), degrees).fixtures
    assert clear_after(plan, [f.outline for f in beside]) == [], "the way there was, a little about a thing beside it"
