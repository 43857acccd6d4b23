"""What must move, in the office: asked back at once or with notice, sooner, named until it is gone; what each measure is."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select

from coop.core.db import transaction
from coop.overflow.models import BaySurvey
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_overflow_office import must_move, stay
from tests.integration.web.test_overflow_rules import MAIN, TODAY
from tests.integration.web.test_rota_house import said


def test_what_must_move_is_asked_back_at_once_or_with_notice(web: Web) -> None:
    laid = web.house.overflow
    must_move(web, laid.stay, laid.others, laid.to_come)
    page = said(web, MAIN)
    assert "3 pieces must move today" in page
    assert f"Piece {laid.stay} leaves 3' 0\" of the 3' 8\" that aisle A1 must keep clear." in page
    browser = web.browser("manager")
    send(browser, f"{MAIN}/must-move", when="notice", stay=str(laid.others))
    assert stay(web, laid.others).ends_on == date(2026, 11, 10)
    assert stay(web, laid.stay).recalled_at is None
    assert "1 piece is asked back by Nov 10, 2026, and its dealer is told." in said(web, MAIN, browser)
    send(browser, f"{MAIN}/must-move", when="today")
    page = said(web, MAIN, browser)
    assert "1 piece is asked back by the end of today, and its dealer is told." in page
    assert "1 comes later only: take that floor back on its page." in page
    asked = stay(web, laid.stay)
    assert (asked.ends_on, asked.recall_why) == (
        TODAY,
        f"Piece {laid.stay} leaves 3' 0\" of the 3' 8\" that aisle A1 must keep clear.",
    )
    assert "One piece must move today" in page
    send(browser, f"{MAIN}/stays/{laid.to_come}/cancel")
    assert "must move today" not in said(web, MAIN)
    send(browser, f"{MAIN}/must-move", when="today")
    assert "Nothing must move any more." in said(web, MAIN, browser)


def test_what_is_asked_back_is_named_as_long_as_it_is_in_the_way_and_may_be_asked_back_sooner(web: Web) -> None:
    laid, browser = web.house.overflow, web.browser("manager")
    must_move(web, laid.stay, laid.others)
    send(browser, f"{MAIN}/must-move", when="notice")
    page = said(web, MAIN, browser)
    assert "2 pieces may not stand there, asked back already" in page
    assert f"bay A1-1, until Nov 10, 2026: Piece {laid.stay} leaves 3' 0\"" in page
    assert f'href="{MAIN}/stays/{laid.stay}"' in browser.get(MAIN).text.split('id="leaving"')[1].split("</section>")[0]
    send(browser, f"{MAIN}/must-move", when="today", stay=str(laid.stay))
    assert (stay(web, laid.stay).ends_on, stay(web, laid.others).ends_on) == (TODAY, date(2026, 11, 10))
    its = f"{MAIN}/stays/{laid.others}"
    assert "It may not stand there, and is asked back: its last day is Nov 10, 2026." in said(web, its, browser)
    late = {"recall-why": "It blocks the exit", "recall-days": "2"}
    assert "fewer are for safety only" in send(browser, f"{its}/recall", **late).text
    send(browser, f"{its}/recall", **late, **{"recall-for_safety": "y"})
    sooner = stay(web, laid.others)
    assert (sooner.ends_on, sooner.recall_why) == (date(2026, 11, 5), "It blocks the exit")
    assert "Ask it back sooner" in said(web, its, browser)
    assert "Ask it back sooner" not in said(web, f"{MAIN}/stays/{laid.stay}", browser), "today is its last day"
    send(browser, f"{MAIN}/stays/{laid.stay}/end", **{"end-on": str(TODAY)})
    assert "One piece may not stand there, asked back already" in said(web, MAIN, browser)


def test_two_measures_of_one_aisle_are_told_apart(web: Web) -> None:
    """A bench that leaves less straight across than gets through stands beside the width of the whole aisle."""
    must_move(web, web.house.overflow.stay)
    assert "What one piece leaves of an aisle is measured straight across it" not in said(web, MAIN)
    with transaction(web.sessions) as session:
        row = session.scalars(select(BaySurvey)).one()
        row.value = {**row.value, "findings": ["Aisle A1 is 3' 2\" clear at its narrowest; 3' 8\" is required."]}
    page = said(web, MAIN)
    assert "A width here is of what gets through the whole aisle, round what stands in it by the floor beside it too." in page
    assert "What one piece leaves of an aisle is measured straight across it, and may be less." in page
