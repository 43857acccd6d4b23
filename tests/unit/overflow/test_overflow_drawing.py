"""Bays and what stands in them, drawn: patterns that differ without colour, letters that do not cover each other, true lengths.

Lengths on paper are checked against the definition of a drawing scale, a length over the scale (ISO 5455), at 72 points an inch
(PDF 32000-1, 8.3.2.3); both from memory.
"""

from __future__ import annotations

import io
import re
from datetime import date, timedelta
from itertools import combinations
from typing import Any
from xml.etree import ElementTree

import pikepdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.core.periods import shown_day
from coop.dealers.models import Dealer, Member
from coop.floor.domain.draft import PlanDraft, to_plan
from coop.floor.sheets import lay_plan
from coop.floor.svg import Look
from coop.overflow.bay_drawing import Span, bay_strip, bay_weeks
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.bays import work_out
from coop.overflow.domain.fitting import CAUTION
from coop.overflow.drawing import legend_of, map_of, map_svg
from coop.overflow.drawn import DrawnBay, DrawnPiece, drawn_pieces, free_stretches, state_of
from coop.overflow.marks import LETTER, STATES, Pen, pattern
from coop.overflow.models import BayRow, OverflowPiece, Stay
from coop.overflow.reading import Standing, bay_of
from coop.overflow.sheets import WalkPaper, walk_pdf
from tests.factories.floor_hall import hall_draft
from tests.factories.overflow_hall import feet, overflow_draft
from tests.unit.pdf_reading import colours_of, shapes_pt, texts_of

SVG = "{http://www.w3.org/2000/svg}"
DAY = date(2026, 12, 1)
FOOT = IN16_PER_FOOT
REQUIRED = 44 * IN16_PER_INCH


def days(number: int) -> date:
    return DAY + timedelta(days=number)


def bay_row(code: str, x: int, y: int, length: int, depth: int, **more: Any) -> BayRow:
    """Feet; it runs to the right from x, y; a depth below zero is upward."""
    corners = [[x, y], [x + length, y], [x + length, y + depth], [x, y + depth]]
    more = {"backing": "wall", "before": "", "is_lent": True, **more}
    return BayRow(id=7, code=code, aisle="A1", corners_in16=[[side * FOOT for side in corner] for corner in corners], **more)


WIDE = bay_row("A1-1", 0, 10, 10, 2)


def stands(
    stay_id: int, bay: BayRow, from_: int, to: int, name: str = "Oak dresser", *, code: str = "D01", **more: Any
) -> Standing:
    """From so many inches along a bay to others, 18 in. deep and 50 in. high, over twenty days on either side of the day."""
    more = {"kind": "asked", "starts_on": days(-20), "ends_on": days(20), "moved_in_on": days(-20), **more}
    colour = more.pop("colour", "")
    stay = Stay(id=stay_id, from_in16=from_ * 16, to_in16=to * 16, depth_in16=18 * 16, **more)
    piece = OverflowPiece(name=name, height_in16=50 * 16, colour=colour)
    return Standing(stay, piece, bay, Dealer(code=code, trade_name="", member=Member(name="Vera Quill")))


def texts(markup: str) -> list[str]:
    return ["".join(text.itertext()) for text in ElementTree.fromstring(markup).iter(f"{SVG}text")]


