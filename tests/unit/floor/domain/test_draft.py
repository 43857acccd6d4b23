"""Plans as drafts: read strictly, judged whole, compared."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from coop.floor.domain.draft import (
    PartDraft,
    PlanDraft,
    SpaceDraft,
    draft_faults,
    draft_value,
    plan_change,
    read_draft,
    to_plan,
)
from coop.floor.domain.plan import Aisle, Door, Fixture, Plan, PlanSpace, Wall
from tests.unit.floor.domain.drawing import box, outline

WHOLE = PlanDraft(
    outline=box(0, 0, 480, 360),
    parts=(
        PartDraft("N", "wall", box(0, 0, 480, 6), 1536),
        PartDraft("D", "door", outline((0, 60), (0, 96))),
        PartDraft("E", "exit", outline((480, 60), (480, 96))),
        PartDraft("MAIN", "aisle", box(200, 10, 60, 340)),
        PartDraft("SIDE", "aisle", box(300, 10, 60, 340)),
        PartDraft("T", "fixture", box(400, 300, 20, 20)),
        PartDraft("DESK", "counter", box(400, 200, 60, 24), 34 * 16),
    ),
    spaces=(SpaceDraft("14", "booth", "front", box(10, 10, 120, 96)), SpaceDraft("S1", "shelf", "shelf")),
    required_clear_in16=44 * 16,
    tolerance_percent=Decimal("2.5"),
)
CROSSED = outline((0, 0), (9, 9), (9, 0), (0, 9))
LEAST: dict[str, Any] = {"outline": [[0, 0], [1600, 0], [1600, 1600], [0, 1600]], "parts": [], "spaces": []}


def test_a_draft_comes_back_from_its_json() -> None:
    assert read_draft(json.dumps(draft_value(WHOLE))) == WHOLE


def test_what_may_be_left_out_has_its_usual_value() -> None:
    draft = read_draft(json.dumps(LEAST))
    assert (draft.required_clear_in16, draft.tolerance_percent) == (36 * 16, Decimal(2))


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("colour",), "red", "colour is not known here"),
        (("outline",), None, "outline is null; it must be a list"),
        (("outline",), [[0, 0]], "outline is empty: give at least 2."),
        (("outline",), [[0, 0], [1, 2, 3], [4, 5]], "outline[1] has 3 numbers; a corner is [x, y]."),
        (("outline",), [[0, 0], [1.5, 2], [4, 5]], "outline[1][0] is the number 1.5; it must be a whole number"),
        (("outline",), [[0, 0], [True, 2], [4, 5]], "outline[1][0] is true; it must be a whole number"),
        (("outline",), [[0, 0], [10**9, 2], [4, 5]], "outline[1][0] is 1000000000; it must be from"),
        (("required_clear_in16",), "36", 'required_clear_in16 is "36"; it must be a whole number'),
        (("tolerance_percent",), "two", "tolerance_percent is 'two'; write it like"),
        (("spaces",), [{"code": "14", "kind": "booth"}], "spaces[0].zone is missing"),
        (("spaces",), [{"code": "14", "kind": "booth", "zone": "front", "area": 1}], "spaces[0].area is not known here"),
        (("parts",), [{"code": "N", "kind": "wall", "outline": [[0, 0], [1, 1]], "height_in16": 0}], "parts[0].height_in16 is 0"),
    ],
)
def test_json_of_another_shape_is_refused_by_its_path(path: tuple[str], value: object, said: str) -> None:
    with pytest.raises(ValueError, match=r".") as refused:
        read_draft(json.dumps({**LEAST, path[0]: value}))
    assert said in str(refused.value)


def test_a_key_twice_and_no_json_are_refused() -> None:
    with pytest.raises(ValueError, match="stands twice"):
        read_draft('{"outline": [], "outline": []}')
    with pytest.raises(ValueError, match="This is not JSON"):
        read_draft("{")


def test_a_draft_is_a_plan_with_the_widths_of_a_day() -> None:
    plan = to_plan(WHOLE, {"": 40 * 16, "MAIN": 60 * 16})
    parts = {part.code: part.outline for part in WHOLE.parts}
    assert plan == Plan(
        outline=WHOLE.outline,
        walls=(Wall("N", parts["N"]),),
        doors=(Door("D", parts["D"]), Door("E", parts["E"], is_exit=True)),
        aisles=(Aisle("MAIN", parts["MAIN"], 60 * 16), Aisle("SIDE", parts["SIDE"], None)),
        fixtures=(Fixture("T", "other", parts["T"]), Fixture("DESK", "counter", parts["DESK"], 34 * 16)),
        spaces=(PlanSpace("14", "booth", WHOLE.spaces[0].outline),),
        required_clear_in16=40 * 16,
    )
    assert to_plan(WHOLE).required_clear_in16 == 44 * 16


def test_a_good_draft_has_no_faults() -> None:
    assert draft_faults(WHOLE) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"outline": ()}, "Plan: its outline has fewer than three corners."),
        ({"outline": box(0, 0, 0, 10)}, "Plan: its outline has fewer than three corners."),
        ({"required_clear_in16": 35 * 16}, "Plan: its required clear must be 36 in. or more"),
        ({"tolerance_percent": Decimal(101)}, "Plan: its tolerance percent must be from 0 to 100."),
        ({"parts": (PartDraft("W", "wall", outline((0, 0), (9, 9))),)}, "Wall W: its outline has fewer than three corners."),
        ({"parts": (PartDraft("W", "curtain", box(0, 0, 9, 9)),)}, "Part W: its kind is 'curtain'; it is one of wall,"),
        ({"parts": (PartDraft("X", "post", box(0, 0, 9, 9), -16),)}, "Post X: its height must be above zero"),
        ({"parts": (PartDraft("X", "wall", box(0, 0, 9, 9), -16),)}, "Wall X: its height must be above zero"),
        ({"parts": (WHOLE.parts[0], replace(WHOLE.parts[1], code="N"))}, "Part N: its code is used 2 times"),
        ({"parts": (replace(WHOLE.parts[0], code=" N"),)}, "its code must be 1 to 20 characters"),
        ({"spaces": (WHOLE.spaces[0], WHOLE.spaces[0])}, "Space 14: its code is used 2 times; give each space its own."),
        ({"spaces": (replace(WHOLE.spaces[0], code=""),)}, "Space no. 1: its code is empty; give it one."),
        ({"spaces": (replace(WHOLE.spaces[0], kind="attic"),)}, "Space 14: its kind is 'attic'; it is one of booth,"),
        ({"spaces": (replace(WHOLE.spaces[0], zone=" "),)}, "Space 14: its zone is empty"),
        ({"spaces": (replace(WHOLE.spaces[0], zone="z" * 21),)}, "Space 14: its zone is longer than 20 characters"),
        (
            {"spaces": (replace(WHOLE.spaces[0], outline=outline((0, 0), (9, 9), (9, 0), (0, 9))),)},
            "Space 14: its outline crosses",
        ),
    ],
)
def test_what_cannot_be_drawn_is_told_once_by_part_field_and_mend(change: dict[str, Any], said: str) -> None:
    told = [str(fault) for fault in draft_faults(replace(WHOLE, **change))]
    assert len(told) == 1
    assert told[0].startswith(said) or said in told[0]


def test_a_first_plan_is_all_added_and_the_same_plan_is_no_change() -> None:
    assert len(plan_change(None, WHOLE).added) == 9
    assert not plan_change(WHOLE, WHOLE)
    reordered = replace(WHOLE, parts=WHOLE.parts[::-1])
    assert not plan_change(WHOLE, reordered)


def test_the_same_corners_from_another_or_the_other_way_round_are_no_change() -> None:
    """A page draws a rectangle from its upper left; a drawing that was brought in may begin anywhere."""
    part, space = WHOLE.parts[0], WHOLE.spaces[0]
    turned = replace(part, outline=part.outline[1:] + part.outline[:1])
    mirrored = replace(space, outline=space.outline[::-1])
    assert turned != part
    assert mirrored != space
    assert not plan_change(WHOLE, replace(WHOLE, parts=(turned, *WHOLE.parts[1:]), spaces=(mirrored, *WHOLE.spaces[1:])))
    moved = replace(part, outline=tuple((x + 1, y) for x, y in part.outline))
    change = plan_change(WHOLE, replace(WHOLE, parts=(moved, *WHOLE.parts[1:])))
    assert change.changed == (f"{part.kind} {part.code} (outline)",)


def test_a_change_names_what_of_a_thing_is_another() -> None:
    after = replace(
        WHOLE,
        outline=box(0, 0, 481, 360),
        parts=(replace(WHOLE.parts[0], kind="counter", height_in16=None), *WHOLE.parts[2:]),
        spaces=(replace(WHOLE.spaces[0], zone="back"), SpaceDraft("15", "case", "case")),
    )
    change = plan_change(WHOLE, after)
    assert change.changed == ("the outline", "counter N (kind, height)", "booth 14 (zone)")
    assert change.added == ("case 15",)
    assert change.removed == ("door D", "shelf S1")
