"""What cannot be drawn is refused by part, field and reason, all of it at once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coop.floor.domain.plan import Aisle, Door, Fixture, Part, Plan, PlanError, PlanSpace, Wall, checked_plan

ROOM = ((0, 0), (4000, 0), (4000, 3000), (0, 3000))
SQUARE = ((100, 100), (900, 100), (900, 900), (100, 900))
BOW = ((0, 0), (100, 100), (100, 0), (0, 100))
FLAT = ((0, 0), (500, 0), (900, 0))
SLANTED = ((0, 0), (500, 500), (900, 900))
EMPTY = Plan(ROOM)


def faults(**parts):
    with pytest.raises(PlanError) as refused:
        checked_plan(replace(EMPTY, **parts))
    return [(fault.part, fault.field, fault.reason) for fault in refused.value.faults]


def test_a_whole_plan_is_returned_as_it_is():
    plan = Plan(
        ROOM,
        walls=(Wall("w1", ((0, 1500), (2000, 1500)), 96), Wall("w2", SQUARE)),
        doors=(Door("front", ((0, 0), (576, 0)), True), Door("inner", ((0, 0), (576, 0), (576, 96), (0, 96)))),
        aisles=(Aisle("A", SQUARE, 44 * 16), Aisle("B", SQUARE)),
        fixtures=(Fixture("w1", "post", SQUARE), Fixture("desk", "counter", SQUARE, 576)),
        spaces=(PlanSpace("1", "booth", SQUARE, (0, 3)), PlanSpace("S1", "shelf"), PlanSpace("W1", "wall")),
    )
    assert checked_plan(plan) is plan
    assert [door.code for door in plan.exits] == ["front"]


CANNOT_BE_DRAWN = [
    (BOW, "crosses or touches itself"),
    ((), "has fewer than three corners"),
    (((0, 0), (5, 5)), "has fewer than three corners"),
    (((0, 0), (5, 5), (0, 0), (5, 5)), "has fewer than three corners"),
    (FLAT, "has no width or no depth"),
    (SLANTED, "lie on one line"),
    (((0, 0), (10, 0.5), (0, 10)), "whole sixteenths"),
    (((0, 0), (10, 0, 3), (0, 10)), "whole sixteenths"),
    (((0, 0), (True, 0), (0, 10)), "whole sixteenths"),
    (((0, 0), (10**9, 0), (0, 10)), "two miles"),
]


@pytest.mark.parametrize(
    ("outline", "reason", "field"),
    [
        (outline, reason, field)
        for outline, reason in CANNOT_BE_DRAWN
        for field in ("outline", "space", "fixture", "aisle", "wall", "door")
        if (field, len(outline)) != ("door", 2)  # two points are a door
    ],
)
def test_an_outline_that_cannot_be_drawn(outline, reason, field):
    parts = {
        "outline": {"outline": outline},
        "space": {"spaces": (PlanSpace("14", "booth", outline),)},
        "fixture": {"fixtures": (Fixture("14", "post", outline),)},
        "aisle": {"aisles": (Aisle("14", outline),)},
        "wall": {"walls": (Wall("14", outline),)},
        "door": {"doors": (Door("14", outline),)},
    }[field]
    ((part, named, told),) = faults(**parts)
    assert part == (Part("plan", "") if field == "outline" else Part(field, "14"))
    assert named == ("points" if field in ("wall", "door") else "outline")
    assert reason in told


@pytest.mark.parametrize(
    ("parts", "part", "field", "reason"),
    [
        ({"spaces": (PlanSpace("1", "stall", SQUARE),)}, "space 1", "kind", "booth, case, shelf, wall"),
        ({"fixtures": (Fixture("1", "lamp", SQUARE),)}, "fixture 1", "kind", "post, counter, extinguisher, other"),
        ({"fixtures": (Fixture("1", "counter", SQUARE, 0),)}, "fixture 1", "height_in16", "above zero"),
        ({"spaces": (PlanSpace("1", "booth", SQUARE), PlanSpace("1", "shelf"))}, "space 1", "code", "twice"),
        ({"walls": (Wall("w", SQUARE), Wall("w", SQUARE))}, "wall w", "code", "twice"),
        ({"doors": (Door("d", ((0, 0), (9, 0))), Door("d", ((0, 9), (9, 9))))}, "door d", "code", "twice"),
        ({"aisles": (Aisle("a", SQUARE), Aisle("a", SQUARE))}, "aisle a", "code", "twice"),
        ({"spaces": (PlanSpace(" ", "shelf"),)}, "space no. 1", "code", "empty"),
        ({"spaces": (PlanSpace("1", "case"),)}, "space 1", "outline", "fewer than three"),
        ({"spaces": (PlanSpace("1", "booth", SQUARE, (4,)),)}, "space 1", "open_sides", "0 to 3"),
        ({"spaces": (PlanSpace("1", "booth", SQUARE, ()),)}, "space 1", "open_sides", "nobody could come in"),
        ({"walls": (Wall("w", ((0, 0), (9, 0)), 0),)}, "wall w", "thickness_in16", "above zero"),
        ({"walls": (Wall("w", ((0, 0), (0, 0)), 4),)}, "wall w", "points", "different places"),
        ({"walls": (Wall("w", ((0, 0),), 4),)}, "wall w", "points", "different places"),
        ({"walls": (Wall("w", BOW, 4),)}, "wall w", "points", "crosses itself"),
        ({"doors": (Door("d", ((5, 5), (5, 5))),)}, "door d", "points", "different places"),
        ({"aisles": (Aisle("a", SQUARE, 575),)}, "aisle a", "required_clear_in16", "36 in. or more"),
        ({"required_clear_in16": 575}, "plan", "required_clear_in16", "36 in. or more"),
    ],
)
def test_a_part_that_cannot_stand(parts, part, field, reason):
    ((at, named, told),) = faults(**parts)
    assert (str(at), named) == (part, field)
    assert reason in told


def test_every_fault_is_told_in_words():
    with pytest.raises(PlanError) as refused:
        checked_plan(replace(EMPTY, spaces=(PlanSpace("14", "booth", BOW), PlanSpace("15", "stall", SQUARE))))
    first, second = str(refused.value).split("\n")
    assert first.startswith("Space 14: its outline crosses or touches itself")
    assert second == "Space 15: its kind is 'stall'; it is one of booth, case, shelf, wall."
