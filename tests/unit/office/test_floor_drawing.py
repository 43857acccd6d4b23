"""Where a plan's labels stand, and how large, worked by hand: a hall of 80 by 100 ft has letters of 100 ft / 42 at most."""

from __future__ import annotations

import pytest

from coop.core.geometry import IN16_PER_FOOT as FT
from coop.floor.domain.draft import PartDraft, PlanDraft
from coop.floor.domain.plan import Outline
from coop.office.floor_drawing import Label, drawing, shape

LARGEST = 100 * FT // 42


def box(x: int, y: int, w: int, d: int) -> Outline:
    """In feet."""
    return ((x * FT, y * FT), ((x + w) * FT, y * FT), ((x + w) * FT, (y + d) * FT), (x * FT, (y + d) * FT))


@pytest.mark.parametrize(
    ("part", "label"),
    [
        (PartDraft("A", "aisle", box(0, 10, 80, 6)), Label("aisle", "aisle A", 40 * FT, 13 * FT, LARGEST)),
        (PartDraft("EAST", "aisle", box(74, 0, 6, 100)), Label("aisle", "aisle EAST", 77 * FT, 50 * FT, LARGEST, is_turned=True)),
        # Seven letters over 4 ft, each half as wide as it is high, with some air: 4 ft x 1.7 / 7.
        (PartDraft("DESK", "counter", box(10, 50, 4, 2)), Label("counter", "counter", 12 * FT, 51 * FT, 4 * FT * 17 // 10 // 7)),
        # In the upper wall its word stands below it, in the lower one above, beside the left one to its right.
        (PartDraft("N", "exit", box(30, 0, 6, 0)), Label("exit", "exit", 33 * FT, LARGEST * 9 // 10, LARGEST)),
        (PartDraft("S", "exit", box(30, 100, 6, 0)), Label("exit", "exit", 33 * FT, 100 * FT - LARGEST * 9 // 10, LARGEST)),
        (PartDraft("W", "exit", box(0, 60, 0, 6)), Label("exit", "exit", LARGEST * 6 // 4, 63 * FT, LARGEST)),
    ],
)
def test_aisles_counters_and_exits_are_labelled(part: PartDraft, label: Label) -> None:
    assert drawing(PlanDraft(box(0, 0, 80, 100), parts=(part,)), [], []).labels == [label]


def test_walls_and_posts_have_no_label() -> None:
    draft = PlanDraft(
        box(0, 0, 80, 100), parts=(PartDraft("W1", "wall", box(0, 0, 80, 1)), PartDraft("P1", "post", box(9, 9, 1, 1)))
    )
    assert drawing(draft, [], []).labels == []


def test_a_shallow_case_has_its_code_alone_over_its_depth() -> None:
    case = shape("case", "C27", box(0, 0, 4, 2))
    booth = shape("booth", "27", box(0, 0, 10, 8))
    assert (case.one_line, case.label) == (True, 2 * FT)
    assert (booth.one_line, booth.label) == (False, 8 * FT * 36 // 100)
