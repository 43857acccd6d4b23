"""A set laid out in a real browser: by mouse, by keyboard, by finger on a phone, and as a table without script; audited."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_INCH as INCH
from coop.floor.models import Space
from coop.resets.domain.booth import rectangle_booth
from coop.resets.models import BoothSet, PieceRow
from coop.resets.putting import save_arrangement
from coop.resets.set_json import Put
from coop.resets.sets import puts_of
from tests.factories.resets import in16, measure_booth
from tests.functional.browsing import DESKTOP, NOW, PHONE, Served, audited, context, faults_of, finish_jobs, listen, serve, touch

pytestmark = pytest.mark.browser


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    yield from serve(sqlite_database_url, tmp_path, month_end=False)


def path_of(hall: Served) -> str:
    return f"/portal/resets/sets/{hall.house.resets.draft}"


def put(hall: Served, name: str) -> Put:
    """Where a piece of the draft is put, as it is saved."""
    with transaction(hall.sessions) as session:
        piece = session.scalars(select(PieceRow.id).where(PieceRow.name == name)).one()
        row = session.get_one(BoothSet, hall.house.resets.draft)
        return next(one for one in puts_of(session, row) if one.piece_id == piece)


def open_set(page: Page, hall: Served) -> None:
    """Open the draft, and wait until what is found of it is said."""
    with page.expect_response(re.compile(r"/check$")):
        page.goto(hall.base + path_of(hall))


def piece(page: Page, name: str) -> Locator:
    return page.locator(f'#set-board .piece[aria-label^="{name}:"]')


def middle(page: Page, name: str) -> tuple[float, float]:
    box = piece(page, name).locator("polygon").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def inch(page: Page) -> float:
    """How many pixels an inch is on the plan."""
    return float(page.locator("#set-board").evaluate("board => board.getScreenCTM().a")) * INCH


def drag(page: Page, name: str, dx: float, dy: float) -> None:
    """Drag a piece by inches, by mouse."""
    x, y = middle(page, name)
    per = inch(page)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx * per / 2, y + dy * per / 2, steps=3)
    page.mouse.move(x + dx * per, y + dy * per, steps=3)
    page.mouse.up()


def field(page: Page, name: str) -> Locator:
    """A figure of the chosen piece."""
    return page.locator(f'#set-rows tr.chosen [data-field="{name}"]')


def save(page: Page, sentence: str) -> None:
    page.get_by_role("button", name="Save the set").click()
    expect(page.locator("#set-state")).to_have_text(sentence)


def test_a_piece_is_dragged_and_what_is_found_comes_and_goes(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        open_set(page, hall)
        expect(page.locator("#set-found-state")).to_have_text("Nothing is found against it.")
        # The table is over the chair at once, and what else there is to say comes from the server.
        drag(page, "Pine table", -30, 10)
        expect(page.locator("#set-trouble")).to_contain_text("Pine table overlaps Cane chair.")
        expect(page.locator("#set-against")).to_contain_text("Cane chair")
        expect(page.locator("#set-found-state")).to_contain_text("found against it.")
        assert piece(page, "Cane chair").get_attribute("class") == "piece floor wrong"
        drag(page, "Pine table", 30, -10)
        expect(page.locator("#set-trouble")).to_have_text("")
        expect(page.locator("#set-found-state")).to_have_text("Nothing is found against it.")
        expect(page.locator("#set-against li")).to_have_count(0)
        # Through the wall is said at once as well.
        drag(page, "Pine table", 80, 0)
        expect(page.locator("#set-trouble")).to_contain_text("Pine table is partly out of the booth.")
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("#set-trouble")).to_have_text("")
        assert put(hall, "Pine table").x_in16 == in16(60)
        drag(page, "Pine table", 0, -12)
        expect(field(page, "y")).to_have_value("4' 5\"")
        save(page, "Winter is saved: 1 moved.")
        assert said == []
    assert (put(hall, "Pine table").x_in16, put(hall, "Pine table").y_in16) == (in16(60), in16(68))


def test_what_a_piece_carries_comes_with_it_and_walls_follow(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        open_set(page, hall)
        wall = page.locator("#set-walls figure").first
        expect(wall).to_contain_text("The back wall")
        before = wall.locator("g[data-key] rect").evaluate_all("all => all.map(one => one.getAttribute('x'))")
        x, y = middle(page, "Oak dresser")
        page.mouse.move(x - 15 * inch(page), y)
        page.mouse.down()
        page.mouse.move(x - 25 * inch(page), y, steps=3)
        page.mouse.move(x - 35 * inch(page), y, steps=3)
        with page.expect_response(re.compile(r"/check$")):
            page.mouse.up()
        expect(field(page, "x")).to_have_value("4' 9\"")
        page.wait_for_function(
            "before => JSON.stringify([...document.querySelectorAll('#set-walls figure:first-child g[data-key] rect')]"
            ".map(one => one.getAttribute('x'))) !== JSON.stringify(before)",
            arg=before,
        )
        save(page, "Winter is saved: 2 moved.")
        assert page.locator("#set-board").evaluate("board => board.getScreenCTM().a") == pytest.approx(
            wall.locator("svg").evaluate("drawn => drawn.getScreenCTM().a"), rel=0.02
        )
    assert put(hall, "Oak dresser").x_in16 == put(hall, "Brass lamp").x_in16 == in16(78)


def test_everything_is_done_by_keyboard(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        open_set(page, hall)
        for _ in range(60):
            page.keyboard.press("Tab")
            if (page.evaluate("document.activeElement.getAttribute('aria-label')") or "").startswith("Cane chair:"):
                break
        page.keyboard.press("Shift+ArrowUp")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("]")
        page.keyboard.press("r")
        expect(page.locator("#set-said")).to_contain_text("turned 195°")
        page.keyboard.press("Control+z")
        expect(page.locator("#set-said")).to_have_text("Undone.")
        expect(field(page, "t")).to_have_value("105")
        page.keyboard.press("Control+Shift+z")
        page.keyboard.press("l")
        page.keyboard.press("ArrowRight")
        expect(page.locator("#set-said")).to_contain_text("Cane chair is locked: unlock it to move it.")
        page.keyboard.press("l")
        # Onto the table, by the list of what it may stand on.
        page.keyboard.press("o")
        assert page.evaluate("document.activeElement.dataset.field") == "on"
        page.keyboard.type("Pine")
        page.keyboard.press("Tab")
        expect(page.locator("#set-down")).to_have_text("Take it down from Pine table")
        piece(page, "Tall cupboard").focus()
        page.keyboard.press("Delete")
        expect(page.locator("#set-tray")).to_contain_text("Tall cupboard")
        page.get_by_role("button", name="Put in Gilt mirror").press("Enter")
        expect(field(page, "up")).to_have_value("4' 0\"")
        page.get_by_role("button", name="Save the set").press("Enter")
        expect(page.locator("#set-state")).to_have_text("Winter is saved: 1 put in, 1 moved, 1 taken out.")
        assert said == []
    chair, mirror = put(hall, "Cane chair"), put(hall, "Gilt mirror")
    assert (chair.x_in16, chair.y_in16, chair.turn_deg) == (in16(60), in16(80), 195)
    assert chair.on_piece_id == put(hall, "Pine table").piece_id
    assert (mirror.x_in16, mirror.y_in16, mirror.up_in16) == (in16(60), in16(1), in16(48))


def test_a_set_is_laid_out_as_a_table_without_script(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP, script=False) as opened:
        page = opened.new_page()
        page.goto(hall.base + path_of(hall))
        expect(page.locator(".set-picture svg")).to_be_visible()
        page.get_by_label("From the left of Pine table").fill("a bit")
        page.get_by_label("From the back of Cane chair").fill("100 in")
        page.get_by_role("button", name="Save the set").last.click()
        expect(page.get_by_text("'a bit' is not a length")).to_be_visible()
        expect(page.get_by_label("From the back of Cane chair")).to_have_value("100 in")
        page.get_by_label("From the left of Pine table").fill("2' 6\"")
        page.get_by_label("Turned, in degrees of Cane chair").fill("-90")
        page.get_by_role("button", name="Put in Gilt mirror").click()
        expect(page.get_by_text("Winter is saved: 1 put in, 2 moved.")).to_be_visible()
        expect(page.get_by_label("Height above the floor of Gilt mirror")).to_have_value("4' 0\"")
        page.get_by_label("From the left of Cane chair").fill("40")
        page.get_by_label("From the back of Cane chair").fill("80")
        page.get_by_role("button", name="Save the set").last.click()
        # What is found is on the page, with the pieces by their names.
        expect(page.locator("#set-against")).to_contain_text("Cane chair")
        page.get_by_label("Take out Gilt mirror").check()
        page.get_by_role("button", name="Save the set").last.click()
        expect(page.get_by_text("Winter is saved: 1 taken out.")).to_be_visible()
    table, chair = put(hall, "Pine table"), put(hall, "Cane chair")
    assert table.x_in16 == in16(30 + 24)
    # Turned a quarter, the chair is 20 in. across and 18 in. deep as the tape lies.
    assert (chair.x_in16, chair.y_in16, chair.turn_deg) == (in16(50), in16(89), 270)


def test_a_piece_is_moved_and_turned_by_finger_on_a_phone(browser: Browser, hall: Served) -> None:
    opened = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
    opened.add_cookies([{"name": "coop", "value": hall.house.tokens["dealer"], "url": hall.base}])
    with opened:
        page = opened.new_page()
        said = listen(page)
        open_set(page, hall)
        page.get_by_label("In steps of").select_option("6 in.")
        page.locator("#set-board").scroll_into_view_if_needed()
        send = touch(page)
        x, y = middle(page, "Pine table")
        send("touchStart", (x, y))
        send("touchEnd")
        expect(field(page, "x")).to_be_visible()
        per = inch(page)
        send("touchStart", (x, y))
        send("touchMove", (x + 3 * per, y - 10 * per))
        send("touchMove", (x + 1 * per, y - 23 * per))
        send("touchEnd")
        expect(field(page, "y")).to_have_value("3' 6\"")
        page.get_by_role("button", name="Quarter turn").tap()
        expect(field(page, "t")).to_have_value("90")
        # Two fingers go nearer, and nothing moves by that.
        x, y = middle(page, "Pine table")
        send("touchStart", (x - 20, y), (x + 20, y))
        send("touchMove", (x - 60, y), (x + 60, y))
        send("touchEnd")
        assert inch(page) == pytest.approx(3 * per, rel=0.1)
        for button in page.locator(".set-acts button, #set-save").all():
            box = button.bounding_box()
            assert box is not None
            assert box["height"] >= 44
        save(page, "Winter is saved: 1 moved.")
        assert said == []
        assert page.evaluate("document.documentElement.scrollWidth") == 360
    table = put(hall, "Pine table")
    # Its left edge met the cupboard's right one, 38 in. from the left, before it was turned about its middle.
    assert (table.x_in16, table.y_in16, table.turn_deg) == (in16(38 + 24), in16(57), 90)


def test_whoever_saves_second_keeps_what_was_laid_out(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        open_set(page, hall)
        drag(page, "Pine table", 0, -12)
        with transaction(hall.sessions) as session:
            row = session.get_one(BoothSet, hall.house.resets.draft)
            chair = session.scalars(select(PieceRow.id).where(PieceRow.name == "Cane chair")).one()
            puts = [replace(one, x_in16=in16(30)) if one.piece_id == chair else one for one in puts_of(session, row)]
            save_arrangement(session, NOW, row, puts, version=row.version, user_id=hall.house.users["dealer"])
        save(page, "It is not saved.")
        expect(page.locator("#set-conflict")).to_contain_text("by Ida Fenwick after you opened it")
        page.get_by_role("button", name="Lay my changes over theirs").click()
        save(page, "Winter is saved: 1 moved.")
    assert (put(hall, "Pine table").y_in16, put(hall, "Cane chair").x_in16) == (in16(68), in16(30))


def test_a_lamp_is_put_on_what_it_is_over_and_taken_down(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        open_set(page, hall)
        piece(page, "Brass lamp").click()
        page.get_by_role("button", name="Take it down from Oak dresser").click()
        expect(page.locator("#set-trouble")).to_contain_text("Brass lamp overlaps Oak dresser.")
        page.get_by_role("button", name="Put it on Oak dresser").click()
        expect(page.locator("#set-trouble")).to_have_text("")
        expect(page.locator("#set-said")).to_contain_text("on Oak dresser")


def test_a_set_is_arranged_and_what_was_left_out_is_said(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + path_of(hall))
        page.get_by_role("link", name="Arrange for me").click()
        page.get_by_label("Seconds").fill("1")
        page.get_by_role("button", name="Arrange them").click()
        expect(page.locator("#progress-line")).to_have_text("It waits its turn.")
        expect(page.get_by_text("you may leave this page")).to_be_visible()
        assert finish_jobs(hall) >= 1
        page.reload()
        page.get_by_role("link", name="Winter, arranged 1").first.click()
        expect(page.locator("#arranged")).to_be_visible()
        expect(page.locator("#set-found-state")).to_have_text("Nothing is found against it.")
        assert said == []


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")])
def test_an_audit_finds_nothing_on_pages_of_sets(
    browser: Browser, hall: Served, axe: str, size: tuple[int, int], scheme: str
) -> None:
    """The pages as they come, a booth measured again, and the plan with a piece chosen and something found."""
    with transaction(hall.sessions) as session:
        row = session.get_one(BoothSet, hall.house.resets.stands)
        measure_booth(session, session.get_one(Space, row.space_id), rectangle_booth(in16(118), in16(144)))
    ids = hall.house.resets
    paths = [
        "/portal/resets/booths/MAIN/12/sets",
        path_of(hall),
        f"/portal/resets/sets/{ids.stands}/compare/{ids.draft}",
        f"{path_of(hall)}/arrange",
    ]
    with context(browser, hall, "dealer", size, scheme=scheme, bypass_csp=True) as opened:
        page = opened.new_page()
        assert faults_of(page, axe, hall.base, paths, size) == []
        page.set_viewport_size({"width": size[0], "height": size[1]})
        open_set(page, hall)
        piece(page, "Pine table").focus()
        for _ in range(3):
            page.keyboard.press("Shift+ArrowLeft")
        expect(page.locator("#set-trouble")).to_contain_text("Pine table")
        page.get_by_role("button", name="Show all pieces as a table").click()
        assert audited(page, axe, "the plan") == []
