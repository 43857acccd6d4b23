"""The floor in a real browser: the plan of sixty booths audited, and the editor by mouse, by keyboard and by finger."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.core.geometry import format_length, parse_length
from coop.floor.models import FloorPlan, Mall, PlanPart, Space
from coop.floor.planning import move_space
from coop.floor.queries import find_space, plan_version
from coop.floor.service import add_mall
from tests.factories.floor_hall import box, build_hall
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited_in_both,
    context,
    listen,
    serve,
    touch,
    width_of,
)

pytestmark = pytest.mark.browser

PLAN = "/office/floor/MAIN"
PAGES = [
    *(f"{PLAN}?ask={ask}" for ask in ("held", "ends", "arrears", "rent", "sales", "overflow")),
    f"{PLAN}/edit",
    f"{PLAN}/spaces/12",
    f"{PLAN}/aisles",
    f"{PLAN}/files",
]


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    """The house with its hall drawn and let."""
    for served in serve(sqlite_database_url, tmp_path, month_end=False):
        with transaction(served.sessions) as session:
            build_hall(session, NOW, session.get_one(Mall, served.house.mall.id))
        yield served


def corner(hall: Served, code: str) -> list[int]:
    """The upper left corner of a space in the database."""
    with transaction(hall.sessions) as session:
        found = session.scalar(select(Space).where(Space.code == code))
        assert found is not None
        assert found.outline_in16
        return list(found.outline_in16[0])


def open_editor(page: Page, hall: Served) -> None:
    page.goto(f"{hall.base}{PLAN}/edit")
    expect(page.locator("#plan-findings-state")).to_have_text("2 found.")


def part(page: Page, name: str) -> Any:
    """A part of the drawing by how its name begins."""
    return page.locator(f'#plan-board g[aria-label^="{name}"]')


def middle(page: Page, name: str) -> tuple[float, float]:
    there = part(page, name).locator("polygon").bounding_box()
    assert there is not None
    return there["x"] + there["width"] / 2, there["y"] + there["height"] / 2


def foot_in_pixels(page: Page) -> float:
    scale: float = page.evaluate("document.getElementById('plan-board').getScreenCTM().a")
    return scale * FOOT


def save(page: Page, sentence: str) -> None:
    page.get_by_role("button", name="Save the plan").click()
    expect(page.locator("#plan-state")).to_have_text(sentence)


# --- looked at -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_the_floor(
    browser: Browser,
    hall: Served,
    axe: str,
    size: tuple[int, int],
) -> None:
    faults = []
    with context(browser, hall, "manager", size, bypass_csp=True) as opened:
        page = opened.new_page()
        for path in PAGES:
            page.goto(hall.base + path)
            if path.endswith("/edit"):
                part(page, "Booth 14:").or_(part(page, "Booth 14,")).first.focus()
            faults += audited_in_both(page, axe, path)
    assert faults == []


def test_the_floor_fits_320_pixels_with_and_without_script(browser: Browser, hall: Served) -> None:
    wide = []
    for script in (True, False):
        with context(browser, hall, "manager", NARROWEST, script=script) as opened:
            page = opened.new_page()
            for path in PAGES:
                page.goto(hall.base + path)
                width = width_of(page)
                if width > NARROWEST[0]:
                    wide.append((path, script, width))
    assert wide == []


def test_a_finding_shows_its_place(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "auditor", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + PLAN)
        expect(page.get_by_role("note")).to_contain_text("the fire marshal and licensed people decide")
        page.get_by_role("link", name="Booth 60 and booth 61 overlap").focus()
        expect(page.locator("#at-1")).to_have_class("mark pointed")
        page.get_by_role("link", name="Booth 14: occupied, H03").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Booth 14")
    assert said == []


# --- edited ----------------------------------------------------------------------------------------------------------------


def test_a_booth_is_dragged_a_foot_by_mouse(browser: Browser, hall: Served) -> None:
    before = corner(hall, "50")
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        open_editor(page, hall)
        page.get_by_label("In steps of").select_option("1 ft")
        page.get_by_label("and to neighbors’ edges").uncheck()
        x, y = middle(page, "Booth 50,")
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 0.5 * foot_in_pixels(page), y, steps=3)
        page.mouse.move(x + 1.2 * foot_in_pixels(page), y + 0.2 * foot_in_pixels(page), steps=3)
        page.mouse.up()
        expect(page.locator("#r49-x")).to_have_value("99' 0\"")
        save(page, "The plan is saved: 1 changed.")
        expect(page.locator("#plan-findings-state")).not_to_have_text("Looking at the ways…")
    assert corner(hall, "50") == [before[0] + 192, before[1]]
    assert said == []


def test_what_overlaps_is_told_while_it_moves_and_undone(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        open_editor(page, hall)
        x, y = middle(page, "Booth 13,")
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 4 * foot_in_pixels(page), y, steps=4)
        expect(page.locator("#plan-trouble")).to_contain_text("Booth 14: it overlaps booth 13.")
        page.mouse.up()
        expect(page.locator("#plan-findings-state")).to_have_text("3 found.")
        page.keyboard.press("Control+z")
        expect(page.locator("#r12-x")).to_have_value("28' 0\"")
        expect(page.locator("#plan-findings-state")).to_have_text("2 found.")
        page.get_by_role("button", name="Do again").click()
        expect(page.locator("#r12-x")).to_have_value("32' 0\"")
        page.get_by_role("button", name="Undo").click()
        save(page, "The plan is saved: nothing of it had changed.")


def test_a_booth_is_drawn_sized_by_its_handle_and_meets_its_neighbor(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        open_editor(page, hall)
        page.get_by_label("In steps of").select_option("1 ft")
        page.get_by_role("button", name="Draw it", exact=True).click()
        foot = foot_in_pixels(page)
        x, y = middle(page, "Booth 50,")
        # From beside booth 50's upper right, six feet by four.
        left, top = x + 7 * foot, y - 4 * foot
        page.mouse.move(left, top)
        page.mouse.down()
        page.mouse.move(left + 6 * foot, top + 4 * foot, steps=4)
        page.mouse.up()
        expect(page.locator("#new1-code")).to_have_value("62")
        expect(page.locator("#new1-w")).to_have_value("6' 0\"")
        expect(page.locator("#new1-x")).to_have_value("110' 0\"")
        # Its left handle is drawn to a few inches from booth 50's right side, which it meets.
        page.get_by_label("In steps of").select_option("1 in.")
        handle = page.locator('[data-handle="-1,0"]').bounding_box()
        assert handle is not None
        at = handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2
        page.mouse.move(*at)
        page.mouse.down()
        page.mouse.move(at[0] - 1.7 * foot, at[1], steps=4)
        page.mouse.up()
        expect(page.locator("#new1-x")).to_have_value("108' 0\"")
        expect(page.locator("#new1-w")).to_have_value("8' 0\"")
        save(page, "The plan is saved: 1 added.")
    assert corner(hall, "62") == [108 * FOOT, 54 * FOOT]
    assert said == []


def test_a_booth_is_moved_sized_and_taken_off_by_keyboard(browser: Browser, hall: Served) -> None:
    before = corner(hall, "61")
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        open_editor(page, hall)
        page.get_by_label("In steps of").select_option("1 ft")
        page.keyboard.press("Tab")
        for _ in range(120):
            if (page.evaluate("document.activeElement.getAttribute('aria-label')") or "").startswith("Booth 61,"):
                break
            page.keyboard.press("Tab")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Shift+ArrowDown")
        expect(page.locator("#plan-said")).to_contain_text("Booth 61, back: 10' 0\" wide, 9' 0\" deep, 104' 0\" from the left")
        page.keyboard.press("Shift+Tab")
        page.keyboard.press("Delete")
        expect(page.locator("#plan-said")).to_have_text("Booth 60 is taken off the draft. Undo brings it back.")
        page.keyboard.press("Control+z")
        expect(part(page, "Booth 60,")).to_have_count(1)
        part(page, "Booth 61,").focus()
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "r60-x"
        page.keyboard.press("Tab")
        page.keyboard.type("70'")
        page.keyboard.press("Tab")
        save(page, "The plan is saved: 1 changed.")
    assert corner(hall, "61") == [before[0] + 192, 70 * FOOT]
    assert said == []


def test_a_booth_is_moved_by_finger_on_a_phone(browser: Browser, hall: Served) -> None:
    before = corner(hall, "50")
    opened = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    opened.add_cookies([{"name": "coop", "value": hall.house.tokens["manager"], "url": hall.base}])
    with opened:
        page = opened.new_page()
        said = listen(page)
        open_editor(page, hall)
        page.get_by_label("In steps of").select_option("1 ft")
        page.get_by_label("and to neighbors’ edges").uncheck()
        board = page.locator("#plan-board")
        board.scroll_into_view_if_needed()
        send = touch(page)
        # A finger on what is not chosen pushes the plan, and moves nothing.
        x, y = middle(page, "Booth 45,")
        send("touchStart", (x, y))
        send("touchMove", (x - 12, y))
        send("touchMove", (x - 24, y))
        send("touchEnd")
        assert middle(page, "Booth 45,")[0] == pytest.approx(x - 24, abs=2)
        # Two fingers go nearer.
        x, y = middle(page, "Booth 50,")
        near = foot_in_pixels(page)
        send("touchStart", (x - 20, y), (x + 20, y))
        send("touchMove", (x - 40, y), (x + 40, y))
        send("touchMove", (x - 60, y), (x + 60, y))
        send("touchEnd")
        assert foot_in_pixels(page) == pytest.approx(3 * near, rel=0.1)
        x, y = middle(page, "Booth 50,")
        send("touchStart", (x, y))
        send("touchEnd")
        expect(page.locator("#r49-code")).to_be_visible()
        foot = foot_in_pixels(page)
        send("touchStart", (x, y))
        send("touchMove", (x + 0.5 * foot, y))
        send("touchMove", (x + 1.1 * foot, y))
        send("touchEnd")
        expect(page.locator("#r49-x")).to_have_value("99' 0\"")
        save(page, "The plan is saved: 1 changed.")
    assert corner(hall, "50") == [before[0] + 192, before[1]]
    assert said == []


def test_a_conflict_says_who_and_keeps_the_draft(browser: Browser, hall: Served) -> None:
    moved = corner(hall, "14")
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        open_editor(page, hall)
        page.get_by_label("In steps of").select_option("1 ft")
        part(page, "Booth 50,").focus()
        page.keyboard.press("ArrowRight")
        with transaction(hall.sessions) as session:
            mall = session.get_one(Mall, hall.house.mall.id)
            found = find_space(session, mall.id, "14")
            assert found is not None
            place = {"x_in16": moved[0], "y_in16": moved[1] + 16}
            version, user_id = plan_version(session, mall.id), hall.house.users["bookkeeper"]
            move_space(session, NOW, found, **place, version=version, user_id=user_id)
        save(page, "It is not saved.")
        expect(page.locator("#plan-conflict")).to_contain_text("by books@example.org after you opened it")
        expect(page.locator("#r49-x")).to_have_value("99' 0\"")
        page.get_by_role("button", name="Lay my changes over theirs").click()
        save(page, "The plan is saved: 1 changed.")
    assert corner(hall, "50")[0] == 99 * FOOT
    assert corner(hall, "14") == [moved[0], moved[1] + 16]


def test_a_new_hall_is_given_its_size_and_each_answer_is_seen(browser: Browser, hall: Served) -> None:
    with transaction(hall.sessions) as session:
        add_mall(session, NOW, "ELM", name="Elm Hall", timezone="America/Chicago", address="")
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(f"{hall.base}/office/floor/ELM/edit")
        width, first_row = page.locator("#plan-w").bounding_box(), page.locator("#r0-code").bounding_box()
        assert width
        assert first_row
        assert width["y"] < first_row["y"], "what is asked first stands first"
        page.locator("#r0-code").fill("1")
        page.locator("#r0-zone").fill("front")
        page.get_by_role("button", name="Save the plan").click()
        expect(page.locator("#plan-w-wrong")).to_contain_text("Write how wide the hall is inside")
        expect(page.locator("#plan-w-wrong")).to_be_visible()
        expect(page.locator("#r0-code")).to_have_value("1")
        page.locator("#plan-w").fill("60'")
        page.locator("#plan-d").fill("40'")
        page.get_by_role("button", name="Save the plan").click()
        expect(page.get_by_text("The plan is saved: 1 added.")).to_be_visible()
        expect(page.locator("#plan-board")).to_be_visible()
    assert [one for one in said if "422" not in one] == []


def test_a_plan_is_begun_and_changed_without_script(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "manager", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}{PLAN}/edit")
        page.locator("#r49-x").fill("99 ft")
        page.locator('tr[data-was="A1"] input[type="checkbox"]').check()
        new = page.locator('tr[data-was=""]').first.get_attribute("data-row")
        page.locator(f"#{new}-code").fill("62")
        page.locator(f"#{new}-zone").fill("back")
        for name, value in (("x", "10'"), ("y", "76'"), ("w", "8'"), ("d", "wide")):
            page.locator(f"#{new}-{name}").fill(value)
        page.get_by_role("button", name="Save the plan").click()
        expect(page.locator(f"#{new}-d-wrong")).to_contain_text("'wide' is not a length")
        expect(page.locator("#r49-x")).to_have_value("99 ft")
        page.locator(f"#{new}-d").fill("6'")
        page.get_by_role("button", name="Save the plan").click()
        expect(page.get_by_role("status")).to_have_text("The plan is saved: 1 added, 1 changed, 1 taken away.")
    assert corner(hall, "50")[0] == 99 * FOOT
    with transaction(hall.sessions) as session:
        assert session.scalar(select(PlanPart).where(PlanPart.code == "A1")) is None
        assert session.scalar(select(FloorPlan.version)) == 2


def test_the_page_reads_and_writes_lengths_as_the_server_does(browser: Browser, hall: Served) -> None:
    texts = [
        "7' 6 1/2\"",
        "90.5",
        "7.5 ft",
        "7'-6\"",
        "229 cm",
        "1 m",
        "3/8",
        "10-3/8 in.",
        "12 feet 3 inches",
        "x",
        "",
        "1/0",
        "7 ft x",
    ]
    lengths = [0, 1, 8, 15, 16, 191, 192, 1448, 23_808]
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}{PLAN}/edit")
        read = page.evaluate(
            "async texts => { const m = await import('/static/plan-lengths.js'); return texts.map(m.readLength) }", texts
        )
        written = page.evaluate(
            "async all => { const m = await import('/static/plan-lengths.js'); return all.map(m.writeLength) }", lengths
        )

    def here(text: str) -> int | None:
        try:
            return parse_length(text)
        except ValueError:
            return None

    assert read == [here(text) for text in texts]
    assert written == [format_length(length) for length in lengths]


def test_shapes_on_the_page(browser: Browser, hall: Served) -> None:
    """Touching is not sharing; an L holds what lies in its arm and not what lies in its notch. Worked by hand."""
    ell = [[0, 0], [10, 0], [10, 4], [4, 4], [4, 10], [0, 10]]
    cases = [
        (box(0, 0, 1, 1), box(1, 0, 1, 1), False),
        (box(0, 0, 2, 1), box(1, 0, 2, 1), True),
        (box(0, 0, 4, 4), box(1, 1, 1, 1), True),
        (box(0, 0, 1, 1), box(0, 0, 1, 1), True),
        (ell, [[4, 4], [10, 4], [10, 10], [4, 10]], False),
        (ell, [[3, 4], [9, 4], [9, 10], [3, 10]], True),
    ]
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}{PLAN}/edit")
        found = page.evaluate(
            "async cases => { const m = await import('/static/plan-shapes.js'); return cases.map(([a, b]) => m.overlap(a, b)) }",
            [[one, other] for one, other, _ in cases],
        )
    assert found == [wanted for *_, wanted in cases]
