"""Whether a piece may stand in a bay: each rule with a piece that just keeps it and one that just does not."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.overflow.domain.bay import BACKINGS, Bay, as_corners
from coop.overflow.domain.fitting import CAUTION, Stand, cautions, kept_out_by, may_stand, nowhere, taking_cautions
from coop.overflow.domain.piece import GLASS, AskedPiece, PieceRules
from tests.unit.floor.domain.drawing import box

IN = 16
RULES = PieceRules()


def piece(width: float, depth: float, height: float, **other: object) -> AskedPiece:
    made = AskedPiece("p", "Oak hutch", round(width * IN), round(depth * IN), round(height * IN), weight_oz=30 * 16)
    return replace(made, **other)  # type: ignore[arg-type]


def bay(length: float, depth: float, backing: str = "wall", before: str = "", code: str = "A1") -> Bay:
    return Bay(code, "A", as_corners(box(0, 0, length, depth)), backing, before)


def stand(one: AskedPiece, where: Bay, rules: PieceRules = RULES, *, holds_before: bool = False) -> Stand | str:
    return may_stand(one, where, rules, holds_before=holds_before)


CHEST = piece(40, 20, 36)
WALL = bay(96, 24)


def test_a_piece_that_fits_stands_as_it_was_measured() -> None:
    assert stand(CHEST, WALL) == Stand(40 * IN, 20 * IN, turned=False)
    assert stand(replace(CHEST, may_turn=True), WALL) == Stand(40 * IN, 20 * IN, turned=False)


@pytest.mark.parametrize(
    ("one", "where", "said"),
    [
        (piece(40, 24, 36), WALL, None),
        (piece(40, 24.0625, 36), WALL, "is 2' 1/16\" deep and the bay 2' 0\"."),
        (piece(40, 28, 36), bay(96, 22), "is 2' 4\" deep and the bay 1' 10\"."),
        # An inch is kept free beside each piece.
        (piece(95, 24, 36), WALL, None),
        (piece(95.0625, 24, 36), WALL, 'is 7\' 11 1/16" wide and the bay 8\' 0" long, 1" to be kept free beside it.'),
        (piece(20, 40, 36), WALL, "is 3' 4\" deep and the bay 2' 0\". Turned it would fit: say that it may be."),
        (piece(30, 40, 36, may_turn=True), WALL, "is 3' 4\" deep and the bay 2' 0\"; turned it does not fit either."),
        (piece(20, 96, 36), WALL, "is 8' 0\" deep and the bay 2' 0\"."),
    ],
)
def test_its_size(one: AskedPiece, where: Bay, said: str | None) -> None:
    assert stand(one, where) == (said or Stand(one.width_in16, one.depth_in16, turned=False))


@pytest.mark.parametrize("one", [piece(20, 40, 36, may_turn=True), piece(24, 26, 36, may_turn=True)])
def test_a_piece_too_deep_that_may_be_turned_stands_with_its_side_to_the_aisle(one: AskedPiece) -> None:
    assert stand(one, WALL) == Stand(one.depth_in16, one.width_in16, turned=True)


def test_a_piece_too_wide_that_may_be_turned_stands_with_its_side_to_the_aisle() -> None:
    assert stand(piece(60, 20, 36, may_turn=True), bay(40, 60)) == Stand(20 * IN, 60 * IN, turned=True)


def test_less_of_the_bays_depth_may_be_all_there_is() -> None:
    assert isinstance(may_stand(CHEST, WALL, RULES, holds_before=True, depth_in16=20 * IN), Stand)
    refused = may_stand(CHEST, WALL, RULES, holds_before=True, depth_in16=19 * IN)
    assert refused == "is 1' 8\" deep and the bay 1' 7\"."


@pytest.mark.parametrize(
    ("one", "where", "said"),
    [
        # Nothing higher than 84 in.
        (piece(40, 23, 69), WALL, None),
        (piece(40, 28, 84), bay(96, 28), None),
        (piece(40, 28, 84.25), bay(96, 28), "is 7' 1/4\" high, and nothing higher than 7' 0\" stands in an aisle."),
        # Higher than 60 in. at a wall only.
        (piece(40, 24, 60), bay(96, 24, "fixture"), None),
        (
            piece(40, 24, 60.5),
            bay(96, 24, "fixture"),
            "is 5' 1/2\" high; higher than 5' 0\" it stands at a wall only, fastened to it, and there is none behind this bay.",
        ),
        (piece(40, 24, 60.5), WALL, None),
        # From three to one on at a wall only: 18 in. bear 54.
        (piece(40, 18, 53.9375), bay(96, 24, "booth"), None),
        (
            piece(40, 18, 54),
            bay(96, 24, "booth"),
            "is 4' 6\" high on a base of 1' 6\", 3 to 1; from 3 to 1 on it tips easily and stands at a wall only, "
            "fastened to it, and there is none behind this bay.",
        ),
        (piece(40, 18, 54), WALL, None),
        # Glass at a wall only.
        (piece(40, 20, 36, glass=True), WALL, None),
        (
            piece(40, 20, 36, glass=True),
            bay(96, 24, "fixture"),
            "has glass, which stands at a wall only, and there is none behind this bay.",
        ),
    ],
)
def test_its_height_its_base_and_its_glass(one: AskedPiece, where: Bay, said: str | None) -> None:
    answer = stand(one, where)
    assert isinstance(answer, Stand) if said is None else answer == said


@pytest.mark.parametrize(
    ("rule", "backing", "stands"), [("nowhere", "wall", False), ("anywhere", "booth", True), ("at a wall", "booth", False)]
)
def test_glass_by_the_house_rule(rule: str, backing: str, stands: bool) -> None:
    answer = stand(replace(CHEST, glass=True), bay(96, 24, backing), replace(RULES, glass=rule))
    assert isinstance(answer, Stand) == stands
    assert rule != "nowhere" or answer == "has glass, and no glass stands in an aisle."


def test_before_another_dealers_booth_it_is_low() -> None:
    before_14 = bay(96, 24, "booth", "14")
    low, high = piece(40, 20, 42), piece(40, 20, 42.0625)
    assert isinstance(stand(low, before_14), Stand)
    said = "is 3' 6 1/16\" high; nothing higher than 3' 6\" stands before another dealer's booth (14)."
    assert stand(high, before_14) == said
    assert isinstance(stand(high, before_14, holds_before=True), Stand)
    assert isinstance(stand(high, bay(96, 24, "booth")), Stand)


# Anywhere in the mall.

ASK = "ask the manager for floor elsewhere."
BAYS = (bay(96, 24), bay(60, 30, "fixture", code="A2"), bay(72, 18, "booth", "14", "A3"))


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (piece(40, 40, 36), "is 3' 4\" deep; the deepest bay is 2' 6\" deep"),
        (piece(40, 42, 36, may_turn=True), "is 3' 4\" wide and 3' 6\" deep; the deepest bay is 2' 6\" deep"),
        # Two bays are deep enough for 20 in.; one of 8 ft is the longer.
        (
            piece(100, 20, 36),
            'is 8\' 4" wide and 1\' 8" deep; the longest bay that is deep enough is 8\' 0" long, 1" to be kept free beside it',
        ),
        (
            piece(96, 28, 36),
            'is 8\' 0" wide and 2\' 4" deep; the longest bay that is deep enough is 5\' 0" long, 1" to be kept free beside it',
        ),
        (
            piece(24, 100, 36, may_turn=True),
            "is 2' 0\" wide and 8' 4\" deep; turned, the longest bay that is deep enough is 8' 0\" long, "
            '1" to be kept free beside it',
        ),
        (piece(40, 20, 90), "is 7' 6\" high, and nothing higher than 7' 0\" stands in an aisle"),
        # The only bay deep enough stands at no wall.
        (
            piece(40, 28, 61),
            "is 5' 1\" high; higher than 5' 0\" it stands at a wall only, fastened to it, "
            "and no bay that is large enough has one behind it",
        ),
        (
            piece(40, 28, 36, glass=True),
            "has glass, which stands at a wall only, and no bay that is large enough has one behind it",
        ),
    ],
)
def test_why_it_can_stand_nowhere(one: AskedPiece, said: str) -> None:
    assert nowhere(one, BAYS, RULES, ()) == f"{said}; {ASK}"


@pytest.mark.parametrize(
    ("one", "field"),
    [
        (piece(40, 40, 36), "depth_in16"),
        (piece(100, 20, 36), "width_in16"),
        (piece(100, 20, 36, may_turn=True), "width_in16"),
        (piece(24, 100, 36, may_turn=True), "depth_in16"),
        (piece(40, 20, 90), "height_in16"),
        (piece(40, 28, 61), "height_in16"),
        (piece(40, 28, 61, glass=True), "height_in16"),
        (piece(40, 28, 36, glass=True), "glass"),
    ],
)
def test_the_field_to_mend_is_the_one_its_reason_is_about(one: AskedPiece, field: str) -> None:
    assert nowhere(one, BAYS, RULES, ()) is not None
    assert kept_out_by(one, BAYS, RULES) == field


def test_the_field_to_mend_of_glass_where_none_may_stand_and_of_what_hides_a_booth() -> None:
    assert kept_out_by(piece(40, 20, 36, glass=True), BAYS, replace(RULES, glass="nowhere")) == "glass"
    before = (bay(96, 24, "booth", "14"), bay(96, 24, "booth", "15"))
    assert kept_out_by(piece(40, 20, 50), before, RULES) == "height_in16"


def test_that_it_would_fit_turned_is_said() -> None:
    mend = f"{ASK[:-1]}, or say that it may be turned: then it would fit."
    assert nowhere(piece(20, 40, 36), BAYS, RULES, ()) == f"is 3' 4\" deep; the deepest bay is 2' 6\" deep; {mend}"


def test_one_bay_that_would_do_is_enough() -> None:
    assert nowhere(CHEST, BAYS, RULES, ()) is None
    assert nowhere(piece(40, 28, 60), BAYS, RULES, ()) is None


def test_a_booth_of_its_own_dealer_may_be_hidden() -> None:
    before = (bay(96, 24, "booth", "14"), bay(96, 24, "booth", "15"))
    high = piece(40, 20, 50)
    said = "is 4' 2\" high; nothing higher than 3' 6\" stands before another dealer's booth"
    assert nowhere(high, before, RULES, {"16"}) == f"{said}, and every bay it would fit is before one; {ASK}"
    assert nowhere(high, before, RULES, {"15"}) is None


def test_a_mall_without_bays_says_so() -> None:
    assert nowhere(CHEST, (), RULES, ()) == f"has no place: no floor is lent in the aisles; {ASK}"


def test_without_a_gap_none_is_told() -> None:
    said = nowhere(piece(97, 20, 36), BAYS, replace(RULES, gap_in16=0), ())
    assert said == "is 8' 1\" wide and 1' 8\" deep; the longest bay that is deep enough is 8' 0\" long; " + ASK
    assert isinstance(stand(piece(96, 20, 36), WALL, replace(RULES, gap_in16=0)), Stand)


# What a page says beside it.


@pytest.mark.parametrize(
    ("one", "starts"),
    [
        (CHEST, []),
        (piece(40, 24, 60, weight_oz=51 * 16), []),
        (piece(40, 24, 60.5), ["It is 5' 1/2\" high: fasten it to the wall behind it"]),
        (piece(40, 16, 50), ["It is 4' 2\" high on a base of 1' 4\", 3.1 to 1: it tips easily."]),
        (piece(40, 20, 36, glass=True), ["It has glass: move it with a second person"]),
        (piece(40, 20, 36, weight_oz=None), ["Nobody weighed it: take it to be heavy"]),
        (piece(40, 20, 36, weight_oz=51 * 16 + 1), ["It weighs 51 lb 1 oz: lift it with more than one person."]),
        (piece(40, 20, 36, weight_oz=120 * 16), ["It weighs 120 lb: lift it with more than one person."]),
        (
            piece(40, 20, 72, glass=True, weight_oz=None),
            ["It is 6' 0\" high: ", "It is 6' 0\" high on a base of 1' 8\", 3.6 to 1", "It has glass", "Nobody weighed it"],
        ),
    ],
)
def test_cautions(one: AskedPiece, starts: list[str]) -> None:
    said = cautions(one, RULES)
    assert len(said) == len(starts)
    assert all(sentence.startswith(start) and sentence.endswith(".") for sentence, start in zip(said, starts, strict=True))


HELD = ": empty it, let a second person hold it before it is loosened from a wall, and do not carry it alone."


@pytest.mark.parametrize(
    ("one", "expected"),
    [
        (CHEST, ()),
        (piece(40, 24, 60.5), (f"It is 5' 1/2\" high{HELD}",)),
        (piece(40, 16, 50), (f"It is 4' 2\" high on a base of 1' 4\", 3.1 to 1, and tips easily{HELD}",)),
        (piece(40, 20, 72), (f"It is 6' 0\" high on a base of 1' 8\", 3.6 to 1, and tips easily{HELD}",)),
        (
            piece(40, 20, 36, glass=True, weight_oz=None),
            (
                "It has glass: move it with a second person, and put nothing on the glass.",
                "Nobody weighed it: take it to be heavy, and do not lift it alone.",
            ),
        ),
    ],
)
def test_what_is_taken_away_is_fastened_nowhere(one: AskedPiece, expected: tuple[str, ...]) -> None:
    assert taking_cautions(one, RULES) == expected


def test_the_standing_caution_defers_to_those_who_decide() -> None:
    for words in ("planning only", "Local codes", "fire marshal", "licensed", "heavy, tall, unstable or glass"):
        assert words in CAUTION


pieces = st.builds(
    AskedPiece,
    st.just("p"),
    st.just("p"),
    *[st.integers(1, 1600)] * 3,
    weight_oz=st.none() | st.integers(0, 4000),
    glass=st.booleans(),
    may_turn=st.booleans(),
)
bays = st.builds(bay, st.integers(12, 120), st.integers(12, 60), st.sampled_from(BACKINGS), st.sampled_from(["", "14", "15"]))
rule_sets = st.builds(
    PieceRules,
    glass=st.sampled_from(GLASS),
    tips_from=st.fractions(1, 6, max_denominator=10),
    gap_in16=st.integers(0, 64),
)


@given(pieces, bays, rule_sets, st.booleans())
def test_what_stands_keeps_every_rule(one: AskedPiece, where: Bay, rules: PieceRules, holds_before: bool) -> None:
    answer = stand(one, where, rules, holds_before=holds_before)
    if isinstance(answer, str):
        assert answer.endswith(".")
        return
    sizes = (one.width_in16, one.depth_in16)
    assert (answer.length_in16, answer.depth_in16) == (sizes[::-1] if answer.turned else sizes)
    assert one.may_turn or not answer.turned
    assert answer.depth_in16 <= where.depth_in16
    assert answer.length_in16 + rules.gap_in16 <= where.length_in16
    assert one.height_in16 <= rules.highest_in16
    assert holds_before or not where.before or one.height_in16 <= rules.before_in16
    if where.backing != "wall":
        assert one.height_in16 <= rules.wall_above_in16
        assert Fraction(one.height_in16, min(sizes)) < rules.tips_from
        assert not one.glass or rules.glass == "anywhere"


@given(pieces, st.lists(bays, max_size=5), rule_sets, st.sets(st.sampled_from(["14", "15"])))
def test_it_stands_nowhere_where_no_bay_takes_it(one: AskedPiece, some: list[Bay], rules: PieceRules, held: set[str]) -> None:
    answers = [stand(one, each, rules, holds_before=each.before in held) for each in some]
    said = nowhere(one, some, rules, held)
    assert (said is None) == any(isinstance(answer, Stand) for answer in answers)
    assert said is None or "ask the manager" in said
