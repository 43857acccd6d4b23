"""The month of turns in a real browser: given by mouse, by keyboard, on a phone and without a script; drafted, published."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.shifts.models import Rota, Turn
from coop.shifts.turn_models import TurnChange
from tests.factories.rota_hall import OUTCOME, build_rota, desk_turn
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited,
    context,
    faults_of,
    finish_jobs,
    listen,
    serve,
    tab_to,
    width_of,
)

pytestmark = pytest.mark.browser

MONTH = "/office/rota/MAIN/2026-12"


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    """The house with eight members and a draft of December, in which Ida Fenwick opens on the 1st and Amos Pell closes."""
    for served in serve(sqlite_database_url, tmp_path, month_end=False):
        with transaction(served.sessions) as session:
            build_rota(session, NOW, session.get_one(Mall, served.house.mall.id))
        yield served


def turn_id(hall: Served, day: int, *, opens: bool = True) -> int:
    with transaction(hall.sessions) as session:
        return desk_turn(session, day, opens=opens).id


def holder(hall: Served, turn: int) -> str:
    """Who has a turn, in the database."""
    with transaction(hall.sessions) as session:
        member_id = session.get_one(Turn, turn).member_id
        return session.get_one(Member, member_id).name if member_id else "nobody"


def cell(page: Page, turn: int) -> Locator:
    return page.locator(f"#turn-{turn}")


def row(page: Page, name: str) -> Locator:
    return page.locator(f'tr[data-name="{name}"]')


def pick_up(page: Page, what: Locator, over: Locator) -> None:
    """Take something with the mouse and hold it over something else."""
    page.locator("#days").evaluate("it => it.scrollIntoView()")
    start, end = what.bounding_box(), over.bounding_box()
    assert start is not None
    assert end is not None
    page.mouse.move(start["x"] + 20, start["y"] + 12)
    page.mouse.down()
    page.mouse.move(start["x"] + 26, start["y"] + 16, steps=2)
    page.mouse.move(end["x"] + 20, end["y"] + 12, steps=5)


def choose(where: Page | Locator, name: str) -> None:
    """Choose a member of those who could have the turn."""
    field = where.get_by_label("Who has it")
    value = field.locator("option", has_text=name).get_attribute("value")
    field.select_option(value=value)


# --- by mouse -------------------------------------------------------------------------------------------------------------


def test_a_member_is_dragged_onto_a_turn_told_first_what_it_breaks_and_taken_back(browser: Browser, hall: Served) -> None:
    """Ivo Brandt is not trained and holds no key; Hattie Lowe has no turn on the 1st."""
    turn = turn_id(hall, 1)
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + MONTH)
        pick_up(page, row(page, "Ivo Brandt"), cell(page, turn))
        expect(page.locator("#rota-line")).to_contain_text("Ivo Brandt instead of Ida Fenwick.")
        expect(page.locator("#rota-line")).to_contain_text("Ivo Brandt is not trained yet, and nobody trained is there")
        assert holder(hall, turn) == "Ida Fenwick"
        page.locator("#days").hover()
        expect(page.locator("#rota-line")).to_be_empty()
        page.mouse.up()
        pick_up(page, row(page, "Hattie Lowe"), cell(page, turn))
        expect(page.locator("#rota-line")).to_contain_text("It breaks nothing.")
        page.mouse.up()
        expect(page.locator("#rota-last")).to_contain_text("Hattie Lowe has it now, and Ida Fenwick had it before.")
        expect(cell(page, turn)).to_contain_text("Hattie Lowe")
        expect(cell(page, turn)).to_contain_text("locked")
        assert holder(hall, turn) == "Hattie Lowe"
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("#rota-last")).to_contain_text("Ida Fenwick has it now, and Hattie Lowe had it before.")
        expect(cell(page, turn)).not_to_contain_text("locked")
    assert holder(hall, turn) == "Ida Fenwick"
    assert said == []


def test_a_turn_is_dragged_onto_another_and_onto_nobody(browser: Browser, hall: Served) -> None:
    one, other = turn_id(hall, 1), turn_id(hall, 2)
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + MONTH)
        pick_up(page, cell(page, one), cell(page, other))
        expect(page.locator("#rota-line")).to_contain_text("Desk on Tue, Dec 1, 10 am to 2 pm: Cora Whitlock.")
        page.mouse.up()
        expect(page.locator("#rota-last")).to_contain_text("Cora Whitlock has it now, and Ida Fenwick has Desk on Wed, Dec 2")
        assert (holder(hall, one), holder(hall, other)) == ("Cora Whitlock", "Ida Fenwick")
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("#rota-last")).to_contain_text("Ida Fenwick has it now")
        assert (holder(hall, one), holder(hall, other)) == ("Ida Fenwick", "Cora Whitlock")
        pick_up(page, cell(page, one), row(page, "nobody"))
        expect(page.locator("#rota-line")).to_contain_text("nobody instead of Ida Fenwick")
        page.mouse.up()
        expect(cell(page, one)).to_contain_text("nobody yet")
        expect(row(page, "nobody")).to_contain_text("27")
    assert holder(hall, one) == "nobody"
    assert said == []


def test_what_cannot_be_is_said_and_nothing_moves(browser: Browser, hall: Served) -> None:
    """On Saturday the 12th Effie Rudd has the desk in the morning, while another is there from 11 on."""
    with transaction(hall.sessions) as session:
        first = desk_turn(session, 12)
        of_day = select(Turn.id).where(
            Turn.rota_id == first.rota_id, Turn.on_date == first.on_date, Turn.post_id == first.post_id
        )
        later = session.scalars(of_day.order_by(Turn.starts_at)).all()[1]
    before = holder(hall, later)
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(hall.base + MONTH)
        pick_up(page, row(page, "Effie Rudd"), cell(page, later))
        expect(page.locator("#rota-line")).to_contain_text("Effie Rudd cannot have Desk on Sat, Dec 12, 11 am to 6 pm")
        page.mouse.up()
        expect(page.locator("#rota-line .mistake")).to_contain_text("Give one of them to somebody else first.")
    assert holder(hall, later) == before != "Effie Rudd"


# --- by keyboard ----------------------------------------------------------------------------------------------------------


def test_a_turn_is_given_by_keyboard_where_it_stands(browser: Browser, hall: Served) -> None:
    turn = turn_id(hall, 2)
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + MONTH)
        cell(page, turn_id(hall, 1, opens=False)).get_by_role("link").focus()
        page.keyboard.press("ArrowRight")
        expect(cell(page, turn).get_by_role("link")).to_be_focused()
        page.keyboard.press("Enter")
        box = page.get_by_role("dialog")
        expect(box.get_by_role("heading", name="Desk Wednesday, Dec 2, 2026")).to_be_visible()
        expect(box.get_by_label("Who has it")).to_be_focused()
        page.keyboard.type("Ivo")
        expect(box.locator("#would")).to_contain_text("Ivo Brandt instead of Cora Whitlock")
        expect(box.locator("#would")).to_contain_text("nobody there holds a key")
        page.keyboard.press("Escape")
        expect(box).to_be_hidden()
        expect(cell(page, turn).get_by_role("link")).to_be_focused()
        page.keyboard.press("Enter")
        expect(box.get_by_label("Who has it")).to_be_focused()
        page.keyboard.type("Hattie")
        expect(box.locator("#would")).to_contain_text("It breaks nothing.")
        tab_to(page, "button", "Give it")
        page.keyboard.press("Enter")
        expect(box).to_be_hidden()
        expect(cell(page, turn)).to_contain_text("Hattie Lowe")
        expect(cell(page, turn).get_by_role("link")).to_be_focused()
        expect(page.locator("#rota-said")).to_contain_text("Hattie Lowe has it now, and Cora Whitlock had it before.")
        tab_to_undo(page)
        page.keyboard.press("Enter")
        expect(cell(page, turn)).to_contain_text("Cora Whitlock")
    assert holder(hall, turn) == "Cora Whitlock"
    assert said == []


def tab_to_undo(page: Page) -> None:
    for _ in range(80):
        if page.evaluate("document.activeElement.closest('#rota-last') !== null && document.activeElement.tagName === 'BUTTON'"):
            return
        page.keyboard.press("Shift+Tab")
    raise AssertionError("no Shift+Tab reaches Undo")


def test_a_refusal_keeps_the_turn_open(browser: Browser, hall: Served) -> None:
    """Somebody else moves a turn while this one is looked at."""
    turn, elsewhere = turn_id(hall, 2), turn_id(hall, 3)
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(hall.base + MONTH)
        cell(page, turn).get_by_role("link").click()
        box = page.get_by_role("dialog")
        choose(box, "Hattie Lowe")
        with transaction(hall.sessions) as session:
            session.get_one(Turn, elsewhere).locked = True
            rota = session.get_one(Rota, session.get_one(Turn, elsewhere).rota_id)
            rota.drafted_at = NOW
        box.get_by_role("button", name="Give it").click()
        expect(box.locator(".mistake")).to_contain_text("The rota of December 2026 was changed since this page was shown")
        box.get_by_role("button", name="Give it").click()
        expect(cell(page, turn)).to_contain_text("Hattie Lowe")


# --- on a phone, and without a script -------------------------------------------------------------------------------------


def test_a_phone_has_a_list_by_day_and_gives_a_turn(browser: Browser, hall: Served) -> None:
    turn = turn_id(hall, 1)
    with context(browser, hall, "manager", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + MONTH)
        days = page.locator(".day")
        first, second = days.nth(0).bounding_box(), days.nth(1).bounding_box()
        assert first is not None
        assert second is not None
        assert first["x"] == second["x"]
        assert second["y"] >= first["y"] + first["height"]
        link = cell(page, turn).get_by_role("link")
        there = link.bounding_box()
        assert there is not None
        assert there["height"] >= 24
        link.click()
        box = page.get_by_role("dialog")
        choose(box, "Hattie Lowe")
        box.get_by_role("button", name="Give it").click()
        expect(cell(page, turn)).to_contain_text("Hattie Lowe")
        assert width_of(page) == PHONE[0]
    assert holder(hall, turn) == "Hattie Lowe"
    assert said == []


def test_all_of_it_works_without_a_script(browser: Browser, hall: Served) -> None:
    turn = turn_id(hall, 1)
    with context(browser, hall, "manager", NARROWEST, script=False) as opened:
        page = opened.new_page()
        page.goto(hall.base + MONTH)
        assert width_of(page) == NARROWEST[0]
        cell(page, turn).get_by_role("link").click()
        choose(page, "Amos Pell")
        page.get_by_role("button", name="What would it break?").click()
        expect(page.get_by_text("Amos Pell has more than 1 turn on Tue, Dec 1.")).to_be_visible()
        choose(page, "Hattie Lowe")
        page.get_by_role("button", name="Give it").click()
        expect(page.locator("#rota-last")).to_contain_text("Hattie Lowe has it now, and Ida Fenwick had it before.")
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("#rota-last")).to_contain_text("Ida Fenwick has it now")
    assert holder(hall, turn) == "Ida Fenwick"


# --- drafted and published ------------------------------------------------------------------------------------------------


def test_a_month_is_drafted_while_its_page_says_how_far_and_published(browser: Browser, hall: Served) -> None:
    """What the draft cannot cover it says with the reason; a published turn asks for consent."""
    turn = turn_id(hall, 1)
    with context(browser, hall, "manager", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + MONTH)
        page.get_by_label("Seconds at most").fill("3")
        page.get_by_label("Seed").fill("7")
        page.get_by_role("button", name="Draft December 2026").click()
        expect(page.locator("#progress-line")).to_have_text("The draft waits for its turn.")
        expect(page.get_by_role("button", name="Stop it and keep the best so far")).to_be_visible()
        assert finish_jobs(hall) >= 1
        expect(page.get_by_role("heading", name="The last draft")).to_be_visible()
        expect(page.locator("#drafted ~ p").first).to_contain_text("with the seed 7")
        page.get_by_text("How near it is to the best there is").click()
        expect(page.get_by_role("row", name="The hours covered")).to_be_visible()
        expect(page.locator("#live ~ #after")).to_contain_text("Draft it again")
        expect(cell(page, turn)).to_have_attribute("draggable", "true")
        page.get_by_role("button", name="Publish December 2026").click()
        expect(page.get_by_role("status").first).to_contain_text("The rota of December 2026 is published")
        pick_up(page, row(page, "Ivo Brandt"), cell(page, turn))
        page.mouse.up()
        box = page.get_by_role("dialog")
        expect(box.locator("#would")).to_contain_text("Ivo Brandt instead of")
        box.get_by_role("button", name="Give it").click()
        expect(box.locator(".mistake")).to_contain_text("nobody is moved without consent: ask Ivo Brandt")
        box.get_by_label("It is agreed with whoever comes").check()
        box.get_by_role("button", name="Give it").click()
        expect(cell(page, turn)).to_contain_text("Ivo Brandt")
        expect(page.get_by_role("button", name="Undo")).to_have_count(0)
    with transaction(hall.sessions) as session:
        changes = session.scalars(select(TurnChange.how).where(TurnChange.turn_id == turn).order_by(TurnChange.id)).all()
    assert changes[-1] == "moved"
    assert [one for one in said if "422" not in one] == []


def test_an_audit_finds_nothing_on_a_month_with_its_turn_open_and_on_the_pages_beside(
    browser: Browser, hall: Served, axe: str
) -> None:
    turn = turn_id(hall, 1)
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, desk_turn(session, 1).rota_id)
        rota.outcome, rota.drafted_at = OUTCOME, NOW
    beside = (
        "/office/rota/",
        "/office/rota/MAIN/fairness",
        "/office/rota/MAIN/2026-11",
        "/office/rota/MAIN/2027-01",
        f"{MONTH}/turns/{turn}?member=nobody",
        f"{MONTH}?moved={turn}&had=2",
        f"{MONTH}?who=2",
    )
    faults = []
    for scheme, size in (("light", DESKTOP), ("dark", PHONE)):
        with context(browser, hall, "manager", size, scheme=scheme, bypass_csp=True) as opened:
            page = opened.new_page()
            faults += faults_of(page, axe, hall.base, beside, size)
            page.set_viewport_size({"width": size[0], "height": size[1]})
            page.goto(hall.base + MONTH)
            faults += audited(page, axe, f"{MONTH}, {scheme}")
            cell(page, turn).get_by_role("link").click()
            choose(page.get_by_role("dialog"), "Amos Pell")
            expect(page.get_by_role("dialog").locator("#would")).to_contain_text("It would break")
            faults += audited(page, axe, f"a turn, {scheme}")
    assert faults == []
