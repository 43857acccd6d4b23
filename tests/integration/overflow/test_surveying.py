"""A mall's bays surveyed on both databases: kept, cut anew, gone; what goes over to other rows, and what must move."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import date, datetime

import pytest
from sqlalchemy import Engine, select, update

from coop.core.db import Sessions, transaction
from coop.core.geometry import IN16_PER_INCH
from coop.floor.domain.draft import PartDraft
from coop.floor.planning import rename_space
from coop.overflow.bay_editing import edit_bay
from coop.overflow.models import BayRow, Stay
from coop.overflow.openings import set_openings
from tests.databases import fill
from tests.factories.overflow_hall import feet
from tests.factories.surveyed import TODAY, Floor, build_surveyed

LATER = date(2026, 12, 1)
INCH = IN16_PER_INCH
SURVEYED = "a surveyed hall"


@pytest.fixture
def begins_with() -> Hashable:
    return SURVEYED


@pytest.fixture
def floor(engine: Engine, sessions: Sessions, now: datetime) -> Floor:
    return Floor(sessions, now, fill(engine, SURVEYED, lambda session: build_surveyed(session, now)))


def test_bays_are_written_once_and_stay_the_same_rows(floor: Floor) -> None:
    """84 in. less 44 are 40: the cap of 35 in. before booths (403.5.2), and 48 in. of floor at the west wall."""
    first = floor.found()
    bays = floor.bays()
    assert [aisle.code for aisle in first.aisles] == ["A1", "A2"]
    assert first.aisles[0].sentence.startswith("Aisle A1 has 8 bays")
    assert (bays["A1-2"].depth_in16, bays["A1-2"].backing, bays["A1-2"].before) == (35 * INCH, "booth", "21")
    assert {(row.is_lent, row.starts_on) for row in bays.values()} == {(True, TODAY)}
    assert first.is_current
    assert (first.is_under_way, first.failed, first.note, first.must_move) == (False, "", "", {})

    floor.change_plan(PartDraft("P1", "post", feet(56, 3, 0.5, 0.5)))
    assert not floor.found().is_current
    again = floor.survey(LATER)
    assert {code: row.id for code, row in floor.bays().items()} == {code: row.id for code, row in bays.items()}
    assert floor.bays(ended=True) == {}
    assert again.is_current
    assert again.made_at == floor.at(LATER)


def test_an_aisle_too_narrow_says_so_and_its_bays_end(floor: Floor) -> None:
    floor.widen("A1", 96, TODAY)
    found = floor.survey()
    assert found.aisles[0].sentence == "Aisle A1 is already narrower than it must be: 7' 0\" of 8' 0\" are clear."
    assert {row.aisle for row in floor.bays().values()} == {"A2"}
    assert {(row.aisle, row.ended_on) for row in floor.bays(ended=True).values()} == {("A1", TODAY)}


def test_bays_that_may_be_again_have_their_codes_again(floor: Floor) -> None:
    old = floor.bays()
    floor.widen("A1", 96, TODAY)
    floor.survey()
    floor.widen("A1", 44, LATER)
    floor.survey(LATER)
    assert {code: row.corners_in16 for code, row in floor.bays().items()} == {code: row.corners_in16 for code, row in old.items()}
    assert floor.bays()["A1-2"].starts_on == LATER


def test_bays_grow_with_their_aisle_when_nothing_stands_in_them(floor: Floor) -> None:
    floor.widen("A1", 60, TODAY)
    floor.survey()
    assert {row.depth_in16 for row in floor.bays().values() if row.before} == {24 * INCH}
    floor.widen("A1", 44, LATER)
    floor.survey(LATER)
    assert {row.depth_in16 for row in floor.bays().values() if row.before} == {35 * INCH}


def test_a_bay_cut_anew_keeps_its_code_its_colours_its_note_and_whether_it_is_lent(floor: Floor) -> None:
    with transaction(floor.sessions) as session:
        row = session.scalars(select(BayRow).where(BayRow.code == "A1-2")).one()
        edit_bay(session, floor.now, row, is_lent=False, palette=["#8B5A2B"], note="By the mirror", by=floor.by)
    floor.widen("A1", 60, LATER)
    floor.survey(LATER)
    old, new = floor.bays(ended=True)["A1-2"], floor.bays()["A1-2"]
    assert old.id != new.id
    assert (old.ended_on, new.starts_on) == (LATER, LATER)
    assert (new.depth_in16, new.is_lent, new.palette, new.note) == (24 * INCH, False, ["#8b5a2b"], "By the mirror")


def test_a_renamed_aisle_has_bays_of_its_name_with_all_that_was_said_of_them(floor: Floor) -> None:
    stay_id = floor.stay("A1-2", at=5)
    with transaction(floor.sessions) as session:
        row = session.scalars(select(BayRow).where(BayRow.code == "A1-2")).one()
        edit_bay(session, floor.now, row, is_lent=False, palette=[], note="By the mirror", by=floor.by)
    floor.change_plan(PartDraft("NORTH", "aisle", feet(0.5, 8.5, 59, 7)), without=["A1"])
    found = floor.survey()
    bay, stay = floor.stays_in(stay_id)
    assert (bay.aisle, bay.before, bay.note, bay.is_lent) == ("NORTH", "21", "By the mirror", False)
    assert (stay.from_in16, stay.to_in16) == (5 * INCH, 35 * INCH)
    assert found.must_move == {}


def test_a_renamed_booth_changes_what_is_behind_its_bays_and_no_row(floor: Floor) -> None:
    before = floor.bays()
    floor.stay("A1-2")
    with transaction(floor.sessions) as session:
        for code in ("21", "22"):
            rename_space(session, floor.now, floor.space(session, code), f"{code}A")
    floor.survey()
    after = floor.bays()
    assert {code: row.id for code, row in after.items()} == {code: row.id for code, row in before.items()}
    assert [after[code].before for code in ("A1-2", "A1-3")] == ["21A", "22A"]


# --- what stands --------------------------------------------------------------------------------------------------------


def test_from_the_day_a_width_is_raised_what_is_too_deep_must_move_and_what_still_fits_goes_over(floor: Floor) -> None:
    deep, flat = floor.stay("A1-6", (17, 34)), floor.stay("A1-6", (24, 20), at=18, dealer="V2")
    later = floor.stay("A1-6", (20, 20), first=date(2027, 1, 11), last=date(2027, 1, 24), dealer="V3")
    floor.widen("A1", 60, LATER)
    assert floor.survey().must_move == {}, "the width holds from December on"
    found = floor.survey(LATER)
    assert list(found.must_move) == [deep]
    assert found.must_move[deep] == (
        "Oak chest (V1) leaves 4' 2\" of the 5' 0\" that aisle A1 must keep clear: move it. "
        "Aisle A1 must keep 5' 0\" clear since Dec 1, 2026, says fire marshal."
    )
    assert floor.stays_in(deep)[0].ended_on == LATER
    for stay_id in (flat, later):
        bay, stay = floor.stays_in(stay_id)
        assert (bay.code, bay.ended_on, bay.depth_in16) == ("A1-6", None, 24 * INCH)
        # The new bay begins at the same corner; it is 42 in. long and was 50.
        assert (stay.from_in16, stay.to_in16) == ((18 * INCH, 42 * INCH) if stay_id == flat else (0, 20 * INCH))
    assert found.is_current

    floor.widen("A1", 44, LATER)
    assert floor.survey(LATER).must_move == {}, "what stands there may stay when the width is lowered again"


def test_a_door_made_after_pieces_stood_there_makes_them_move(floor: Floor) -> None:
    at_door, away = floor.stay("A2-3", at=0), floor.stay("A2-4", at=150, dealer="V2")
    floor.change_plan(PartDraft("D2", "door", feet(23, 38.5, 3, 0.5)))
    found = floor.survey()
    assert list(found.must_move) == [at_door]
    assert "door D2" in found.must_move[at_door]
    assert floor.stays_in(away)[0].ended_on is None


def test_an_opening_said_where_a_piece_stands_makes_it_move(floor: Floor) -> None:
    before_21 = floor.stay("A1-2")
    with transaction(floor.sessions) as session:
        space = floor.space(session, "21")
        # Its south side, from its east corner on: A1-2 begins there.
        set_openings(session, floor.now, floor.mall(session), space, [(2, 0, 48 * INCH)], by=floor.by)
    assert floor.work() == 1
    found = floor.found()
    assert list(found.must_move) == [before_21]
    assert "booth 21" in found.must_move[before_21]


def test_an_opening_whose_side_is_gone_is_left_out_with_a_word(floor: Floor) -> None:
    with transaction(floor.sessions) as session:
        space = floor.space(session, "21")
        set_openings(session, floor.now, floor.mall(session), space, [(2, 90 * INCH, 48 * INCH)], by=floor.by)
    floor.work()
    assert floor.found().openings == ()
    floor.redraw("21", feet(0.5, 0.5, 10, 8))
    assert floor.survey().openings == (
        "Space 21 has no side 3 any more that holds the opening said for it, 4' 0\" from 7' 6\": it is left out. "
        "Say its openings again.",
    )


def test_before_a_booth_drawn_deeper_the_bay_keeps_its_code_and_what_stood_there_must_move(floor: Floor) -> None:
    stood = floor.stay("A1-2")
    floor.redraw("21", feet(0.5, 0.5, 12, 9))
    found = floor.survey()
    assert found.must_move == {stood: "Oak chest (V1) stands where booth 21 is drawn: move it."}
    old, new = floor.bays(ended=True)["A1-2"], floor.bays()["A1-2"]
    assert (old.before, new.before) == ("21", "21")
    assert min(y for _, y in new.corners_in16) == min(y for _, y in old.corners_in16) + 12 * INCH
    assert floor.stays_in(stood)[0].id == old.id


def test_what_has_ended_or_was_cancelled_moves_nowhere(floor: Floor) -> None:
    ended, cancelled = floor.stay("A1-2", (20, 34), last=date(2026, 11, 30)), floor.stay("A1-3", (20, 34), dealer="V2")
    with transaction(floor.sessions) as session:
        session.execute(update(Stay).where(Stay.id == cancelled).values(state="cancelled"))
    floor.widen("A1", 60, LATER)
    assert floor.survey(LATER).must_move == {}
    assert [floor.stays_in(one)[0].ended_on for one in (ended, cancelled)] == [LATER, LATER]
