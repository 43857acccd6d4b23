"""The floor map on a phone: the whole plan as wide as a hand, and parts round bays in which letters are to be read."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.dealers.models import Dealer, Member
from coop.floor.domain.draft import PlanDraft, to_plan
from coop.floor.domain.scale import Bounds
from coop.floor.svg import bounds_of
from coop.overflow.domain.bay import Bay, as_corners
from coop.overflow.domain.bays import work_out
from coop.overflow.drawing import MapDrawing, map_of
from coop.overflow.drawn import DrawnBay
from coop.overflow.hand import HAND_IN, windows_round
from coop.overflow.models import BayRow, OverflowPiece, Stay
from coop.overflow.reading import Standing
from tests.factories.floor_hall import hall_draft
from tests.factories.overflow_hall import feet, overflow_draft

SVG = "{http://www.w3.org/2000/svg}"
DAY = date(2026, 12, 1)
NARROWEST_PX = 286
"""What a page of 320 pixels has between its margins."""


def rows_of(draft: PlanDraft) -> list[BayRow]:
    bays = work_out(to_plan(draft, {"": 44 * IN16_PER_INCH})).bays
    return [
        BayRow(
            id=number,
            code=bay.code,
            aisle=bay.aisle,
            corners_in16=[list(corner) for corner in bay.corners],
            backing=bay.backing,
            before=bay.before,
            is_lent=True,
        )
        for number, bay in enumerate(bays, 1)
    ]


def stands(number: int, row: BayRow, dealer_id: int) -> Standing:
    days: dict[str, Any] = {"starts_on": DAY, "ends_on": DAY + timedelta(days=20), "moved_in_on": DAY}
    stay = Stay(id=number, from_in16=0, to_in16=24 * IN16_PER_INCH, depth_in16=14 * IN16_PER_INCH, kind="asked", **days)
    dealer = Dealer(id=dealer_id, code=f"D{dealer_id}", trade_name="", member=Member(name="Vera Quill"))
    return Standing(stay, OverflowPiece(name=f"Chest {number}", height_in16=480, colour=""), row, dealer)


def drawn(draft: PlanDraft, own: set[int] | None) -> MapDrawing:
    rows = rows_of(draft)
    assert len(rows) > 8
    there = [stands(number, row, 11 if number in (1, len(rows)) else 12) for number, row in enumerate(rows, 1)]
    return map_of(draft, rows, there, day=DAY, own=own, name="hall")


def all_of(it: MapDrawing) -> str:
    return "".join(map(str, (it.svg, it.small, *(part.svg for part in it.parts))))


def view_of(picture: ElementTree.Element) -> Bounds:
    return Bounds(*(int(side) for side in picture.get("viewBox", "").split()))


@pytest.mark.parametrize("draft", [overflow_draft(), hall_draft()], ids=["12 booths", "60 booths"])
def test_letters_are_to_be_read_on_a_phone_and_stay_on_the_picture(draft: PlanDraft) -> None:
    """At a hand's width, on the narrowest page, no code of a bay or number of a piece is under 9 pixels high in a part."""
    for own in (None, {11}):
        it = drawn(draft, own)
        for svg in [it.small, *(part.svg for part in it.parts)]:
            picture = ElementTree.fromstring(svg)
            view = view_of(picture)
            for kind in ("bay", "piece"):
                for group in picture.iter(f"{SVG}g"):
                    text = group.find(f".//{SVG}text")
                    if group.get("class", "").split()[:1] != [kind] or text is None:
                        continue
                    if kind == "bay" or own:
                        assert float(text.get("font-size", "")) * NARROWEST_PX / view.width >= 6.7
        assert float(ElementTree.fromstring(it.small).get("width", "").removesuffix("in")) == pytest.approx(
            float(HAND_IN), rel=0.02
        )


