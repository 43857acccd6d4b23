"""The pages of sales in a real browser: audited, at 320 pixels, and an unclaimed sale from the portal to the dealer's month."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser

from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    PHONE,
    Served,
    audited,
    audited_in_both,
    context,
    listen,
    tab_to,
    width_of,
)

pytestmark = pytest.mark.browser

MALL = "/office/sales/MAIN"


def pages(served: Served) -> list[tuple[str, str]]:
    line = served.house.unclaimed
    certificates = "/office/sales/certificates"
    return [
        *(("manager", MALL + end) for end in ("", "/unclaimed", f"/unclaimed/{line}", f"/unclaimed/{line + 1}")),
        *(("manager", certificates + end) for end in ("", "/new", "/1", "/1/paper", "?state=used")),
        *(("manager", MALL + end) for end in ("/2026-10", "/tickets?find=", "/lines?find=&kind=nobodys", "/tickets/4")),
        ("auditor", f"{MALL}/unclaimed/{line}"),
        *(("dealer", path) for path in ("/portal/unclaimed", f"/portal/unclaimed/{line + 1}")),
    ]


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_any_page_of_sales(
    browser: Browser,
    served: Served,
    axe: str,
    size: tuple[int, int],
) -> None:
    faults = []
    for who in ("manager", "auditor", "dealer"):
        with context(browser, served, who, size, bypass_csp=True) as opened:
            page = opened.new_page()
            for path in [path for whose, path in pages(served) if whose == who]:
                answer = page.goto(served.base + path)
                assert answer is not None
                assert answer.status == 200, path
                faults += audited_in_both(page, axe, path)
    assert faults == []


def test_no_page_of_sales_scrolls_sideways_at_320_pixels(browser: Browser, served: Served) -> None:
    wide = []
    for who in ("manager", "dealer"):
        with context(browser, served, who, NARROWEST) as opened:
            page = opened.new_page()
            said = listen(page)
            for path in [path for whose, path in pages(served) if whose == who]:
                page.goto(served.base + path)
                width = width_of(page)
                if width > NARROWEST[0]:
                    wide.append((path, width))
            assert said == []
    assert wide == []


def test_a_dealer_finds_her_item_and_the_manager_grants_it(browser: Browser, served: Served) -> None:
    """By the keyboard's order and the words on the page alone, without script."""
    with context(browser, served, "dealer", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + "/portal/")
        page.get_by_role("link", name="Unclaimed items").click()
        page.get_by_role("link", name="Pressed glass bowl").click()
        page.get_by_label("How you know it").fill("It carried my green tag")
        page.get_by_role("button", name="Say that it is mine").click()
        assert "You asked for Pressed glass bowl" in page.inner_text("main")
    with context(browser, served, "manager", DESKTOP, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + "/office/")
        page.get_by_role("link", name="Sales", exact=True).click()
        page.get_by_role("link", name="Unclaimed").click()
        page.get_by_role("link", name="Pressed glass bowl").click()
        assert "It carried my green tag" in page.inner_text("main")
        page.get_by_role("button", name="Grant it").click()
        assert "The sale is D01’s from today on." in page.inner_text("main")
        page.goto(served.base + "/office/months/MAIN/2026-11")
        # 125.00 and 42.50 sold in November, and the bowl of October at 18.00.
        assert "185.50" in page.inner_text("main")


def test_a_ticket_is_found_by_its_tag_and_leads_to_its_dealer(browser: Browser, served: Served) -> None:
    """By keyboard and without script: the list of this month, a tag sought on every day, the ticket, its dealer."""
    with context(browser, served, "manager", DESKTOP, script=False) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + MALL)
        page.get_by_role("link", name="Tickets", exact=True).click()
        page.get_by_role("link", name="Look on every day").click()
        assert page.get_by_role("link", name="590", exact=True).count() == 1
        tab_to(page, "searchbox", "Number, tag or words")
        page.keyboard.type("d01-101")
        page.keyboard.press("Enter")
        page.wait_for_url("**find=d01-101*")
        assert page.locator("tbody tr").count() == 1
        tab_to(page, "link", "501")
        page.keyboard.press("Enter")
        page.wait_for_url("**/tickets/*")
        assert "Ticket 501" in page.locator("h1").inner_text()
        assert "$42.50 by cash" in page.inner_text("main")
        tab_to(page, "link", "D01")
        page.keyboard.press("Enter")
        page.wait_for_url("**/office/dealers/D01")
        assert "Ida Fenwick" in page.locator("h1").inner_text()
        assert "Booth 12" in page.inner_text("main")
    assert said == []


def test_a_month_of_sales_is_looked_at_on_a_phone(browser: Browser, served: Served) -> None:
    with context(browser, served, "auditor", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + MALL)
        assert page.locator("figure svg:visible").count() == 1
        page.get_by_text("Each day’s figures").click()
        page.get_by_role("link", name="Nov 2", exact=True).click()
        assert page.locator("tbody tr").count() == 2
        page.goto(served.base + f"{MALL}/2026-10")
        page.get_by_role("link", name="After: November 2026").click()
        page.get_by_role("link", name="Every dealer who sold").click()
        page.get_by_role("link", name="167.50").click()
        assert page.locator("tbody tr").count() == 2
    assert said == []


def test_many_dealers_are_entered_from_a_file(browser: Browser, served: Served) -> None:
    with context(browser, served, "manager", DESKTOP, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + "/office/dealers/")
        page.get_by_role("link", name="Enter many from a file").click()
        refused = "name,mail\nNora Webb,nora\nOtis Marrow,otis@example.org\n"
        for content in (refused, refused.replace("nora\n", "nora@example.org\n")):
            file = {"name": "members.csv", "mimeType": "text/csv", "buffer": content.encode()}
            page.get_by_label("Dealers as CSV").set_input_files(file)
            page.get_by_role("button", name="Read it").click()
            if content == refused:
                assert "Row 2: 'nora' is not a mail address" in page.inner_text("main")
                page.get_by_role("link", name="bring it again").click()
        page.get_by_role("button", name="Enter all 2 dealers").click()
        page.wait_for_url("**/office/dealers/")
        assert "2 dealers are entered." in page.get_by_role("status").inner_text()
        assert page.get_by_role("link", name="D04 Otis Marrow").count() == 1


@pytest.mark.parametrize(("size", "scheme"), [(DESKTOP, "light"), (PHONE, "dark")], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_what_a_file_of_dealers_would_do(
    browser: Browser, served: Served, axe: str, size: tuple[int, int], scheme: str
) -> None:
    wide = "Wilhelmina Featherstonehaugh,,a-very-long-mail-address-of-one-dealer@post.example.org,4 Tannery Row / Elmora\n"
    with context(browser, served, "manager", size, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        for rows, said in ((wide, "To be entered"), (f"{wide},D 1,,\n", "Nothing is entered")):
            page.goto(served.base + "/office/dealers/file")
            content = f"name,code,mail,address\n{rows}".encode()
            page.get_by_label("Dealers as CSV").set_input_files({"name": "d.csv", "mimeType": "text/csv", "buffer": content})
            page.get_by_role("button", name="Read it").click()
            assert said in page.locator("h1").inner_text()
            assert audited(page, axe, said) == []
            page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
            assert width_of(page) == NARROWEST[0]
            page.set_viewport_size({"width": size[0], "height": size[1]})
