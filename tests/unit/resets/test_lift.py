"""The lifting equation against NIOSH 94-110, teams against HSE L23, and what is said of the hands a piece takes."""

from __future__ import annotations

import csv
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.caution import LIFT_CAUTION
from coop.resets.domain.lift import (
    HandsAt,
    Lift,
    Lifted,
    asymmetry_multiplier,
    distance_multiplier,
    frequency_multiplier,
    grip_multiplier,
    hand_height,
    hands_for,
    horizontal_multiplier,
    lifting_index,
    pounds,
    recommended_weight,
    team_capability,
    vertical_multiplier,
)
from coop.resets.domain.piece import Piece
from coop.resets.domain.weight import format_weight

REFERENCE = Path(__file__).parents[2] / "reference"
IN = 16


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(file))


def piece(width: int = 36, depth: int = 18, height: int = 30, pounds: int | None = 40, **more: object) -> Piece:
    return Piece(
        "p",
        "Oak chest",
        width * IN,
        depth * IN,
        height * IN,
        None if pounds is None else pounds * 16,
        **more,  # type: ignore[arg-type]
    )


def test_frequencies_are_those_of_table_5():
    # Source: NIOSH 94-110, table 5 (tests/reference/niosh-frequency.csv).
    for row in rows("niosh-frequency.csv"):
        for hours in (1, 2, 8):
            for v_in, side in ((29, "low"), (30, "high")):
                expected = Fraction(row[f"{hours}h_{side}"])
                assert frequency_multiplier(Fraction(row["lifts_per_min"]), hours, v_in) == expected, (row, hours, side)


def test_grips_are_those_of_table_7():
    # Source: NIOSH 94-110, table 7 (tests/reference/niosh-coupling.csv).
    for row in rows("niosh-coupling.csv"):
        assert grip_multiplier(row["grip"], 29) == Fraction(row["low"])  # type: ignore[arg-type]
        assert grip_multiplier(row["grip"], 30) == Fraction(row["high"])  # type: ignore[arg-type]


def test_between_two_rows_a_frequency_is_interpolated_and_beyond_the_last_there_is_none():
    assert frequency_multiplier(Fraction("2.5"), 1, 20) == Fraction("0.895")
    assert frequency_multiplier(0, 8, 20) == Fraction("0.85")
    assert frequency_multiplier(15, 1, 30) == Fraction("0.28")
    assert frequency_multiplier(Fraction("15.01"), 1, 30) == 0


@pytest.mark.parametrize(
    ("multiplier", "at", "printed"),
    [
        # Source: NIOSH 94-110, tables 1 to 4, as printed to the hundredth (from memory).
        (horizontal_multiplier, 8, "1.00"),
        (horizontal_multiplier, 10, "1.00"),
        (horizontal_multiplier, 12, ".83"),
        (horizontal_multiplier, 25, ".40"),
        (horizontal_multiplier, 26, ".00"),
        (vertical_multiplier, 0, ".78"),
        (vertical_multiplier, 15, ".89"),
        (vertical_multiplier, 30, "1.00"),
        (vertical_multiplier, 70, ".70"),
        (vertical_multiplier, 71, ".00"),
        (distance_multiplier, 3, "1.00"),
        (distance_multiplier, 10, "1.00"),
        (distance_multiplier, 25, ".89"),
        (distance_multiplier, 70, ".85"),
        (distance_multiplier, 71, ".00"),
        (asymmetry_multiplier, 0, "1.00"),
        (asymmetry_multiplier, 45, ".86"),
        (asymmetry_multiplier, 135, ".57"),
        (asymmetry_multiplier, 136, ".00"),
    ],
)
def test_multipliers(multiplier, at, printed):
    # Half up to the hundredth, as the manual prints.
    assert int(multiplier(at) * 100 + Fraction(1, 2)) == int(Fraction(printed) * 100)


def test_example_4():
    # N1. Source: NIOSH 94-110, example 4, origin: 34.9 lb from rounded multipliers, 34.8 unrounded.
    weight = recommended_weight(HandsAt(10, 22), 37, lifts_per_min=3, hours=1, grip="fair")
    assert round(float(weight), 1) == 34.8
    assert pounds(weight) == "34.8 lb"
    printed = 51 * Fraction("1.00") * Fraction(".94") * Fraction(".87") * Fraction("1.00") * Fraction(".88") * Fraction(".95")
    assert round(float(printed), 1) == 34.9


def test_teams():
    # N3. Source: HSE L23 paragraph 120.
    assert team_capability((Fraction(30), Fraction(60))) == 60
    assert team_capability((Fraction(30), Fraction(30), Fraction(60))) == 60
    with pytest.raises(ValueError):
        team_capability((Fraction(30),) * 5)