# --- how pieces stand -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "state", "said"),
    [
        ({}, "stays", "until Dec 21, 2026"),
        ({"ends_on": days(8)}, "stays", "until Dec 9, 2026"),
        ({"ends_on": days(7)}, "leaves", "last day Dec 8, 2026"),
        ({"ends_on": DAY}, "leaves", "last day today"),
        ({"ends_on": days(2), "recalled_at": True}, "leaves", "asked back, last day Dec 3, 2026"),
        ({"starts_on": DAY, "moved_in_on": None}, "comes", "moves in today, until Dec 21, 2026"),
        ({"starts_on": DAY, "moved_in_on": DAY}, "stays", "until Dec 21, 2026"),
        ({"starts_on": days(7)}, "comes", "moves in Dec 8, 2026, until Dec 21, 2026"),
        ({"kind": "sold", "ends_on": days(4)}, "sold", "sold, waits until Dec 5, 2026"),
    ],
)
def test_how_a_piece_stands_is_told_by_its_days(changes: dict[str, Any], state: str, said: str) -> None:
    one = stands(1, WIDE, 0, 36, **changes)
    assert state_of(one.stay, DAY) == state
    (drawn,) = drawn_pieces([one], DAY)
    assert (drawn.state, drawn.said) == (state, said)
    (moving,) = drawn_pieces([one], DAY, {1})
    until = "today" if one.stay.ends_on == DAY else shown_day(one.stay.ends_on)
    assert (moving.state, moving.said) == ("must move", f"must move, until {until}")


def test_what_has_ended_or_comes_later_than_in_a_week_is_not_drawn() -> None:
    there = [
        stands(1, WIDE, 0, 20, ends_on=days(-1)),
        stands(2, WIDE, 0, 20, starts_on=days(8), ends_on=days(30)),
        stands(3, WIDE, 24, 60, ends_on=DAY),
    ]
    assert [(one.number, one.stay_id, one.size) for one in drawn_pieces(there, DAY)] == [(1, 3, "3' 0\" × 1' 6\" × 4' 2\"")]


def test_each_state_has_a_pattern_of_its_own_and_no_colour() -> None:
    box = feet(0, 0, 3, 2)
    made = {state: pattern(box, state, Pen(150, 10)) for state in STATES}
    assert len(set(made.values())) == len(STATES) == 5
    for state, shape in made.items():
        assert set(re.findall(r'(?:fill|stroke)="([^"]*)"', shape)) <= {"none", "currentColor", "#fff"}, state
        # What is drawn over its outline differs too, or the outline's own line or fill does: dashes, weight, grey.
        assert len(re.findall("<path", shape)) == {"leaves": 1, "sold": 2, "must move": 1}.get(state, 0)
    assert "stroke-dasharray" in made["comes"]


