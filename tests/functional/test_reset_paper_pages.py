"""The paper of a reset in a real browser on a phone: asked for, waited for on its page, taken, the same bytes again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.functional.browsing import PHONE, Served, audited, context, finish_jobs, listen, serve

pytestmark = pytest.mark.browser


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    yield from serve(sqlite_database_url, tmp_path, month_end=False)


def test_a_paper_is_asked_for_waited_for_and_taken_on_a_phone(browser: Browser, hall: Served, axe: str) -> None:
    reset = hall.house.resets.reset
    with context(browser, hall, "dealer", PHONE, bypass_csp=True) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(f"{hall.base}/portal/resets/days/{reset}")
        page.get_by_role("link", name="On paper").click()
        page.get_by_label("Scale").select_option("48")
        page.get_by_label("Paper", exact=True).select_option("a4")
        page.get_by_role("button", name="Make the paper").click()
        expect(page.locator("#progress-line")).to_have_text("The paper waits to be made.")
        assert audited(page, axe, "while it waits") == []
        finish_jobs(hall)
        link = page.get_by_role("link", name=f"reset-{reset}-plan1-MAIN-12-2026-12-01-1to48-a4.pdf")
        expect(link).to_be_visible(timeout=15_000)
        expect(page.locator("#progress-line")).to_have_text("The paper is made.")
        assert audited(page, axe, "when it is made") == []
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        address = hall.base + str(link.get_attribute("href"))
        taken = [opened.request.get(address) for _ in range(2)]
        assert [one.status for one in taken] == [200, 200]
        assert taken[0].body().startswith(b"%PDF-")
        assert taken[0].body() == taken[1].body()
        assert said == []
