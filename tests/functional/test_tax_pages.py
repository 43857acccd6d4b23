"""A return amended in a real browser, by phone and without script; its pages audited with figures in them."""

from __future__ import annotations

from datetime import date

import pytest
from playwright.sync_api import Browser

from coop.core.db import transaction
from coop.floor.models import Mall
from coop.tax.domain.ticket import LineToTax, TicketToTax
from tests.factories.tax import filer_of
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited_in_both,
    context,
    listen,
    width_of,
)

pytestmark = pytest.mark.browser

FILED = "/office/tax/returns/elder-revenue-office.2026-10"
WORKSHEET = "/office/tax/offices/elder-revenue-office/2026-11"


@pytest.fixture
def sold(served: Served) -> Served:
    """October's return is filed; a ticket of October came in November, and November has sold."""
    with transaction(served.sessions) as session:
        filer = filer_of(session, NOW, session.get_one(Mall, served.house.mall.id))
        filer.sell(date(2026, 10, 30), 33_300, posted_on=date(2026, 11, 2))
        filer.sell(date(2026, 11, 2), 1_250_000)
        filer.sell(date(2026, 11, 2), ticket=TicketToTax(date(2026, 11, 2), (LineToTax(45_000, discount_cents=4_500),)))
    return served


def test_a_return_is_amended_on_a_phone_without_script(browser: Browser, sold: Served) -> None:
    with context(browser, sold, "manager", PHONE, script=False) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(sold.base + "/office/tax/")
        page.get_by_role("link", name="October 2026").click()
        assert page.get_by_role("note").inner_text().startswith("The state's rule decides")
        assert "desk:1, sold Oct 30, 2026" in page.locator("main").inner_text()
        assert page.get_by_label("Filed on").input_value() == "2026-11-03"
        reason = page.get_by_label("Reason")
        assert reason.get_attribute("required") is not None
        reason.fill("a ticket came late")
        page.get_by_role("button", name="File the amended return").click()
        page.get_by_role("heading", name="What it changed of elder-revenue-office.2026-10").wait_for()
        assert page.get_by_role("row", name="State of Elder: gross sales").inner_text().split()[-2:] == ["0.00", "333.00"]
        page.get_by_role("link", name="Tax", exact=True).first.click()
        assert page.get_by_text("filed and amended").is_visible()
    assert said == []


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_returns_with_figures(
    browser: Browser,
    sold: Served,
    axe: str,
    size: tuple[int, int],
) -> None:
    faults = []
    for path in (FILED, WORKSHEET):
        with context(browser, sold, "manager", size, bypass_csp=True) as opened:
            page = opened.new_page()
            page.goto(sold.base + path)
            faults += audited_in_both(page, axe, path)
    assert faults == []


def test_a_return_with_figures_does_not_scroll_sideways(browser: Browser, sold: Served) -> None:
    with context(browser, sold, "manager", NARROWEST) as opened:
        page = opened.new_page()
        for path in (FILED, WORKSHEET):
            page.goto(sold.base + path)
            assert width_of(page) <= NARROWEST[0]
