"""What askers who get floor are told, word for word: where and when, less than was asked, why in this bay, why floor at all."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from coop.overflow.domain.answers import LONGEST, answers, moves
from coop.overflow.domain.facts import DealerFacts, Widened
from coop.overflow.domain.posing import pose
from coop.overflow.domain.problem import Placed
from tests.unit.overflow.periods import inches, make_asked, make_facts, make_piece, make_room, make_stay, make_wider, told

ONLY = "it is the only bay that would do"
ALL_FITS = f"{ONLY}; there was room for all that fits"
SPACE = [DealerFacts("D01", {"14": "booth"}, 100)]


@pytest.mark.parametrize(
    ("feet", "where"), [({"14": 12}, ", 12 ft from booth 14"), ({"14": 0}, ", at booth 14"), ({}, ""), ({"14": 9999}, "")]
)
def test_granted(feet, where):
    dealers = [DealerFacts("D01", {"14": "booth"}, 100)]
    answer = told(make_facts(make_asked(), rooms=[make_room(feet=feet)], dealers=dealers), ("1",))["1"]
    assert answer.outcome == "granted"
    assert answer.sentence == f"Oak dresser stands in bay A1-1{where}, from Mon, Jan 4 to Jan 31, 2027; {ALL_FITS}."


def test_granted_together_and_turned():
    pieces = make_piece("a", wide=30, name="pine chest"), make_piece("b", wide=20, deep=30, may_turn=True, name="Lamp table")
    answer = told(make_facts(make_asked("1", "D01", *pieces, together=True)), ("1",))["1"]
    assert answer.sentence == (
        "Pine chest and Lamp table stand side by side in bay A1-1, Lamp table with the side to the aisle, "
        f"from Mon, Jan 4 to Jan 31, 2027; {ALL_FITS}."
    )


def test_granted_for_less_than_was_asked():
    until = told(make_facts(make_asked(weeks=12)), ("1",))["1"]
    assert until.sentence == (
        "Oak dresser stands in bay A1-1, from Mon, Jan 4 to Feb 28, 2027; that is 8 of the 12 weeks asked for: "
        f"floor beyond Feb 28, 2027 is not given yet, ask again for the rest; {ALL_FITS}."
    )
    rotated = told(make_facts(make_asked(weeks=8), rotation_weeks=6), ("1",))["1"]
    assert (until.outcome, rotated.outcome) == ("partly", "partly")
    assert rotated.sentence.endswith(f"that is 6 of the 8 weeks asked for: nobody is in one bay for more of any 52; {ALL_FITS}.")


def test_granted_in_part():
    pieces = make_piece("a", wide=30, name="Pine chest"), make_piece("b", high=90, name="Hall stand")
    answer = told(make_facts(make_asked("1", "D01", *pieces)), ("1",))["1"]
    assert answer.outcome == "partly"
    assert answer.sentence == (
        f"Pine chest stands in bay A1-1, from Mon, Jan 4 to Jan 31, 2027; {ALL_FITS}. "
        "Hall stand is 7' 6\" high, and nothing higher than 7' 0\" stands in an aisle; ask the manager for floor elsewhere."
    )
    assert list(answer.by_unit) == ["request 1 piece a", "request 1 piece b"]


@pytest.mark.parametrize(
    ("wished", "other", "why"),
    [
        (make_room("w"), True, "it has no room then, as dealers who have had less floor for their rent came first"),
        (make_room("w"), False, "it is free then too, so ask the manager to change it"),
        (make_room("w", deep=18), False, "Oak dresser is 1' 8\" deep and the bay 1' 6\""),
        (make_room("w", by_week=(24, 0, 24, 24, 24, 24, 24, 24)), False, "it is not lent then"),
        (
            make_room("w", by_week=(24, 24, 18, 18, 18, 18, 18, 18), wider=make_wider(14)),
            False,
            "from Jan 18, 2027 on aisle A1 must keep 4' 0\" clear",
        ),
        (
            make_room("w", closed=[(40, 96, 2, 7)], wider=make_wider(16)),
            False,
            "from Jan 20, 2027 on aisle A1 must keep 4' 0\" clear",
        ),
        (make_room("v"), False, "it is not lent then"),
    ],
)
def test_granted_elsewhere_than_wished(wished, other, why):
    dealers = [DealerFacts("D01", {}, 100, 50), DealerFacts("D02", {}, 100, 40)]
    facts = make_facts(
        make_asked(wished_bay="w"), make_asked("2", "D02", make_piece(wide=60)), rooms=[make_room(), wished], dealers=dealers
    )
    answer = told(facts, ("1",), *([("2", "w")] if other else []))["1"]
    assert answer.outcome == "granted"
    assert answer.sentence.startswith(
        f"Oak dresser stands in bay A1-1, from Mon, Jan 4 to Jan 31, 2027; not in bay w, which you wished for: {why}; "
    )


@pytest.mark.parametrize(
    ("feet", "taken", "why"),
    [
        ((10, 20, 30), "", "it is the nearest to your spaces of 3 bays that would do"),
        ((10, 20, 30), "c", "it is the nearest to your spaces of 3 bays that would do"),
        ((10, 10, 30), "", "none of 3 bays that would do is nearer to your spaces"),
        ((20, 10, 30), "b", "it is the nearest to your spaces of the 2 left of 3 bays that would do"),
        ((20, 10, 20), "b", "none of the 2 left of 3 bays that would do is nearer to your spaces"),
        ((20, 10, 10), "bc", "it is the only one left of 3 bays that would do"),
        ((20, 10, 30), "c", "bay b is nearer to your spaces and is left too, so ask the manager to change it"),
        ((30, 20, 10), "", "bay c is nearer to your spaces and is left too, so ask the manager to change it"),
        ((9999, 9999, 9999), "", "it is one of 3 bays that would do"),
        ((9999, 9999, 9999), "b", "it is one of the 2 left of 3 bays that would do"),
    ],
)
def test_why_it_is_in_this_bay(feet, taken, why):
    """A piece in bay a; bays of `taken` are full. A fourth bay is too flat for it, and counts as none that would do."""
    rooms = [make_room(code, feet={"14": far}) for code, far in zip("abc", feet, strict=True)]
    full = tuple(make_stay(code, "D09", code, wide=95, days=(-7, 90)) for code in taken)
    facts = make_facts(make_asked(), rooms=[*rooms, make_room("d", deep=18)], dealers=SPACE, standing=full)
    said = told(facts, ("1", "a"))["1"].sentence
    assert said.split("; ")[1:] == [why, "there was room for all that fits."]


@pytest.mark.parametrize(
    ("palettes", "feet", "why"),
    [
        (("#8b5a2b", "#204060"), 10, "none of 2 bays that would do is nearer to your spaces, and its colors suit best"),
        (("#204060", "#8b5a2b"), 10, "none of 2 bays that would do is nearer to your spaces"),
        (("", "#204060"), 10, "none of 2 bays that would do is nearer to your spaces"),
        (("#8b5a2b", "#204060"), 9999, "of 2 bays that would do it is the one whose colors suit best"),
        (("#204060", "#204060"), 9999, "it is one of 2 bays that would do"),
    ],
)
def test_colors_are_told_of_bays_that_are_as_near(palettes, feet, why):
    """A bay without colors suits nothing better than another does."""
    rooms = [
        make_room(code, feet={"14": feet}, palette=[colour] if colour else [])
        for code, colour in zip("ab", palettes, strict=True)
    ]
    facts = make_facts(make_asked("1", "D01", make_piece(colour="#8b5a2b")), rooms=rooms, dealers=SPACE)
    assert told(facts, ("1", "a"))["1"].sentence.split("; ")[1] == why


def test_the_bay_that_was_wished_for_is_told_as_that():
    facts = make_facts(make_asked(wished_bay="b"), rooms=[make_room("a"), make_room("b")])
    assert told(facts, ("1", "b"))["1"].sentence.split("; ")[1] == "it is the bay you wished for"


def test_a_bay_its_dealer_has_had_long_enough_is_not_left():
    dealers = [DealerFacts("D01", {"14": "booth"}, 100, 400, {"b": 12})]
    rooms = [make_room("a", feet={"14": 20}), make_room("b", feet={"14": 10})]
    said = told(make_facts(make_asked(), rooms=rooms, dealers=dealers), ("1", "a"))["1"].sentence
    assert said.split("; ")[1] == "it is the only one left of 2 bays that would do"


def test_granted_while_another_goes_without_says_what_was_had_of_what_is_due():
    """A bay of 100 in. over 52 weeks is 433.3 foot-weeks; half of the rent, half of them. 60 inch-weeks are 5 foot-weeks."""
    dealers = [DealerFacts("D01", {}, 100, 60), DealerFacts("D02", {}, 100, 120)]
    facts = make_facts(make_asked(), make_asked("2", "D02", make_piece(wide=90)), rooms=[make_room(long=100)], dealers=dealers)
    assert told(facts, ("1",))["1"].sentence == (
        f"Oak dresser stands in bay A1-1, from Mon, Jan 4 to Jan 31, 2027; {ONLY}; not all that was asked had room, and you have "
        "had 5 of the 216.7 foot-weeks that are due for your rent in a year."
    )


def test_what_must_move():
    posed = pose(make_facts(standing=(make_stay(days=(-7, 16), must_move=True),), rooms=[make_room("B1-2")]))
    assert moves(posed, [Placed("stay s", "B1-2", 0, inches(49), 0)]) == {
        "s": f"Pine bench cannot stay where it stands, and moves to bay B1-2, from Mon, Jan 4 to Jan 20, 2027; {ONLY}."
    }
    assert moves(posed, []) == {
        "s": "Pine bench cannot stay where it stands, and no bay has floor for it: take it home, or ask the manager."
    }
    assert answers(posed, []) == {}


def test_what_must_move_for_a_width_says_so():
    wider = Widened("B2", inches(60), date(2027, 1, 11))
    stay = replace(make_stay(days=(-7, 16), must_move=True), because=wider)
    posed = pose(make_facts(standing=(stay,), rooms=[make_room("B1-2")]))
    why = "Pine bench cannot stay where it stands, as aisle B2 must keep 5' 0\" clear from Jan 11, 2027 on, and "
    assert moves(posed, [])["s"] == f"{why}no bay has floor for it: take it home, or ask the manager."
    assert moves(posed, [Placed("stay s", "B1-2", 0, inches(49), 0)])["s"].startswith(f"{why}moves to bay B1-2, from ")


def test_what_matters_least_is_left_out_of_an_answer_that_is_too_long():
    """Of three long names first the floor had, then why it is this bay; that weeks are missing and the wish are kept."""
    pieces = [make_piece(f"p{n}", wide=20, name=f"{n}{'x' * 49}", may_turn=True, deep=30) for n in range(3)]
    asked = make_asked("1", "D01", *pieces, together=True, weeks=12, wished_bay="w")
    rooms = [make_room("A1-1", feet={"14": 10}), make_room("w", deep=18)]
    said = told(make_facts(asked, make_asked("2", "D02"), rooms=rooms, dealers=SPACE), ("1",))["1"].sentence
    assert len(said) <= LONGEST
    assert "; that is 8 of the 12 weeks asked for: " in said
    assert not said.endswith("...")
    assert "foot-weeks" not in said
