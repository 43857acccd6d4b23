"""A reset in a real browser on a phone: from measuring the booth to the last move ticked, with the network cut in the middle."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.floor.models import Mall
from coop.resets.models import BoothMeasure, BoothSet
from coop.resets.planning import keep_plan, newest_plan
from coop.resets.reset_models import Reset, ResetPlan
from coop.resets.ticking import done_of
from coop.resets.ways import set_floor
from tests.factories.resets import in16
from tests.functional.browsing import DESKTOP, NOW, PHONE, Served, context, faults_of, finish_jobs, listen, serve, tab_to

pytestmark = pytest.mark.browser


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    yield from serve(sqlite_database_url, tmp_path, month_end=False)


def newest(hall: Served) -> tuple[int, list[int], set[int]]:
    """The latest reset's id, the numbers of its newest plan's moves, and those that are ticked."""
    with transaction(hall.sessions) as session:
        row = session.scalars(select(Reset).order_by(Reset.id.desc())).first()
        assert row is not None
        plan = session.scalars(select(ResetPlan).where(ResetPlan.reset_id == row.id).order_by(ResetPlan.number.desc())).first()
        assert plan is not None
        return row.id, [move["number"] for move in plan.value["moves"]], done_of(session, plan)


def press(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def test_a_reset_from_measuring_the_booth_to_the_last_ticked_move(browser: Browser, hall: Served) -> None:
    with transaction(hall.sessions) as session:
        mall = session.get_one(Mall, hall.house.mall.id)
        set_floor(session, NOW, mall, "By the dock", in16(120), in16(60), user_id=hall.house.users["manager"])
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(hall.base + "/portal/resets/")
        page.get_by_role("link", name="Nov 3, 2026 by Ida Fenwick").click()
        page.get_by_role("link", name="Measure it again").click()
        page.get_by_label("Depth of the aisle").fill("5' 6\"")
        press(page, "Keep it")
        with transaction(hall.sessions) as session:
            assert session.scalars(select(BoothMeasure.aisle_in16).order_by(BoothMeasure.number.desc())).first() == 66 * 16
        for laid in (hall.house.resets.stands, hall.house.resets.draft):
            page.goto(f"{hall.base}/portal/resets/sets/{laid}")
            expect(page.get_by_text("was measured again on")).to_be_visible()
            press(page, "Lay the set over the newer measuring")
        page.goto(hall.base + "/portal/resets/booths/MAIN/12/reset")
        page.get_by_label("On", exact=True).fill("2026-11-03")
        page.get_by_label("People", exact=True).fill("3")
        page.get_by_label("By the dock").check()
        press(page, "Plan it")
        page.wait_for_url("**/resets/days/*")
        expect(page.locator("#progress-line")).to_have_text("The order is being worked out. You may leave this page.")
        finish_jobs(hall)
        expect(page.get_by_role("heading", name="Moves")).to_be_visible(timeout=15_000)
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]

        # In the booth: the page is opened with a network, which then goes.
        page.get_by_role("link", name="Moves, to tick off").click()
        page.wait_for_function(
            "async () => { const cache = await caches.open('reset-moves-1'); return !!(await cache.match(location.pathname)); }"
        )
        reset_id, numbers, _ = newest(hall)
        expect(page.locator("#moves-left")).to_have_text(f"{len(numbers)} of {len(numbers)} to go.")
        page.get_by_role("button", name=f"Done move {numbers[0]}", exact=True).click()
        expect(page.locator("#moves-left")).to_have_text(f"{len(numbers) - 1} of {len(numbers)} to go.")
        assert page.evaluate("document.activeElement.closest('li').dataset.number") == str(numbers[1]), "it goes on at the next"
        opened.set_offline(True)
        page.get_by_role("button", name=f"Done move {numbers[1]}", exact=True).click()
        expect(page.locator("#moves-network")).to_contain_text("1 tick is kept on this phone")
        page.reload()
        expect(page.locator("#moves-left")).to_have_text(f"{len(numbers) - 2} of {len(numbers)} to go.")
        for number in numbers[2:]:
            page.get_by_role("button", name=f"Done move {number}", exact=True).click()
        expect(page.locator("#moves-left")).to_have_text("Every move is done.")
        # While a page is loaded again the cut network lets a request through now and then: the second tick may have come.
        come = newest(hall)[2]
        assert numbers[0] in come
        assert come.isdisjoint(numbers[2:]), "what was ticked without a network has not come yet"
        opened.set_offline(False)
        expect(page.locator("#moves-network")).to_have_text("", timeout=20_000)
        assert newest(hall)[2] == set(numbers)

        page.goto(f"{hall.base}/portal/resets/days/{reset_id}")
        press(page, "It is done: the set stands")
        expect(page.get_by_text("The reset is done: the set stands.")).to_be_visible()
        with transaction(hall.sessions) as session:
            assert session.get_one(BoothSet, hall.house.resets.draft).state == "stands"
        assert [one for one in said if "ERR_INTERNET_DISCONNECTED" not in one and "Failed to fetch" not in one] == []


def test_ticks_kept_for_an_earlier_order_are_sent_when_the_phone_has_a_newer_one(browser: Browser, hall: Served) -> None:
    with transaction(hall.sessions) as session:
        row = session.get_one(Reset, hall.house.resets.reset)
        first = newest_plan(session, row)
        assert first is not None
        first_id, number = first.id, first.value["moves"][0]["number"]
        keep_plan(session, NOW, row, dict(first.value), first.made_of)
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        moves = f"{hall.base}/portal/resets/days/{hall.house.resets.reset}/moves"
        page.goto(moves)
        key, kept = (
            f"reset-ticks:{hall.house.resets.reset}:1",
            f'{{"{number}": {{"done": true, "at": "2026-11-03T15:00:00.000Z"}}}}',
        )
        page.evaluate("([key, kept]) => localStorage.setItem(key, kept)", [key, kept])
        page.reload()
        expect(page.locator("#moves-network")).to_contain_text("Ticks of an earlier order")
        assert page.evaluate("key => localStorage.getItem(key)", key) is None
        with transaction(hall.sessions) as session:
            assert done_of(session, session.get_one(ResetPlan, first_id)) == {number}
        page.reload()
        expect(page.get_by_text("have changed since this order was worked out")).to_be_visible()


def test_a_phone_that_ticks_on_an_order_is_told_of_a_newer_one(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/portal/resets/days/{hall.house.resets.reset}/moves")
        page.get_by_role("button", name="Done move 1", exact=True).click()
        expect(page.locator("#moves-left")).to_have_text("4 of 5 to go.")
        expect(page.locator("#moves-network")).to_have_text("")
        with transaction(hall.sessions) as session:
            row = session.get_one(Reset, hall.house.resets.reset)
            first = newest_plan(session, row)
            assert first is not None
            keep_plan(session, NOW, row, dict(first.value), first.made_of)
        page.get_by_role("button", name="Done move 2", exact=True).click()
        expect(page.locator("#moves-network")).to_contain_text("worked out again since this page was opened")


def test_where_a_missing_tick_stops_the_order_the_moves_before_are_ticked_on(browser: Browser, hall: Served) -> None:
    with transaction(hall.sessions) as session:
        row = session.get_one(Reset, hall.house.resets.reset)
        first = newest_plan(session, row)
        assert first is not None
        stopped = {**first.value, "first": 3, "moves": [], "stopped": "The lamp stands on nothing."}
        keep_plan(session, NOW, row, stopped, "stopped")
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/portal/resets/days/{hall.house.resets.reset}")
        page.get_by_role("link", name="Moves, to tick off").click()
        expect(page.get_by_text("The lamp stands on nothing. These are the moves of the order before")).to_be_visible()
        page.get_by_role("button", name="Done move 1", exact=True).click()
        expect(page.locator("#moves-left")).to_have_text("4 of 5 to go.")


def test_signed_out_a_phone_keeps_nothing_of_it(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", PHONE) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/portal/resets/days/{hall.house.resets.reset}/moves")
        page.wait_for_function("async () => !!(await (await caches.open('reset-moves-1')).match(location.pathname))")
        press(page, "Sign out")
        expect(page.get_by_text("You are signed out.")).to_be_visible()
        assert page.evaluate("caches.keys()") == []
        assert page.evaluate("localStorage.length") == 0


def test_a_tick_without_script_and_taken_back(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/portal/resets/days/{hall.house.resets.reset}/moves")
        page.get_by_role("button", name="Done move 1", exact=True).click()
        expect(page.get_by_text("Move 1 is done.")).to_be_visible()
        assert newest(hall)[2] == {1}
        page.get_by_role("button", name="Take the tick back move 1", exact=True).click()
        assert newest(hall)[2] == set()


def test_a_reset_is_planned_and_ticked_by_keyboard(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "dealer", DESKTOP) as opened:
        page = opened.new_page()
        page.goto(hall.base + "/portal/resets/days")
        tab_to(page, "link", "Plan a reset of Booth 12")
        page.keyboard.press("Enter")
        page.wait_for_url("**/reset")
        # The house has one planned on the first day the form offers.
        page.get_by_label("On", exact=True).fill("2026-12-03")
        tab_to(page, "button", "Plan it")
        page.keyboard.press("Enter")
        page.wait_for_url("**/resets/days/*")
        page.goto(f"{hall.base}/portal/resets/days/{hall.house.resets.reset}/moves")
        tab_to(page, "button", "Done move 1")
        page.keyboard.press("Enter")
        expect(page.locator("#moves-left")).to_have_text("4 of 5 to go.")
        page.keyboard.press("Enter")
        expect(page.locator("#moves-left")).to_have_text("3 of 5 to go.")


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_pages_of_a_reset_are_audited(browser: Browser, hall: Served, axe: str, size: tuple[int, int]) -> None:
    reset = hall.house.resets.reset
    paths = [
        "/portal/resets/days",
        f"/portal/resets/days/{reset}",
        f"/portal/resets/days/{reset}/moves",
        f"/portal/resets/days/{reset}/change",
    ]
    for scheme in ("light", "dark"):
        with context(browser, hall, "dealer", size, scheme=scheme, bypass_csp=True) as opened:
            assert faults_of(opened.new_page(), axe, hall.base, paths, size) == []