def test_a_dealers_map_marks_what_is_the_dealers_and_shows_it_larger() -> None:
    """The first bay's piece and the last's are hers; of the ten others only that floor is taken is told."""
    it = drawn(hall_draft(), {11})
    rows = rows_of(hall_draft())
    assert [[one.name for one in part.pieces] for part in it.parts] == [["Chest 1"], [f"Chest {len(rows)}"]]
    assert it.parts[0].words == f"Aisle {rows[0].aisle}, bay {rows[0].code}"
    for svg, numbers in ((it.svg, ["1", "2"]), (it.small, ["1", "2"]), (it.parts[0].svg, ["1"]), (it.parts[1].svg, ["2"])):
        picture = ElementTree.fromstring(svg)
        marked = [group for group in picture.iter(f"{SVG}g") if group.get("class") == "piece own"]
        assert [group.findtext(f".//{SVG}text") for group in marked] == numbers
        # A mark of ink with letters of paper, and a bay drawn heavier than others: not by color.
        assert all(group.find(f".//{SVG}rect[@rx]") is not None for group in marked)
        bays = [group for group in picture.iter(f"{SVG}g") if group.get("class") == "bay"]
        widths = {group.get("font-weight", "400"): group.find(f"{SVG}polygon").get("stroke-width") for group in bays}  # type: ignore[union-attr]
        assert float(widths["700"] or "") == pytest.approx(2 * float(widths["400"] or ""), rel=0.01)
    assert "1 Chest 1, D11" in all_of(it)
    assert "Chest 2," not in all_of(it)


def test_the_offices_small_map_has_codes_alone_and_its_parts_all_bays() -> None:
    it = drawn(overflow_draft(), None)
    rows = rows_of(overflow_draft())
    codes = {row.code for row in rows}
    small = {text.text for text in ElementTree.fromstring(it.small).iter(f"{SVG}text")}
    assert codes <= small
    pieces = [one for one in ElementTree.fromstring(it.small).iter(f"{SVG}g") if one.get("class") == "piece"]
    assert len(pieces) == len(rows)
    assert not any(one.findall(f".//{SVG}text") for one in pieces)
    assert {code for part in it.parts for code in re.findall(r"A\d-\d+", part.words)} == codes
    assert sorted(one.number for part in it.parts for one in part.pieces) == [one.number for one in it.pieces]
    names = re.findall(r' id="([^"]*)"', all_of(it))
    assert len(names) == len(set(names)) == 2 * (2 + len(it.parts))


PLACES = st.tuples(st.integers(0, 180), st.integers(0, 90), st.integers(3, 30), st.booleans(), st.sampled_from(("A", "B")))


@given(st.lists(PLACES, min_size=1, max_size=12))
def test_every_bay_is_in_one_window_wholly_within_the_plan(places: list[tuple[int, int, int, bool, str]]) -> None:
    plan = Bounds(-IN16_PER_FOOT, -IN16_PER_FOOT, 222 * IN16_PER_FOOT, 132 * IN16_PER_FOOT)
    bays = []
    for number, (x, y, long, across, aisle) in enumerate(places):
        box = feet(x, y, long, 2) if across else feet(x, y, 2, long)
        bays.append(DrawnBay(Bay(f"{aisle}-{number}", aisle, as_corners(box), "wall")))
    windows = windows_round(bays, plan)
    assert sorted(one.bay.code for window in windows for one in window.bays) == sorted(one.bay.code for one in bays)
    for window in windows:
        sheet = window.sheet
        assert {one.bay.aisle for one in window.bays} == {window.aisle}
        assert plan.x <= sheet.x <= sheet.x + sheet.width <= plan.x + plan.width
        assert plan.y <= sheet.y <= sheet.y + sheet.height <= plan.y + plan.height
        assert sheet.width * 1.4 >= sheet.height - 1, "no higher than a hand shows"
        for one in window.bays:
            assert all(sheet.x <= x <= sheet.x + sheet.width for x, _ in one.bay.corners)
            assert all(sheet.y <= y <= sheet.y + sheet.height for _, y in one.bay.corners)
        assert len(window.bays) == 1 or sheet.width <= 34 * IN16_PER_FOOT


def test_a_window_reaches_no_farther_than_the_plan() -> None:
    small = overflow_draft()
    (window, *_) = windows_round([DrawnBay(Bay("A1-1", "A1", as_corners(feet(0, 0, 4, 2)), "wall"))], bounds_of(small))
    assert (window.sheet.x, window.sheet.y) == (bounds_of(small).x, bounds_of(small).y)
