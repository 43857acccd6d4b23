"""A dealer's month on her phone: what she sold, her statement, a question, a new telephone number; and her pages audited."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy import select

from coop.core.db import transaction
from coop.dealers.models import Dealer, Member
from coop.dealers.queries import dealer_by_code
from coop.floor.models import Mall
from tests.factories.own_sales import add_own_year
from tests.functional.browsing import DESKTOP, NOW, PHONE, Served, context, faults_of, listen, tab_to

pytestmark = pytest.mark.browser
OWN = ("/portal/", "/portal/sales", "/portal/sales?kind=back", "/portal/sales?from=x", "/portal/statements", "/portal/details")


@pytest.fixture
def year(served: Served) -> Served:
    """D01 sold for a year."""
    with transaction(served.sessions) as session:
        dealer = dealer_by_code(session, "D01")
        assert dealer is not None
        add_own_year(session, NOW, session.get_one(Mall, served.house.mall.id), dealer)
    return served


def go(page: Page, role: str, name: str) -> None:
    """Go there with the Tab key and press Enter."""
    tab_to(page, role, name)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def test_a_dealers_month_on_a_phone_by_keyboard(browser: Browser, year: Served, axe: str) -> None:
    with context(browser, year, "dealer", PHONE, bypass_csp=True) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(year.base + "/portal/")
        assert "$163.80 to go until your rent of November 2026 is covered" in page.inner_text("main")
        go(page, "link", "Every item sold")
        # On a phone the filters are folded until they are asked for.
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.innerText") == "Narrow the list":
                page.keyboard.press("Enter")
                break
        tab_to(page, "searchbox", "Tag or words")
        page.keyboard.type("chair")
        with page.expect_navigation():
            page.keyboard.press("Enter")
        assert "brought back of ticket 804" in page.inner_text("main")
        assert "Thimble" not in page.inner_text("main")
        go(page, "link", "Statements")
        go(page, "link", "October 2026 , D01 at Lantern Yard Antiques Hall")
        assert "$5,183.90 will be paid to you on Nov 10, 2026" in page.inner_text("main")
        go(page, "link", "Questions to the manager (1)")
        tab_to(page, "textbox", "Your question")
        page.keyboard.type("When is the next payout?")
        go(page, "button", "Ask the manager")
        assert "Your question is asked." in page.inner_text("main")
        go(page, "link", "My details")
        tab_to(page, "textbox", "Telephone")
        page.keyboard.type("555 0100")
        go(page, "button", "Keep this")
        assert "It is kept." in page.inner_text("main")
        assert page.get_by_label("Telephone").input_value() == "555 0100"
        assert faults_of(page, axe, year.base, OWN, PHONE) == []
        assert said == []
    with year.sessions() as session:
        assert session.scalars(select(Member.phone).join(Dealer).where(Dealer.code == "D01")).one() == "555 0100"


def test_the_charts_stand_in_the_dark_and_show_one_drawing_each(browser: Browser, year: Served, axe: str) -> None:
    """The wide drawing on a wide page, the narrow one on a phone, inked as the page's text is."""
    with context(browser, year, "dealer", DESKTOP, scheme="dark", bypass_csp=True) as opened:
        page = opened.new_page()
        assert faults_of(page, axe, year.base, OWN, DESKTOP) == []
        for size, shown in ((DESKTOP, "wide-only"), (PHONE, "narrow-only")):
            page.set_viewport_size({"width": size[0], "height": size[1]})
            page.goto(year.base + "/portal/sales")
            drawings = page.get_by_role("img", name="Net sales by month")
            assert drawings.count() == 1
            assert drawings.get_attribute("class") == shown
            box = drawings.bounding_box()
            assert box is not None
            assert 300 < box["width"] <= min(size[0], 46 * 17)
            ink = drawings.locator("text").first.evaluate("it => getComputedStyle(it).fill")
            assert ink == page.evaluate("getComputedStyle(document.body).color")
            assert drawings.locator("text").first.bounding_box()["height"] >= 11  # type: ignore[index]


def test_a_page_of_charts_keeps_the_policy(browser: Browser, year: Served) -> None:
    with context(browser, year, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        for path in ("/portal/", "/portal/sales"):
            page.goto(year.base + path)
            page.wait_for_load_state("load")
            assert page.locator("figure.chart svg").count() == 2
        with page.expect_download() as taken:
            page.get_by_role("link", name="This list as CSV").click()
        assert taken.value.suggested_filename == "my-sales.csv"
        assert said == []
