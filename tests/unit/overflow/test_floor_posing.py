"""Facts of a period as a problem: units and the weeks they may begin in, places by the rules, what stays, limits and rotation."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given

from coop.overflow.domain.checking import broken
from coop.overflow.domain.facts import DealerFacts
from coop.overflow.domain.fairness import steps_of
from coop.overflow.domain.fitting import Stand
from coop.overflow.domain.posing import NewStay, pose, stays_of
from coop.overflow.domain.problem import Fixed, Place, Placed, Share
from tests.unit.overflow.periods import MONDAY, any_facts, inches, make_asked, make_facts, make_piece, make_room, make_stay


def only_unit(facts):
    (unit,) = pose(facts).problem.units
    return unit


# --- units and their weeks ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after", "weeks", "flexible", "expected"),
    [
        (0, 4, 0, (4, (0,))),
        (-30, 4, 2, (4, (0, 1, 2))),  # asked for an earlier day: it begins with the period, or later by as much as it may
        (1, 4, 0, (4, (1,))),  # not before the Tuesday: from the next Monday on
        (14, 4, 9, (4, (2, 3, 4))),
        (0, 12, 0, (8, (0,))),  # cut to the period
        (42, 4, 0, (2, (6,))),  # cut to what is left of it
        (42, 4, 1, (2, (6,))),
        (42, 4, 2, None),  # it may as well begin in the next period, and gets all its weeks there
        (0, 12, 9, (8, (0,))),  # no period has so many
        (56, 4, 0, None),
    ],
)
def test_the_weeks_a_request_may_have(after, weeks, flexible, expected):
    posed = pose(make_facts(make_asked(after=after, weeks=weeks, flexible_weeks=flexible)))
    if expected is None:
        assert (posed.later, posed.units, posed.problem.units) == (("1",), {}, ())
    else:
        (unit,) = posed.problem.units
        assert (unit.weeks, unit.starts) == expected
        assert posed.later == ()


def test_nobody_is_given_more_weeks_in_a_row_than_the_rotation_lets():
    assert only_unit(make_facts(make_asked(weeks=8), rotation_weeks=3)).weeks == 3
    assert only_unit(make_facts(make_asked(weeks=8), rotation_weeks=None)).weeks == 8


def test_each_piece_is_a_unit_unless_they_stay_together():
    pieces = make_piece("a", wide=30), make_piece("b", wide=40)
    apart = pose(make_facts(make_asked("1", "D01", *pieces, cents={"a": 500, "b": 700}))).problem.units
    assert [(unit.key, unit.pieces, unit.cents) for unit in apart] == [
        ("request 1 piece a", 1, 500),
        ("request 1 piece b", 1, 700),
    ]
    together = only_unit(make_facts(make_asked("1", "D01", *pieces, together=True, cents={"a": 500, "b": 700})))
    assert (together.key, together.pieces, together.cents, together.waited_days) == ("request 1", 2, 1200, 10)
    assert together.places == (Place("A1-1", inches(72)),)  # 30 and 40, an inch beside each


def test_together_every_piece_stands_in_its_own_way_or_none_does():
    sideways = make_piece("b", wide=20, deep=30, may_turn=True)
    facts = make_facts(
        make_asked("1", "D01", make_piece("a", wide=30), sideways, together=True),
        rooms=[make_room("deep", deep=30), make_room("flat", deep=24), make_room("short", deep=24, long=61)],
    )
    posed = pose(facts)
    # In the flat bay the second is turned and 30 in. long; 62 in. with the gaps are more than the short bay has.
    assert posed.problem.units[0].places == (Place("deep", inches(52)), Place("flat", inches(62), turned=True))
    flat = posed.units["request 1"].laid["flat"]
    assert [(one.piece, one.offset_in16, one.stand) for one in flat] == [
        ("a", 0, Stand(inches(30), inches(20), False)),
        ("b", inches(31), Stand(inches(30), inches(20), True)),
    ]


# --- places ---------------------------------------------------------------------------------------------------------------


def test_a_bay_that_gets_less_deep_takes_it_until_then():
    facts = make_facts(
        make_asked(weeks=2, flexible_weeks=6),
        rooms=[make_room("a", by_week=(24, 24, 24, 24, 18, 18, 18, 18)), make_room("b", by_week=(0, 0, 0, 0, 24, 24, 24, 24))],
    )
    assert [(place.bay, place.starts) for place in only_unit(facts).places] == [("a", (0, 1, 2)), ("b", (4, 5, 6))]


def test_where_turned_it_may_begin_in_more_weeks_it_is_turned():
    piece = make_piece(wide=16, deep=22, may_turn=True)
    facts = make_facts(
        make_asked("1", "D01", piece, weeks=4, flexible_weeks=4), rooms=[make_room(by_week=(24, 24, 24, 24, 18, 18, 18, 18))]
    )
    assert only_unit(facts).places == (Place("A1-1", inches(23), turned=True),)


def test_places_are_as_far_as_the_nearest_space_and_the_wished_one_is_nearest():
    rooms = [
        make_room("a", feet={"14": 30, "15": 12, "16": 2}),
        make_room("b", feet={"14": 5}),
        make_room("c"),
        make_room("d", feet={"14": 0}),
    ]
    dealer = DealerFacts("D01", {"14": "booth", "15": "case"}, 100)
    asked = make_asked()
    assert [place.feet for place in only_unit(make_facts(asked, rooms=rooms, dealers=[dealer])).places] == [12, 5, 0, 0]
    wishing = make_asked(wished_bay="a")
    assert [place.feet for place in only_unit(make_facts(wishing, rooms=rooms, dealers=[dealer])).places] == [0, 5, 1, 1]


def test_a_unit_is_as_far_in_tone_as_its_pieces_are_on_average():
    rooms = [make_room(palette=("#8b5a2b",)), make_room("plain")]
    brown, unknown = make_piece("a", wide=20, colour="#8b5a2b"), make_piece("b", wide=20)
    blue = make_piece("c", wide=20, colour="#0000ff")
    alone = only_unit(make_facts(make_asked("1", "D01", blue), rooms=rooms)).places[0].tone
    with_it = only_unit(make_facts(make_asked("1", "D01", brown, blue, unknown, together=True), rooms=rooms))
    assert alone > 3000
    assert [place.tone for place in with_it.places] == [alone // 3, 0]


def test_own_booths_may_be_hidden_and_others_may_not():
    high = make_piece(high=50)
    rooms = [make_room(backing="booth", before="14")]
    for spaces, taken in (({"14": "booth"}, True), ({"15": "booth"}, False)):
        posed = pose(make_facts(make_asked("1", "D01", high), rooms=rooms, dealers=[DealerFacts("D01", spaces, 100)]))
        assert bool(posed.problem.units) is taken
        assert (posed.units["request 1 piece p"].laid is not None) is taken


# --- what stays, limits, what is due --------------------------------------------------------------------------------------


def test_what_stays_covers_every_week_it_touches_with_the_gap_beside_it():
    facts = make_facts(standing=(make_stay(days=(-7, 14)), make_stay("gone", days=(-20, -1)), make_stay("later", days=(56, 70))))
    assert pose(facts).problem.fixed == (Fixed("stay s", "D09", "A1-1", 0, inches(49), 0, 2),)


def test_one_that_goes_and_one_that_comes_in_a_week_share_its_floor_without_overlap():
    facts = make_facts(standing=(make_stay("a", at=10, wide=20, days=(-7, 9)), make_stay("b", "D08", wide=40, days=(10, 30))))
    assert pose(facts).problem.fixed == (
        Fixed("stay a", "D09", "A1-1", inches(10), inches(31), 0, 1),
        Fixed("stay b", "D08", "A1-1", 0, inches(10), 1, 1),
        Fixed("stay b", "D08", "A1-1", inches(31), inches(41), 1, 1, pieces=0),
        Fixed("stay b", "D08", "A1-1", 0, inches(41), 2, 4),
    )


def test_what_was_sold_and_should_be_gone_is_in_the_way_and_nobodys():
    """It counts neither for its dealer's limits nor as floor its dealer has; the period's end is its last day."""
    gone = make_stay(days=(-30, 55), kind="sold", was_due=MONDAY - timedelta(days=9))
    problem = pose(make_facts(make_asked("1", "D09"), standing=(gone,))).problem
    assert problem.fixed == (Fixed("sold s", "", "A1-1", 0, inches(49), 0, 7, pieces=0),)
    assert problem.shares == pose(make_facts(make_asked("1", "D09"))).problem.shares


def test_what_is_closed_is_nobodys_and_no_piece():
    """A stay that stands on closed floor has it until it goes."""
    room = make_room(closed=[(40, 60, 2, 5)])
    assert pose(make_facts(rooms=[room], standing=(make_stay(days=(-7, 27)),))).problem.fixed == (
        Fixed("stay s", "D09", "A1-1", 0, inches(49), 0, 3),
        Fixed("closed A1-1", "", "A1-1", inches(49), inches(60), 2, 3, pieces=0),
        Fixed("closed A1-1", "", "A1-1", inches(40), inches(60), 4, 5, pieces=0),
    )


def test_a_piece_counts_once_for_its_dealers_limits_in_the_week_in_which_it_moves():
    """Of two pieces, the most a dealer may have, one stands in A1-1 until Wednesday of the second week and moves then."""
    kept = make_stay("k", at=50, wide=40)
    before, after = make_stay(days=(-7, 8)), make_stay(days=(9, 20), must_move=True)
    facts = make_facts(standing=(kept, before, after), rooms=[make_room(), make_room("B")], most_pieces=2, most_in16=inches(96))
    problem = pose(facts).problem
    assert [(one.key, one.dealer, one.first, one.last, one.pieces) for one in problem.fixed] == [
        ("stay k", "D09", 0, 2, 1),
        ("stay s", "D09", 0, 0, 1),
        ("stay s", "", 1, 1, 0),
    ]
    assert broken(problem, [Placed("stay s", "B", 0, inches(49), 1)]) == []


def test_what_must_move_is_a_unit_for_the_rest_of_its_weeks():
    posed = pose(make_facts(standing=(make_stay(days=(-7, 16), must_move=True),), rooms=[make_room("other")]))
    (unit,) = posed.problem.units
    assert (unit.key, unit.is_standing, unit.weeks, unit.starts, posed.problem.fixed) == ("stay s", True, 3, (0,), ())
    (stay,) = stays_of(posed, [Placed(unit.key, "other", inches(5), inches(54), 0)])
    assert stay == NewStay(
        "sp", "", "s", "D09", "other", inches(5), inches(53), inches(20), False, MONDAY, MONDAY + timedelta(days=16)
    )


def test_limits_and_what_is_left_of_the_rotation():
    dealer = DealerFacts("D01", {}, 100, 0, {"A1-1": 9, "b": 3, "c": 20})
    facts = make_facts(
        make_asked(), rooms=[make_room(), make_room("b"), make_room("c")], dealers=[dealer], most_in16=inches(96), most_pieces=2
    )
    problem = pose(facts).problem
    assert (problem.most_in16, problem.most_pieces) == (inches(96), 2)
    assert problem.weeks_left == {("D01", "A1-1"): 3, ("D01", "c"): 0}  # 12 less 3 are more than the period has


def test_a_share_goes_on_from_what_was_had_and_what_stays():
    dealers = [DealerFacts("D01", {}, 300, 500), DealerFacts("D02", {}, 100)]
    posed = pose(make_facts(make_asked(), dealers=dealers, standing=(make_stay(dealer="D01", days=(0, 13)),)))
    # 96 in. for 52 weeks are 4,992; three quarters of it; 49 in. stay for two weeks; 49 in. are asked for four.
    assert posed.problem.shares == (Share("D01", steps_of(3744, 500 + 98, 196)),)


def test_stays_of_pieces_together():
    pieces = make_piece("a", wide=30), make_piece("b", wide=40)
    posed = pose(make_facts(make_asked("1", "D01", *pieces, together=True)))
    stays = stays_of(posed, [Placed("request 1", "A1-1", inches(10), inches(82), 2)])
    assert [(stay.piece, stay.request, stay.from_in16, stay.to_in16) for stay in stays] == [
        ("a", "1", inches(10), inches(40)),
        ("b", "1", inches(41), inches(81)),
    ]
    assert {(stay.starts_on, stay.ends_on) for stay in stays} == {(date(2027, 1, 18), date(2027, 2, 14))}


# --- whatever is asked ----------------------------------------------------------------------------------------------------


def may(piece, bay, rules, *, holds, depth_in16, turned):
    """The house's rules of what may stand where, written down once more."""
    long, deep = (piece.depth_in16, piece.width_in16) if turned else (piece.width_in16, piece.depth_in16)
    base = min(long, deep)
    needs_wall = piece.height_in16 > rules.wall_above_in16 or piece.height_in16 >= rules.tips_from * base
    return (
        (piece.may_turn or not turned)
        and deep <= depth_in16
        and long + rules.gap_in16 <= bay.length_in16
        and piece.height_in16 <= rules.highest_in16
        and (bay.backing == "wall" or not (needs_wall or piece.glass))
        and (not bay.before or holds or piece.height_in16 <= rules.before_in16)
    )