def test_the_lesser_end_counts_where_the_load_is_put_down_with_care():
    # Worked by hand: 51 x .5 x .8875 x (.82 + 1.8/49) and 51 x .5 x .745 x the same, fair grip .95 below 30 in.
    travel = Fraction("0.82") + Fraction("1.8") / 49
    lift = Lift(HandsAt(20, 15), HandsAt(20, 64))
    assert lift.at(lift.origin) == 51 * Fraction("0.5") * Fraction("0.8875") * travel * Fraction("0.95")
    assert lift.recommended_lb == 51 * Fraction("0.5") * Fraction("0.745") * travel
    assert Lift(HandsAt(20, 15), HandsAt(20, 64), careful=False).recommended_lb == lift.at(lift.origin)


def test_index():
    assert lifting_index(60, Fraction(30)) == 2
    assert lifting_index(60, Fraction(0)) is None


def test_hands_are_not_below_the_floor():
    with pytest.raises(ValueError):
        vertical_multiplier(-1)


def test_one_person_lifts_a_light_piece():
    # Worked by hand: 18 deep from the floor: H = 10 + 9, V 0: 51 x 10/19 x .775 x .95 = 19.76.
    hands = hands_for(piece(pounds=19), Lifted())
    assert (hands.verdict, hands.people) == ("lift", 1)
    assert hands.why == "One person: Oak chest is 19 lb, and 19.7 lb is recommended for one at most."
    assert hands.short == "1 person"
    assert LIFT_CAUTION in hands.cautions


@pytest.mark.parametrize(
    ("weight_lb", "people"),
    [
        # Each of a team holds 4 in. in: H 14, V 0: 51 x 10/14 x .775 x .95 = 26.82; two 35.76, three 40.2, four 42.9.
        (20, 2),
        (35, 2),
        (36, 3),
        (40, 3),
        (41, 4),
        (42, 4),
        (43, None),
    ],
)
def test_more_hands_for_more_weight(weight_lb, people):
    hands = hands_for(piece(pounds=weight_lb), Lifted(dolly=False))
    assert hands.people == people
    assert hands.verdict == ("ask a mover" if people is None else "lift")
    assert f"{weight_lb} lb" in hands.why
    if people is None:
        assert "take out its drawers" in hands.why
        assert hands.short == "ask a mover"


@pytest.mark.parametrize(
    ("width", "weight_lb", "verdict", "people"),
    [
        # One end bears half (statics, derived): one may raise 26.82 there, two 35.76, three 40.2, and one pushes the dolly.
        (36, 35, "lift", 2),
        (36, 36, "roll it", 2),
        (36, 53, "roll it", 2),
        (36, 54, "roll it", 3),
        (36, 71, "roll it", 3),
        (36, 72, "ask a mover", None),
        (60, 72, "roll it", 4),
        (60, 80, "roll it", 4),
        (60, 81, "ask a mover", None),
    ],
)
def test_from_floor_to_floor_it_is_rolled_where_that_takes_fewer(width, weight_lb, verdict, people):
    hands = hands_for(piece(width, pounds=weight_lb), Lifted())
    assert (hands.verdict, hands.people) == (verdict, people)
    assert LIFT_CAUTION in hands.cautions


def test_what_is_said_of_rolling():
    hands = hands_for(piece(pounds=60), Lifted())
    assert hands.short == "3 people and a dolly"
    assert hands.why == (
        "Three people and a dolly: Oak chest is 60 lb; two raise one end, half of that, where 35.7 lb is recommended, "
        "and one pushes the dolly under. Do not lift it."
    )


def test_glass_and_what_goes_up_or_down_is_not_rolled():
    assert hands_for(piece(pounds=60, glass=True), Lifted()).verdict == "ask a mover"
    assert hands_for(piece(pounds=60), Lifted(to_in16=30 * IN)).verdict == "ask a mover"
    assert hands_for(piece(pounds=60), Lifted(from_in16=30 * IN)).verdict == "ask a mover"


def test_handles_at_the_waist_are_better_than_the_floor():
    low, high = hands_for(piece(), Lifted()), hands_for(piece(), Lifted(held="handles", grip_up_in16=30 * IN))
    assert high.recommended_lb == Fraction(51 * 10, 17)  # H = 8 + 9, everything else at its best
    assert high.recommended_lb > low.recommended_lb
    assert high.index == Fraction(40) / high.recommended_lb


def test_the_top_of_a_stack_counts():
    # A box of 12 in. put on a chest of drawers 48 in. high: hands under it at 48, worse than at the waist.
    box = piece(12, 12, 12, 30)
    waist = hands_for(box, Lifted(from_in16=30 * IN, to_in16=30 * IN))
    top = hands_for(box, Lifted(from_in16=30 * IN, to_in16=48 * IN))
    assert waist.people == 1
    assert top.recommended_lb < waist.recommended_lb


