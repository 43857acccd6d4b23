"""Lent floor in the office in a real browser: from the first rules to bays, and a wider aisle that makes pieces move today."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.jobs import claim_next, run_job
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.overflow.models import BayRow, Stay
from coop.overflow.survey_asking import group_of
from tests.factories.overflow_floor import lay_piece, lay_stay
from tests.factories.overflow_hall import build_overflow_hall
from tests.functional.browsing import DESKTOP, NARROWEST, NOW, PHONE, Served, audited_in_both, context, listen, serve, width_of

pytestmark = pytest.mark.browser

EAST = "/office/overflow/EAST"
_LEASE = timedelta(seconds=60)


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    """With a second mall whose plan is drawn, and that has lent no floor yet."""
    for served in serve(sqlite_database_url, tmp_path, month_end=False):
        with transaction(served.sessions) as session:
            build_overflow_hall(session, NOW, add_mall(session, NOW, "EAST", name="East Barn", timezone="America/Chicago"))
        yield served


def work_out(hall: Served) -> None:
    """Do the survey that waits, as a worker would on the day of the house."""
    with transaction(hall.sessions) as session:
        mall_id = session.scalars(select(Mall.id).where(Mall.code == "EAST")).one()
        claimed = claim_next(session, NOW, _LEASE, group_key=group_of(mall_id))
    assert claimed is not None, "a survey was asked for"
    run_job(hall.sessions, claimed[0], lease=_LEASE, token=claimed[1], clock=lambda: NOW)


def stand(hall: Served, code: str, dealer: str) -> int:
    with transaction(hall.sessions) as session:
        east = session.scalars(select(Mall).where(Mall.code == "EAST")).one()
        bay = session.scalars(select(BayRow).where(BayRow.mall_id == east.id, BayRow.code == code)).one()
        whose = session.scalars(select(Dealer).where(Dealer.code == dealer)).one()
        piece = lay_piece(session, whose, f"Chest of {dealer}", (36, 30, 30), weight_oz=960)
        return lay_stay(session, piece, bay, date(2026, 10, 20), date(2026, 12, 6)).id


def faults(page: Page, axe: str, path: str) -> list[str]:
    """What is wrong with the page that is shown, at a desk and on a phone."""
    found = audited_in_both(page, axe, path)
    page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
    if width_of(page) > NARROWEST[0]:
        found.append(f"{path}: scrolls sideways")
    page.set_viewport_size({"width": DESKTOP[0], "height": DESKTOP[1]})
    return found


def test_a_mall_begins_to_lend_and_a_wider_aisle_makes_pieces_move(browser: Browser, hall: Served, axe: str) -> None:
    with context(browser, hall, "manager", DESKTOP, bypass_csp=True) as opened:
        page = opened.new_page()
        complaints = listen(page)
        # From nothing: rules first, and with them the bays are worked out while the page is looked at.
        page.goto(hall.base + EAST)
        page.get_by_role("link", name="Set the house rules").click()
        page.get_by_label("Floor is charged").select_option("foot-week")
        page.get_by_role("button", name="Set the rules").click()
        expect(page.locator("#fee_cents-wrong")).to_contain_text("Write how many dollars, or let it be free.")
        page.get_by_label("Dollars a week, for each").fill("1.50")
        page.get_by_role("button", name="Set the rules").click()
        expect(page.get_by_role("status")).to_contain_text("The rules of overflow are set from Nov 3, 2026.")
        page.goto(hall.base + EAST)
        expect(page.locator("#steps")).to_contain_text("the bays are being worked out")
        work_out(hall)
        expect(page.locator("#steps")).to_contain_text("the bays are those of the plan", timeout=15_000)
        expect(page.locator("svg.overflow-map")).to_be_visible()

        # Pieces stand there; then the fire marshal wants more of the aisle.
        chest, other = stand(hall, "A2-2", "V1"), stand(hall, "A2-3", "V2")
        page.goto(f"{hall.base}/office/floor/EAST/aisles")
        page.get_by_label("Aisle", exact=True).select_option("A2")
        page.get_by_label("Clear width").fill("60")
        page.get_by_label("Who says so").fill("fire marshal")
        page.get_by_role("button", name="Set it").click()
        work_out(hall)
        page.goto(hall.base + EAST)
        expect(page.get_by_role("heading", level=2).first).to_have_text("✻ 2 pieces must move today")
        expect(page.locator(".must-move")).to_contain_text("says fire marshal")
        found = faults(page, axe, EAST)

        # One is moved to another place, the other asked back at once.
        page.locator(".must-move").get_by_role("link", name="Chest of V2").click()
        expect(page.get_by_text("It must move today.")).to_be_visible()
        found += faults(page, axe, "a stay")
        page.get_by_label("To bay").select_option("A1-1")
        page.get_by_role("button", name="Move it", exact=True).click()
        expect(page.get_by_role("status")).to_contain_text('It stands in bay A1-1 from 0" on')
        # Where it may not stand any more it is not moved back.
        expect(page.get_by_role("button", name="Undo: move it back")).to_have_count(0)
        page.goto(hall.base + EAST)
        page.get_by_role("button", name="Ask it back today, for safety Chest of V1 of V1").click()
        expect(page.locator("#must-move")).to_have_count(0)
        expect(page.locator("#leaving")).to_contain_text("One piece may not stand there, asked back already")
        page.locator("svg.overflow-map").get_by_role("link", name="Bay A2-2").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Bay A2-2")
        found += faults(page, axe, "a bay")

        # Where people come in is said on a booth's own page in Floor.
        page.goto(f"{hall.base}/office/floor/EAST/spaces/21")
        page.get_by_role("link", name="where no bay for overflow may be").click()
        opening = page.get_by_role("group", name="Opening 1")
        opening.get_by_label("On").select_option(label="side 3, at the bottom, 12' 0\" long")
        opening.get_by_label("From").fill("1'")
        opening.get_by_label("Wide").fill("6'")
        page.get_by_role("button", name="Keep these openings").click()
        expect(page.get_by_role("list").filter(has_text="6' 0\" wide, from 1' 0\" on")).to_be_visible()
        found += faults(page, axe, "openings")
        for path in ("/bays", "/rules", "/rules/change", "/fairness"):
            page.goto(hall.base + EAST + path)
            found += faults(page, axe, path)
        assert not found, "\n".join(found)
        # The form of rules was sent once without what it costs.
        assert [one for one in complaints if "422" not in one] == []
    with transaction(hall.sessions) as session:
        assert session.get_one(Stay, chest).ends_on == date(2026, 11, 3)
        assert session.get_one(Stay, other).ends_on == date(2026, 11, 2), "it stands elsewhere from today on"


def test_a_phone_reads_the_floor_in_the_dark(browser: Browser, hall: Served) -> None:
    with context(browser, hall, "auditor", PHONE, scheme="dark") as opened:
        page = opened.new_page()
        page.goto(f"{hall.base}/office/overflow/MAIN")
        expect(page.get_by_role("link", name="Hall bench").first).to_be_visible()
        page.get_by_text("Narrow the list").click()
        page.get_by_label("Which").select_option("comes")
        page.get_by_role("button", name="Show", exact=True).click()
        rows = page.locator("table").get_by_role("row")
        expect(rows).to_have_count(2)
        expect(rows.nth(1)).to_contain_text("Cane rocker")
