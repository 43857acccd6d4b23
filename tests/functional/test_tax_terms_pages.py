"""A manager says what taxes, in a real browser: by keyboard alone, and by phone with a mistake."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page

from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    PHONE,
    Served,
    audited,
    context,
    listen,
    tab_to,
    width_of,
)

pytestmark = pytest.mark.browser

STATE = "/office/tax/jurisdictions/EL"
SENTENCE = (
    "From Dec 4, 2026 to Dec 6, 2026, an article of clothing that costs $75.00 or less is not taxed, "
    "and a dearer one is taxed in full (winter week)."
)


def type_day(page: Page, label: str, month: str, day: str, year: str) -> None:
    """Into a day's three parts, as the browser has them."""
    wanted = page.get_by_label(label, exact=True)
    for _ in range(80):
        if wanted.evaluate("it => it === document.activeElement"):
            break
        page.keyboard.press("Tab")
    page.keyboard.type(month + day + year)


def test_a_holiday_is_set_by_keyboard_and_said_back(browser: Browser, served: Served) -> None:
    with context(browser, served, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + STATE)
        tab_to(page, "link", "Holiday")
        page.keyboard.press("Enter")
        page.wait_for_url("**/rules/holiday")
        tab_to(page, "textbox", "What it is called")
        page.keyboard.type("winter week")
        tab_to(page, "textbox", "Tax classes")
        page.keyboard.type("clothing")
        tab_to(page, "textbox", "Price limit of one article, in dollars")
        page.keyboard.type("75")
        type_day(page, "First day", "12", "04", "2026")
        type_day(page, "Last day", "12", "06", "2026")
        tab_to(page, "button", "Set the rule")
        page.keyboard.press("Enter")
        page.wait_for_url("**/EL#rules")
        assert page.get_by_role("status").inner_text() == f"The rule is set: {SENTENCE}"
        assert page.get_by_role("cell", name=SENTENCE).is_visible()
    assert said == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_mistake_is_told_on_a_phone_and_mended(
    browser: Browser,
    served: Served,
    axe: str,
    scheme: str,
) -> None:
    with context(browser, served, "manager", PHONE, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        page.goto(served.base + STATE + "/rules/article")
        page.get_by_label("The rate is taken on the first, in dollars").fill("1600")
        tier = page.get_by_role("group", name="First upper tier")
        tier.get_by_label("Name").fill("single-article")
        tier.get_by_label("On the part above").fill("1600")
        tier.get_by_label("Up to").fill("1500")
        tier.get_by_label("Rate, in percent").fill("2.75")
        page.get_by_role("button", name="Set the rule").click()
        wrong = page.get_by_role("group", name="First upper tier").get_by_label("Up to")
        assert wrong.get_attribute("aria-invalid") == "true"
        assert wrong.input_value() == "1500"
        assert page.title().startswith("Not set yet")
        assert audited(page, axe, "a rule set wrong") == []
        page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
        assert width_of(page) <= NARROWEST[0]
        wrong.fill("3200")
        page.get_by_role("button", name="Set the rule").click()
        assert "2.75% (single-article)" in page.get_by_role("status").inner_text()
