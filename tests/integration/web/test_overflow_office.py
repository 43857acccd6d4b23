"""Lent floor in the office: what must move, bays, openings, a piece that stands; what is refused stays as it was typed."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta

import pytest
from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.floor.service import add_mall
from coop.leases.models import Lease
from coop.overflow import bay_editing
from coop.overflow.models import BayRow, BaySurvey, BoothOpening, OverflowPiece, Stay
from coop.overflow.survey_asking import group_of
from coop.overflow.surveying import keep_survey, read_ground, survey
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_rules, lay_stay
from tests.factories.overflow_hall import OverflowHall, build_overflow_hall
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_overflow_rules import MAIN, RULES, TODAY, read
from tests.integration.web.test_rota_house import said, told

EAST = "/office/overflow/EAST"
INCH = 16


def stay(web: Web, stay_id: int) -> Stay:
    found: Stay = read(web, lambda session: session.get_one(Stay, stay_id))
    return found


def ida(session: Session) -> Dealer:
    return session.scalars(select(Dealer).where(Dealer.code == "D01")).one()


def must_move(web: Web, *stay_ids: int) -> None:
    """As though working out the bays had found that these must move."""
    with transaction(web.sessions) as session:
        value = {
            "must_move": {str(one): f"Piece {one} leaves 3' 0\" of the 3' 8\" that aisle A1 must keep clear." for one in stay_ids}
        }
        session.execute(delete(BaySurvey))
        session.add(BaySurvey(mall_id=web.house.mall.id, made_of="of another plan", made_at=web.clock.at, value=value))


def lend_east(web: Web, *, rules: bool = True, bays: bool = True) -> OverflowHall:
    """A second mall, whose bays are worked out of its plan."""
    with transaction(web.sessions) as session:
        mall = add_mall(session, web.clock.at, "EAST", name="East Barn", timezone="America/Chicago")
        hall = build_overflow_hall(session, web.clock.at, mall)
        if rules:
            lay_rules(session, mall)
        if bays:
            ground = read_ground(session, mall, TODAY)
            assert ground is not None
            keep_survey(session, web.clock.at, mall, ground, survey(ground))
    return hall


# --- the floor map ----------------------------------------------------------------------------------------------------------


def test_each_beginning_says_what_to_do_first(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "BARE", name="Bare Barn", timezone="America/Chicago")
    page = said(web, "/office/overflow/BARE")
    assert "Bays for overflow are worked out from the plan of the floor, and Bare Barn has none yet. Draw the plan" in page
    lend_east(web, rules=False, bays=False)
    assert "Say first what holds for pieces in the aisles" in said(web, EAST)
    with transaction(web.sessions) as session:
        east = session.scalars(select(Mall).where(Mall.code == "EAST")).one()
        lay_rules(session, east)
    page = said(web, EAST)
    assert "There are no bays yet" in page
    assert "Work the bays out" in page
    browser = web.browser("manager")
    assert send(browser, f"{EAST}/survey").headers["Location"] == EAST
    page = said(web, EAST, browser)
    assert "the bays are being worked out" in page
    assert "Work the bays out" not in page
    with transaction(web.sessions) as session:
        job = session.scalars(select(Job).where(Job.group_key == group_of(east.id))).one()
        job.state, job.error = "failed", "The plan has an aisle of no width."
    page = said(web, EAST)
    assert "The bays could not be worked out: The plan has an aisle of no width." in page
    assert "Work them out again" in page
    with transaction(web.sessions) as session:
        east = session.get_one(Mall, east.id)
        ground = read_ground(session, east, TODAY)
        assert ground is not None
        keep_survey(session, web.clock.at, east, ground, survey(ground))
        session.get_one(Job, job.id).state = "done"
    page = said(web, EAST)
    assert "the bays are those of the plan" in page
    assert "Nothing stands in the bays, and nobody has asked for floor." in page
    assert "0% " in page
    assert "Work them out again" not in page


def test_readers_see_no_presses(web: Web) -> None:
    must_move(web, web.house.overflow.stay)
    for path in (MAIN, f"{MAIN}/bays/A1-1", f"{MAIN}/openings/12", f"{MAIN}/stays/{web.house.overflow.stay}", f"{MAIN}/rules"):
        page = web.browser("auditor").get(path).text.partition("<main")[2].partition("</main>")[0]
        assert 'method="post"' not in page, path
        assert 'method="post"' in web.browser("manager").get(path).text.partition("<main")[2].partition("</main>")[0], path


def test_what_stands_is_listed_by_day_narrowed_and_taken_as_csv(web: Web) -> None:
    page = said(web, MAIN)
    assert (
        '1 Hall bench 4\' 0" × 1\' 6" × 2\' 10" D01 Fenwick & Daughter A1-1 0" to 4\' 0" Oct 20, 2026 nobody said it is there'
        in page
    )
    assert "moves in Nov 9, 2026, until Dec 6, 2026" in page
    assert "Cane rocker" not in said(web, f"{MAIN}?kind=stays")
    assert "Cane rocker" in said(web, f"{MAIN}?kind=comes")
    assert "Pie safe" not in said(web, f"{MAIN}?find=fenwick")
    later = said(web, f"{MAIN}?day=2026-12-07")
    assert "Nothing stands in the bays on Dec 7, 2026, and nothing comes within a week of it." in later
    assert "This is no day" not in said(web, f"{MAIN}?day=soon")
    rows = list(csv.DictReader(io.StringIO(web.browser("auditor").get(f"{MAIN}?as=csv&sort=piece").text)))
    assert [(row["Piece"], row["Bay"], row["Along it"], row["Until"]) for row in rows] == [
        ("Cane rocker", "A1-1", "6' 0\" to 8' 0\"", "2026-12-06"),
        ("Hall bench", "A1-1", '0" to 4\' 0"', "2026-12-06"),
        ("Pie safe", "A1-1", "4' 2\" to 5' 10\"", "2026-12-06"),
    ]


def test_how_much_is_lent_and_what_it_brings_is_told(web: Web) -> None:
    """4 ft and 20 in. stand in 15 ft of bays: 38%. At $1.50 a foot and week the bench comes to 4 x 1.5 x 30 / 7 = 25.71 in
    November, the safe to 20 / 12 x 1.5 x 30 / 7 = 10.71, and the rocker of 2 ft from the 9th on to 2 x 1.5 x 22 / 7 = 9.43.
    """
    with transaction(web.sessions) as session:
        lay_rules(session, session.get_one(Mall, web.house.mall.id), date(2026, 11, 1), fee_kind="foot-week", fee_cents=150)
    page = said(web, MAIN)
    assert "5' 8\" of 15' 0\" along 2 bays, 38%" in page
    assert "comes to $45.85, charged with the rent" in page
    send(web.browser("manager"), f"{MAIN}/bays/A1-2/lending", lent="no")
    assert "5' 8\" of 10' 0\" along 1 bay, 57%; 1 more is kept free" in said(web, MAIN)


# --- without a lease --------------------------------------------------------------------------------------------------------


def test_what_has_floor_longer_than_its_dealer_has_a_lease_is_told(web: Web) -> None:
    assert "On days without a lease" not in said(web, MAIN)
    with transaction(web.sessions) as session:
        piece = session.get_one(OverflowPiece, session.get_one(Stay, web.house.overflow.stay).piece_id)
        last = session.get_one(Stay, web.house.overflow.stay).ends_on
        for lease in session.scalars(select(Lease).where(Lease.dealer_id == piece.dealer_id)):
            lease.ends_on = last - timedelta(days=1)
    page = said(web, MAIN)
    assert "On days without a lease" in page
    assert "Ask it back in time, or see to the lease. Hall bench" in page
    assert "2 pieces have floor in the aisles of Lantern Yard Antiques Hall on days without a lease" in said(web, "/office/")


def test_asking_everything_back_tells_of_what_goes_by_then(web: Web) -> None:
    laid = web.house.overflow
    must_move(web, laid.stay, laid.others)
    browser = web.browser("manager")
    send(browser, f"{MAIN}/stays/{laid.others}/end", **{"end-on": "2026-11-03"})
    send(browser, f"{MAIN}/must-move", when="today")
    assert "1 goes by then anyway." in said(web, MAIN, browser)
    assert stay(web, laid.others).recalled_at is None


# --- bays and openings --------------------------------------------------------------------------------------------------------


def test_bays_are_listed_with_what_stands_in_them(web: Web) -> None:
    lend_east(web)
    page = said(web, f"{EAST}/bays")
    assert "Aisle A1 has" in page
    assert "before space 21" in page
    page = said(web, f"{MAIN}/bays")
    assert "Hall bench , D01 until Dec 6, 2026" in page
    rows = list(csv.DictReader(io.StringIO(web.browser("auditor").get(f"{MAIN}/bays?as=csv&which=taken").text)))
    assert [(row["Bay"], row["Long"], row["Free today"], row["Lent"]) for row in rows] == [("A1-1", "10' 0\"", "4' 4\"", "lent")]


def test_a_note_of_a_bay_leaves_it_kept_free_by_who_was_quicker(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its page was opened while it was lent; before the note is kept somebody keeps it free."""
    browser, held = web.browser("manager"), bay_editing.lock

    def slow(session: Session, row: BayRow) -> None:
        there = BayRow.__table__
        session.execute(update(there).where(there.c.id == row.id).values(is_lent=False))
        held(session, row)

    monkeypatch.setattr(bay_editing, "lock", slow)
    assert send(browser, f"{MAIN}/bays/A1-1", note="By the mirror").status_code == 303
    kept = read(web, lambda session: session.scalars(select(BayRow).where(BayRow.code == "A1-1")).one())
    assert (kept.is_lent, kept.note) == (False, "By the mirror")


