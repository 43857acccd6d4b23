"""What a set asks to bring, counted by hand; labels; tags to write. The counts per thing are common practice, no source."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.kit import (
    BLANKETS,
    BOXES,
    FELT_PADS,
    HOOKS,
    MATS,
    POWER_STRIPS,
    STRAPS,
    KitRules,
    Smalls,
    Tagged,
    boxes_for,
    hooks_for,
    kit,
    lead_for,
    retags,
)
from coop.resets.domain.piece import Arrangement, CarriedSize, Piece, Placed

IN, FT, LB = 16, 192, 16


def put(
    key: str, *, at: tuple[int, int] = (60, 60), size: tuple[int, int, int] = (30, 20, 30), on: str | None = None, **more: object
) -> Placed:
    up_in = more.pop("up_in", 0)
    width, depth, height = size
    piece = Piece(key, key.capitalize(), width * IN, depth * IN, height * IN, **more)  # type: ignore[arg-type]
    return Placed(piece, at[0] * IN, at[1] * IN, on=on, up_in16=int(str(up_in)) * IN)


def test_felt_pads_one_a_foot_of_every_stacked_piece():
    set_ = Arrangement((put("table"), put("chair", on="table"), put("stool", on="chair"), put("bench")))
    assert kit(set_).count(FELT_PADS) == 8
    assert kit(set_, feet={"stool": 3, "bench": 6}).count(FELT_PADS) == 7
    assert kit(set_, rules=KitRules(feet=5)).count(FELT_PADS) == 10
    (pads,) = (item for item in kit(set_).items if item.what == FELT_PADS)
    assert pads.why == "one under every foot of 2 stacked pieces"
    assert pads.pieces == ("chair", "stool")
    assert kit(Arrangement((put("table"),))).count(FELT_PADS) == 0


def test_a_booth_that_is_emptied_takes_boxes_blankets_and_a_dolly_too():
    leaving = Arrangement(
        (put("table", weight_oz=60 * LB), put("cupboard", size=(36, 18, 78)), put("lamp", on="table", stands="table"))
    )
    asked = kit(Arrangement(), [Smalls("cups", 37, "", 48)], leaving=leaving)
    assert (asked.count(BOXES), asked.count(BLANKETS), asked.count("dollies"), asked.count("step ladders")) == (2, 3, 1, 1)
    assert (asked.count(FELT_PADS), asked.count("tape measures")) == (0, 0)
    assert asked.boxes[0].label == ("Box 1 of 2", "cups: 36 things", "Goes home")
    assert asked.questions == ()
    # The blankets of what leaves serve for what comes.
    assert kit(Arrangement((put("bench"),)), leaving=leaving).count(BLANKETS) == 3


@pytest.mark.parametrize(
    ("smalls", "holds"),
    [
        # A box of 2304 cu in.: three quarters hold 1728, a half 1152.
        (Smalls("cups", 36, "table", 48), (36,)),
        (Smalls("cups", 37, "table", 48), (36, 1)),
        (Smalls("cups", 37, "table", 48, fragile=True), (24, 13)),
        (Smalls("jugs", 3, "table", 865), (1, 1, 1)),  # whole jugs: two would be 1730
        (Smalls("irons", 20, "table", 48, weight_each_oz=8 * LB), (5, 5, 5, 5)),  # 40 lb a box
        (Smalls("books", 0, "table", boxes=3), (0, 0, 0)),
        (Smalls("none", 0, "table"), ()),
        (Smalls("unknown", 5, "table"), None),
        (Smalls("trunks", 1, "table", 1729), None),
        (Smalls("anvils", 1, "table", 100, weight_each_oz=41 * LB), None),
    ],
)
def test_boxes_by_volume(smalls, holds):
    assert boxes_for(smalls) == holds


@given(count=st.integers(0, 500), each=st.integers(1, 1728), fragile=st.booleans(), weight=st.none() | st.integers(1, 40 * LB))
def test_boxes_hold_every_thing_and_no_box_too_much(count, each, fragile, weight):
    rules = KitRules()
    smalls = Smalls("g", count, "t", each, fragile=fragile, weight_each_oz=weight)
    holds = boxes_for(smalls, rules)
    limit = rules.box_cuin * (Fraction(1, 2) if fragile else Fraction(3, 4))
    if holds is None:
        assert count > 0
        assert each > limit
    else:
        assert sum(holds) == count
        assert all(held > 0 and held * each <= limit and held * (weight or 0) <= 40 * LB for held in holds)
        if len(holds) > 1:  # one box fewer would hold too much
            fewer = len(holds) - 1
            assert count > fewer * min(limit // each, 40 * LB // weight if weight else limit // each)


def test_labels_tie_each_box_to_where_it_goes():
    set_ = Arrangement((put("table"), put("shelf")))
    made = kit(set_, (Smalls("cups", 37, "table", 48, fragile=True), Smalls("books", 0, "shelf", boxes=1)))
    assert [box.label for box in made.boxes] == [
        ("Box 1 of 3", "cups: 24 things", "Goes on Table", "Fragile"),
        ("Box 2 of 3", "cups: 13 things", "Goes on Table", "Fragile"),
        ("Box 3 of 3", "books", "Goes on Shelf"),
    ]
    assert made.count(BOXES) == 3
    assert made.questions == ()
    assert "for the smalls of books and cups" in [item.why for item in made.items]


def test_smalls_that_cannot_be_boxed_are_asked_about():
    made = kit(
        Arrangement((put("table"),)),
        (Smalls("cups", 5, "table"), Smalls("trunks", 1, "table", 5000), Smalls("tins", 2, "cart", 10)),
    )
    assert made.questions == (
        "Say how large the smalls of cups that go on Table are, or in how many boxes they go.",
        "No box takes a thing of trunks that goes on Table (5000 cu in. each). "
        "Bring larger boxes, or make each a piece of its own.",
        "Say which piece of this set the smalls of tins go on: cart is not in it.",
    )


@pytest.mark.parametrize("smalls", [Smalls("g", -1, "t", 5), Smalls("g", 1, "t", -5), Smalls("g", 1, "t", boxes=-1)])
def test_less_than_nothing_is_refused(smalls):
    with pytest.raises(ValueError):
        boxes_for(smalls)


@pytest.mark.parametrize(("width", "pounds", "hooks"), [(23, 10, 1), (24, 10, 2), (23, 31, 2), (24, 91, 4), (10, None, 1)])
def test_hooks_by_width_and_weight(width, pounds, hooks):
    weight = None if pounds is None else pounds * LB
    assert hooks_for(put("mirror", size=(width, 2, 30), stands="wall", weight_oz=weight)) == hooks


def test_hooks_of_a_set():
    set_ = Arrangement(
        (put("mirror", size=(30, 2, 30), stands="wall", weight_oz=160), put("plate", size=(9, 1, 9), stands="wall"), put("table"))
    )
    made = kit(set_)
    assert made.count(HOOKS) == 3
    assert made.questions == ("Weigh Plate: hooks were counted by the width alone.",)


@pytest.mark.parametrize(
    ("x", "cord_in", "lead_ft"),
    [
        # An outlet at 0, 60: along the floor, and 12 in. slack; a lead of 6, 9, 12, 15 or 25 ft.
        (60, 72, 0),  # 72 needed
        (61, 72, 6),  # 1 missing
        (132, 72, 6),  # exactly 6 ft missing
        (133, 72, 9),
        (360, 72, 25),
        (361, 72, None),
    ],
)
def test_leads_by_distance(x, cord_in, lead_ft):
    set_ = Arrangement((put("lamp", at=(x, 60)),))
    lead = lead_for(set_, "lamp", cord_in * IN, ((0, 60 * IN),))
    assert (None if lead is None else lead.lead_in16) == (None if lead_ft is None else lead_ft * FT)


def test_leads_run_square_to_the_walls_and_up_to_what_stands_high():
    set_ = Arrangement((put("table", at=(30, 40)), put("lamp", at=(30, 40), on="table")))
    lead = lead_for(set_, "lamp", 0, ((900 * IN, 0), (0, 0)))
    assert lead is not None
    assert (lead.outlet, lead.run_in16) == (1, (30 + 40 + 30 + 12) * IN)


def test_leads_of_a_set_and_too_many_at_one_outlet():
    lamps = [put(f"lamp{n}", at=(60 + n, 0)) for n in range(3)]
    cords = {one.key: 0 for one in lamps}
    made = kit(Arrangement(tuple(lamps)), outlets=((0, 0),), cords_in16=cords)
    assert made.count("extension leads of 6' 0\"") == 1
    assert made.count("extension leads of 9' 0\"") == 2
    assert made.count(POWER_STRIPS) == 1
    assert kit(Arrangement(tuple(lamps[:2])), outlets=((0, 0),), cords_in16=cords).count(POWER_STRIPS) == 0


def test_a_socket_out_of_reach_or_none():
    set_ = Arrangement((put("lamp", at=(700, 0)),))
    assert kit(set_, cords_in16={"lamp": 0}).questions == (
        "Lamp needs a socket and the booth has no outlet. Measure where one is, or leave it unlit.",
    )
    assert kit(set_, outlets=((0, 0),), cords_in16={"lamp": 0}).questions == (
        "No lead of 25' 0\" or less reaches Lamp from an outlet. Put it nearer to one.",
    )


def test_what_holds_pieces():
    set_ = Arrangement(
        (
            put("bookcase"),
            put("window", leans=True, glass=True),
            put("vase", on="bookcase", glass=True, stands="table", size=(6, 6, 9)),
        )
    )
    made = kit(set_, anchored={"bookcase", "window"})
    assert made.count(STRAPS) == 2
    assert made.count(MATS) == 1
    assert made.count("cords with hooks") == 1
    assert made.count("packs of museum putty") == 1


def test_blankets_and_tools():
    set_ = Arrangement(
        (
            put("table"),
            put("sofa", size=(80, 36, 34), weight_oz=35 * LB, carried=(CarriedSize("parts off", 1, 1, 1),)),
            put("picture", size=(20, 1, 20), stands="wall", up_in=60),
            put("vase", size=(6, 6, 9), stands="table", on="table"),
            put("pane", size=(20, 1, 30), glass=True),
        )
    )
    made = kit(set_)
    assert made.count(BLANKETS) == 1 + 2 + 2
    tools = {item.what for item in made.items}
    assert {"tape measures", "levels", "hammers", "dollies", "step ladders", "sets of screwdrivers and wrenches"} <= tools
    assert "rolls of tape and a marker" not in tools
    plain = {item.what for item in kit(Arrangement((put("table"),))).items}
    assert plain == {"tape measures", BLANKETS}


def test_nothing_for_nothing_and_a_circle_is_no_hindrance():
    assert kit(Arrangement()).items == ()
    circle = Arrangement((put("a", on="b"), put("b", on="a")))
    assert kit(circle, outlets=((0, 0),), cords_in16={"a": 0}).count(FELT_PADS) == 8


def test_tags_to_write_are_one_batch():
    before = [
        Tagged("a", "Jug", "kitchen", 1200),
        Tagged("b", "Bowl", "kitchen", 800),
        Tagged("d", "Tin", "kitchen", 500),
        Tagged("e", "Pan", "k", 1),
    ]
    after = [
        Tagged("c", "Lamp", "den", 4500),
        Tagged("a", "Jug", "kitchen", 1000),
        Tagged("b", "Bowl", "kitchen", 800),
        Tagged("d", "Tin", "kitchen", None),
        Tagged("f", "Clock", "den", 2500),
    ]
    made = retags(before, after)
    assert [row.name for row in made.new] == ["Clock", "Lamp"]
    assert [(row.name, row.old_cents, row.new_cents) for row in made.repriced] == [("Jug", 1200, 1000)]
    assert [row.name for row in made.off] == ["Tin"]
    assert made.sentence == "3 tags to write: 2 new and 1 with another price. 1 tag to take off."
    assert retags(before, before).sentence == "No tag to write."