def test_hatching_stays_within_its_piece() -> None:
    box = ((0, 0), (500, 100), (420, 500), (-80, 400))
    (path,) = re.findall(r'd="([^"]*)"', pattern(box, "leaves", Pen(150, 10)))
    ends = [(float(x), float(y)) for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", path)]
    assert len(ends) > 10
    assert all(-81 <= x <= 501 and -1 <= y <= 501 for x, y in ends)


def test_the_legend_names_what_there_is_with_its_number() -> None:
    made = legend_of(["sold", "stays", "sold"], kept_free=2)
    assert [(words, count) for _, words, count in made] == [
        ("stays on", 1),
        ("sold, waits to be fetched", 2),
        ("bay kept free", 2),
    ]
    assert len({swatch for swatch, _, _ in made}) == 3
    assert legend_of([]) == []


# --- free floor -------------------------------------------------------------------------------------------------------------

BAY = bay_of(WIDE)


@pytest.mark.parametrize(
    ("taken", "free"),
    [
        ([], [(0, 1920)]),
        ([(0, 1920)], []),
        ([(100, 300)], [(0, 100), (300, 1920)]),
        ([(300, 500), (0, 100)], [(100, 300), (500, 1920)]),
        ([(0, 500), (200, 400)], [(500, 1920)]),
    ],
)
def test_free_stretches(taken: list[tuple[int, int]], free: list[tuple[int, int]]) -> None:
    assert free_stretches(BAY, taken) == free


@given(st.lists(st.tuples(st.integers(0, 1919), st.integers(1, 900)), max_size=6))
def test_free_stretches_and_pieces_are_the_whole_bay(placed: list[tuple[int, int]]) -> None:
    taken = [(at, min(at + long, 1920)) for at, long in placed]
    free = free_stretches(BAY, taken)
    covered = {place for from_, to in taken for place in range(from_, to)}
    assert sorted(place for from_, to in free for place in range(from_, to)) == sorted(set(range(1920)) - covered)


# --- the map ----------------------------------------------------------------------------------------------------------------


def test_the_map_links_names_and_escapes() -> None:
    bays = [WIDE, bay_row("A1-2", 20, 10, 8, 2, is_lent=False)]
    there = [stands(5, WIDE, 0, 36, "Dresser <&>"), stands(6, WIDE, 40, 60, ends_on=days(3), code="D02")]
    drawn = map_of(
        overflow_draft(),
        bays,
        there,
        day=DAY,
        must_move={6},
        link_bay=lambda bay: f"/bays/{bay}",
        link_piece=lambda stay: f"/stays/{stay}?a=1&b=2",
    )
    picture = ElementTree.fromstring(drawn.svg)
    assert picture.get("role") == "group"
    links = {link.get("href"): link.get("aria-label") for link in picture.iter(f"{SVG}a")}
    assert links["/stays/5?a=1&b=2"] == "1 Dresser <&>, D01, until Dec 21, 2026"
    assert links["/stays/6?a=1&b=2"] == "2 Oak dresser, D02, must move, until Dec 4, 2026"
    assert "/bays/7" in links
    assert [(one.bay.code, words.rpartition("; ")[2]) for one, words in drawn.bays] == [
        ("A1-1", "free 5' 4\" of 10' 0\""),
        ("A1-2", "kept free"),
    ]
    desc = picture.find(f"{SVG}desc")
    assert desc is not None
    assert "Bay A1-2 in aisle A1: kept free." in (desc.text or "")
    assert {"A1-1", "A1-2 kept free", "1", "2", "Aisle A1", "Exit XN", "Ext. E1", "21"} <= set(texts(drawn.svg))
    outlines = {shape.get("points") for shape in picture.iter(f"{SVG}polygon")}
    assert "0,1920 576,1920 576,2208 0,2208" in outlines, "a piece at its place, to the sixteenth"
    plain = map_of(overflow_draft(), bays, there, day=DAY)
    assert "<a " not in plain.svg
    assert ElementTree.fromstring(plain.svg).get("role") == "img"


def filled(draft: PlanDraft) -> tuple[list[DrawnBay], list[DrawnPiece]]:
    """The bays of a plan, each full of pieces of 14 to 36 in., of every state."""
    bays = [DrawnBay(bay, n % 5 != 4) for n, bay in enumerate(work_out(to_plan(draft, {"": REQUIRED})).bays)]
    pieces: list[DrawnPiece] = []
    for one in bays:
        at = 0
        for inches in (36, 14, 24) * one.is_lent:
            long = inches * IN16_PER_INCH
            if at + long <= one.bay.length_in16:
                number, deep = len(pieces) + 1, one.bay.depth_in16
                state = list(STATES)[number % 5]
                outline = one.bay.stretch(at, at + long, deep)
                names = ("Oak dresser", "3' 0\" × 1' 6\" × 4' 2\"", "D01", "Vera Quill")
                pieces.append(
                    DrawnPiece(number, number, *names, one.bay, outline, at, at + long, deep, DAY, days(9), state, STATES[state])
                )
                at += long + IN16_PER_INCH
    return bays, pieces


def letter_boxes(svg: str, wanted: set[str]) -> dict[str, tuple[float, float, float, float]]:
    """What letters cover, by their words, read back from the picture: those of `wanted`."""
    found = {}
    for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
        text = group.find(f"{SVG}text")
        if text is None or text.text not in wanted:
            continue
        turn = re.match(r"rotate\((-?\d+) ([-\d.]+) ([-\d.]+)\)", group.get("transform", ""))
        x, y, size = (float(text.get(name, "")) for name in ("x", "y", "font-size"))
        half, tall, y = len(text.text or "") * LETTER * size / 2, size / 2, y - size * 0.35
        if turn is not None:
            assert turn[1] == "-90"
            half, tall = tall, half
        found[text.text or ""] = (x - half, y - tall, x + half, y + tall)
    return found


@pytest.mark.parametrize("draft", [overflow_draft(), hall_draft()], ids=["12 booths", "60 booths"])
def test_no_letters_cover_others(draft: PlanDraft) -> None:
    """Codes of bays and of aisles, and numbers of pieces, at the scale of the paper."""
    bays, pieces = filled(draft)
    assert len(bays) > 8
    assert len(pieces) > 8
    svg = map_svg(draft, bays, pieces, look=Look(96, 7), title="Map")
    codes = {one.bay.code if one.is_lent else f"{one.bay.code} kept free" for one in bays}
    boxes = letter_boxes(svg, codes | {f"Aisle {part.code}" for part in draft.parts} | {str(one.number) for one in pieces})
    assert codes <= set(boxes)
    for (one, a), (other, b) in combinations(boxes.items(), 2):
        assert min(a[2], b[2]) - max(a[0], b[0]) <= 0 or min(a[3], b[3]) - max(a[1], b[1]) <= 0, (one, other)


# --- a bay alone ------------------------------------------------------------------------------------------------------------


def test_a_bay_to_scale_has_its_pieces_free_stretches_and_feet() -> None:
    there = [
        stands(1, WIDE, 0, 36, colour="#8a5a2b"),
        stands(2, WIDE, 60, 96, "Pine <chest>", kind="sold"),
        stands(3, WIDE, 36, 60, starts_on=days(2)),
        stands(4, bay_row("A1-2", 20, 10, 8, 2), 0, 36),
    ]
    drawn = bay_strip(bay_of(WIDE), there, DAY)
    assert [(one.number, one.name) for one in drawn.pieces] == [(1, "Oak dresser"), (2, "Pine <chest>")]
    assert drawn.free == ["2' 0\" from 3' 0\" on", "2' 0\" from 8' 0\" on"]
    said = texts(drawn.svg)
    assert {"1 Oak dresser", "3' 0\" × 1' 6\" × 4' 2\"", "2 Pine <chest>", "free 2' 0\"", "at a wall", "0", "10"} <= set(said)
    picture = ElementTree.fromstring(drawn.svg)
    assert [rect.get("fill") for rect in picture.iter(f"{SVG}rect") if rect.get("class") == "colour"] == ["#8a5a2b"]


def test_of_what_is_anothers_a_dealer_reads_only_that_floor_is_taken() -> None:
    mine, other = stands(1, WIDE, 0, 36), stands(2, WIDE, 60, 96, "Pine chest", code="D02", colour="#8a5a2b")
    mine.dealer.id, other.dealer.id = 11, 12
    strip = bay_strip(BAY, [mine, other], DAY, own={11})
    drawn = map_of(overflow_draft(), [WIDE], [mine, other], day=DAY, own={11})
    for svg in (strip.svg, drawn.svg):
        assert "Taken, until Dec 21, 2026" in svg
        for secret in ("Pine chest", "D02", "#8a5a2b", "0 Taken"):
            assert secret not in svg
    assert "Taken" in texts(strip.svg)
    assert [one.number for one in drawn.pieces] == [1, 0]


@pytest.mark.parametrize(("depth", "points"), [(2, "0,0 576,0 576,288 0,288"), (-2, "1344,0 1920,0 1920,288 1344,288")])
def test_a_bay_is_drawn_as_it_is_seen_from_the_aisle(depth: int, points: str) -> None:
    """Who stands above a bay on the plan and looks down at it has its first corner to the right."""
    row = bay_row("A1-1", 0, 10, 10, depth)
    picture = ElementTree.fromstring(bay_strip(bay_of(row), [stands(1, row, 0, 36)], DAY).svg)
    assert points in [shape.get("points") for shape in picture.iter(f"{SVG}polygon")]
    at = {text.text: text.get("x") for text in picture.iter(f"{SVG}text")}
    assert (at["0"], at["10"]) == (("0", "1920") if depth > 0 else ("1920", "0"))


def test_what_stands_in_a_bay_that_was_cut_anew_is_drawn_where_it_stands() -> None:
    """The bay begins a foot farther along than it did."""
    now = bay_row("A1-1", 1, 10, 9, 2)
    drawn = bay_strip(bay_of(now), [stands(1, WIDE, 24, 60)], DAY, must_move={1})
    assert drawn.free == ['1\' 0" from 0" on', "5' 0\" from 4' 0\" on"]
    assert [one.state for one in drawn.pieces] == ["must move"]


def test_weeks_show_who_stands_where_and_when() -> None:
    """Four weeks on 900 pixels are 225 each; a foot of a bay of ten is 26: a day is 225/7 pixels."""
    spans = [
        Span(0, 3 * FOOT, days(-10), days(6), "D01 Dresser", "Dresser of D01"),
        Span(4 * FOOT, 6 * FOOT, days(14), days(40), "D02 Chest", "Chest of D02", "comes", "/drafts/1?a&b"),
        Span(0, 3 * FOOT, days(7), days(13), "", "Chair of D03", "sold"),
        Span(0, 3 * FOOT, days(28), days(40), "D04", "after the last week"),
        Span(0, 3 * FOOT, days(-9), days(-1), "D05", "before the first"),
    ]
    drawn = bay_weeks(bay_of(WIDE), spans, DAY, 4)
    assert [row.partition(",")[0] for row in drawn.rows] == ["Dresser of D01", "Chair of D03", "Chest of D02"]
    assert drawn.rows[1] == 'Chair of D03, 0" to 3\' 0" along the bay, Dec 8, 2026 to Dec 14, 2026'
    picture = ElementTree.fromstring(drawn.svg)
    points = [shape.get("points") for shape in picture.iter(f"{SVG}polygon")]
    assert points == ["0,0 225,0 225,78 0,78", "225,0 450,0 450,78 225,78", "450,104 900,104 900,156 450,156"]
    assert [link.get("href") for link in picture.iter(f"{SVG}a")] == ["/drafts/1?a&b"]
    assert picture.get("role") == "group"
    assert {"Dec 1", "Dec 8", "Dec 15", "Dec 22", "0 ft", "10", "D01 Dresser"} <= set(texts(drawn.svg))


# --- paper ------------------------------------------------------------------------------------------------------------------


def test_the_sheet_is_to_scale_without_colour_and_says_all_there_is() -> None:
    """The wall to the north is 60 ft by 6 in.; the map is one sheet at 1:96, where a bay of 10 ft is 90 points."""
    draft = overflow_draft()
    ten = Bay("A2-9", "A2", as_corners(feet(20, 36.5, 10, 2)), "wall")
    bays, pieces = filled(draft)
    paper = WalkPaper(
        "Lantern Yard",
        DAY,
        draft,
        (*(one for one in bays if one.bay.aisle == "A1"), DrawnBay(ten), DrawnBay(Bay("A3-1", "A3", ten.corners), False)),
        tuple(one for one in pieces if one.bay.aisle == "A1"),
        (("A1", REQUIRED), ("A2", 36 * IN16_PER_INCH), ("A3", None)),
    )
    content = walk_pdf(paper)
    pages = [text.replace("\xa0", " ") for text in texts_of(content)]
    assert "Scale 1:96" in pages[0]
    for number, text in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in text
        assert "Overflow floor of Lantern Yard, Dec 1, 2026" in text
    listed = "".join(pages[1:])
    for said in (
        "Aisle A1Required clear width 3' 8\".",
        "Aisle A2Required clear width 3' 0\".",
        "Aisle A3Clear at its narrowest",
    ):
        assert said in listed
    assert listed.count("on no list:") == 3
    assert "Nothing is to stand in A2-9." in listed
    assert "Nothing is to stand in A3-1 (kept free)." in listed
    assert listed.count("Oak dresser") == len(paper.pieces)
    assert all(CAUTION.replace(" ", "") in text.replace(" ", "") for text in pages[:2])
    assert all(max(colour) - min(colour) < 0.01 for colour in colours_of(content)), "greys alone"
    with pikepdf.open(io.BytesIO(content)) as file:
        assert [float(side) for side in file.pages[0].MediaBox] == pytest.approx([0, 0, 792, 612], abs=0.1)
        found = [(right - left, top - bottom) for left, bottom, right, top in shapes_pt(file.pages[0])]
    for width, height in ((60, 0.5), (10, 2), (12, 8)):
        want = (width * 12 / 96 * 72, height * 12 / 96 * 72)
        assert [size for size in found if size == pytest.approx(want, abs=0.02)], want


def sheet_of(draft: PlanDraft, bays: list[DrawnBay]) -> bytes:
    """A sheet with bays alone."""
    codes = dict.fromkeys(one.bay.aisle for one in bays)
    paper = WalkPaper("Lantern Yard", DAY, draft, tuple(bays), (), tuple((code, REQUIRED) for code in codes))
    return walk_pdf(paper)


def pages_of(content: bytes) -> list[str]:
    return [text.replace("\xa0", " ") for text in texts_of(content)]


def test_of_a_large_plan_only_parts_with_bays_are_printed() -> None:
    """A hall of 124 ft by 84 is four sheets at 1:96 on letter paper: bays at its left end are on one of them."""
    draft = hall_draft()
    assert len(lay_plan(draft, 96, "letter")[2]) == 4
    first, *_, last = sorted(
        (DrawnBay(bay) for bay in work_out(to_plan(draft, {"": REQUIRED})).bays), key=lambda one: one.bay.corners
    )
    assert last.bay.corners[0][0] - first.bay.corners[0][0] > 80 * FOOT
    content = sheet_of(draft, [first])
    maps = [text for text in pages_of(content) if "Scale 1:96" in text]
    assert len(maps) == 1
    assert f"map: bays of {first.bay.aisle}" in maps[0]
    assert "parts without bays are not printed" in maps[0]
    assert "dashed lines" not in maps[0]
    with pikepdf.open(io.BytesIO(content)) as file:
        found = [(right - left, top - bottom) for left, bottom, right, top in shapes_pt(file.pages[0])]
    (left, top), (right, low) = min(first.bay.corners), max(first.bay.corners)
    want = ((right - left) / 16 / 96 * 72, (low - top) / 16 / 96 * 72)
    assert [size for size in found if size == pytest.approx(want, abs=0.02)], "to scale"
    both = pages_of(sheet_of(draft, [first, last]))
    maps = [text for text in both if "Scale 1:96" in text]
    assert [re.findall(r"map, sheet \d of \d: bays of A\d", text) for text in maps] == [
        [f"map, sheet {number} of 2: bays of {one.bay.aisle}"] for number, one in enumerate((first, last), 1)
    ]
    listed = both[2]
    for number, one in enumerate((first, last), 1):
        assert re.search(rf"Aisle {one.bay.aisle} ?map, sheet {number}Required", listed), listed
    # Bays along all of it are on all four.
    every = pages_of(sheet_of(draft, [DrawnBay(bay) for bay in work_out(to_plan(draft, {"": REQUIRED})).bays]))
    assert sum("Scale 1:96" in text for text in every) == len([text for text in every if "dashed lines" in text]) > 1
    assert not any("Scale" in text for text in pages_of(sheet_of(draft, []))), "no map where there is no bay"


def test_a_plan_on_one_sheet_has_no_key() -> None:
    pages = pages_of(sheet_of(overflow_draft(), [DrawnBay(BAY)]))
    assert "key" not in pages[0]
    assert "map, sheet" not in "".join(pages)


@pytest.mark.parametrize(("depth", "is_right"), [(2, True), (-2, False)])
def test_a_strip_says_on_which_side_a_piece_is(depth: int, is_right: bool) -> None:
    """At 84 to 120 in. of ten feet it is at the right, and at the left for who looks from the other side."""
    row = bay_row("A1-1", 0, 10, 10, depth)
    strip = bay_strip(bay_of(row), [stands(1, row, 0, 36), stands(2, row, 84, 120)], DAY)
    assert (strip.is_right(2), strip.is_right(1), strip.is_right()) == (is_right, not is_right, not is_right)
    assert not bay_strip(bay_of(row), [], DAY).is_right()
