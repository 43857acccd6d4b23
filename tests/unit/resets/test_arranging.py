"""Arranging: always valid by other code, locked pieces stay, drafts differ, what is left out is named with the reason."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from coop.resets.domain.arranging import Judge, Wishes, is_floor_piece, judge_of, score
from coop.resets.domain.booth import Booth, Side, rectangle_booth
from coop.resets.domain.fit import judge
from coop.resets.domain.piece import Arrangement, CarriedSize, Piece, Placed
from coop.resets.solving.arrange import arrange
from coop.resets.solving.dressing import Dresser
from coop.resets.solving.ground import Ground, stances_of
from coop.resets.solving.placing import Placer
from coop.resets.solving.search import Search
from tests.unit.resets.booth_checks import faults

INCH, FOOT = 16, 192


def floor(key: str, width: int, depth: int, height: int, **more) -> Piece:
    return Piece(key, key, width * INCH, depth * INCH, height * INCH, **more)


def some_pieces(seed: int, count: int) -> list[Piece]:
    chance = random.Random(seed)
    pieces = []
    for n in range(count):
        stands = chance.choice(["floor", "floor", "floor", "floor", "table", "wall"])
        if stands == "floor":
            wide, deep, high = (
                chance.choice([18, 23, 30, 37, 48]),
                chance.choice([12, 17, 20]),
                chance.choice([18, 31, 42, 65, 78]),
            )
            carries = 800 if high < 45 else None
            doors = chance.choice([0, 0, 16]) * INCH
            piece = floor(f"p{n}", wide, deep, high, carries_oz=carries, opens_in16=doors)
        elif stands == "table":
            piece = floor(
                f"p{n}", chance.choice([9, 14]), chance.choice([8, 11]), chance.choice([9, 26]), stands="table", weight_oz=160
            )
        else:
            piece = floor(f"p{n}", chance.choice([20, 35]), 2, chance.choice([15, 30]), stands="wall")
        pieces.append(replace(piece, grouping=chance.choice(["", "oak", "tin", "farm"])))
    return pieces


def l_shaped() -> Booth:
    """Ten by ten feet with its back right corner cut out, open at the front, a window on the left, a post."""
    outline = ((0, 0), (6 * FOOT, 0), (6 * FOOT, 4 * FOOT), (10 * FOOT, 4 * FOOT), (10 * FOOT, 10 * FOOT), (0, 10 * FOOT))
    wall = Side("wall", hooks=True, height_in16=8 * FOOT)
    sides = (wall, wall, wall, wall, Side("open"), Side("window"))
    post = ((5 * FOOT, 5 * FOOT), (5 * FOOT + 96, 5 * FOOT), (5 * FOOT + 96, 5 * FOOT + 96), (5 * FOOT, 5 * FOOT + 96))
    return Booth(outline, sides, posts=(post,), height_limit_in16=7 * FOOT, way_in16=30 * INCH)


BOOTHS = {
    "10 by 12, open in front": rectangle_booth(10 * FOOT, 12 * FOOT),
    "an odd size, open in front and left, 30 in.": rectangle_booth(1621, 1499, open_sides=("front", "left"), way_in16=30 * INCH),
    "8 by 8, low": replace(rectangle_booth(8 * FOOT, 8 * FOOT), height_limit_in16=6 * FOOT),
    "an L with a window and a post": l_shaped(),
}


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("booth", BOOTHS.values(), ids=BOOTHS)
def test_it_is_always_valid_and_leaves_nothing_unsaid(booth, seed):
    pieces = some_pieces(seed, 14)
    arranged = arrange(booth, pieces, seed=seed, steps=60)
    assert faults(booth, arranged.arrangement) == []
    assert [one.sentence for one in judge(booth, arranged.arrangement) if one.stops] == []
    placed = {one.key for one in arranged.arrangement.placed}
    assert len(placed) >= 5
    assert placed | {key for key, _ in arranged.left_out} == {piece.key for piece in pieces}
    assert placed.isdisjoint(key for key, _ in arranged.left_out)
    assert all(key in why for key, why in arranged.left_out)
    assert arranged.term("left out").value == len(arranged.left_out)
    assert all(term.bound <= term.value for term in arranged.terms)


def test_the_checks_find_what_is_wrong():
    """The checker these tests trust finds each thing that is put wrong on purpose."""
    booth = rectangle_booth(8 * FOOT, 8 * FOOT)
    chest, stool = floor("chest", 36, 18, 30, opens_in16=10 * INCH), floor("stool", 14, 14, 18)
    lamp, sign = floor("lamp", 10, 10, 20, stands="table", weight_oz=64), floor("sign", 30, 2, 10, stands="wall")
    well = Placed(chest, 18 * INCH, 9 * INCH)

    def wrong(*placed: Placed) -> str:
        return "; ".join(faults(booth, Arrangement(placed)))

    assert wrong(well) == ""
    assert "outside" in wrong(replace(well, x_in16=10 * INCH))
    assert "one place" in wrong(well, Placed(stool, 30 * INCH, 12 * INCH))
    assert "cannot open" in wrong(well, Placed(stool, 18 * INCH, 30 * INCH))
    assert "nobody comes to p0" in wrong(*(Placed(floor(f"p{n}", 96, 20, 60), 48 * INCH, (10 + 35 * n) * INCH) for n in range(3)))
    assert "carries too much" in wrong(well, Placed(lamp, 18 * INCH, 9 * INCH, on="chest"))
    assert "overhangs" in wrong(replace(well, piece=replace(chest, carries_oz=99)), Placed(lamp, 9, 9 * INCH, on="chest"))
    assert "no wall" in wrong(Placed(sign, 40 * INCH, 40 * INCH, up_in16=40 * INCH))
    assert wrong(Placed(sign, 40 * INCH, INCH, up_in16=40 * INCH)) == ""


def test_locked_pieces_stay_and_what_they_stand_on():
    booth = rectangle_booth(10 * FOOT, 12 * FOOT)
    table, lamp = floor("table", 40, 24, 30, carries_oz=640), floor("lamp", 12, 12, 20, stands="table", weight_oz=80)
    askew = Placed(table, 60 * INCH, 70 * INCH, 30)
    before = Arrangement((askew, Placed(lamp, 60 * INCH, 70 * INCH, 30, on="table", locked=True)))
    pieces = [*some_pieces(4, 10), table, lamp]
    arranged = arrange(booth, pieces, before=before, seed=3, steps=60).arrangement
    assert arranged["table"] == replace(askew, locked=True)
    assert arranged["lamp"] == before["lamp"]
    assert faults(booth, arranged) == []
    assert [one.sentence for one in judge(booth, arranged) if one.stops] == []


def test_drafts_differ_from_each_other():
    booth, pieces = rectangle_booth(10 * FOOT, 12 * FOOT), some_pieces(5, 9)
    drafts: list[Arrangement] = []
    for seed in (1, 2, 3):
        arranged = arrange(booth, pieces, differ_from=drafts, seed=seed, steps=80)
        assert arranged.term("too like an earlier draft").value == 0
        for draft in drafts:
            moved = sum(
                one is None
                or (one.turn_deg, one.on) != (old.turn_deg, old.on)
                or abs(one.x_in16 - old.x_in16) + abs(one.y_in16 - old.y_in16) >= 24 * INCH
                for old in draft.placed
                for one in [arranged.arrangement.get(old.key)]
            )
            assert moved >= 3
        drafts.append(arranged.arrangement)


def test_the_same_seed_and_steps_give_the_same():
    booth, pieces = BOOTHS["8 by 8, low"], some_pieces(6, 10)
    one, two = (arrange(booth, pieces, seed=9, steps=50) for _ in range(2))
    assert one == two
    assert arrange(booth, pieces, seed=10, steps=50).arrangement != one.arrangement


TILTED = CarriedSize("tilted", 20 * INCH, 40 * INCH, 50 * INCH)
BEHIND_A_LANE = Booth(
    tuple((x * INCH, y * INCH) for x, y in ((0, 0), (96, 0), (96, 60), (63, 60), (63, 120), (33, 120), (33, 60), (0, 60))),
    tuple(Side("open" if n == 4 else "wall") for n in range(8)),
)
"""Behind a lane of 30 in., where 36 in. are asked."""
SMALL = rectangle_booth(6 * FOOT, 6 * FOOT)


@pytest.mark.parametrize(
    ("booth", "pieces", "key", "said"),
    [
        (SMALL, [floor("bar", 100, 30, 40)], "bar", "larger than the booth at any turn"),
        (replace(SMALL, height_limit_in16=84 * INCH), [floor("hutch", 40, 18, 90)], "hutch", "the booth takes 7' 0\""),
        (BEHIND_A_LANE, [replace(floor("bench", 50, 40, 34), carried=(TILTED,))], "bench", "narrower than 3' 0\""),
        (
            replace(SMALL, sides=tuple(replace(side, hooks=False) for side in SMALL.sides)),
            [floor("sign", 30, 2, 10, stands="wall")],
            "sign",
            "no wall of this booth takes hooks",
        ),
        (SMALL, [floor("banner", 80, 2, 10, stands="wall")], "banner", "wider than any wall with hooks"),
        (SMALL, [floor("lamp", 12, 12, 20, stands="table")], "lamp", "nothing here is said to carry"),
        (
            SMALL,
            [floor("crock", 12, 12, 20, stands="table", weight_oz=900), floor("stand", 20, 14, 30, carries_oz=500)],
            "crock",
            "heavier than any top",
        ),
        (
            SMALL,
            [floor("case", 30, 12, 20, stands="table", weight_oz=90), floor("stand", 20, 14, 30, carries_oz=500)],
            "case",
            "larger than any top",
        ),
        (
            Booth(
                ((0, 0), (1200, 0), (1200, 1200), (800, 1200), (0, 1200)),
                (*[Side("wall")] * 2, Side("open"), *[Side("wall")] * 2),
            ),
            [floor("sofa", 60, 32, 34)],
            "sofa",
            "the opening 2' 1\"",
        ),
    ],
)
def test_what_cannot_be_placed_is_named_with_the_reason(booth, pieces, key, said):
    arranged = arrange(booth, pieces, seconds=10)
    assert key not in arranged.arrangement
    assert said in dict(arranged.left_out)[key]
    assert faults(booth, arranged.arrangement) == []


def test_no_room_beside_what_stays():
    stays = Placed(floor("bed", 66, 40, 30), 36 * INCH, 22 * INCH, locked=True)
    arranged = arrange(SMALL, [stays.piece, floor("desk", 60, 30, 30)], before=Arrangement((stays,)), seconds=10)
    assert [one.key for one in arranged.arrangement.placed] == ["bed"]
    assert "what is to stay" in dict(arranged.left_out)["desk"]


def test_one_of_two_is_proved_to_have_no_room():
    wishes = Wishes(grid_in16=6 * INCH)
    arranged = arrange(SMALL, [floor("one", 60, 30, 30), floor("two", 60, 30, 30)], wishes, seconds=20)
    assert len(arranged.left_out) == 1
    assert arranged.term("left out").proven
    assert "However the others are put" in arranged.left_out[0][1]


def test_a_top_takes_what_it_carries():
    table = floor("table", 40, 24, 30, carries_oz=500)
    lamps = [floor(f"lamp {n}", 10, 10, 20, stands="table", weight_oz=300) for n in range(2)]
    arranged = arrange(SMALL, [table, *lamps], steps=20)
    assert len(arranged.arrangement.standing_on("table")) == 1
    assert "No top has room and strength left" in arranged.left_out[0][1]


def searched(booth: Booth, pieces: list[Piece], stays: Arrangement, drafts: list[Arrangement]) -> tuple[Search, Arrangement]:
    """The search by itself, and what it comes to before anything is looked over."""
    ground = Ground(booth, Judge(booth, Wishes()), stays)
    stances = {piece.key: found for piece in pieces if is_floor_piece(piece) and (found := stances_of(ground, piece))}
    floor_pieces = [piece for piece in pieces if piece.key in stances]
    dresser = Dresser(ground, [piece for piece in pieces if not is_floor_piece(piece)], floor_pieces, stays, drafts)
    search = Search(Placer(ground, stances, dresser, drafts, seed=1))
    search.run(lambda: search.steps >= 60, lambda _: None, [0] * 7)
    on_floor = [stance.placed(anchor) for stance, anchor in search.best.values()]
    return search, Arrangement((*stays.placed, *on_floor, *dresser.dress(search.best).placed))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("booth", BOOTHS.values(), ids=BOOTHS)
def test_the_search_needs_no_mending_and_counts_as_the_score_does(booth, seed):
    """What `fit.judge` would take out of it afterwards is nothing on the floor. Locked pieces and an earlier draft count."""
    pieces = [piece for piece in some_pieces(seed, 14) if (booth.height_limit_in16 or 2000) >= piece.height_in16]
    chest = Placed(floor("chest", 30, 16, 64, grouping="oak"), booth.outline[0][0] + 15 * INCH, 8 * INCH, locked=True)
    stays = Arrangement((chest,))
    _, draft = searched(booth, pieces, stays, [])
    search, arrangement = searched(booth, pieces, stays, [draft])
    can = [piece for piece in pieces if piece.key in search.pieces or not is_floor_piece(piece)]
    assert search.best_score == score(booth, can, arrangement, Wishes(), [draft])
    stopping = {key for one in judge(booth, arrangement) if one.stops for key in one.pieces}
    assert stopping <= {piece.key for piece in pieces if piece.stands == "table"}


def test_two_pieces_of_one_key_are_refused():
    with pytest.raises(ValueError, match="one key"):
        arrange(SMALL, [floor("a", 10, 10, 10), floor("a", 10, 10, 10)])


def test_it_ends_when_somebody_stops_it():
    arranged = arrange(BOOTHS["10 by 12, open in front"], some_pieces(7, 12), seconds=100, cancelled=lambda: True)
    assert arranged.stopped
    assert faults(BOOTHS["10 by 12, open in front"], arranged.arrangement) == []


# --- what an arrangement comes to -------------------------------------------------------------------------------------------


def test_the_tiers_worked_by_hand():
    """A booth of 10 by 10 ft, open in front: two columns and two rows of sections; twenty sight lines of 120 in."""
    booth, wishes = rectangle_booth(10 * FOOT, 10 * FOOT), Wishes(pieces_a_nook=2)
    tall = floor("tall", 24, 12, 72, grouping="oak")
    low = floor("low", 24, 12, 30, grouping="oak")
    out = floor("out", 24, 12, 30)
    assert judge_of(booth, wishes).sections == (0, 1, 2, 3)
    # The tall one in the back left corner: hides the last 12 in. of four sight lines; 36 in. over tall, 6 in. from the back: 18.
    back = Arrangement((Placed(tall, 12 * INCH, 6 * INCH), Placed(low, 108 * INCH, 114 * INCH, 90)))
    assert score(booth, [tall, low, out], back, wishes) == (1, 0, 1, 3, 1, 18, 4 * 12)
    # In the middle of the booth, 60 in. from the back: 36 * 60 / 12; four lines end 66 in. before the back. The low one is a
    # nook's side: its side at the left wall, its back at none; both are in the section at the front left.
    middle = Arrangement((Placed(tall, 54 * INCH, 60 * INCH), Placed(low, 12 * INCH, 70 * INCH)))
    assert score(booth, [tall, low, out], middle, wishes) == (1, 0, 0, 3, 0, 180, 4 * 66)


def test_a_table_top_piece_makes_a_high_point():
    booth, wishes = rectangle_booth(10 * FOOT, 10 * FOOT), Wishes()
    table, lamp = floor("table", 30, 20, 30), floor("lamp", 10, 10, 31, stands="table")
    on = Arrangement((Placed(table, 15 * INCH, 10 * INCH), Placed(lamp, 15 * INCH, 10 * INCH, on="table")))
    assert score(booth, [table, lamp], on, wishes)[3] == 3
    assert score(booth, [table], Arrangement(on.placed[:1]), wishes)[3] == 4
