"""A finger on the plan of a set, which fills a phone: on free floor it scrolls the page, on the chosen piece it moves that."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.functional.browsing import Served, listen, serve, touch
from tests.functional.test_reset_set_pages import field, middle, open_set

pytestmark = pytest.mark.browser


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    yield from serve(sqlite_database_url, tmp_path, month_end=False)


def drag(page: Page, at: tuple[float, float], down: float) -> None:
    send = touch(page)
    send("touchStart", at)
    for part in range(1, 11):
        send("touchMove", (at[0], at[1] + down * part / 10))
    send("touchEnd")


def scrolled(page: Page) -> float:
    return float(page.evaluate("scrollY"))


def test_a_finger_scrolls_the_page_over_free_floor_and_moves_what_is_chosen(browser: Browser, hall: Served) -> None:
    opened = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
    opened.add_cookies([{"name": "coop", "value": hall.house.tokens["dealer"], "url": hall.base}])
    with opened:
        page = opened.new_page()
        said = listen(page)
        open_set(page, hall)
        board = page.locator("#set-board")
        board.scroll_into_view_if_needed()
        before, view = scrolled(page), board.get_attribute("viewBox")
        box = board.bounding_box()
        assert box is not None
        # The border around the booth has no piece.
        drag(page, (box["x"] + 8, box["y"] + box["height"] * 0.6), -120)
        page.wait_for_function("before => scrollY > before + 60", arg=before)
        assert board.get_attribute("viewBox") == view, "the plan itself stays"
        page.evaluate("before => scrollTo(0, before)", before)
        page.touchscreen.tap(*middle(page, "Pine table"))
        expect(field(page, "y")).to_be_visible()
        held, was = scrolled(page), field(page, "y").input_value()
        drag(page, middle(page, "Pine table"), -40)
        expect(field(page, "y")).not_to_have_value(was)
        expect(page.locator("#set-undo")).to_be_enabled()
        assert scrolled(page) == held, "the page stays while a piece is moved"
        # Nearer, a finger pushes the plan along in every direction.
        page.get_by_role("button", name="Nearer").tap()
        near, held = board.get_attribute("viewBox"), scrolled(page)
        box = board.bounding_box()
        assert box is not None
        drag(page, (box["x"] + 8, box["y"] + box["height"] * 0.6), -60)
        assert board.get_attribute("viewBox") != near
        assert scrolled(page) == held
        assert said == []
