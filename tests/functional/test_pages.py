"""The pages as people use them: real Chromium, a real server, real rows."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from coop.core.db import transaction
from coop.sales.drawers import count_drawer, drawers_of
from tests.factories.house import PASSPHRASE
from tests.functional.browsing import (
    DESKTOP,
    NOW,
    PHONE,
    Served,
    context,
    finish_jobs,
    listen,
    serve,
    width_of,
)

pytestmark = pytest.mark.browser


@pytest.fixture
def open_month(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    """With October over, its drawer counted and its month-end not begun."""
    for served in serve(sqlite_database_url, tmp_path, month_end=False):
        with transaction(served.sessions) as session:
            (drawer,) = drawers_of(session, served.house.mall, date(2026, 10, 31))
            counted = {"drawer": drawer.name, "counted_cents": drawer.balance_cents}
            count_drawer(session, NOW, served.house.mall, key="october", on=date(2026, 10, 31), **counted)
        yield served


def test_the_audit_sees_a_fault(browser: Browser, served: Served, axe: str) -> None:
    with context(browser, served, "manager", DESKTOP, bypass_csp=True) as opened:
        page = opened.new_page()
        page.goto(served.base + "/office/")
        page.evaluate("document.querySelector('h1').insertAdjacentHTML('afterend', '<p style=\"color:#ccc\">faint</p><input>')")
        page.evaluate(axe)
        found = {v["id"] for v in page.evaluate("axe.run()")["violations"]}
    assert {"color-contrast", "label"} <= found


def test_the_letterhead_stays_in_its_place_from_page_to_page(browser: Browser, served: Served) -> None:
    with context(browser, served, "manager", DESKTOP) as opened:
        page = opened.new_page()
        places = set()
        for path in ("/office/", "/office/months/MAIN/2026-10", "/office/letters", "/account"):
            page.goto(served.base + path)
            places.add(page.evaluate("(r => `${r.left} ${r.width}`)(document.querySelector('.coop').getBoundingClientRect())"))
            assert width_of(page) <= DESKTOP[0]
    assert len(places) == 1


def test_pages_load_under_their_own_policy(browser: Browser, served: Served) -> None:
    """Styles, the text face, the script of live steps: none is blocked, and the face is in use."""
    said: list[str] = []
    with context(browser, served, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        for path in ("/office/", "/office/months/MAIN/2026-10", "/office/letters", "/account"):
            page.goto(served.base + path)
            page.wait_for_load_state("load")
            assert page.evaluate("document.fonts.ready.then(() => document.fonts.check('16px \"Source Serif Pro\"'))")
        loaded = page.evaluate("[...document.fonts].filter(f => f.status === 'loaded').length")
    assert said == []
    assert loaded >= 1


def test_signing_in_by_keyboard(browser: Browser, served: Served) -> None:
    with context(browser, served, None, DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + "/office/letters")
        assert page.title() == "Sign in · Lantern Yard Dealers' Co-op"
        # Where one begins to type; what is before it is reached by going back.
        assert page.evaluate("document.activeElement.name") == "email"
        page.keyboard.press("Shift+Tab")
        assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.name") == "email"
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.type("manager@example.org")
        page.keyboard.press("Tab")
        page.keyboard.type(PASSPHRASE)
        page.keyboard.press("Enter")
        page.wait_for_url("**/office/letters")
        assert page.locator("h1").inner_text() == "Letters"
        letterhead = page.get_by_role("navigation", name="Pages")
        assert letterhead.get_by_role("link", name="Letters", exact=True).get_attribute("aria-current") == "page"
        page.get_by_role("button", name="Sign out").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/sign-in")
        assert page.get_by_role("status").inner_text() == "You are signed out."
    assert said == []


def test_a_mistake_is_told_at_its_field_and_keeps_what_was_typed(browser: Browser, served: Served) -> None:
    with context(browser, served, None, PHONE) as opened:
        page = opened.new_page()
        page.goto(served.base + "/sign-in")
        page.get_by_label("Mail address").fill("manager")
        page.get_by_role("button", name="Sign in").click()
        field = page.get_by_label("Mail address")
        assert field.input_value() == "manager"
        described = field.get_attribute("aria-describedby")
        assert described is not None
        assert "Write it like name@example.org" in page.locator(f"#{described}").inner_text()
        assert page.title().startswith("Not signed in")


def test_a_month_end_begun_in_the_browser_is_seen_to_its_end_without_touching_the_page(
    browser: Browser, open_month: Served
) -> None:
    with context(browser, open_month, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(open_month.base + "/office/")
        page.get_by_role("link", name="October 2026, Lantern Yard Antiques Hall: over and ready for its month-end").click()
        page.get_by_role("button", name="Begin the month-end of October 2026").click()
        page.get_by_text("It goes on by itself").wait_for()
        assert page.locator("#progress-line").inner_text() == "0 of 17 steps are done."
        # A mark on this very document: a page that was loaded anew would not have it.
        page.evaluate("document.documentElement.dataset.same = 'yes'")
        assert finish_jobs(open_month) >= 16
        page.get_by_text("All 17 steps are done.").first.wait_for(timeout=60_000)
        page.get_by_role("link", name="PDF of").first.wait_for(timeout=60_000)
        assert page.evaluate("document.documentElement.dataset.same") == "yes"
        assert page.locator("#steps .state.done").count() == 17
        assert page.get_by_text("Take it up again").count() == 0
        page.get_by_role("link", name="sent").first.click()
        assert "@example.org" in page.locator("dl").inner_text()
    assert said == []


def test_without_script_a_month_end_is_begun_and_looked_at_again(browser: Browser, open_month: Served) -> None:
    with context(browser, open_month, "manager", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(open_month.base + "/office/months/MAIN/2026-10")
        page.get_by_role("button", name="Begin the month-end").click()
        page.get_by_role("link", name="Refresh").click()
        assert "steps are done" in page.locator("#progress-line").inner_text()
        finish_jobs(open_month)
        page.reload()
        assert page.locator("#progress-line").inner_text() == "All 17 steps are done."


def test_a_dealer_reads_the_statement_on_a_phone(browser: Browser, served: Served) -> None:
    with context(browser, served, "dealer", PHONE) as opened:
        page = opened.new_page()
        page.goto(served.base + "/")
        page.get_by_role("link", name="October 2026, Lantern Yard Antiques Hall").click()
        assert "October 2026" in page.locator("h1").inner_text()
        closing = page.get_by_role("row", name="Closing balance")
        assert "5,183.90" in closing.inner_text()
        assert page.get_by_role("columnheader", name="Tag price").count() == 0
        shown = page.get_by_role("row", name="Cane-seat side chair").first.inner_text()
        assert "37.46, discount \u22123.75" in shown
        answer = opened.request.get(
            served.base + page.get_by_role("link", name="The same as PDF").get_attribute("href", timeout=5000)
        )
        assert answer.headers["content-type"] == "application/pdf"


def test_on_paper_a_statement_has_no_screen_furniture(browser: Browser, served: Served) -> None:
    with context(browser, served, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(served.base + "/portal/statements/MAIN.D01.2026-10")
        page.emulate_media(media="print")
        for furniture in ("nav", "footer", ".skip"):
            assert not page.locator(furniture).first.is_visible()
        assert page.locator(".coop").is_visible()
