"""A plan typed as rows: what is read, what is said of what cannot be, and that reading gives back what was written."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft, draft_faults
from coop.office.floor_forms import PlanForm, is_rectangle, plan_form, read_plan, rectangle

HALL = {"version": "3", "plan-w": "40'", "plan-d": "30 ft", "plan-corners": "", "plan-clear": "36 in.", "plan-tolerance": "2%"}


def typed(**row: str) -> PlanForm:
    values = {
        "code": "14",
        "kind": "space:booth",
        "zone": "front",
        "x": "",
        "y": "",
        "w": "",
        "d": "",
        "h": "",
        "corners": "",
        **row,
    }
    return read_plan({**HALL, **{f"r0-{name}": value for name, value in values.items()}})


def test_a_row_is_a_rectangle() -> None:
    form = typed(x="1' 6\"", y="-2'", w="10 ft", d="96")
    assert form.version == 3
    assert form.draft == PlanDraft(
        rectangle(0, 0, 40 * FOOT, 30 * FOOT), (), (SpaceDraft("14", "booth", "front", rectangle(288, -384, 1920, 1536)),)
    )


def test_corners_are_written_from_the_parts_own_upper_left() -> None:
    form = typed(x="10'", y="5'", corners="0, 0; 8', 0; 8', 4'; 4', 4'; 4', 10'; 0, 10'")
    assert form.draft is not None
    assert form.draft.spaces[0].outline[3] == (14 * FOOT, 9 * FOOT)


def test_a_space_without_figures_is_not_drawn_and_a_row_without_anything_is_none() -> None:
    assert typed().draft == PlanDraft(rectangle(0, 0, 40 * FOOT, 30 * FOOT), (), (SpaceDraft("14", "booth", "front"),))
    empty = typed(code="", zone="front")
    assert empty.draft is not None
    assert empty.draft.spaces == ()


@pytest.mark.parametrize(
    ("row", "field", "sentence"),
    [
        ({"x": "wide"}, "x", "'wide' is not a length"),
        ({"w": "0", "d": "8'"}, "w", "must be above zero"),
        ({"w": "10'", "x": "1'"}, "d", "must be above zero"),
        ({"corners": "0, 0; 8'"}, "corners", "Write each corner as two lengths"),
        ({"corners": "0, 0; 8', 0; 8', 10'", "w": "9'", "d": "10'"}, "corners", "8' 0\" wide and 10' 0\" deep"),
        ({"kind": "part:cloud"}, "kind", "Choose one of those listed."),
        ({"kind": "part:post", "w": "1'", "d": "1'", "h": "tall"}, "h", "'tall' is not a length"),
    ],
)
def test_a_row_that_cannot_be_read_says_why_at_its_field(row: dict[str, str], field: str, sentence: str) -> None:
    form = typed(**row)
    assert form.draft is None
    assert sentence in form.rows[0].wrong[field]
    assert form.rows[0].typed[next(iter(row))] == row[next(iter(row))]


def test_a_space_keeps_its_code_here() -> None:
    form = typed(was="13")
    assert form.draft is None
    assert "another code on its own page" in form.rows[0].wrong["code"]


def test_the_hall_needs_its_sides() -> None:
    form = read_plan({**HALL, "plan-w": "", "plan-d": "0", "plan-tolerance": "some"})
    assert form.draft is None
    assert set(form.wrong) == {"w", "d", "tolerance"}


def test_faults_are_told_at_their_rows() -> None:
    form = read_plan(
        {
            **HALL,
            **{f"r0-{name}": value for name, value in {"code": "14", "kind": "space:booth", "zone": ""}.items()},
            **{f"r1-{name}": value for name, value in {"code": "14", "kind": "part:post", "w": "1'", "d": "1'"}.items()},
            **{f"r2-{name}": value for name, value in {"code": "14", "kind": "space:case", "zone": "case"}.items()},
        }
    )
    assert form.draft is not None
    form.tell(draft_faults(form.draft))
    assert "zone" in form.rows[0].wrong or "zone" in form.rows[2].wrong
    assert form.rows[1].wrong == {}
    assert "used 2 times" in form.rows[2].wrong["code"]


@pytest.mark.parametrize(
    ("outline", "expected"),
    [
        (((0, 0), (2, 0), (2, 3), (0, 3)), True),
        (((2, 3), (2, 0), (0, 0), (0, 3)), True),
        (((0, 0), (2, 3), (2, 0), (0, 3)), False),
        (((0, 0), (2, 0), (3, 3), (0, 3)), False),
        (((0, 0), (2, 0), (2, 3)), False),
    ],
)
def test_which_outlines_are_rectangles(outline: tuple[tuple[int, int], ...], expected: bool) -> None:
    assert is_rectangle(outline) is expected


SIDES = st.integers(1, 20_000)
PLACES = st.integers(-20_000, 20_000)
RECTANGLES = st.builds(rectangle, PLACES, PLACES, SIDES, SIDES)
OTHERS = st.lists(st.tuples(PLACES, PLACES), min_size=2, max_size=6, unique=True).map(tuple)
DRAFTS = st.builds(
    PlanDraft,
    RECTANGLES | OTHERS.filter(lambda corners: len(corners) > 2),
    st.lists(st.builds(PartDraft, st.just("W"), st.sampled_from(["wall", "exit"]), RECTANGLES | OTHERS, SIDES | st.none())).map(
        tuple
    ),
    st.lists(st.builds(SpaceDraft, st.just("14"), st.just("booth"), st.just("front"), RECTANGLES | OTHERS | st.just(()))).map(
        tuple
    ),
    st.integers(576, 2_000),
    st.decimals(0, 100, places=2).map(Decimal),
)


def same_shape(one: tuple[tuple[int, int], ...], other: tuple[tuple[int, int], ...]) -> bool:
    """A rectangle may begin at another corner."""
    return one == other or (is_rectangle(one) and set(one) == set(other))


@given(DRAFTS)
def test_what_is_written_is_read_again(draft: PlanDraft) -> None:
    written = plan_form(draft, 7)
    sent = {"version": "7", **{f"plan-{name}": value for name, value in written.typed.items()}}
    for row in written.rows:
        sent.update({f"{row.key}-{name}": value for name, value in row.typed.items()}, **{f"{row.key}-was": row.was})
    read = read_plan(sent)
    assert read.draft is not None, [row.wrong for row in read.rows]
    assert same_shape(read.draft.outline, draft.outline)
    assert (read.draft.required_clear_in16, read.draft.tolerance_percent) == (draft.required_clear_in16, draft.tolerance_percent)
    # The form has walls before exits.
    parts = sorted(draft.parts, key=lambda part: part.kind, reverse=True)
    for before, after in zip((*parts, *draft.spaces), (*read.draft.parts, *read.draft.spaces), strict=True):
        assert same_shape(after.outline, before.outline)
        assert (after.code, after.kind) == (before.code, before.kind)
    assert [part.height_in16 for part in read.draft.parts] == [part.height_in16 for part in parts]
