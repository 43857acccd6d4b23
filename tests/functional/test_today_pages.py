"""Today as people use it: the names of the pages on a phone and at a desk, and a new co-op's first steps without script."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy import select

from coop.app import create_app
from coop.core.db import transaction
from coop.core.jobs import Job, name_job
from coop.dealers import service as people
from coop.dealers.membership import found_coop
from tests.factories.house import add_person
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited,
    context,
    faults_of,
    listen,
    serving,
    settings_in,
    tab_to,
    width_of,
    window,
)

pytestmark = pytest.mark.browser

NAMES = [
    "Today",
    "Floor",
    "Dealers",
    "Leases",
    "Rota",
    "Overflow",
    "Sales",
    "Tax",
    "Books",
    "Bank",
    "Month-end",
    "Payouts",
    "Letters",
    "Settings",
    "Log",
]


@pytest.fixture
def nothing(sqlite_url: str, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """A co-op that has its manager and nothing else: its address, and the manager's sign-in."""
    app = create_app(settings_in(tmp_path, sqlite_url), clock=lambda: NOW)
    with transaction(app.extensions["coop"].sessions) as session:
        found_coop(session, NOW, "Ashgrove Dealers' Co-op", commission_percent=Decimal(10))
        user = add_person(session, NOW, "manager@example.org", ("manager",))
        token = people.begin_session(session, NOW, user, address="192.0.2.7", agent="Firefox")
    with serving(app) as base:
        yield base, token


def named(page: Page) -> list[str]:
    """The names of pages that are shown, in their order."""
    links = page.get_by_role("navigation", name="Pages").get_by_role("link")
    return [link.inner_text() for link in links.all() if link.is_visible()]


def test_the_names_of_the_pages_stand_in_one_row_at_a_desk_and_open_by_keyboard_on_a_phone(
    browser: Browser, served: Served
) -> None:
    with context(browser, served, "manager", (1200, 800), script=True) as opened:
        page = opened.new_page()
        page.goto(served.base + "/office/letters")
        width_of(page)
        assert named(page) == NAMES
        tops = {link.bounding_box()["y"] for link in page.get_by_role("navigation", name="Pages").get_by_role("link").all()}  # type: ignore[index]
        assert len(tops) == 1
        assert not page.get_by_text("Pages: Letters").is_visible()
        tab_to(page, "link", "Log")
        page.keyboard.press("Enter")
        page.wait_for_url("**/office/log")
        assert page.get_by_role("link", name="My account").is_visible()
    with context(browser, served, "manager", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(served.base + "/office/letters")
        assert named(page) == []
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.innerText") == "Pages: Letters"
        page.keyboard.press("Enter")
        assert named(page) == NAMES
        tab_to(page, "link", "Month-end")
        page.keyboard.press("Enter")
        page.wait_for_url("**/office/months")
        assert named(page) == []
        assert said == []


def audited_as(browser: Browser, base: str, token: str, axe: str, paths: tuple[str, ...]) -> list[str]:
    """What an audit finds on pages, at a desk and on a phone with the names of the pages open, light and dark."""
    faults = []
    for size in (DESKTOP, PHONE):
        for scheme in ("light", "dark"):
            with window(browser, base, token, size, scheme=scheme, bypass_csp=True) as opened:
                page = opened.new_page()
                faults += faults_of(page, axe, base, paths, size)
                page.goto(base + "/office/")
                if size == PHONE:
                    page.locator(".pages summary").click()
                    page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
                    assert width_of(page) <= NARROWEST[0]
                    faults += audited(page, axe, "the names of the pages, open")
    return faults


def test_an_audit_finds_nothing_on_a_full_day(browser: Browser, served: Served, axe: str) -> None:
    with transaction(served.sessions) as session:
        name_job(session, NOW, "floor.render", {}, queue="default", key="failed")
        session.flush()
        job = session.scalars(select(Job).where(Job.key == "failed")).one()
        job.state, job.error, job.finished_at = "failed", "The disk is full.", NOW
    paths = ("/office/", "/office/months", "/office/failed", "/office/log?find=lease&from=then")
    assert audited_as(browser, served.base, served.house.tokens["manager"], axe, paths) == []


def test_an_audit_finds_nothing_where_there_is_nothing_yet(browser: Browser, nothing: tuple[str, str], axe: str) -> None:
    assert audited_as(browser, *nothing, axe, ("/office/", "/office/months", "/office/malls/new")) == []


def test_a_new_co_op_is_led_to_its_mall_and_its_first_dealer_without_script(browser: Browser, nothing: tuple[str, str]) -> None:
    base, token = nothing
    with window(browser, base, token, PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(base + "/")
        assert page.locator("h1").inner_text().startswith("Today")
        page.get_by_role("link", name="A mall", exact=True).click()
        page.get_by_role("button", name="Add the mall").click()
        assert page.get_by_text("Write the mall’s name.").is_visible()
        page.get_by_label("Name").fill("Elm Hall")
        page.get_by_label("Code").fill("elm")
        page.get_by_label("Time zone").select_option("America/Chicago")
        page.get_by_role("button", name="Add the mall").click()
        assert "Elm Hall is there." in page.get_by_role("status").inner_text()
        page.goto(base + "/")
        assert page.get_by_role("row", name="A mall").inner_text().endswith("done")
        page.get_by_role("link", name="Dealers", exact=True).last.click()
        page.get_by_role("link", name="Enter the first one").click()
        page.get_by_label("Name", exact=True).fill("Ida Fenwick")
        page.get_by_role("button", name="Enter the dealer").click()
        page.goto(base + "/")
        assert page.get_by_role("row", name="Dealers").inner_text().endswith("done")
        page.get_by_role("link", name="Rent", exact=True).click()
        assert page.locator("h1").inner_text().startswith("R")
