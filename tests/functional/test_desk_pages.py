"""The desk in a browser: by keyboard and on a phone, without a script; its pages and the office's of who came, audited."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser
from sqlalchemy import select

from coop.core.db import transaction
from coop.shifts.turn_models import Attendance, ChecklistTick
from tests.functional.browsing import DESKTOP, NARROWEST, PHONE, Served, audited_in_both, context, tab_to, width_of

pytestmark = pytest.mark.browser

ATTENDANCE = "/office/rota/MAIN/2026-11/attendance"
PAGES = [
    ("desk", "/desk/MAIN"),
    ("desk", "/desk/MAIN/turns/{open_turn}"),
    ("desk", "/desk/MAIN/turns/{today}"),
    ("manager", ATTENDANCE),
    ("manager", f"{ATTENDANCE}?state=worked"),
    ("auditor", ATTENDANCE),
    ("manager", "/office/rota/MAIN/2026-12/attendance"),
    ("manager", "/office/rota/MAIN/checklists"),
    ("auditor", "/office/rota/MAIN/checklists"),
]


def _path(served: Served, path: str) -> str:
    turns = served.house.turns
    return path.format(open_turn=turns.open_turn, today=turns.today)


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_the_pages_of_days_and_none_scrolls_sideways(
    browser: Browser, served: Served, axe: str, size: tuple[int, int]
) -> None:
    faults = []
    for who, path in PAGES:
        with context(browser, served, who, size, bypass_csp=True) as opened:
            page = opened.new_page()
            answer = page.goto(served.base + _path(served, path))
            assert answer is not None
            assert answer.status == 200, path
            faults += audited_in_both(page, axe, path)
            page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
            if width_of(page) > NARROWEST[0]:
                faults.append(f"{path}: {width_of(page)} pixels wide")
    assert faults == []


def test_a_member_signs_in_by_keyboard_ticks_the_list_and_signs_out_without_script(browser: Browser, served: Served) -> None:
    with context(browser, served, "desk", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + "/")
        assert page.url == served.base + "/desk/MAIN"
        tab_to(page, "button", "Sign Ida Fenwick in Desk, 10 am to 2 pm")
        page.keyboard.press("Enter")
        page.get_by_text("Ida Fenwick is signed in to Desk, 10 am to 2 pm.").wait_for()
        tab_to(page, "checkbox", "Lights on")
        page.keyboard.press("Space")
        tab_to(page, "button", "Tick them at opening")
        page.keyboard.press("Enter")
        page.get_by_text("1 line is ticked.").wait_for()
        page.get_by_role("button", name="Sign Ida Fenwick out").click()
        page.get_by_role("link", name="Count it now").click()
        assert "Count a drawer" in page.get_by_role("heading", level=1).inner_text()
    with transaction(served.sessions) as session:
        came = session.scalars(select(Attendance).where(Attendance.turn_id == served.house.turns.today)).one()
        assert came.signed_in_at is not None
        assert came.signed_out_at is not None
        assert session.scalars(select(ChecklistTick)).one().member_id is not None


def test_a_stand_in_takes_the_place_by_touch(browser: Browser, served: Served) -> None:
    with context(browser, served, "desk", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + "/desk/MAIN")
        page.get_by_role("link", name="Somebody else stands").first.click()
        page.get_by_label("Somebody else, who then has the turn").check()
        page.get_by_label("Who else").select_option("Amos Pell")
        page.get_by_role("button", name="Sign in", exact=True).click()
        assert "Amos Pell is signed in" in page.get_by_role("status").inner_text()


def test_the_manager_decides_a_no_show_without_script(browser: Browser, served: Served) -> None:
    with context(browser, served, "manager", DESKTOP, script=False) as opened:
        page = opened.new_page()
        page.goto(served.base + ATTENDANCE)
        page.get_by_label("Why Amos Pell, Desk on Mon, Nov 2, 2 to 6 pm").fill("The road was closed")
        page.get_by_role("button", name="Excuse it Amos Pell").click()
        assert "excused: it is not owed any more" in page.get_by_role("status").inner_text()
        assert "did not come, excused" in page.locator("main").inner_text()