def test_a_bay_keeps_its_colors_and_its_note(web: Web) -> None:
    browser, address = web.browser("manager"), f"{MAIN}/bays/A1-1"
    colours = {"palette-0-has": "y", "palette-0-colour": "#8a5a2b", "palette-1-colour": "#ffffff", "palette-3-has": "y"}
    answer = send(browser, address, **colours, **{"palette-3-colour": "#10203F"}, note="  The lamp above is broken. ")
    assert answer.headers["Location"] == address
    row = read(web, lambda session: session.scalars(select(BayRow).where(BayRow.code == "A1-1")).one())
    assert (row.palette, row.note) == (["#8a5a2b", "#10203f"], "The lamp above is broken.")
    page = web.browser("manager").get(address).text
    assert 'value="#10203f"' in page
    answer = send(browser, address, note="x" * 201)
    assert told(answer) == {"note": "Write it in 200 characters."}
    answer = send(browser, address, **{"palette-2-has": "y", "palette-2-colour": "brown"})
    assert "'brown' is no color: write it like #8a5a2b." in told(answer)["note"]
    send(browser, f"{address}/lending", lent="no")
    page = said(web, address)
    assert "kept free" in page
    assert "Lend it again" in page
    send(browser, f"{address}/lending", lent="yes")
    assert "Keep it free" in said(web, address)
    assert browser.get(f"{MAIN}/bays/Z9-1").status_code == 404


