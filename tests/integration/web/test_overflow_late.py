"""Stays whose days are over or taken back, on pages: sold pieces nobody fetched, what is gone or is not after all."""

from __future__ import annotations

from datetime import date

from coop.core.db import transaction
from coop.leases.editing import By
from coop.overflow.models import BayRow, OverflowRequest, Stay
from coop.overflow.recalling import recall
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_overflow_office import at, stay
from tests.integration.web.test_overflow_rules import MAIN
from tests.integration.web.test_rota_house import said

PAGE = "/portal/overflow/"


def test_a_sold_piece_that_is_late_shows_everywhere_as_still_there(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    with transaction(web.sessions) as session:
        safe = session.get_one(Stay, laid.others)
        safe.kind, safe.starts_on = "sold", date(2026, 8, 20)
        safe.ends_on = safe.granted_until = date(2026, 9, 30)
    late = "to be fetched since Sep 30, 2026"
    for page in (MAIN, f"{MAIN}/bays", f"{MAIN}/bays/A1-1", at(web, laid.others), f"{MAIN}/sold"):
        assert "Pie safe" in said(web, page, browser), page
    assert f"sold, {late}, still there" in said(web, MAIN, browser)
    assert f"sold, {late}, still there" in said(web, f"{MAIN}/bays", browser)
    assert f"Pie safe, D02, sold, {late}, still there" in browser.get(f"{MAIN}/bays/A1-1").text
    assert "1 sold piece in the aisles of Lantern Yard Antiques Hall not fetched in time" in said(web, "/office/", browser)
    answer = send(browser, f"{MAIN}/walks")
    walk = answer.location
    assert f"{late}, still there" in said(web, walk, browser)
    send(browser, walk, **{f"how-{laid.others}": "out of place"}, do="all")
    assert "out of place" in said(web, at(web, laid.others), browser)
    assert stay(web, laid.others).moved_in_on is None
    send(browser, f"{MAIN}/sold/{laid.others}/fetched")
    assert "sold, to be fetched" not in said(web, MAIN, browser)
    assert "Still there" in said(web, f"{MAIN}/sold", browser)
    send(browser, f"{MAIN}/sold/{laid.others}/fetched", undo="yes")
    assert "Pie safe is there still, and was to be fetched by Sep 30, 2026." in said(web, f"{MAIN}/sold", browser)


def test_a_withdrawn_request_does_not_wait_again_when_its_floor_is_taken_back(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    with transaction(web.sessions) as session:
        session.get_one(OverflowRequest, laid.granted).state = "withdrawn"
    send(browser, at(web, laid.to_come, "/cancel"))
    page = said(web, at(web, laid.to_come), browser)
    assert "This floor is taken back." in page
    assert "the request waits again" not in page


def test_what_is_gone_is_not_let_stand_on_days_that_are_past(web: Web) -> None:
    """Hall bench was given until December 6, and is said to be gone on November 3."""
    laid, browser = web.house.overflow, web.browser("manager")
    send(browser, at(web, laid.stay, "/end"), **{"end-on": "2026-11-03"})
    page = said(web, at(web, laid.stay), browser)
    assert "Let it stand until Dec 6, 2026 after all" in page
    assert "Let it stand longer" not in page
    with transaction(web.sessions) as session:
        session.get_one(Stay, laid.stay).gone_from = date(2026, 11, 3)
    assert "Let it stand until Nov 3, 2026 after all" in said(web, at(web, laid.stay), browser)
    with transaction(web.sessions) as session:
        bench = session.get_one(Stay, laid.stay)
        bench.starts_on, bench.ends_on, bench.gone_from = date(2026, 10, 1), date(2026, 10, 20), date(2026, 11, 2)
    page = said(web, at(web, laid.stay), browser)
    assert "Hall bench" in page
    assert "after all" not in page
    answer = send(browser, at(web, laid.stay, "/end/undo"))
    assert answer.status_code == 422
    assert "Hall bench was to stand until Nov 2, 2026, and that is past: give it floor anew." in answer.text


def test_a_recall_is_taken_back_to_the_day_its_dealer_said(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    with transaction(web.sessions) as session:
        bench = session.get_one(Stay, laid.stay)
        bench.ends_on = date(2026, 11, 30)
        recall(session, web.clock.at, bench, why="Painting", by=By(web.house.users["manager"]))
    assert "Take the recall back: let it stay until Nov 30, 2026" in said(web, at(web, laid.stay), browser)
    send(browser, at(web, laid.stay, "/recall/undo"))
    assert stay(web, laid.stay).ends_on == date(2026, 11, 30)


# --- in the portal ----------------------------------------------------------------------------------------------------------


def test_a_dealer_sees_what_was_not_fetched_on_her_map_and_takes_back_that_it_was(web: Web) -> None:
    laid, client = web.house.overflow, web.browser("dealer")
    with transaction(web.sessions) as session:
        rocker = session.get_one(Stay, laid.to_come)
        rocker.kind, rocker.starts_on = "sold", date(2026, 8, 20)
        rocker.ends_on = rocker.granted_until = date(2026, 9, 30)
    page = said(web, PAGE, client)
    assert "Cane rocker is sold, and to be fetched from bay A1-1 since Sep 30, 2026." in page
    send(client, f"{PAGE}stays/{laid.to_come}/gone", sold="1")
    page = said(web, PAGE, client)
    assert "Cane rocker is sold and gone, with Nov 3, 2026 as its last day" in page
    assert "No, it is still there" in page
    send(client, f"{PAGE}stays/{laid.to_come}/not-gone")
    assert "Cane rocker is not gone: it was to be fetched by Sep 30, 2026." in said(web, PAGE, client)
    assert stay(web, laid.to_come).ends_on == date(2026, 9, 30)


def test_what_was_asked_back_and_said_to_be_gone_is_there_after_all_in_both_houses(web: Web) -> None:
    laid, client, office = web.house.overflow, web.browser("dealer"), web.browser("manager")
    with transaction(web.sessions) as session:
        bench = session.get_one(Stay, laid.stay)
        recall(session, web.clock.at, bench, why="Painting", by=By(web.house.users["manager"]))
    last = date(2026, 11, 10)
    assert stay(web, laid.stay).ends_on == last
    send(client, f"{PAGE}stays/{laid.stay}/gone", sold="1")
    assert "No, it is still there" in said(web, PAGE, client)
    send(client, f"{PAGE}stays/{laid.stay}/not-gone")
    assert "Hall bench is not gone: it has its floor until Nov 10, 2026." in said(web, PAGE, client)
    send(office, at(web, laid.stay, "/end"), **{"end-on": "2026-11-03"})
    assert "Let it stand until Nov 10, 2026 after all" in said(web, at(web, laid.stay), office)
    send(office, at(web, laid.stay, "/end/undo"))
    assert stay(web, laid.stay).ends_on == last


def test_a_dealer_whose_bay_is_none_any_more_keeps_what_there_is_and_is_told_whom_to_ask(web: Web) -> None:
    laid, client = web.house.overflow, web.browser("dealer")
    send(client, f"{PAGE}stays/{laid.stay}/gone")
    with transaction(web.sessions) as session:
        session.get_one(BayRow, laid.bay).ended_on = date(2026, 11, 20)
    send(client, f"{PAGE}stays/{laid.stay}/not-gone")
    page = said(web, PAGE, client)
    assert "Hall bench is not gone: it has its floor until Nov 19, 2026." in page
    assert "Bay A1-1 is no bay any more from Nov 20, 2026 on: tell the manager, who finds it another place." in page
    assert stay(web, laid.stay).ends_on == date(2026, 11, 19)
    send(client, f"{PAGE}stays/{laid.stay}/gone")
    with transaction(web.sessions) as session:
        bay = session.get_one(BayRow, laid.bay)
        bay.is_lent, bay.ended_on = False, None
    answer = send(client, f"{PAGE}stays/{laid.stay}/not-gone")
    assert answer.status_code == 422
    assert "Bay A1-1 is kept free: ask the manager for floor." in answer.text
    assert "choose another bay" not in answer.text


def test_floor_of_a_withdrawn_request_is_not_had_again(web: Web) -> None:
    laid, client = web.house.overflow, web.browser("dealer")
    send(client, f"{PAGE}stays/{laid.to_come}/give-back")
    with transaction(web.sessions) as session:
        session.get_one(OverflowRequest, laid.granted).state = "withdrawn"
    answer = send(client, f"{PAGE}stays/{laid.to_come}/stand-again")
    assert "The request for Cane rocker is withdrawn: ask for it again first." in answer.text
    assert stay(web, laid.to_come).state == "cancelled"
