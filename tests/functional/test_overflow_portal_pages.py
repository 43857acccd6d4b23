"""A dealer asks for floor on a phone, by keyboard, and says what became of the piece; the map of the aisles as she sees it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.floor.domain.draft import SpaceDraft
from coop.floor.models import Mall
from coop.floor.planning import save_plan
from coop.floor.queries import plan_version, spaces_of
from coop.leases.editing import By
from coop.overflow.judging import Place
from coop.overflow.models import BayRow, OverflowRequest
from coop.overflow.placing import place_request
from coop.overflow.reading import pieces_of
from tests.factories.overflow_hall import overflow_draft
from tests.functional.browsing import DESKTOP, NARROWEST, NOW, PHONE, Served, audited_in_both, context, listen, tab_to, width_of

pytestmark = pytest.mark.browser


def write(page: Page, label: str, text: str) -> None:
    tab_to(page, "textbox", label)
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type(text)


def draw_hall(served: Served) -> None:
    """The house's bays stand along the walls of a drawn hall."""
    with transaction(served.sessions) as session:
        mall = session.get_one(Mall, served.house.mall.id)
        draft = overflow_draft()
        undrawn = [SpaceDraft(space.code, space.kind, space.zone) for space in spaces_of(session, mall.id, NOW.date())]
        save_plan(session, NOW, mall, replace(draft, spaces=(*draft.spaces, *undrawn)), version=plan_version(session, mall.id))


def test_floor_is_asked_for_by_keyboard_on_a_phone_and_the_piece_moves_in_and_out(
    browser: Browser, served: Served, axe: str
) -> None:
    with context(browser, served, "dealer", PHONE, bypass_csp=True) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + "/portal/overflow/ask")
        write(page, "Name", "Pine stand")
        write(page, "Width", "1' 8\"")
        write(page, "Depth", "2' 6\"")
        write(page, "Height", "46 1/2")
        page.keyboard.press("Enter")
        page.locator(".mistake").first.wait_for()
        assert "the deepest bay is 2' 0\" deep" in page.inner_text("main")
        assert page.evaluate("document.activeElement.name") == "pieces-0-depth", "it goes on at what is wrong"
        write(page, "Depth", "20")
        page.get_by_label("Its main color is").wait_for()
        page.locator("#pieces-0-main-colour").fill("#8a5a2b")
        assert page.get_by_label("Its main color is").is_checked(), "a color that is chosen is meant"
        tab_to(page, "button", "Look first")
        page.keyboard.press("Enter")
        page.get_by_text("Nothing is in its way, as things are now. It is not asked yet.").wait_for()
        assert audited_in_both(page, axe, "ask") == []
        tab_to(page, "button", "Ask for it")
        page.keyboard.press("Enter")
        page.wait_for_url("**/portal/overflow/requests/*")
        assert "Floor for Pine stand" in page.inner_text("h1")
        assert "Floor is asked for. What came of it is told here and by mail." in page.inner_text("main")
        with transaction(served.sessions) as session:
            row = session.scalars(select(OverflowRequest).order_by(OverflowRequest.id.desc())).first()
            assert row is not None
            (piece,) = pieces_of(session, [row])[row.id]
            place = Place(session.get_one(BayRow, served.house.overflow.other_bay), 0, date(2026, 11, 3), date(2026, 11, 30))
            place_request(session, NOW, row, [(piece, place)], by=By(served.house.users["manager"]))
        page.reload()
        assert "granted" in page.inner_text("h1")
        assert "Given by the manager: Pine stand in bay A1-2, Nov 3 to Nov 30, 2026" in page.inner_text("main")
        assert page.locator(".overflow-bay").count() == 1
        page.goto(served.base + "/portal/overflow/")
        stand = page.locator(".lent > li", has_text="Pine stand")
        stand.get_by_role("button", name="It stands there").click()
        page.get_by_text("Pine stand stands in bay A1-2: the manager sees it.").wait_for()
        stand.get_by_role("button", name="Sold and gone").click()
        page.get_by_text("Pine stand is sold and gone, with Nov 3, 2026 as its last day").wait_for()
        stand.get_by_role("button", name="No, it is still there").click()
        page.get_by_text("Pine stand is not gone: it has its floor until Nov 30, 2026.").wait_for()
        assert [one for one in said if "422" not in one] == []


def test_the_map_shows_her_pieces_by_number_and_of_others_that_floor_is_taken(browser: Browser, served: Served, axe: str) -> None:
    draw_hall(served)
    with context(browser, served, "dealer", PHONE, bypass_csp=True) as opened:
        page = opened.new_page()
        page.goto(served.base + "/portal/overflow/")
        assert audited_in_both(page, axe, "map") == []
        pieces = page.locator(".overflow-map .piece")
        told = [pieces.nth(n).locator("title").text_content() for n in range(pieces.count())]
        assert sorted(told) == [
            "1 Hall bench, D01, until Dec 6, 2026",
            "2 Cane rocker, D01, moves in Nov 9, 2026, until Dec 6, 2026",
            "Taken, until Dec 6, 2026",
        ]
        assert "Pie safe" not in page.content()
        assert page.locator(".overflow-map a").count() == 0, "the map leads nowhere"
        for width, height in (PHONE, NARROWEST):
            page.set_viewport_size({"width": width, "height": height})
            assert width_of(page) <= width
            expect(page.locator(".overflow-map")).to_be_hidden()
            # The whole plan and the part round her bay: in each both of her pieces are seen without pushing anything along.
            own = page.locator(".overflow-small .own text")
            assert own.all_text_contents() == ["1", "2"] * 2
            for n in range(4):
                box = own.nth(n).bounding_box()
                assert box is not None
                assert 0 <= box["x"] <= box["x"] + box["width"] <= width
                size = own.nth(n).evaluate("it => it.getScreenCTM().a * it.getAttribute('font-size')")
                assert size >= 9, "letters to be read"
        assert page.locator("figcaption").all_text_contents() == ["Aisle A1, bay A1-1: 1 Hall bench; 2 Cane rocker"]
        page.set_viewport_size({"width": DESKTOP[0], "height": DESKTOP[1]})
        expect(page.locator(".overflow-map")).to_be_visible()
        expect(page.locator(".overflow-small").first).to_be_hidden()
