"""The books in a real browser: an entry by hand entered by keyboard, approved by another; every page audited, wide and narrow."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.factories.by_hand import BILL
from tests.functional.browsing import (
    DESKTOP,
    PHONE,
    Served,
    context,
    faults_of,
    listen,
    tab_to,
)

pytestmark = pytest.mark.browser

BOOKS = "/office/books"
PAGES = (
    "/",
    "/trial-balance",
    "/account?path=Assets:Drawer:MAIN&month=2026-11",
    "/entries",
    "/entries/1",
    "/entries/1/reverse",
    "/find?find=D01",
    "/by-hand",
    "/by-hand/new",
    "/by-hand/1",
    "/months/2026-11",
    "/exports",
    "/rules",
    "/rules/change",
)


@pytest.mark.parametrize(("size", "scheme"), [(DESKTOP, "light"), (PHONE, "dark")], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_any_page_of_the_books(
    browser: Browser,
    served: Served,
    axe: str,
    size: tuple[int, int],
    scheme: str,
) -> None:
    with context(browser, served, "manager", size, scheme=scheme, bypass_csp=True) as opened:
        faults = faults_of(opened.new_page(), axe, served.base + BOOKS, PAGES, size)
    assert faults == []


def test_an_entry_by_keyboard_waits_for_another_and_is_posted(
    browser: Browser,
    served: Served,
    tmp_path: Path,
) -> None:
    bill = tmp_path / "bill.pdf"
    bill.write_bytes(BILL)
    with context(browser, served, "bookkeeper", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + BOOKS + "/by-hand")
        tab_to(page, "link", "Make an entry")
        page.keyboard.press("Enter")
        page.wait_for_url("**/by-hand/new")
        page.get_by_label("Mall", exact=True).select_option("MAIN")
        tab_to(page, "textbox", "Reason")
        page.keyboard.type("Boiler mended, bill 77")
        page.get_by_label("Document", exact=True).set_input_files(bill)
        for line, account, side, amount in (
            ("Line 1", "Expenses:Heating:MAIN", "Debit", "212.50"),
            ("Line 2", "Assets:Bank", "Credit", "212.00"),
        ):
            group = page.get_by_role("group", name=line, exact=True)
            group.get_by_label("Account").fill(account)
            group.get_by_label(side).fill(amount)
        page.get_by_label("An account written here that is not in the list is new").check()
        page.get_by_role("button", name="Make the entry").click()
        assert "$0.50 is missing in the credits." in page.get_by_role("alert").inner_text()
        assert page.title().startswith("Not posted yet")
        line = page.get_by_role("group", name="Line 2", exact=True)
        assert line.get_by_label("Account").input_value() == "Assets:Bank"
        line.get_by_label("Credit").fill("212.50")
        page.get_by_label("Document", exact=True).set_input_files(bill)
        page.get_by_role("button", name="Make the entry").click()
        page.wait_for_url("**/by-hand/2")
        assert "It waits for a second person to approve it." in page.get_by_role("status").inner_text()
        assert page.get_by_role("button", name="Approve and post").count() == 0
        # The 422 of the form that did not balance is what the browser complains of.
        assert [one for one in said if "422" not in one] == []
    with context(browser, served, "manager", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + BOOKS + "/")
        page.get_by_role("link", name="2, Boiler mended, bill 77").click()
        page.get_by_role("button", name="Approve and post").click()
        assert page.get_by_role("status").inner_text() == "Journal entry 2 is approved and posted."
        page.goto(served.base + BOOKS + "/months/2026-11")
        assert page.get_by_role("row", name="Heating 212.50 212.50").is_visible()
