"""Tipping against hand-worked statics and the published beginnings of standards; leaning; glass near an edge."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.finding import Finding
from coop.resets.domain.piece import Arrangement, Piece, Placed
from coop.resets.domain.tip import (
    CLOTHING_STORAGE,
    Lean,
    Limits,
    balance,
    checks,
    is_clothing_storage,
    lean_range_in16,
    stacked,
    tipping_angle_deg,
    tipping_pull_lbf,
    unweighed,
)

IN, LB = 16, 16


def piece(key: str, width: int, depth: int, height: int, pounds: int | None = 40, **more: object) -> Piece:
    weight = None if pounds is None else pounds * LB
    return Piece(key, key.capitalize(), width * IN, depth * IN, height * IN, weight, **more)  # type: ignore[arg-type]


def put(one: Piece, x: int = 60, y: int = 60, turn: int = 0, on: str | None = None) -> Placed:
    return Placed(one, x * IN, y * IN, turn, on)


def found(*placed: Placed, **more: object) -> tuple[Finding, ...]:
    return checks(Arrangement(placed), **more)  # type: ignore[arg-type]


def test_pull_of_a_block():
    # N5. Statics, derived: a block of 120 lb, 18 deep, pulled at 60 in.: 120 x 9 / 60 = 18.0 lbf.
    assert tipping_pull_lbf(120 * LB, 9 * IN, 60 * IN) == 18
    whole = balance(Arrangement((put(piece("block", 36, 18, 72, 120)),)), "block")
    assert whole is not None
    assert whole.pull_lbf(Limits()) == 18


@pytest.mark.parametrize(("height", "degrees"), [(60, 16.70), (72, 14.04)])
def test_tilt_of_a_block(height, degrees):
    # N6. Statics, derived: 18 deep, 60 and 72 high.
    assert round(tipping_angle_deg(9, height / 2), 2) == degrees
    whole = balance(Arrangement((put(piece("block", 36, 18, height)),)), "block")
    assert whole is not None
    assert round(whole.tilt_deg, 2) == degrees


@pytest.mark.parametrize(
    ("size", "pounds", "expected"),
    [
        # N4. Source: ASTM F2057-23, 1.1 (16 CFR 1261): 27 in. high, 30 lb, 3.2 cu ft (5529.6 cu in.), free standing.
        ((16, 16, 27), 30, True),  # 4.0 cu ft
        ((16, 16, 26), 30, False),
        ((16, 16, 27), 29, False),
        ((12, 17, 27), 30, False),  # 3.19 cu ft
        ((16, 13, 27), 30, True),  # 3.25 cu ft
        ((16, 16, 27), None, None),
        ((16, 16, 26), None, False),
    ],
)
def test_clothing_storage(size, pounds, expected):
    assert is_clothing_storage(piece("chest", *size, pounds)) is expected


def test_clothing_storage_by_its_closed_space_and_not_when_built_in():
    chest = piece("chest", 36, 18, 40, 90)
    assert is_clothing_storage(chest) is True
    assert is_clothing_storage(chest, free_standing=False) is False
    just = int(Fraction("3.2") * 192**3)
    assert is_clothing_storage(chest, closed_in16_cubed=just) is False  # the whole sixteenths below 3.2 cu ft
    assert is_clothing_storage(chest, closed_in16_cubed=just + 1) is True


def test_a_stack_is_one_body_at_its_true_heights():
    # Worked by hand: 60 lb with its middle at 15, 20 lb at 30 + 10: (900 + 800) / 80 = 21.25.
    table, lamp, shade = piece("table", 30, 20, 30, 60), piece("lamp", 8, 8, 20, 20), piece("shade", 8, 8, 6, 0)
    arrangement = Arrangement((put(table), put(lamp, on="table"), put(shade, on="lamp")))
    whole = balance(arrangement, "table")
    assert whole is not None
    assert whole.keys == ("table", "lamp", "shade")
    assert whole.centre_up_in16 == Fraction("21.25") * IN
    assert whole.top_in16 == 56 * IN
    assert [up for _, up in stacked(arrangement, "table")] == [30 * IN, 50 * IN]
    assert whole.front_in16 == 10 * IN


@pytest.mark.parametrize(("turn", "dx", "dy"), [(0, 0, 8), (90, -8, 0), (180, 0, -8), (270, 8, 0)])
def test_what_stands_forward_brings_the_middle_forward_however_it_is_turned(turn, dx, dy):
    # 60 lb, and 20 lb 8 in. further forward: the middle is 2 in. forward, 8 in. from the front edge.
    table, bust = piece("table", 40, 20, 30, 60), piece("bust", 4, 4, 12, 20)
    whole = balance(Arrangement((put(table, turn=turn), put(bust, 60 + dx, 60 + dy, on="table"))), "table")
    assert whole is not None
    assert whole.front_in16 == 8 * IN
    assert whole.nearest_in16 == 8 * IN


@pytest.mark.parametrize(("turn", "dx", "dy"), [(0, 8, 0), (90, 0, 8), (180, -8, 0), (270, 0, -8)])
def test_what_stands_to_the_side_counts_too(turn, dx, dy):
    table, bust = piece("table", 20, 40, 30, 60), piece("bust", 4, 4, 12, 20)
    whole = balance(Arrangement((put(table, turn=turn), put(bust, 60 + dx, 60 + dy, on="table"))), "table")
    assert whole is not None
    assert whole.nearest_in16 == 8 * IN
    assert whole.front_in16 == 20 * IN


def test_at_a_slant_the_middle_moves_along_its_own_sides():
    # Turned 45 degrees, 4 in. right and 4 in. down is 5.657 in. to its own side: a quarter of that of the 10 in. there are.
    table, bust = piece("table", 20, 40, 30, 60), piece("bust", 4, 4, 12, 20)
    whole = balance(Arrangement((put(table, turn=45), put(bust, 64, 64, on="table"))), "table")
    assert whole is not None
    assert float(whole.nearest_in16) / IN == pytest.approx(10 - math.sqrt(32) / 4, abs=0.02)
    assert float(whole.front_in16) / IN == pytest.approx(20, abs=0.02)


def test_an_open_drawer_brings_the_middle_forward():
    # Two fifths of the weight 8 in. out (half of 16): 3.2 in. forward of the 9 in. there are.
    chest = piece("chest", 36, 18, 40, 100, opens_in16=16 * IN)
    whole = balance(Arrangement((put(chest),)), "chest")
    assert whole is not None
    assert whole.opened_in16 == Fraction("5.8") * IN
    assert whole.pull_lbf(Limits(), opened=True) == Fraction(100) * Fraction("5.8") / 40


def test_a_tall_bookcase_is_told_with_its_figures_and_its_mend():
    case = piece("bookcase", 36, 18, 72, 60)
    (one,) = found(put(case))
    assert (one.kind, one.stops, one.pieces) == ("may tip", False, ("bookcase",))
    assert one.sentence == (
        "Bookcase may tip: it is 6' 0\" high on a base of 1' 6\", 4.0 to 1 and a pull of 9.0 lb at 5' 0\" is enough. "
        "Anchor or strap it to a wall, put the heaviest at the bottom, or keep it out of reach."
    )
    assert one.source == "common practice, no source"
    assert one.at
    assert found(put(case), anchored={"bookcase"}) == ()


def test_a_low_wide_heavy_piece_is_not_told():
    assert found(put(piece("table", 60, 36, 30, 90))) == ()
    assert found(put(piece("stool", 12, 12, 18, 8))) == ()
    assert found(put(piece("stand", 12, 12, 30, 29))) == ()  # lighter than 30 lb: a pull is not told
    assert "a pull of 6.0 lb" in found(put(piece("stand", 12, 12, 30, 30)))[0].sentence


def test_what_a_stack_makes_tip():
    table, urn = piece("table", 20, 20, 30, 60), piece("urn", 12, 12, 50, 50)
    (one,) = found(put(table), put(urn, on="table"))
    assert "Table with Urn on it may tip" in one.sentence
    assert "take down what stands on it" in one.sentence
    assert one.pieces == ("table", "urn")


def test_a_drawer_that_pulls_it_over_by_itself():
    chest = piece("chest", 40, 12, 32, 50, opens_in16=30 * IN)
    sentences = [one.sentence for one in found(put(chest))]
    assert "falls forward by itself when everything is open" in sentences[0]


def test_a_drawer_that_helps_a_pull():
    chest = piece("chest", 40, 20, 40, 90, opens_in16=16 * IN)
    # Closed 90 x 10 / 40 = 22.5; opened 90 x 6.8 / 40 = 15.3.
    sentences = [one.sentence for one in found(put(chest))]
    assert "with everything open a pull of 15.3 lb at 3' 4\" is enough" in sentences[0]


def test_clothing_storage_is_told_with_its_standard():
    chest = piece("chest", 40, 30, 30, 200, opens_in16=16 * IN)
    (one,) = found(put(chest))
    assert one.source == CLOTHING_STORAGE
    assert "27 in. high, 30 lb, 3.2 cu ft" in one.sentence


def test_the_middle_of_the_weight_beyond_the_base():
    table, bust = piece("table", 20, 20, 30, 5), piece("bust", 10, 10, 30, 50)
    sentences = [one.sentence for one in found(put(table), put(bust, 60, 72, on="table"))]
    assert any("the middle of its weight is not over its base" in each for each in sentences)


def test_the_heaviest_at_the_bottom():
    low, high = piece("crate", 20, 20, 12, 10), piece("anvil", 10, 10, 6, 80)
    (one,) = found(put(low), put(high, on="crate"))
    assert one.sentence == "Anvil is heavier than Crate under it (80 lb on 10 lb). Put the heaviest at the bottom."


def test_what_nobody_weighed_is_said_and_judged_by_its_height_alone():
    arrangement = Arrangement((put(piece("shelf", 30, 10, 60, None)), put(piece("clock", 8, 8, 10, None), on="shelf")))
    assert [one.key for one in unweighed(arrangement, "shelf")] == ["shelf", "clock"]
    assert balance(arrangement, "shelf") is None
    first, second = checks(arrangement)
    assert first.kind == "not weighed"
    assert first.sentence == "Weigh Shelf and Clock: without their weights nothing is said of whether Shelf tips."
    assert "7.0 to 1" in second.sentence


def test_wall_pieces_do_not_tip_and_circles_are_not_followed():
    mirror = piece("mirror", 20, 2, 40, 20, stands="wall")
    a, b = piece("a", 20, 20, 40, 10), piece("b", 20, 20, 40, 10, glass=True)
    circle = (put(a, on="b"), put(b, on="a"))
    assert found(put(mirror), *circle) == ()
    assert [one.key for one, _ in stacked(Arrangement(circle), "a")] == ["b"]


@pytest.mark.parametrize(("foot_out", "said"), [(3, "too upright"), (13, "too flat"), (6, "A pull of 1.3 lb at its top")])
def test_a_leaning_window(foot_out, said):
    # 48 high: between 4.8 (a tenth) and 12 in. (a quarter, as of ladders: 29 CFR 1926.1053(b)(5)(i)).
    window = piece("window", 30, 2, 48, 20, leans=True, glass=True)
    (one,) = found(put(window), feet_out_in16={"window": foot_out * IN})
    assert one.kind == "leans badly"
    assert said in one.sentence
    assert 'Set its foot 4 13/16" to 1\' 0" out' in one.sentence
    assert "cord or hook" in one.sentence


def test_a_leaning_window_that_is_tied_and_well_set_is_not_told_and_one_not_measured_is():
    window = piece("window", 30, 2, 48, None, leans=True)
    assert found(put(window), feet_out_in16={"window": 6 * IN}, anchored={"window"}) == ()
    (one,) = found(put(window), anchored={"window"})
    assert one.sentence.startswith("Window leans. Set its foot")


def test_lean_statics():
    # Source: 29 CFR 1926.1053(b)(5)(i): the foot a quarter of the length out is 75.5 degrees from the floor.
    lean = Lean(48 * IN, 12 * IN)
    assert round(90 - lean.angle_deg, 1) == 75.5
    # Derived: the moments about the foot and about the top of a 20 lb window 48 long, its foot 12 out.
    high = math.sqrt(48**2 - 12**2)
    thrust = 20 * 6 / high  # against the wall, W (b/2) / h
    assert lean.grip == pytest.approx(thrust / 20)
    assert lean.pull_lbf(20 * LB) == pytest.approx(thrust)


def test_glass_near_an_edge_and_high():
    table, vase = piece("table", 40, 30, 30, 80), piece("vase", 6, 6, 10, 2, glass=True)
    assert found(put(table), put(vase, 60, 60, on="table")) == ()
    (edge,) = found(put(table), put(vase, 76, 60, on="table"))
    assert edge.kind == "glass"
    assert 'stands 1" from the edge of Table' in edge.sentence
    high = piece("cupboard", 40, 30, 62, 300)
    (up,) = found(put(high), put(vase, on="cupboard"))
    assert "5' 2\" up" in up.sentence


@given(depth=st.integers(4, 60), height=st.integers(4, 96), pounds=st.integers(1, 500))
def test_pull_and_tilt_agree(depth, height, pounds):
    # Derived: pulled at the height of its middle, the pull over the weight is the tangent of the tilt it falls past.
    pull = tipping_pull_lbf(pounds * LB, Fraction(depth * IN, 2), height * IN // 2)
    assert float(pull / pounds) == pytest.approx(math.tan(math.radians(tipping_angle_deg(depth / 2, height / 2))))


@given(height=st.integers(16, 2000))
def test_the_range_of_a_lean_is_within_its_bounds(height):
    least, most = lean_range_in16(height)
    assert least * 10 >= height
    assert most * 4 <= height