@given(any_facts())
def test_every_place_keeps_the_rules_and_every_piece_that_keeps_them_has_its_place(facts):
    posed = pose(facts)
    units = {unit.key: unit for unit in posed.problem.units}
    for key, unit in posed.units.items():
        laid = unit.laid or {}
        places = {place.bay: place for place in units[key].places} if key in units else {}
        assert laid.keys() == places.keys()
        assert key in units or not laid
        for code, room in facts.bays.items():
            holds = room.bay.before in facts.dealer[unit.dealer].spaces

            def fits(piece, start, turned, room=room, holds=holds, weeks=unit.weeks):
                depth = min(room.depth_by_week[start : start + weeks])
                return may(piece, room.bay, facts.rules, holds=holds, depth_in16=depth, turned=turned)

            if code in places:
                place = places[code]
                starts = unit.starts if place.starts is None else place.starts
                assert starts
                assert all(
                    fits(piece, start, each.stand.turned)
                    for start in starts
                    for piece, each in zip(unit.pieces, laid[code], strict=True)
                )
                assert place.length_in16 == sum(one.stand.length_in16 + facts.rules.gap_in16 for one in laid[code])
                assert place.length_in16 <= room.bay.length_in16
                assert [one.offset_in16 for one in laid[code]] == [
                    sum(one.stand.length_in16 + facts.rules.gap_in16 for one in laid[code][:n]) for n in range(len(laid[code]))
                ]
            elif len(unit.pieces) == 1:
                assert not any(fits(unit.pieces[0], start, turned) for start in unit.starts for turned in (False, True))


@given(any_facts())
def test_units_begin_when_they_may_and_end_with_the_period(facts):
    posed = pose(facts)
    for unit in posed.units.values():
        assert all(0 <= start <= facts.weeks - unit.weeks for start in unit.starts)
        if asked := unit.request:
            first = max(asked.not_before, facts.first_day)
            last = first + timedelta(weeks=asked.flexible_weeks + 1)
            assert all(first <= facts.day_of(start) < last for start in unit.starts)
            assert 1 <= unit.weeks <= asked.weeks
    answered = {unit.request.key for unit in posed.units.values() if unit.request}
    assert answered.isdisjoint(posed.later)
    assert answered.union(posed.later) == {one.key for one in facts.asked}


@given(any_facts())
def test_nothing_that_stays_overlaps_anything_that_stays(facts):
    fixed = pose(facts).problem.fixed
    for number, one in enumerate(fixed):
        for other in fixed[:number]:
            same_weeks = one.first <= other.last and other.first <= one.last
            assert not (one.bay == other.bay and same_weeks and one.from_in16 < other.to_in16 and other.from_in16 < one.to_in16)
