"""Places booked on a phone, a way to the van measured by keyboard, prices and times in a real browser; all of them audited."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.resets.domain.way import Door, Elevator
from coop.resets.reset_models import CarryWay, ResetBooking, ResetTime
from coop.resets.ways import way_of
from tests.functional.browsing import DESKTOP, NARROWEST, PHONE, Served, audited, context, faults_of, listen, serve, width_of

pytestmark = pytest.mark.browser
INCH = 16
TARGET = 44
"""Pixels that what is touched must measure at least (Success Criterion 2.5.5)."""


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    yield from serve(sqlite_database_url, tmp_path, month_end=False)


def small_targets(page: Page) -> list[str]:
    """What is touched on the page's own part and is lower than a finger asks."""
    found: list[str] = page.evaluate(
        """least => [...document.querySelectorAll('main input:not([type=hidden]), main select, main button')]
            .filter(it => it.getBoundingClientRect().height < least).map(it => it.outerHTML)""",
        TARGET,
    )
    return found


@pytest.mark.parametrize("script", [True, False])
def test_places_are_booked_on_a_phone(browser: Browser, hall: Served, script: bool) -> None:
    with context(browser, hall, "dealer", PHONE, script=script) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(f"{hall.base}/portal/resets/days/{hall.house.resets.reset}")
        page.get_by_role("link", name="Book dock, floor and aisle").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Places booked")
        rows = page.get_by_role("main").get_by_role("group")
        # Filled in from the plan are the floor and the aisle; below them are two rows more.
        expect(rows).to_have_count(4)
        expect(rows.nth(3).get_by_label("Place")).to_have_value("")
        third = rows.nth(2)
        third.get_by_label("Place").select_option("The dock")
        third.get_by_label("From").fill("5 pm")
        third.get_by_label("To").fill("7 pm")
        page.get_by_role("button", name="Book these").click()
        alert = page.get_by_role("alert")
        expect(alert).to_contain_text("The mall is open only 10 am to 6 pm on Tue, Dec 1, 2026")
        expect(alert).to_contain_text("What you typed is kept.")
        again = page.get_by_role("main").get_by_role("group").nth(2)
        expect(again.get_by_label("To")).to_have_value("7 pm")
        if script:
            assert small_targets(page) == []
            page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
            assert width_of(page) <= NARROWEST[0]
            page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
        again.get_by_label("To").fill("6 pm")
        page.get_by_role("button", name="Book these").click()
        expect(page.get_by_text("3 places are booked for this reset.")).to_be_visible()
        expect(page.get_by_role("listitem").filter(has_text="The dock, 5 to 6 pm")).to_be_visible()
        assert [one for one in said if "422" not in one] == []
    with transaction(hall.sessions) as session:
        kept = {(one.kind, one.place) for one in session.scalars(select(ResetBooking))}
        assert kept == {("dock", "dock"), ("staging", "By the dock"), ("aisle", "12")}


def test_a_way_is_measured_by_keyboard_without_script(browser: Browser, hall: Served) -> None:
    """Tab and the keys alone: the first legs as they are offered, then one added; Enter in a field keeps the way."""
    with context(browser, hall, "manager", DESKTOP, script=False) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/office/floor/MAIN/resets")
        page.get_by_role("link", name="Measure a way").focus()
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", level=1)).to_contain_text("A way to the van")
        page.get_by_label("What the way is called").focus()
        page.keyboard.type("Side door")
        legs = page.get_by_role("main").get_by_role("group")
        for field, text in (("What it is called", "Side door"), ("Width", "35 1/2"), ("Height", "6' 8\"")):
            wanted = legs.nth(1).get_by_label(field)
            for _ in range(40):
                if wanted.evaluate("it => it === document.activeElement"):
                    break
                page.keyboard.press("Tab")
            else:
                raise AssertionError(f"no Tab reaches {field}")
            page.keyboard.type(text)
        add = page.get_by_role("button", name="Add an elevator")
        for _ in range(40):
            page.keyboard.press("Tab")
            if add.evaluate("it => it === document.activeElement"):
                break
        page.keyboard.press("Space")
        expect(legs).to_have_count(3)
        added = legs.nth(2)
        expect(added.get_by_label("What it is called")).to_be_focused()
        page.keyboard.type("Freight elevator")
        page.keyboard.press("Tab")
        for text in ("40", "80", "54", "68", "84", "2500"):
            page.keyboard.press("Tab")
            page.keyboard.type(text)
        page.keyboard.press("Enter")
        expect(page.get_by_text("Side door is measured, 2 legs.")).to_be_visible()
    with transaction(hall.sessions) as session:
        row = session.scalars(select(CarryWay).where(CarryWay.name == "Side door")).one()
        assert way_of(row).legs == (
            Door("Side door", 568, 80 * INCH),
            Elevator("Freight elevator", 40 * INCH, 80 * INCH, 54 * INCH, 68 * INCH, 84 * INCH, 2500 * 16),
        )


