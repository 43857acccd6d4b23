"""Plans as CSV: what people type, every bad row by row and field, and the same plan back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.domain.plan_csv import PlanFileRefused, plan_csv, read_plan_csv
from tests.unit.floor.domain.drawing import box, outline

HEADING = "kind,code,zone,x,y,width,depth,corners,height,clear,tolerance\n"
TYPED = (
    HEADING
    + """outline,,,0,0,40 ft,30',,,44,2.5%
exit,E,,,,,,"40 ft, 10 ft; 40 ft, 14 ft",,,
wall,N,,0,0,40 ft,4 1/2",,9 ft,,
counter,DESK,,30 ft,24 ft,72,24,,34,,

booth,14,front,1 ft,1 ft,10',8' 6 1/2",,,,
BOOTH,15,front,,,,,"20 ft, 2 ft; 30 ft, 2 ft; 20 ft, 14 ft",,,
Rented  Wall,W1,wall,-6,1 ft,6,96,,,,
shelf,S1,shelf,,,,,,,,
"""
)
READ = PlanDraft(
    outline=box(0, 0, 480, 360),
    parts=(
        PartDraft("E", "exit", outline((480, 120), (480, 168))),
        PartDraft("N", "wall", box(0, 0, 480, 4.5), 9 * 192),
        PartDraft("DESK", "counter", box(360, 288, 72, 24), 34 * 16),
    ),
    spaces=(
        SpaceDraft("14", "booth", "front", box(12, 12, 120, 102.5)),
        SpaceDraft("15", "booth", "front", outline((240, 24), (360, 24), (240, 168))),
        SpaceDraft("W1", "wall", "wall", box(-6, 12, 6, 96)),
        SpaceDraft("S1", "shelf", "shelf"),
    ),
    required_clear_in16=44 * 16,
    tolerance_percent=Decimal("2.5"),
)


def test_a_typed_plan_is_read() -> None:
    assert read_plan_csv(TYPED.encode()) == READ


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + TYPED.encode(),
        TYPED.replace("\n", "\r\n").encode(),
        TYPED.replace("kind,code,zone", " Kind ,CODE,Zone").encode(),
        TYPED.replace('4 1/2"', "4.5").replace("30'", "30′").encode(),
    ],
    ids=["bom", "crlf", "capitals", "curly"],
)
def test_how_the_file_was_saved_changes_nothing(content: bytes) -> None:
    assert read_plan_csv(content) == READ


@pytest.mark.parametrize("separator", [";", "\t"])
def test_semicolons_and_tabs_are_read_too(separator: str) -> None:
    lines = ["kind,code,x,y,width,depth,zone", "outline,,0,0,40 ft,30 ft,", "booth,14,1 ft,1 ft,10 ft,8 ft,front"]
    assert read_plan_csv("\n".join(lines).replace(",", separator).encode()).spaces[0].outline == box(12, 12, 120, 96)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "The file is empty: its first row names the columns kind, code"),
        (HEADING.encode("utf-16"), "The file is in UTF-16 or no text at all"),
        (HEADING.encode() + "booth,É,front".encode("cp1252"), "Line 2 is not in UTF-8 (it holds the byte 0xc9)"),
        (b"kind,code,zone,x,y,width\n", "The heading has no column depth; it has kind, code, zone, x, y, width."),
        (b"booth,14,front,0,0,10,8\n", "The heading has no column kind, code, x, y, width, depth"),
        (HEADING.replace("zone", "area").encode(), "The heading has a column 'area' that is not known."),
        (HEADING.replace("zone", "x").encode(), "The heading has the column x twice"),
        (HEADING.encode(), "The file has no row of the kind outline"),
        (HEADING.encode() + b'outline,,,"0', "is not CSV (unexpected end of data): look for a quote"),
    ],
)
def test_a_file_of_another_shape_is_refused_in_a_sentence(content: bytes, said: str) -> None:
    with pytest.raises(PlanFileRefused, match=r".") as refused:
        read_plan_csv(content)
    assert said in str(refused.value)
    assert not refused.value.faults


BAD = """outline,,,0,0,40 ft,30 ft,,,35,300
outline,,,0,0,40 ft,30 ft,,,,
sofa,X,,0,0,1,1,,,,
booth,14,front,0,0,10 ft,8 ft,,,,
booth,14,front,0,0,10 ft,8 ft,,,,
booth,15,,ten,0,0,8 ft,,,,
booth,16,front,0,0,10 ft,,,,,
booth,17,front,0,0,0,8 ft,,,,
booth,18,front,,,,,"0, 0; 1 ft, 1 ft; 1 ft, 0; 0, 1 ft",,,
booth,19,front,,,,,"0, 0; 1 ft; 1 ft, 0",,,
booth,20,front,0,0,1 ft,1 ft,"0, 0; 1 ft, 0; 1 ft, 1 ft",9 ft,,
booth,,front,0,0,1 ft,1 ft,,,,
wall,W,front,,,,,,,,
booth,21,front,0,0,1 ft,1 ft,,,,,extra
"""
TOLD = {
    (2, "tolerance", "is '300'; write a percent from 0 to 100, such as 2."),
    (3, "kind", "is the outline again, after row 2; leave one."),
    (
        4,
        "kind",
        "is 'sofa'; it is one of outline, booth, case, shelf, rented wall, wall, door, exit, aisle, post, counter, extinguisher, "
        "fixture.",
    ),
    (6, "code", "is '14', as in row 5; give each space its own."),
    (7, "zone", "is empty; name the zone its rent goes by, such as front."),
    (7, "x", "'ten' is not a length; write it like 7' 6 1/2\", 90.5 (inches) or 7.5 ft."),
    (8, "depth", "is empty; give it, or give the corners."),
    (9, "width", "is '0'; it must be above zero."),
    (11, "corners", "corner 2, '1 ft', is not two lengths, x and y, with a comma between."),
    (12, "corners", "are given, and x, y, width, depth too; leave one of them empty."),
    (12, "height", "is '9 ft', which a space has none of; leave it empty."),
    (13, "code", "is empty; give it one."),
    (14, "zone", "is 'front', which a part of the building has none of; leave it empty."),
    (14, "x", "is empty; give it, or give the corners."),
    (14, "y", "is empty; give it, or give the corners."),
    (14, "width", "is empty; give it, or give the corners."),
    (14, "depth", "is empty; give it, or give the corners."),
}


def test_every_bad_row_is_told_at_once_by_row_and_field() -> None:
    rows = BAD.splitlines(keepends=True)[:-1]
    with pytest.raises(PlanFileRefused, match=r".") as refused:
        read_plan_csv((HEADING + "".join(rows)).encode())
    told = {(fault.row, fault.field, fault.reason) for fault in refused.value.faults}
    crossed = [fault for fault in refused.value.faults if fault.row == 10]
    assert [fault.field for fault in crossed] == ["corners"]
    assert "go round its corners in order" in crossed[0].reason
    assert {fault for fault in told if fault[0] != 10} == TOLD
    assert str(refused.value).startswith("Row 2, tolerance: is '300'; write a percent")


def test_a_row_with_too_many_cells_is_told_before_any_is_read() -> None:
    with pytest.raises(PlanFileRefused, match=r"^Row 15: has 12 cells where the heading has 11; put quotes round a cell"):
        read_plan_csv((HEADING + BAD).encode())


def test_a_missing_outline_is_told_with_the_rows() -> None:
    with pytest.raises(PlanFileRefused, match=r"Row 1: The file has no row of the kind outline.*\n?Row 2, kind"):
        read_plan_csv((HEADING + "sofa,X,,0,0,1,1,,,,\n").encode())


CODES = st.text(st.characters(categories=("Lu", "Nd"), include_characters=' ,;"=-'), min_size=1, max_size=20).filter(
    lambda code: code == code.strip()
)
LENGTHS = st.integers(-40_000, 40_000)
SIDES = st.integers(1, 40_000)
RECTANGLES = st.builds(lambda x, y, w, d: ((x, y), (x + w, y), (x + w, y + d), (x, y + d)), LENGTHS, LENGTHS, SIDES, SIDES)
TRIANGLES = st.builds(lambda x, y, w, d: ((x, y), (x + w, y + d), (x, y + d)), LENGTHS, LENGTHS, SIDES, SIDES)
SHAPES = st.one_of(RECTANGLES, TRIANGLES, RECTANGLES.map(lambda shape: shape[::-1]))
PLANS = st.builds(
    PlanDraft,
    outline=SHAPES,
    parts=st.lists(
        st.builds(
            PartDraft, CODES, st.sampled_from(["wall", "exit", "aisle", "counter"]), SHAPES, st.none() | st.integers(1, 5000)
        ),
        max_size=4,
        unique_by=lambda part: part.code,
    ).map(tuple),
    spaces=st.lists(
        st.builds(SpaceDraft, CODES, st.sampled_from(["booth", "case", "shelf", "wall"]), st.just("front"), st.just(()) | SHAPES),
        max_size=4,
        unique_by=lambda space: space.code,
    ).map(tuple),
    required_clear_in16=st.integers(576, 2000),
    tolerance_percent=st.decimals(0, 100, places=3).map(abs),
)


@given(PLANS)
def test_a_plan_comes_back_from_its_file(draft: PlanDraft) -> None:
    assert read_plan_csv(plan_csv(draft).encode("utf-8-sig")) == draft