def test_what_stood_in_a_bay_before_is_told(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        ended = lay_bay(session, mall, "B1-1", ended_on=date(2026, 10, 1))
        piece = lay_piece(session, ida(session), "Card table")
        lay_stay(session, piece, ended, date(2026, 8, 1), date(2026, 8, 30))
    page = said(web, f"{MAIN}/bays/B1-1")
    assert "It is no bay any more since Oct 1, 2026." in page
    assert "Card table , D01: Aug 1, 2026 to Aug 30, 2026" in page


def test_openings_are_said_side_by_side_and_taken_back(web: Web) -> None:
    lend_east(web)
    address, browser = f"{EAST}/openings/25", web.browser("manager")
    page = said(web, address)
    assert "Nobody has said where they are, so the middle 3' 0\" of each side that looks on an aisle is kept open" in page
    assert "Side 1, at the top, 10' 0\" long" in page
    send(browser, address, **{"rows-0-side": "1", "rows-0-begins": "2'", "rows-0-width": "4' 6\"", "rows-1-side": ""})
    rows = read(web, lambda session: session.scalars(select(BoothOpening)).all())
    assert [(row.side, row.from_in16, row.width_in16) for row in rows] == [(0, 24 * INCH, 54 * INCH)]
    assert "Side 1, at the top, 10' 0\" long: 4' 6\" wide, from 2' 0\" on" in said(web, address)
    wrong = {"rows-0-side": "1", "rows-0-begins": "2'", "rows-0-width": "20", "rows-1-side": "3", "rows-1-width": "much"}
    answer = send(browser, address, **wrong)
    assert told(answer) == {
        "rows-1-begins": "Write how far from the side’s first corner it begins, like 2' 6\"; 0 for at the corner.",
        "rows-1-width": told(answer)["rows-1-width"],
    }
    assert 'value="much"' in answer.text
    answer = send(browser, address, **{"rows-0-side": "1", "rows-0-begins": "2'", "rows-0-width": "20"})
    assert "side 1: an opening of 1' 8\" is too narrow" in told(answer)["rows-0-width"]
    send(browser, address, do="usual")
    assert not read(web, lambda session: session.scalars(select(BoothOpening)).all())


def test_an_opening_of_a_booth_that_is_not_drawn_is_told_to_draw_it(web: Web) -> None:
    with transaction(web.sessions) as session:
        for space in session.scalars(select(Space)):
            space.outline_in16 = []
    assert "It is not drawn on the plan yet." in said(web, f"{MAIN}/openings/12")


# --- a piece that stands ----------------------------------------------------------------------------------------------------


def at(web: Web, stay_id: int, what: str = "") -> str:
    return f"{MAIN}/stays/{stay_id}{what}"


def test_a_piece_is_moved_to_the_leftmost_free_place_and_back(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    place = {"move-bay": "A1-2", "move-on": "2026-11-09"}
    answer = send(browser, at(web, laid.to_come, "/move"), **place)
    moved = stay(web, laid.to_come)
    assert (moved.bay_id, moved.from_in16) == (laid.other_bay, 0)
    back = said(web, answer.headers["Location"], browser)
    assert 'It stands in bay A1-2 from 0" on, from Nov 9, 2026, and its dealer is told.' in back
    assert "Undo: move it back to bay A1-1" in back
    send(browser, at(web, laid.to_come, "/move"), **{"move-bay": "A1-1", "move-begins": "6' 0\"", "move-on": "2026-11-09"})
    moved = stay(web, laid.to_come)
    assert (moved.bay_id, moved.from_in16) == (laid.bay, 72 * INCH)


def test_a_move_that_is_refused_stays_as_typed(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    answer = send(browser, at(web, laid.stay, "/move"), **{"move-bay": "A1-1", "move-begins": "4'", "move-on": "2026-11-04"})
    assert "is taken Oct 20 to Dec 6, 2026, by Pie safe of D02" in told(answer)["move-begins"]
    assert 'value="4&#39;"' in answer.text
    answer = send(browser, at(web, laid.stay, "/move"), **{"move-bay": "A1-1", "move-begins": "4'", "move-on": ""})
    assert told(answer) == {"move-on": "Write the day, like 2026-12-01."}
    answer = send(browser, at(web, laid.stay, "/move"), **{"move-bay": "C7", "move-on": "2026-11-04"})
    assert told(answer)["move-bay"] == "Choose one of those listed."
    with transaction(web.sessions) as session:
        safe = session.get_one(Stay, laid.others)
        other = session.get_one(BayRow, laid.other_bay)
        lay_stay(session, lay_piece(session, ida(session), "Settle", (58, 18, 30)), other, TODAY, safe.ends_on)
    answer = send(browser, at(web, laid.others, "/move"), **{"move-bay": "A1-2", "move-on": "2026-11-04"})
    assert "has no free place for it until Dec 6, 2026" in told(answer)["move-begins"]
    assert stay(web, laid.others).bay_id == laid.bay


def test_a_limit_is_let_pass_with_a_tick_and_said_in_the_log(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    address, until = at(web, laid.stay, "/lengthen"), {"lengthen-until": "2027-01-31"}
    answer = send(browser, address, **until)
    assert "D01 would be in bay A1-1 on" in told(answer)["lengthen-until"]
    assert "Let it pass this once" in answer.text
    assert stay(web, laid.stay).ends_on == date(2026, 12, 6)
    send(browser, address, **until, **{"lengthen-anyway": "y"})
    assert stay(web, laid.stay).ends_on == date(2027, 1, 31)
    answer = send(browser, address, **{"lengthen-until": "2026-12-01"})
    assert "Let it pass" not in answer.text
    assert "stands until Jan 31, 2027 already" in told(answer)["lengthen-until"]


def test_a_lengthening_is_undone_while_its_last_day_before_is_to_come(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    undo = "Undo: let it stand until Dec 6, 2026 only"
    send(browser, at(web, laid.others, "/lengthen"), **{"lengthen-until": "2026-12-10"})
    page = said(web, at(web, laid.others), browser)
    assert "It may stand there until Dec 10, 2026, and its dealer is told." in page
    assert undo in page
    send(browser, at(web, laid.others, "/lengthen/undo"))
    assert stay(web, laid.others).ends_on == date(2026, 12, 6)
    page = said(web, at(web, laid.others), browser)
    assert "Its last day is Dec 6, 2026 again, and its dealer is told." in page
    assert undo not in page
    answer = send(browser, at(web, laid.others, "/lengthen/undo"))
    assert answer.status_code == 422
    assert "Pie safe was not let stand longer: end its stay on a day instead." in answer.text


def test_a_sold_piece_that_is_late_is_let_stand_longer_or_fetched_on_its_page(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    with transaction(web.sessions) as session:
        safe = session.get_one(Stay, laid.others)
        safe.kind, safe.ends_on, safe.granted_until = "sold", date(2026, 10, 30), date(2026, 10, 30)
    page = said(web, at(web, laid.others), browser)
    assert "It is sold, to be fetched since Oct 30, 2026, and still there as far as anybody has said." in page
    assert "Move it to another place" not in page
    send(browser, at(web, laid.others, "/lengthen"), **{"lengthen-until": "2026-11-05"})
    assert stay(web, laid.others).ends_on == date(2026, 11, 5)
    assert "Undo: let it stand until Oct 30, 2026 only" in said(web, at(web, laid.others), browser)
    send(browser, at(web, laid.others, "/lengthen/undo"))
    page = said(web, at(web, laid.others), browser)
    assert "It was fetched today" in page
    assert "It was fetched on a day" in page
    send(browser, at(web, laid.others, "/end"), **{"end-on": "2026-11-02"})
    assert stay(web, laid.others).ends_on == date(2026, 11, 2)
    page = said(web, at(web, laid.others), browser)
    assert "It is gone: its last day was Nov 2, 2026." in page
    assert "Let it stand longer" not in page
    assert "It is there still, to be fetched since Oct 30, 2026" in page
    send(browser, at(web, laid.others, "/end/undo"))
    assert "Pie safe is there still, and was to be fetched by Oct 30, 2026." in said(web, at(web, laid.others), browser)
    assert stay(web, laid.others).ends_on == date(2026, 10, 30)


def test_a_stay_is_ended_and_the_end_taken_back(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    answer = send(browser, at(web, laid.stay, "/end"), **{"end-on": "2027-03-01"})
    assert "choose its last day among these" in told(answer)["end-on"]
    send(browser, at(web, laid.stay, "/end"), **{"end-on": "2026-11-03"})
    page = said(web, at(web, laid.stay), browser)
    assert "It is gone: its last day was Nov 3, 2026." in page
    assert "Move it to another place" not in page
    send(browser, at(web, laid.stay, "/end/undo"))
    assert stay(web, laid.stay).ends_on == date(2026, 12, 6)
    page = said(web, at(web, laid.stay), browser)
    assert "Hall bench is there after all, until Dec 6, 2026." in page
    assert "Move it to another place" in page


def test_a_piece_is_asked_back_and_kept(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    address = at(web, laid.stay, "/recall")
    answer = send(browser, address, **{"recall-why": "", "recall-days": "soon"})
    assert told(answer) == {
        "recall-why": "Say why: its dealer is told.",
        "recall-days": "Write a whole number from 0 to 90.",
    }
    answer = send(browser, address, **{"recall-why": "A sprinkler is mended", "recall-days": "2"})
    assert "fewer are for safety only" in told(answer)["recall-days"]
    send(browser, address, **{"recall-why": "A sprinkler is mended", "recall-days": "2", "recall-for_safety": "y"})
    assert stay(web, laid.stay).ends_on == date(2026, 11, 5)
    page = said(web, at(web, laid.stay), browser)
    assert "Asked back: its last day is Nov 5, 2026." in page
    assert "Let it stand longer" not in page
    send(browser, at(web, laid.stay, "/recall/undo"))
    kept = stay(web, laid.stay)
    assert (kept.ends_on, kept.recalled_at) == (date(2026, 12, 6), None)


def test_floor_is_taken_back_before_a_piece_comes_and_given_again(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    answer = send(browser, at(web, laid.stay, "/cancel"))
    assert answer.status_code == 422
    assert "end its stay on a day instead" in answer.text
    send(browser, at(web, laid.to_come, "/cancel"))
    assert stay(web, laid.to_come).state == "cancelled"
    page = said(web, at(web, laid.to_come), browser)
    assert "This floor is taken back: the request waits again." in page
    assert "Give it this floor again" in page
    send(browser, at(web, laid.to_come, "/cancel/undo"))
    assert stay(web, laid.to_come).state == "stands"


def test_a_piece_is_said_to_be_there_and_not(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    send(browser, at(web, laid.stay, "/there"), there="yes")
    assert stay(web, laid.stay).moved_in_on == TODAY
    send(browser, at(web, laid.stay, "/there"), there="no")
    assert stay(web, laid.stay).moved_in_on is None
    answer = send(browser, at(web, laid.to_come, "/there"), there="yes")
    assert answer.status_code == 422
    assert "it has floor from Nov 9, 2026 on" in answer.text
    assert browser.get(at(web, 999)).status_code == 404


def test_a_piece_of_another_mall_is_not_found_here(web: Web) -> None:
    lend_east(web, bays=False)
    assert web.browser("manager").get(f"{EAST}/stays/{web.house.overflow.stay}").status_code == 404


# --- elsewhere in the office --------------------------------------------------------------------------------------------------


def test_the_floor_is_shaded_by_what_its_dealers_have(web: Web) -> None:
    page = said(web, "/office/floor/MAIN?ask=overflow")
    assert "By how much floor in the aisles a dealer has today" in page
    # D01 holds 12 and has the bench's 4 ft; the rocker only comes.
    assert "4' 0\"" in page


def test_the_log_leads_to_lent_floor(web: Web) -> None:
    browser, laid = web.browser("manager"), web.house.overflow
    send(browser, f"{MAIN}/bays/A1-1/lending", lent="no")
    send(browser, at(web, laid.stay, "/there"), there="yes")
    send(browser, f"{MAIN}/rules/change", **RULES)
    page = browser.get("/office/log?kind=overflow").text
    for address in (f"{MAIN}/bays/A1-1", at(web, laid.stay), f"{MAIN}/rules"):
        assert f'href="{address}"' in page
    lines = read(
        web, lambda session: session.scalars(select(AuditLog.action).where(AuditLog.subject_kind == "overflow stay")).all()
    )
    assert lines == ["piece moved in"]
