"""Where pieces stand in a bay as it is now and as it was, the day said of them, and letters that leave walls and exits seen."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from xml.etree import ElementTree

import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon

from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.floor.svg import Look
from coop.overflow.bay_drawing import Span, bay_strip, bay_weeks
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.drawing import boxes_about, map_of, map_svg
from coop.overflow.drawn import DrawnBay, drawn_pieces
from coop.overflow.models import BayRow
from coop.overflow.reading import Standing, bay_of, standing_in
from tests.factories.overflow_hall import overflow_draft
from tests.unit.overflow.test_overflow_drawing import BAY, DAY, SVG, WIDE, bay_row, days, letter_boxes, stands


def test_what_is_fetched_or_taken_away_says_so_and_comes_no_more() -> None:
    """One that was put down on the very day on which it was fetched is not moving in."""
    gone = {"starts_on": DAY, "ends_on": DAY, "moved_in_on": None, "gone_said_at": datetime(2026, 12, 1, 16, tzinfo=UTC)}
    there = [stands(1, WIDE, 0, 20, kind="sold", **gone), stands(2, WIDE, 24, 44, **gone)]
    assert [(one.state, one.said) for one in drawn_pieces(there, DAY)] == [
        ("leaves", "fetched today"),
        ("leaves", "taken away today"),
    ]
    # It was still to come the day before, as far as days tell.
    assert [one.state for one in drawn_pieces(there, days(-1))] == ["comes", "comes"]


def test_another_day_is_not_called_today() -> None:
    there = [
        stands(1, WIDE, 0, 20, starts_on=days(28), moved_in_on=None, ends_on=days(50)),
        stands(2, WIDE, 30, 50, ends_on=days(28)),
    ]
    said = [one.said for one in drawn_pieces(there, days(28), today=DAY)]
    assert said == ["moves in Dec 29, 2026, until Jan 20, 2027", "last day Dec 29, 2026"]
    drawn = map_of(overflow_draft(), [WIDE], there, day=days(28), today=DAY)
    assert [one.said for one in drawn.pieces] == said
    assert "today" not in drawn.svg
    assert "today" not in bay_strip(BAY, there, days(28), today=DAY).svg


def cut_anew() -> tuple[BayRow, BayRow, list[Standing]]:
    """A bay of 10 ft of which a new exit takes the first four: as it was, as it is, and what stood in it.

    What stands wholly in the bay that is left was put into it.
    """
    old = bay_row("A1-1", 0, 10, 10, 2, starts_on=days(-90), ended_on=DAY)
    now = bay_row("A1-1", 4, 10, 6, 2, starts_on=DAY, ended_on=None)
    now.id = 8
    there = [
        stands(1, old, 0, 46, "Flat file"),
        stands(2, old, 47, 95, "Locker bank", code="D02"),
        stands(3, now, 48, 72, "Bank of drawers", code="D03"),
    ]
    return old, now, there


OUTSIDE = ["1 Flat file, D01", "2 Locker bank, D02"]


def test_what_a_bay_was_cut_away_from_is_never_measured_along_what_is_left() -> None:
    """Flat file is to the left of the bay now; Locker bank reaches 47 in. of it less the 48 that went."""
    _, now, there = cut_anew()
    flat, locker, drawers = drawn_pieces(there, DAY)
    assert (flat.place, locker.place, drawers.place) == (
        'beside the bay as it is now (0" to 3\' 10" along it as it was until Nov 30, 2026)',
        "beside the bay as it is now (3' 11\" to 7' 11\" along it as it was until Nov 30, 2026)",
        "4' 0\" to 6' 0\"",
    )
    bay = bay_of(now)
    assert [one.place_in(bay) for one in (flat, locker, drawers)] == [None, (0, 47 * 16), (48 * 16, 72 * 16)]
    strip = bay_strip(bay, there, DAY, must_move={1, 2})
    assert strip.free == ['1" from 3\' 11" on']
    assert [words.partition(", must")[0] for words in strip.beside] == OUTSIDE
    titles = [title.text or "" for title in ElementTree.fromstring(strip.svg).iter(f"{SVG}title")]
    assert [text.partition(" ")[0] for text in titles] == ["Bay", "2", "3"], "what is beside it is not drawn in it"
    (_, words), *_ = map_of(overflow_draft(), [now], there, day=DAY, must_move={1, 2}).bays
    assert words.count("beside the bay as it is now") == 2
    assert words.endswith('free 1" of 6\' 0"')


def sizes_in(svg: str) -> list[float]:
    return [float(size) for size in re.findall(r'(?:width|height|font-size|r)="([-\d.]+)"', svg)]


@given(st.integers(0, 9), st.integers(1, 10), st.integers(0, 119), st.integers(1, 60))
def test_no_picture_has_a_side_below_zero(begin: int, length: int, at: int, long: int) -> None:
    """Of whatever bay is left of one, with a piece wherever it was."""
    old = bay_row("A1-1", 0, 10, 10, 2, starts_on=days(-90), ended_on=DAY)
    now = bay_row("A1-1", begin, 10, length, 2)
    one = stands(1, old, at, min(at + long, 120))
    bay = bay_of(now)
    place = standing_in(bay, one)
    assert place is None or 0 <= place[0] < place[1] <= bay.length_in16
    svgs = [bay_strip(bay, [one], DAY).svg, map_of(overflow_draft(), [now], [one], day=DAY).svg]
    if place is not None:
        svgs.append(bay_weeks(bay, [Span(*place, DAY, days(20), "D01", "Chest")], DAY, 4).svg)
    assert all(size >= 0 for svg in svgs for size in sizes_in(svg))


def test_on_a_day_before_a_bay_was_cut_its_pieces_are_measured_along_it_as_it_was() -> None:
    old, _, there = cut_anew()
    found = drawn_pieces(there, days(-1), today=DAY, bays=[old])
    assert [one.place for one in found] == ['0" to 3\' 10"', "3' 11\" to 7' 11\"", "8' 0\" to 10' 0\""]


def test_what_left_before_its_bay_was_cut_stood_in_the_bay_there_was() -> None:
    old, _, _ = cut_anew()
    assert stands(1, old, 0, 46, ends_on=days(-1)).along == '0" to 3\' 10"'
    assert stands(1, old, 0, 46, ends_on=DAY).was_until == days(-1)


def test_bays_in_words_run_by_aisle_and_number() -> None:
    codes = ["A1-10", "A10-1", "A2-1", "A1-2"]
    rows = [bay_row(code, 4 * n, 10, 3, 2) for n, code in enumerate(codes)]
    for row in rows:
        row.aisle = row.code.partition("-")[0]
    drawn = map_of(overflow_draft(), rows, [], day=DAY)
    assert [one.bay.code for one, _ in drawn.bays] == ["A1-2", "A1-10", "A2-1", "A10-1"]


def test_letters_leave_walls_and_ways_through_as_they_are() -> None:
    """A code as long as the end of its bay to the wall would let that look like a doorway."""
    draft = overflow_draft()
    walls = [part.outline for part in draft.parts if part.kind in ("wall", "door", "exit")]
    corners = as_corners([[x * FOOT // 2, y * FOOT // 2] for x, y in ((1, 17), (1, 19), (5, 19), (5, 17))])
    rows = [DrawnBay(Bay("A1-1", "A1", corners), is_lent=False), DrawnBay(bay_of(bay_row("A2-1", 56, 31, 3, 2)), is_lent=False)]
    svg = map_svg(draft, rows, [], look=Look(96, 7), title="Map")
    boxes = letter_boxes(svg, {"A1-1 kept free", "A2-1 kept free", "Exit XN"})
    assert len(boxes) == 3
    for wall in walls:
        (left, right), (top, low) = ((min(axis), max(axis)) for axis in zip(*wall, strict=True))
        for words, (a, b, c, d) in boxes.items():
            assert min(c, right) <= max(a, left) or min(d, low) <= max(b, top), words


def test_a_wall_aslant_keeps_letters_off_itself_alone() -> None:
    """From corner to corner of a square of 80 letters: its one box would be the whole square."""
    look = Look(96, 7)
    side = 80 * look.text
    boxes = [Polygon(box) for box in boxes_about(((0, 0), (side, side)), look)]
    assert shapely.union_all(boxes).buffer(1).covers(shapely.LineString([(0, 0), (side, side)]))
    assert sum(box.area for box in boxes) < 0.05 * side * side


def test_an_exit_is_seen_where_a_piece_stands_in_it() -> None:
    """The exit lies from 52 to 56 ft along the wall: it is drawn once more, over what stands there."""
    row = bay_row("A1-1", 50, 0, 8, 2)
    svg = map_of(overflow_draft(), [row], [stands(1, row, 0, 90)], day=DAY, must_move={1}).svg
    again = svg.index('class="seen-exit"')
    assert again > svg.index('<g class="piece">')
    assert 'points="9984,0 10752,0 10752,96 9984,96" fill="none"' in svg[again:]
