"""What askers who get none are told, word for word, of periods whose outcome is plain; that no dealer is named to another."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from coop.overflow.domain.answers import LONGEST, answers
from coop.overflow.domain.facts import DealerFacts
from coop.overflow.domain.posing import pose
from coop.overflow.domain.problem import Placed
from tests.unit.overflow.periods import MONDAY, inches, make_asked, make_facts, make_piece, make_room, make_stay, make_wider, told

WAITS = "the request goes on waiting, and counts as having waited longer."
GETS_NONE = "Oak dresser gets no floor for 4 weeks from Jan 4, 2027"
FULL = "no bay that would do has 4' 1\" free in a row for so long"


# --- refused: it fits nowhere ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("piece", "room", "why"),
    [
        (
            make_piece(deep=30, wide=40),
            make_room(),
            "is 2' 6\" deep; the deepest bay is 2' 0\" deep; ask the manager for floor elsewhere.",
        ),
        (
            make_piece(deep=30, wide=20),
            make_room(),
            "is 2' 6\" deep; the deepest bay is 2' 0\" deep; "
            "ask the manager for floor elsewhere, or say that it may be turned: then it would fit.",
        ),
        (
            make_piece(),
            make_room(by_week=(18,) * 8),
            "is 1' 8\" deep; the deepest bay is 1' 6\" deep; ask the manager for floor elsewhere.",
        ),
        (
            make_piece(glass=True),
            make_room(backing="booth"),
            "has glass, which stands at a wall only, and no bay that is large enough has one behind it; "
            "ask the manager for floor elsewhere.",
        ),
        (
            make_piece(),
            make_room(by_week=(24, 24, 24, 0, 24, 24, 24, 24)),
            "gets no floor for 4 weeks from Jan 4, 2027: no bay is lent then.",
        ),
    ],
)
def test_it_fits_nowhere(piece, room, why):
    answer = told(make_facts(make_asked("1", "D01", piece), rooms=[room]))["1"]
    assert (answer.outcome, answer.sentence) == ("refused", f"Oak dresser {why}")


def test_no_bay_takes_them_side_by_side():
    pieces = make_piece("a", name="Oak chest"), make_piece("b", name="Pine table")
    assert told(make_facts(make_asked("1", "D01", *pieces, together=True)))["1"].sentence == (
        "No bay takes Oak chest and Pine table side by side: ask for them one by one."
    )


# --- refused: an aisle is to be wider ------------------------------------------------------------------------------------


FROM_18 = "from Jan 18, 2027 on aisle A1 must keep 4' 0\" clear"
TWO_WEEKS = "for 2 weeks there would be room in bay A1-1 from Jan 4, 2027"
UNTIL_17 = f"bay A1-1 would do until Jan 17, 2027, but {FROM_18}"


@pytest.mark.parametrize(
    ("room", "why"),
    [
        (make_room(by_week=(24, 24, 0, 0, 0, 0, 0, 0), wider=make_wider(14)), f"{UNTIL_17}; {TWO_WEEKS}"),
        (make_room(by_week=(24, 24, 18, 18, 18, 18, 18, 18), wider=make_wider(14)), f"{UNTIL_17}; {TWO_WEEKS}"),
        (
            make_room(by_week=(0,) * 8, wider=make_wider(-3)),
            "bay A1-1 would do, but from Jan 1, 2027 on aisle A1 must keep 4' 0\" clear",
        ),
        (
            make_room(by_week=(0,) * 8, wider=make_wider(0)),
            "bay A1-1 would do, but from Jan 4, 2027 on aisle A1 must keep 4' 0\" clear",
        ),
        (make_room(closed=[(40, 90, 2, 7)], wider=make_wider(14)), f"{UNTIL_17}; {TWO_WEEKS}"),
        (
            make_room(by_week=(24, 24, 0, 0, 0, 0, 0, 0), wider=make_wider(17)),
            "bay A1-1 would do until Jan 20, 2027, but from Jan 21, 2027 on aisle A1 must keep 4' 0\" clear; " + TWO_WEEKS,
        ),
    ],
)
def test_a_width_within_the_period_is_told_as_the_cause(room, why):
    """Closed, or too flat for 20 in., from a week of the four on; where it begins within a week, the week is lost."""
    answer = told(make_facts(make_asked(), rooms=[room]))["1"]
    assert (answer.outcome, answer.sentence) == ("refused", f"{GETS_NONE}: {why}; {WAITS}")


def test_a_width_is_told_beside_who_came_first_where_the_bay_would_have_had_room():
    """B is too flat from the third week on; where it is full, that it will be flat is no cause."""
    flat = make_room("B", by_week=(24, 24, 18, 18, 18, 18, 18, 18), wider=make_wider(14))
    full = make_stay("k", bay="A1-1", wide=95, days=(-7, 90))
    beside = make_facts(make_asked(), rooms=[make_room(), flat], standing=(full,))
    assert told(beside)["1"].sentence == (
        f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; bay B would do until Jan 17, 2027, but {FROM_18}; {WAITS}"
    )
    both = replace(beside, standing=(full, make_stay("l", bay="B", wide=95, days=(-7, 90))))
    assert told(both)["1"].sentence == f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; {WAITS}"


def test_of_two_widths_the_first_that_is_in_the_way_is_told():
    """22 in. are left from the second week on, and 18 from the third. And what is closed before is not in the way."""
    first, second = make_wider(7, 44), make_wider(14)
    flat = replace(make_room(by_week=(24, 22, 18, 18, 18, 18, 18, 18)), widened=(None, first, *[second] * 6))
    assert f": {UNTIL_17}; " in told(make_facts(make_asked(), rooms=[flat]))["1"].sentence
    shut = make_room(closed=[(40, 90, 0, 0), (40, 90, 2, 7)])
    shut = replace(shut, closed=tuple(replace(one, because=why) for one, why in zip(shut.closed, (first, second), strict=True)))
    assert f": {UNTIL_17}; " in told(make_facts(make_asked(after=7, weeks=2), rooms=[shut]))["1"].sentence


def test_a_width_is_the_cause_where_nothing_else_is():
    """Full or not: a piece too deep for what is left. Where the bay is not lent or closed for another reason, it is no cause."""
    room = make_room(by_week=(24, 24, 18, 18, 18, 18, 18, 18), wider=make_wider(14))
    full = make_stay("k", bay="A1-1", wide=95, days=(-7, 90))
    assert told(make_facts(make_asked(), rooms=[room], standing=(full,)))["1"].sentence == f"{GETS_NONE}: {UNTIL_17}; {WAITS}"
    not_lent = replace(
        room,
        depth_by_week=(*room.depth_by_week[:3], *[0] * 5),
        widened=tuple(make_wider(14) if week == 2 else None for week in range(8)),
    )
    assert told(make_facts(make_asked(), rooms=[not_lent]))["1"].sentence == f"{GETS_NONE}: no bay is lent then."
    closed = replace(room, bay=replace(room.bay, code="B"), closed=make_room(closed=[(40, 96, 0, 7)]).closed)
    facts = make_facts(make_asked(), rooms=[make_room(), closed], standing=(full,))
    assert told(facts)["1"].sentence == f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; {WAITS}"


def test_a_width_that_leaves_enough_is_no_cause():
    """The bay is less deep from the third week on, and deep enough: it is full, and that is all."""
    room = make_room(by_week=(24, 24, 22, 22, 22, 22, 22, 22), wider=make_wider(14))
    full = make_stay("k", bay="A1-1", wide=95, days=(-7, 90))
    assert told(make_facts(make_asked(), rooms=[room], standing=(full,)))["1"].sentence == (
        f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; {WAITS}"
    )


# --- refused: limits ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limits", "why"),
    [
        (
            {"most_in16": inches(84)},
            "a dealer has at most 7' 0\" of floor at a time, and with this you would have 7' 2\", "
            "what is kept free beside each piece included; "
            "there would be room in bay B from Feb 1, 2027, if you ask to begin then",
        ),
        (
            {"most_pieces": 1},
            "a dealer has at most 1 piece in the aisles at a time, and with this you would have 2; "
            "there would be room in bay B from Feb 1, 2027, if you ask to begin then",
        ),
    ],
)
def test_a_limit_is_reached_by_what_else_is_given(limits, why):
    facts = make_facts(
        make_asked(),
        make_asked("2", "D01", make_piece(wide=36)),
        rooms=[make_room("A", long=40), make_room("B", long=60)],
        **limits,
    )
    assert told(facts, ("2", "A"))["1"].sentence == f"{GETS_NONE}: {why}; {WAITS}"


def test_the_rotation_is_reached():
    dealer = DealerFacts("D01", {}, 100, 400, {"A1-1": 10})
    assert told(make_facts(make_asked(), dealers=[dealer]))["1"].sentence == (
        f"{GETS_NONE}: nobody is in one bay for more than 12 weeks of a period and the 52 before it, "
        "and with this you would be in bay A1-1 for 14; "
        f"for 2 weeks there would be room in bay A1-1 from Jan 4, 2027; {WAITS}"
    )


# --- refused: no room -----------------------------------------------------------------------------------------------------


def two(*, had=(50, 40), waited=(10, 10), **more):
    """Two dealers who pay the same ask for a bay that only one of them can have; how much they had, how long they waited."""
    dealers = [DealerFacts(code, {}, 100, inch_weeks) for code, inch_weeks in zip(("D01", "D02"), had, strict=True)]
    other = make_asked("2", "D02", make_piece(wide=60, name="Pine bench"), waited=waited[1])
    return make_facts(make_asked(waited=waited[0]), other, dealers=dealers, **more)


@pytest.mark.parametrize(
    ("had", "waited", "why"),
    [
        ((50, 40), (30, 10), "dealers who have had less floor for their rent came first"),
        ((40, 40), (10, 11), "dealers who have waited longer came first"),
        ((40, 50), (10, 11), "dealers who have waited longer came first"),
        ((40, 40), (10, 10), "other dealers' pieces have the floor"),
    ],
)
def test_another_came_first(had, waited, why):
    helps = "there would be room in bay A1-1 from Feb 1, 2027, if you ask to begin then"
    answer = told(two(had=had, waited=waited), ("2",))["1"]
    assert (answer.outcome, answer.sentence) == ("refused", f"{GETS_NONE}: {FULL}, as {why}; {helps}; {WAITS}")


def test_what_is_not_so_of_all_who_came_first_is_not_said():
    """One had less floor for the rent, the other waited longer: of both together only that they have the floor is true."""
    dealers = [DealerFacts("D01", {}, 100, 50), DealerFacts("D02", {}, 100, 40), DealerFacts("D03", {}, 100, 60)]
    others = make_asked("2", "D02", make_piece(wide=60), waited=5), make_asked("3", "D03", make_piece(wide=60), waited=20)
    facts = make_facts(make_asked(), *others, rooms=[make_room("A"), make_room("B")], dealers=dealers)
    assert f"{FULL}, as other dealers' pieces have the floor;" in told(facts, ("2", "A"), ("3", "B"))["1"].sentence


def test_floor_for_the_rent_is_what_is_compared():
    """Twice the floor for four times the rent is less for it."""
    facts = two(had=(50, 100))
    facts = replace(facts, dealers=(facts.dealers[0], replace(facts.dealers[1], rent_cents=400)))
    assert "less floor for their rent came first" in told(facts, ("2",))["1"].sentence


@pytest.mark.parametrize(
    ("days", "helps"),
    [
        ((-7, 27), "there would be room in bay A1-1 from Feb 1, 2027, if you ask to begin then"),
        ((14, 80), "for 2 weeks there would be room in bay A1-1 from Jan 4, 2027"),
        ((7, 80), "for a piece of at most 3' 5\" along the bay there would be room in bay A1-1 from Jan 4, 2027"),
        ((-7, 55), "for a piece of at most 3' 5\" along the bay there would be room in bay A1-1 from Jan 4, 2027"),
    ],
)
def test_what_stands_stays(days, helps):
    answer = told(make_facts(make_asked(), standing=(make_stay(wide=53, days=days),)))["1"]
    assert answer.sentence == f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; {helps}; {WAITS}"


DUE = make_stay("d", wide=60, days=(-30, 55), kind="sold", was_due=MONDAY - timedelta(days=4))


@pytest.mark.parametrize(
    ("stays", "why"),
    [
        ((DUE,), "a sold piece that was to be fetched by Dec 31, 2026 still stands in bay A1-1"),
        ((replace(DUE, dealer="D01"),), "your Pine bench, sold and to be fetched by Dec 31, 2026, still stands in bay A1-1"),
        (
            (make_stay(at=62, wide=30, days=(-7, 90)), DUE),
            "a sold piece that was to be fetched by Dec 31, 2026 still stands in bay A1-1",
        ),
        (
            (
                replace(DUE, key="e", to_in16=inches(10), was_due=MONDAY - timedelta(days=5)),
                replace(DUE, from_in16=inches(40), to_in16=inches(70)),
            ),
            "a sold piece that was to be fetched by Dec 31, 2026 still stands in bay A1-1",
        ),
        ((make_stay(at=40, wide=30, days=(-7, 90)), replace(DUE, to_in16=inches(10))), "what stands in the aisles stays"),
    ],
)
def test_a_sold_piece_that_should_be_gone_is_told_where_it_alone_is_in_the_way(stays, why):
    said = told(make_facts(make_asked(), standing=stays))["1"].sentence
    assert said.startswith(f"{GETS_NONE}: {FULL}, as {why}; ")
    wished = told(make_facts(make_asked(wished_bay="A1-1"), rooms=[make_room(), make_room("B")], standing=stays), ("1", "B"))["1"]
    assert f"not in bay A1-1, which you wished for: it has no room then, as {why};" in wished.sentence


@pytest.mark.parametrize(
    ("stays", "why"),
    [
        ((), "aisles and openings must be wider then"),
        ((make_stay(at=70, wide=20, days=(-7, 90)),), "aisles and openings must be wider then"),
        ((make_stay(at=0, wide=20, days=(14, 90)),), "what stands in the aisles stays"),
    ],
)
def test_floor_is_closed(stays, why):
    """Beside what is closed a piece has no room, or not beside what stands there too."""
    closed = (47, 60, 2, 7) if "wider" in why else (50, 96, 2, 7)
    answer = told(make_facts(make_asked(), rooms=[make_room(closed=[closed])], standing=stays))["1"]
    assert answer.sentence == (
        f"{GETS_NONE}: {FULL}, as {why}; for 2 weeks there would be room in bay A1-1 from Jan 4, 2027; {WAITS}"
    )


def test_turned_it_would_have_room():
    answer = told(make_facts(make_asked("1", "D01", make_piece(wide=22)), standing=(make_stay(wide=74, days=(-7, 90)),)))["1"]
    assert answer.sentence == (
        f"{GETS_NONE}: no bay that would do has 1' 11\" free in a row for so long, as what stands in the aisles stays; "
        f"with its side to the aisle there would be room in bay A1-1 from Jan 4, 2027: say that it may be turned; {WAITS}"
    )


def test_no_other_week_is_named_in_which_the_bay_is_too_shallow():
    rooms = [make_room(by_week=(24, 24, 24, 24, 18, 18, 18, 18))]
    answer = told(make_facts(make_asked(), rooms=rooms, standing=(make_stay(wide=95, days=(-7, 27)),)))["1"]
    assert answer.sentence == f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; {WAITS}"


def test_a_limit_where_there_is_room_is_nearer_than_a_bay_that_is_full():
    dealers = [DealerFacts("D01", {}, 100, 400, {"B": 12})]
    facts = make_facts(
        make_asked(), rooms=[make_room(), make_room("B")], dealers=dealers, standing=(make_stay(wide=95, days=(-7, 90)),)
    )
    assert told(facts)["1"].sentence == (
        f"{GETS_NONE}: nobody is in one bay for more than 12 weeks of a period and the 52 before it, "
        f"and with this you would be in bay B for 16; {WAITS}"
    )


def test_nothing_would_help_but_waiting():
    answer = told(make_facts(make_asked(), standing=(make_stay(wide=95, days=(-7, 90)),)))["1"]
    assert answer.sentence == f"{GETS_NONE}: {FULL}, as what stands in the aisles stays; {WAITS}"


def test_own_other_pieces_have_the_floor():
    facts = make_facts(make_asked(), make_asked("2", "D01", make_piece(wide=60), weeks=8))
    assert told(facts, ("2",))["1"].sentence == (
        f"{GETS_NONE}: {FULL}, as your other pieces have the floor; "
        f"for a piece of at most 2' 10\" along the bay there would be room in bay A1-1 from Jan 4, 2027; {WAITS}"
    )


def test_what_had_to_move_came_first():
    moving = make_stay(bay="gone", wide=60, days=(-7, 90), must_move=True)
    posed = pose(make_facts(make_asked(), standing=(moving,)))
    answer = answers(posed, [Placed("stay s", "A1-1", 0, inches(61), 0)])["1"]
    assert f"{FULL}, as pieces that had to move came first;" in answer.sentence


def test_left_free_by_a_draft_that_ended_too_soon():
    assert told(make_facts(make_asked(weeks=2, flexible_weeks=1)))["1"].sentence == (
        "Oak dresser gets no floor for 2 weeks beginning between Jan 4, 2027 and Jan 11, 2027, "
        "though bay A1-1 has room from Jan 4, 2027: the draft was ended before that was found, so ask the manager."
    )


def test_of_many_pieces_side_by_side_a_few_are_named():
    pieces = [make_piece(f"p{number}", wide=4, name=f"Chair {number}, {'x' * 60}") for number in range(9)]
    asked = make_asked("1", "D01", *pieces, together=True)
    granted = told(make_facts(asked), ("1",))["1"].sentence
    assert granted.startswith(
        f"Chair 0, {'x' * 60}, Chair 1, {'x' * 60}, Chair 2, {'x' * 60} and 6 more stand side by side in bay"
    )
    refused = told(make_facts(asked, standing=(make_stay(wide=95, days=(-7, 90)),)))["1"].sentence
    assert refused.endswith(f"as what stands in the aisles stays; {WAITS}")


# --- all ------------------------------------------------------------------------------------------------------------------


def test_an_answer_of_many_pieces_counts_the_last():
    pieces = [make_piece(f"p{number}", high=90, name=f"Stand {number}") for number in range(9)]
    answer = told(make_facts(make_asked("1", "D01", *pieces)))["1"]
    assert len(answer.by_unit) == 9
    assert len(answer.sentence) <= LONGEST
    assert answer.sentence.startswith("Stand 0 is 7' 6\" high")
    assert answer.sentence.endswith("Your list says what came of 4 more.")