def test_above_70_inches_no_lift_is_recommended():
    hands = hands_for(piece(12, 12, 12, 5), Lifted(to_in16=71 * IN))
    assert (hands.verdict, hands.people, hands.index) == ("not so", None, None)
    assert "5' 11\"" in hands.why
    assert "platform" in hands.why
    assert hands_for(piece(12, 12, 12, 5), Lifted(to_in16=70 * IN)).people == 1


def test_a_piece_turned_to_the_side_too_far_is_not_lifted():
    hands = hands_for(piece(pounds=5), Lifted(turned_deg=136))
    assert "less turning" in hands.why
    assert hands.verdict == "not so"


def test_what_is_too_deep_for_one_takes_two():
    # H = 10 + 16 = 26 beyond 25 in.
    hands = hands_for(piece(60, 32, 30, 20), Lifted())
    assert hands.people == 2
    assert hands.recommended_lb == 0
    assert hands.index is None
    assert "too far from the body" in hands.why


def test_without_a_weight_nothing_is_assumed():
    hands = hands_for(piece(pounds=None), Lifted())
    assert (hands.verdict, hands.people, hands.index, hands.team_lb) == ("weigh it", None, None, None)
    assert hands.why.startswith("Weigh Oak chest")


def test_glass_and_long_pieces_take_two_however_light():
    # Common practice, no source.
    assert hands_for(piece(37, 2, 30, 5, glass=True), Lifted()).people == 2
    assert hands_for(piece(36, 2, 30, 5, glass=True), Lifted()).people == 1
    long = hands_for(piece(73, 8, 8, 5), Lifted())
    assert long.people == 2
    assert long.why == "Two people: Oak chest is only 5 lb, but it is 6' 1\" long."


def test_a_small_piece_has_room_for_few():
    # 12 x 12: an outline of 48 in. has room for two.
    hands = hands_for(piece(12, 12, 20, 120), Lifted())
    assert hands.verdict == "ask a mover"
    assert "the 2 who find room" in hands.why


def test_hands_are_where_they_take_it():
    chest = piece(height=30)
    assert hand_height(chest, Lifted(), 6 * IN) == 6
    assert hand_height(chest, Lifted(held="sides"), 6 * IN) == 21
    assert hand_height(chest, Lifted(held="handles", grip_up_in16=20 * IN), 0) == 20


@given(
    h_in=st.integers(0, 30),
    v_in=st.integers(0, 80),
    d_in=st.integers(0, 80),
    turned=st.integers(0, 140),
    often=st.fractions(0, 16, max_denominator=10),
)
def test_nothing_is_recommended_above_51_pounds_or_below_nothing(h_in, v_in, d_in, turned, often):
    weight = recommended_weight(HandsAt(h_in, v_in, turned), d_in, lifts_per_min=often)
    assert 0 <= weight <= 51
    assert (weight == 0) == (h_in > 25 or v_in > 70 or d_in > 70 or turned > 135 or _too_often(often, v_in))


def _too_often(often: Fraction, v_in: int) -> bool:
    return often >= 13 if v_in < 30 else often > 15


def test_lifting_more_often_never_allows_more():
    steps = [Fraction(n, 10) for n in range(160)]
    for hours in (1, 2, 8):
        values = [frequency_multiplier(step, hours, 20) for step in steps]
        assert all(a >= b for a, b in pairwise(values))


@given(
    width=st.integers(4, 80),
    depth=st.integers(4, 40),
    height=st.integers(4, 90),
    pounds=st.integers(1, 200),
    start=st.integers(0, 70),
    end=st.integers(0, 70),
)
def test_a_heavier_piece_never_takes_fewer_hands_and_nobody_is_asked_for_too_much(width, depth, height, pounds, start, end):
    lifted = Lifted(start * IN, end * IN)
    light, heavy = (hands_for(piece(width, depth, height, weight), lifted) for weight in (pounds, pounds + 10))
    assert light.recommended_lb == heavy.recommended_lb
    assert (light.people or 5) <= (heavy.people or 5)
    if light.people:
        assert light.team_lb is not None
        assert (pounds if light.verdict == "lift" else Fraction(pounds, 2)) <= light.team_lb
        assert light.people > 1 or (light.index is not None and light.index <= 1)


def test_weights_as_people_say_them():
    assert [format_weight(oz) for oz in (0, 8, 16, 760, -24)] == ["0 lb", "8 oz", "1 lb", "47 lb 8 oz", "-1 lb 8 oz"]
