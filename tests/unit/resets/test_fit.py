"""Each thing that can be wrong with an arrangement: one case that has it and one that just has not, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.finding import KINDS
from tests.unit.resets.fitting import FOOT, IN, booth, found, kinds, put, the

ROOM = booth()
CABINET = put("cabinet", (60, 9), (40, 18, 70), opens_in16=18 * IN)
TABLE = put("table", (60, 60), (48, 30, 30), carries_oz=100 * 16)

# An L of 10 by 12 ft whose back right quarter of 6 by 6 ft is missing; open at the front.
L_SHAPE = Booth(
    ((0, 0), (4 * FOOT, 0), (4 * FOOT, 6 * FOOT), (10 * FOOT, 6 * FOOT), (10 * FOOT, 12 * FOOT), (0, 12 * FOOT)),
    (*[Side("wall", hooks=True)] * 4, Side("open"), Side("wall", hooks=True)),
)


def test_a_sound_booth_has_no_findings():
    lamp = put("lamp", (60, 60), (8, 8, 20), stands="table", on="table", weight_oz=64)
    picture = put("picture", (20, 0.5), (20, 1, 24), stands="wall", up=48)
    assert found(ROOM, CABINET, TABLE, lamp, picture) == []


def test_an_empty_booth_has_no_findings():
    assert found(ROOM) == []


CASES = {
    # Two edges in one line; a sixteenth over each other is a hair, two are not.
    "overlap": (
        [put("a", (40, 40), (20, 10, 30)), put("b", (60 - 2 / 16, 40), (20, 10, 30))],
        [put("a", (40, 40), (20, 10, 30)), put("b", (60 - 1 / 16, 40), (20, 10, 30))],
    ),
    "outside": ([put("a", (9, 40), (20, 10, 30))], [put("a", (10, 40), (20, 10, 30))]),
    "in aisle": ([put("a", (60, 140), (20, 10, 30))], [put("a", (60, 139), (20, 10, 30))]),
    # The booth's limit is 8 ft.
    "too high": ([put("a", (60, 40), (20, 10, 96 + 1 / 16))], [put("a", (60, 40), (20, 10, 96))]),
    # 18 in. before a front at y = 18: the strip ends at 36, and a piece begins at 35 or at 36.
    "cannot open": ([CABINET, put("a", (60, 40), (20, 10, 30))], [CABINET, put("a", (60, 41), (20, 10, 30))]),
    # 100 lb are carried.
    "too heavy below": (
        [TABLE, put("a", (60, 60), (9, 9, 9), on="table", weight_oz=1601)],
        [TABLE, put("a", (60, 60), (9, 9, 9), on="table", weight_oz=1600)],
    ),
    # The top is 48 in. wide, from 36 to 84.
    "overhangs": (
        [TABLE, put("a", (41 - 2 / 16, 60), (10, 9, 9), on="table", weight_oz=1)],
        [TABLE, put("a", (41, 60), (10, 9, 9), on="table", weight_oz=1)],
    ),
    "stack circle": (
        [put("a", (60, 60), on="b", carries_oz=1), put("b", (60, 60), on="a", carries_oz=1)],
        [put("a", (60, 60), on="b", weight_oz=1), put("b", (60, 60), carries_oz=1)],
    ),
    "nothing below": (
        [put("a", (60, 60), on="gone", weight_oz=1)],
        [put("a", (60, 60), on="table", weight_oz=1), TABLE],
    ),
    "not weighed": (
        [TABLE, put("a", (60, 60), (9, 9, 9), on="table")],
        [TABLE, put("a", (60, 60), (9, 9, 9), on="table", weight_oz=0)],
    ),
    # Its back an inch before the wall at most.
    "no hooks": (
        [put("a", (60, 2 + 1 / 16), (20, 2, 20), stands="wall", up=50)],
        [put("a", (60, 2), (20, 2, 20), stands="wall", up=50)],
    ),
    # 40 in. high: what it leans on is at most 10 in. behind it.
    "leans on nothing": (
        [put("a", (60, 11 + 1 / 16), (20, 2, 40), leans=True)],
        [put("a", (60, 11), (20, 2, 40), leans=True)],
    ),
    # Two long pieces 35 15/16 or 36 in. apart, and one behind them.
    "way narrow": (
        [put("l", (21, 92), (42, 90, 40)), put("r", (99 - 1 / 16, 92), (42, 90, 40)), put("a", (60, 10))],
        [put("l", (21, 92), (42, 90, 40)), put("r", (99, 92), (42, 90, 40)), put("a", (60, 10))],
    ),
    # A row from wall to wall, 35 in. high: nobody reaches over it; at 34 in. an arm does, 24 in. deep.
    "out of reach": (
        [put("row", (60, 29), (119, 18, 35)), put("a", (60, 10), (20, 20, 60))],
        [put("row", (60, 29), (119, 18, 34)), put("a", (60, 10), (20, 20, 60))],
    ),
    # Behind a row from wall to wall that is 70 in. high; and with a head over it, at 80 in.
    "out of sight": (
        [put("row", (60, 29), (120, 18, 70)), put("a", (60, 10), (20, 10, 60))],
        [put("row", (60, 29), (120, 18, 70)), put("a", (60, 10), (20, 10, 80))],
    ),
}


def test_every_kind_has_its_case():
    assert set(CASES) == set(KINDS) - {"may tip", "leans badly", "glass"}  # those are the tipping checks'


@pytest.mark.parametrize("kind", CASES)
def test_one_case_has_it_and_one_just_has_not(kind):
    room = booth(height_limit_in16=8 * FOOT)
    has, has_not = CASES[kind]
    assert kind in kinds(room, *has)
    assert kind not in kinds(room, *has_not)


@pytest.mark.parametrize("kind", CASES)
def test_every_finding_names_a_piece_a_place_and_a_mend(kind):
    room = booth(height_limit_in16=8 * FOOT)
    for one in found(room, *CASES[kind][0]):
        assert one.pieces
        assert one.at
        assert one.sentence.endswith(".")
        assert ";" in one.sentence or ":" in one.sentence or one.kind == "not weighed"


def test_what_stops_a_set_is_told_first():
    unweighed = put("a", (60, 60), (9, 9, 9), on="table")
    told = [one.stops for one in found(ROOM, TABLE, unweighed, put("b", (9, 100)))]
    assert told == [True, False]


# --- overlaps -----------------------------------------------------------------------------------------------------------


def test_the_smaller_of_two_is_to_be_moved_by_what_they_overlap():
    one = the("overlap", ROOM, put("desk", (40, 60), (40, 20, 30)), put("chair", (64, 60), (18, 18, 30)))
    assert one.sentence == 'Chair and Desk overlap by 5"; move Chair 5" to the right.'
    assert (one.measured_in16, one.pieces) == (5 * IN, ("chair", "desk"))
    assert sorted(one.at) == [(55 * IN, 51 * IN), (55 * IN, 69 * IN), (60 * IN, 51 * IN), (60 * IN, 69 * IN)]


def test_a_locked_piece_is_not_the_one_to_move():
    locked = put("chair", (64, 60), (18, 18, 30), locked=True)
    one = the("overlap", ROOM, put("desk", (40, 60), (40, 20, 30)), locked)
    assert one.sentence.endswith('move Desk 5" to the left.')


def test_two_that_are_turned_overlap_by_the_least_way_out():
    # Squares of 10 in. side by side on their corners: 14.142 in. across each; 13 in. between their middles.
    # Square to a side the middles are 13 / sqrt(2) = 9.192 apart, so they overlap by 10 - 9.192 = 0.808 in., 12.9 sixteenths.
    one = the("overlap", ROOM, put("a", (40, 60), (10, 10, 30), 45), put("b", (53, 60), (10, 10, 30), 45))
    assert one.measured_in16 == 13


@pytest.mark.parametrize(("up", "told"), [(30, False), (29, True)])
def test_a_wall_piece_above_a_low_cabinet_is_not_in_it(up, told):
    low = put("chest", (60, 6), (40, 12, 30))
    picture = put("picture", (60, 1), (30, 2, 20), stands="wall", up=up)
    assert ("overlap" in kinds(ROOM, low, picture)) is told
    assert ("overlap" in kinds(ROOM, picture, low)) is told


def test_two_on_one_top_overlap_and_what_stands_on_the_other_does_not():
    one = put("one", (55, 60), (10, 10, 10), on="table", weight_oz=1, carries_oz=10)
    two = put("two", (60, 60), (10, 10, 10), on="table", weight_oz=1)
    assert the("overlap", ROOM, TABLE, one, two).pieces == ("two", "one")
    three = put("three", (55, 60), (8, 8, 8), on="one", weight_oz=1)
    assert kinds(ROOM, TABLE, one, three) == set()


def test_a_rug_is_floor():
    rug = put("rug", (60, 60), (60, 40, 0.5))
    assert kinds(ROOM, rug, TABLE) == set()
    assert "overlap" in kinds(ROOM, put("rug", (60, 60), (60, 40, 0.75)), TABLE)


# --- bounds -------------------------------------------------------------------------------------------------------------


def test_a_piece_through_a_wall_is_told_which_wall_and_how_far():
    one = the("outside", ROOM, put("a", (118, 40), (20, 10, 30)))
    assert one.sentence == 'A goes through the right wall by 8"; move it 8" to the left.'
    assert one.measured_in16 == 8 * IN


def test_a_piece_in_a_corner_is_told_of_both_sides():
    told = [(one.kind, one.measured_in16) for one in found(ROOM, put("a", (118, 142), (20, 10, 30)))]
    assert told == [("outside", 8 * IN), ("in aisle", 3 * IN)]


def test_a_piece_beside_the_booth_altogether():
    one = the("in aisle", ROOM, put("a", (60, 160), (20, 10, 30)))
    assert one.measured_in16 == (160 + 5 - 144) * IN


def test_the_corner_of_an_l_is_a_wall():
    # The inner corner is at (48, 72): the piece lies over it by 2 in. across and 3 in. deep.
    told = {one.measured_in16 for one in found(L_SHAPE, put("a", (40, 70), (20, 10, 30))) if one.kind == "outside"}
    assert told == {2 * IN, 7 * IN}
    assert kinds(L_SHAPE, put("a", (38, 70), (20, 10, 30))) == set()


def test_a_neighbours_side_and_a_window_are_sides_too():
    for side, said in ((Side("neighbour"), "the neighbor’s side on the right"), (Side("window"), "the right window")):
        room = booth(sides=(Side("wall"), side, Side("open"), Side("wall")))
        assert said in the("outside", room, put("a", (118, 40))).sentence


def test_a_post_is_no_floor():
    post = ((50 * IN, 50 * IN), (56 * IN, 50 * IN), (56 * IN, 56 * IN), (50 * IN, 56 * IN))
    one = the("outside", booth(posts=(post,)), put("a", (64, 53), (20, 20, 30)))
    assert one.sentence == 'A stands in a post by 2"; move it 2" away from the post.'
    assert kinds(booth(posts=(post,)), put("a", (66, 53), (20, 20, 30))) == set()


@pytest.mark.parametrize(
    ("size", "larger"), [((130, 60), False), ((144.5, 3), False), ((160, 30), True), ((155, 30), False), ((121, 121), True)]
)
def test_a_piece_larger_than_the_booth_is_said_to_be(size, larger):
    # In 120 by 144 in., aslant (Carver's formula, worked by hand): 155 by 30 needs a depth of 113.8 in., 160 by 30 of 122.9.
    told = [one.sentence for one in found(ROOM, put("a", (60, 72), (*size, 30))) if one.kind in ("outside", "in aisle")]
    assert bool(told)
    assert any("larger than the booth in any turn" in sentence for sentence in told) is larger


def test_an_opening_narrower_than_a_piece_in_every_direction():
    room = booth(
        way_in16=20 * IN,
        outline=tuple((x * IN, y * IN) for x, y in ((0, 0), (120, 0), (120, 144), (40, 144), (10, 144), (0, 144))),
    )
    room = booth(way_in16=20 * IN, outline=room.outline, sides=(*[Side("wall")] * 3, Side("open"), *[Side("wall")] * 2))
    one = put("a", (60, 60), (31, 40, 30))
    told = the("way narrow", room, one)
    assert "does not come in: it is 2' 7\" at its narrowest, the opening 2' 6\"" in told.sentence
    assert kinds(room, put("a", (60, 60), (30, 40, 30))) == set()


def test_corners_on_one_line_or_measured_twice_change_nothing():
    corners = ((0, 0), (60, 0), (120, 0), (120, 0), (120, 144), (0, 144))
    sides = (*[Side("wall", hooks=True)] * 4, Side("open"), Side("wall", hooks=True))
    room = Booth(tuple((x * IN, y * IN) for x, y in corners), sides, height_limit_in16=8 * FOOT)
    for has, has_not in CASES.values():
        for placed in (has, has_not):
            plain = {one.kind for one in found(booth(height_limit_in16=8 * FOOT), *placed)}
            assert {one.kind for one in found(room, *placed)} == plain


# --- heights ------------------------------------------------------------------------------------------------------------


def test_a_stack_is_as_high_as_its_pieces_together():
    room = booth(height_limit_in16=8 * FOOT)
    base = put("base", (60, 60), (30, 30, 60), carries_oz=1000)
    one = the("too high", room, base, put("crate", (60, 60), (20, 20, 37), on="base", weight_oz=1))
    assert one.sentence == 'Crate on Base reaches 8\' 1", 1" over the height limit of 8\' 0"; stand it on something lower.'
    assert kinds(room, base, put("crate", (60, 60), (20, 20, 36), on="base", weight_oz=1)) == set()


def test_a_wall_piece_ends_below_the_top_of_its_wall():
    room = booth(sides=(Side("wall", True, 7 * FOOT), Side("wall"), Side("open"), Side("wall")))
    picture = put("a", (60, 0.5), (20, 1, 24), stands="wall", up=60 + 1 / 16)
    assert (
        the("too high", room, picture).sentence == 'A reaches 7\' 1/16", and the back wall is 7\' 0" high; hang it 1/16" lower.'
    )
    assert kinds(room, put("a", (60, 0.5), (20, 1, 24), stands="wall", up=60)) == set()


# --- doors and drawers --------------------------------------------------------------------------------------------------


def test_doors_need_their_floor_and_a_wall_is_in_the_way():
    facing = put("cabinet", (60, 20), (40, 18, 70), 180, opens_in16=18 * IN)
    one = the("cannot open", ROOM, facing)
    assert one.sentence == (
        'Cabinet cannot open: its doors or drawers need 1\' 6" before its front and have 11" before the back wall; '
        'leave 7" more, or turn it.'
    )
    assert (one.measured_in16, one.required_in16) == (11 * IN, 18 * IN)


def test_doors_may_open_over_the_open_side_and_under_what_hangs_higher():
    at_front = put("cabinet", (60, 134), (40, 18, 70), opens_in16=18 * IN)
    assert kinds(ROOM, at_front) == set()
    facing = put("cabinet", (60, 28), (40, 18, 70), 180, opens_in16=18 * IN)
    for up, told in ((70, False), (69, True)):
        hung = put("a", (60, 2), (20, 4, 20), stands="wall", up=up)
        assert ("cannot open" in kinds(ROOM, facing, hung)) is told


def test_doors_against_a_post_and_over_a_low_table_top():
    post = tuple((x * IN, y * IN) for x, y in ((60, 30), (66, 30), (66, 36), (60, 36)))
    one = the("cannot open", booth(posts=(post,)), CABINET)
    assert one.measured_in16 == 12 * IN
    # Doors of a cabinet that stands on a table begin above what is before the table.
    high = put("high", (60, 60), (20, 10, 30), on="table", weight_oz=1, opens_in16=24 * IN)
    for height, told in ((30, False), (31, True)):
        assert ("cannot open" in kinds(ROOM, TABLE, high, put("low", (60, 83), (40, 14, height)))) is told


# --- stacks -------------------------------------------------------------------------------------------------------------


def test_the_lowest_of_a_stack_carries_everything_on_it():
    # 60 + 30 + 20 lb on a base that carries 100; the middle one carries 60 and bears 50.
    base = put("base", (60, 60), (40, 40, 20), carries_oz=1600)
    mid = put("mid", (60, 60), (30, 30, 20), on="base", weight_oz=960, carries_oz=960)
    top = put("top", (55, 60), (10, 10, 10), on="mid", weight_oz=480)
    more = put("more", (67, 60), (10, 10, 10), on="mid", weight_oz=320)
    one = the("too heavy below", ROOM, base, mid, top, more)
    assert one.sentence == "Base carries 100 lb, and Mid, Top and More on it weigh 110 lb; take 10 lb or more off it."
    assert kinds(ROOM, base, mid, top) == set()


def test_what_is_known_is_too_heavy_though_more_is_not_weighed():
    heavy, light = (put(key, (x, 60), (9, 9, 9), on="table", weight_oz=oz) for key, x, oz in (("a", 50, 1700), ("b", 65, None)))
    assert kinds(ROOM, TABLE, heavy, light) == {"too heavy below"}


def test_nothing_may_stand_on_what_carries_nothing():
    one = the("too heavy below", ROOM, put("case", (60, 60), (30, 30, 30)), put("a", (60, 60), (9, 9, 9), on="case", weight_oz=1))
    assert one.sentence == "Nothing may stand on Case, and A does; put it elsewhere, or say what Case carries."


def test_weights_missing_do_not_stop_a_set():
    one = the("not weighed", ROOM, TABLE, put("a", (60, 60), (9, 9, 9), on="table"))
    assert not one.stops
    assert one.sentence == (
        "Nobody knows whether Table carries what is on it: A is not weighed, and Table has 100 lb left to carry. Weigh it."
    )


def test_the_top_that_carries_is_in_the_middle_and_turns_with_its_piece():
    # A top of 20 by 10 in. turned by 90 degrees reaches 5 in. across and 10 in. deep.
    base = put("base", (60, 60), (40, 40, 20), 90, carries_oz=1600, top_in16=(20 * IN, 10 * IN))
    fits = put("a", (60, 60), (10, 20, 10), on="base", weight_oz=1)
    lies = put("a", (60, 60), (20, 10, 10), on="base", weight_oz=1)
    assert kinds(ROOM, base, fits) == set()
    one = the("overhangs", ROOM, base, lies)
    assert one.measured_in16 == 5 * IN
    assert one.sentence == 'A overhangs Base, whose top is 1\' 8" by 10", by 5"; move it to the middle or turn it.'


def test_a_circle_is_told_once_and_nothing_is_said_of_its_heights():
    a, b, c = (put(key, (60, 60), on=on, carries_oz=9) for key, on in (("a", "b"), ("b", "c"), ("c", "a")))
    on_it = put("d", (60, 60), on="a", weight_oz=1)
    (one,) = found(ROOM, a, b, c, on_it)
    assert one.sentence == "Stacks go round in a circle: A on B on C on A; put one of them on the floor."
    assert the("stack circle", ROOM, put("a", (60, 60), on="a")).sentence.startswith("Stacks go round in a circle: A on itself;")


def test_a_table_top_piece_on_the_floor_stands_on_nothing():
    assert "is a table-top piece" in the("nothing below", ROOM, put("lamp", (60, 60), (8, 8, 20), stands="table")).sentence


# --- walls --------------------------------------------------------------------------------------------------------------


def test_hooks_are_asked_of_the_side_behind():
    sides = (Side("window"), Side("wall", hooks=True), Side("open"), Side("wall"))
    room = booth(sides=sides)
    at_window = put("a", (60, 0.5), (20, 1, 20), stands="wall", up=50)
    assert the("no hooks", room, at_window).sentence == (
        "A hangs at the back window, which takes no hooks; hang it with its back to the right wall."
    )
    assert kinds(room, put("a", (119.5, 60), (20, 1, 20), 90, stands="wall", up=50)) == set()
    # Its face to the wall.
    assert "no hooks" in kinds(room, put("a", (119.5, 60), (20, 1, 20), 270, stands="wall", up=50))


@pytest.mark.parametrize(
    ("behind", "told"),
    [
        ({"size": (30, 12, 60)}, False),
        ({"size": (30, 12, 59)}, True),  # lower than what leans on it
        ({"size": (30, 12, 60), "glass": True}, True),
        ({"size": (9, 12, 60)}, True),  # behind its middle only
        ({"size": (30, 12, 60), "at": (72, 52)}, True),  # behind its right half only
    ],
)
def test_what_leans_needs_something_firm_as_high_as_it_is(behind, told):
    # 60 in. high, so at most 15 in. off; its back is at y = 70, the front of what is behind at 58.
    window = put("sash", (60, 71), (24, 2, 60), leans=True)
    other = put("behind", **{"at": (60, 52), **behind})
    assert ("leans on nothing" in kinds(ROOM, window, other)) is told


@pytest.mark.parametrize(
    ("kind", "high", "told"), [("wall", 60, False), ("wall", 59, True), ("window", 60, True), ("neighbour", 60, True)]
)
def test_what_leans_on_a_side_needs_a_wall_as_high_as_it_is(kind, high, told):
    room = booth(sides=(Side(kind, height_in16=high * IN), Side("wall"), Side("open"), Side("wall")))
    assert ("leans on nothing" in kinds(room, put("sash", (60, 5), (24, 2, 60), leans=True))) is told


# --- names --------------------------------------------------------------------------------------------------------------


def test_two_of_one_name_are_told_apart_by_grouping_or_by_place():
    a, b = (
        put(key, (x, 60), (20, 20, 30), name="Chair", grouping=g) for key, x, g in (("a", 50, "Kitchen"), ("b", 60, "Nursery"))
    )
    assert the("overlap", ROOM, a, b).sentence.startswith("Chair (Nursery) and Chair (Kitchen) overlap")
    a, b = (put(key, (x, 60), (20, 20, 30), name="Chair") for key, x in (("a", 50), ("b", 60)))
    assert "Chair (4' 2\" from the left, 5' 0\" from the back)" in the("overlap", ROOM, a, b).sentence
    a, b = (put(key, (50, 60), (20, 20, 30), name="Chair") for key in "ab")
    assert the("overlap", ROOM, a, b).sentence.startswith("Chair (2 of 2) and Chair (1 of 2) overlap")


# --- whatever is put where ----------------------------------------------------------------------------------------------

ANY = st.builds(
    put,
    st.sampled_from("abcdefghijkl"),
    st.tuples(st.integers(-10, 130), st.integers(-10, 160)),
    st.tuples(st.integers(1, 60), st.integers(1, 40), st.integers(1, 100)),
    st.sampled_from([0, 0, 90, 180, 270, 33]),
    on=st.sampled_from([None, None, None, "a", "b", "gone"]),
    up=st.sampled_from([0, 0, 50]),
    stands=st.sampled_from(["floor", "floor", "wall", "table"]),
    name=st.sampled_from(["Chair", "Box"]),
    weight_oz=st.sampled_from([None, 0, 900]),
    carries_oz=st.sampled_from([None, 800]),
    opens_in16=st.sampled_from([0, 0, 200]),
    leans=st.booleans(),
)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from([booth(height_limit_in16=8 * FOOT), L_SHAPE]), st.lists(ANY, unique_by=lambda one: one.key, max_size=12))
def test_the_same_is_found_wherever_a_booth_is_drawn(room, placed):
    """Of any arrangement: moved with its booth, nothing changes but the places; each finding names pieces that are there."""
    told = found(room, *placed)
    moved = replace(room, outline=tuple((x + 1000, y - 777) for x, y in room.outline))
    again = found(moved, *(replace(one, x_in16=one.x_in16 + 1000, y_in16=one.y_in16 - 777) for one in placed))
    assert [one.sentence for one in told] == [one.sentence for one in again]
    keys = {one.key for one in placed}
    for one in told:
        assert set(one.pieces) <= keys
        assert all(isinstance(value, int) for point in one.at for value in point)
        assert all(value is None or type(value) is int for value in (one.measured_in16, one.required_in16))