def test_times_are_logged_with_dusty_hands_and_taken_back(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(f"{hall.base}/portal/resets/times")
        page.get_by_label("What", exact=True).select_option("Move pieces, by the piece")
        page.get_by_label("How many").fill("6")
        page.get_by_label("Minutes").fill("72")
        assert small_targets(page) == []
        page.get_by_role("button", name="Log it").click()
        expect(page.get_by_text("Logged, move: 6 pieces in 72 minutes by 1 person.")).to_be_visible()
        expect(page.get_by_role("listitem").filter(has_text="Move: logged 1 time")).to_be_visible()
        page.get_by_role("button", name="Take back move").click()
        expect(page.get_by_label("Minutes")).to_have_value("72")
        page.get_by_role("button", name="Log it").click()
        expect(page.get_by_role("row").filter(has_text="72 minutes")).to_have_count(1)
        assert said == []
    with transaction(hall.sessions) as session:
        assert len(session.scalars(select(ResetTime).where(ResetTime.task == "move")).all()) == 1


@pytest.mark.parametrize(("scheme", "size"), [("light", DESKTOP), ("dark", PHONE)])
def test_an_audit_finds_nothing(browser: Browser, hall: Served, axe: str, scheme: str, size: tuple[int, int]) -> None:
    laid = hall.house.resets
    with context(browser, hall, "dealer", size, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        paths = [
            f"/portal/resets/days/{laid.reset}",
            f"/portal/resets/days/{laid.reset}/places",
            f"/portal/resets/days/{laid.reset}/way",
            f"/portal/resets/sets/{laid.draft}/prices",
            f"/portal/resets/sets/{laid.draft}/prices?percent=10",
            "/portal/resets/times",
            "/portal/resets/settings",
            "/portal/resets/booths/MAIN/12/season",
            "/portal/resets/booths/MAIN/12/season?stands_on=2026-11-10&days=2",
            "/portal/resets/booths/MAIN/12",
            "/portal/resets/",
        ]
        assert faults_of(page, axe, hall.base, paths, size) == []
    with context(browser, hall, "manager", size, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        office = "/office/floor/MAIN/resets"
        paths = [office, f"{office}?floor={laid.floor}", f"{office}/ways/new", f"{office}/ways/{laid.way}"]
        assert faults_of(page, axe, hall.base, paths, size) == []


def test_an_audit_finds_nothing_on_what_is_refused(browser: Browser, hall: Served, axe: str) -> None:
    """Each form sent with something wrong in it: what is wrong is told, and named to whoever cannot see it."""
    laid = hall.house.resets
    sent = {
        "dealer": {
            f"/portal/resets/days/{laid.reset}/places": ("From", "late", "Book these"),
            f"/portal/resets/sets/{laid.draft}/prices": ("What Oak dresser is to cost", "a lot", "Keep these prices"),
            "/portal/resets/times": ("Minutes", "0", "Log it"),
            "/portal/resets/settings": ("Likely", "9000", "Keep these"),
            "/portal/resets/booths/MAIN/12/season": ("Days of the reset", "99", "Work it back"),
        },
        "manager": {
            f"/office/floor/MAIN/resets/ways/{laid.way}": ("Width", "wide", "Keep this way"),
            "/office/floor/MAIN/resets": ("Width", "wide", "Keep this floor"),
        },
    }
    for who, forms in sent.items():
        with context(browser, hall, who, PHONE, bypass_csp=True) as opened:
            page = opened.new_page()
            for path, (label, text, button) in forms.items():
                page.goto(hall.base + path)
                page.get_by_label(label).first.fill(text)
                page.get_by_role("button", name=button).click()
                wrong = page.get_by_label(label).first
                expect(wrong).to_have_attribute("aria-invalid", "true")
                expect(wrong).to_have_value(text)
                expect(wrong).to_have_accessible_description(re.compile(r"Write|This is not|number"))
                assert audited(page, axe, path) == []
