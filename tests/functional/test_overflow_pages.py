"""Lent floor from end to end in a real browser: bays worked out, floor asked for, drafted, published, read, walked, and told."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, expect
from sqlalchemy import select

from coop.core.db import transaction
from coop.core.jobs import Job, claim_next, run_job
from coop.core.mail import Outbox
from coop.dealers import service as people
from coop.dealers.models import Dealer, Member
from coop.floor.service import add_mall
from tests.factories.house import add_person
from tests.factories.overflow_floor import lay_rules
from tests.factories.overflow_hall import build_overflow_hall
from tests.functional.browsing import DESKTOP, NOW, Served, audited_in_both, context, listen, serve, width_of, window

pytestmark = pytest.mark.browser

EAST = "/office/overflow/EAST"
PHONE = (390, 844)
_LEASE = timedelta(seconds=60)


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    """With a second mall whose plan is drawn and whose rules are set, and that has lent no floor yet."""
    for served in serve(sqlite_database_url, tmp_path, month_end=False):
        with transaction(served.sessions) as session:
            east = add_mall(session, NOW, "EAST", name="East Barn", timezone="America/Chicago")
            build_overflow_hall(session, NOW, east)
            lay_rules(session, east)
        yield served


def work(hall: Served) -> list[str]:
    """Do what waits as a worker would on the day of the house; the kinds of lent floor's jobs that were done."""
    done: list[str] = []
    for at in range(1, 100):
        with transaction(hall.sessions) as session:
            claimed = claim_next(session, NOW + timedelta(seconds=3 * at), _LEASE)
        if claimed is None:
            return done
        run_job(hall.sessions, claimed[0], lease=_LEASE, settings=hall.settings, token=claimed[1], clock=lambda: NOW)
        with transaction(hall.sessions) as session:
            job = session.get_one(Job, claimed[0])
            if job.kind.startswith("overflow."):
                assert job.state == "done", f"{job.kind}: {job.error}"
                done.append(job.kind)
    raise AssertionError("the work does not end")


def vera(browser: Browser, hall: Served) -> BrowserContext:
    """A window of V1, who rents booth 21 of the barn and reads mail."""
    with transaction(hall.sessions) as session:
        member_id = session.scalars(select(Dealer.member_id).where(Dealer.code == "V1")).one()
        session.get_one(Member, member_id).email = "vera@example.org"
        user_id = add_person(session, NOW, "vera@example.org", ("dealer",), member_id)
        token = people.begin_session(session, NOW, user_id, address="192.0.2.7", agent="a test")
    return window(browser, hall.base, token, PHONE)


def words_of(pdf: bytes) -> str:
    return subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()


def mails(hall: Served) -> dict[str, str]:
    with transaction(hall.sessions) as session:
        rows = session.scalars(select(Outbox).where(Outbox.recipient == "vera@example.org"))
        return {row.subject: row.text_body for row in rows}


def test_floor_is_asked_for_drafted_published_read_walked_and_told(browser: Browser, hall: Served, axe: str) -> None:
    with (
        context(browser, hall, "manager", DESKTOP, bypass_csp=True) as office,
        vera(browser, hall) as portal,
        context(browser, hall, "manager", PHONE, bypass_csp=True) as aisles,
    ):
        page, own, phone = office.new_page(), portal.new_page(), aisles.new_page()
        said = [listen(one) for one in (page, own, phone)]

        # Bays are worked out from the plan.
        page.goto(hall.base + EAST)
        page.get_by_role("button", name="Work the bays out").click()
        assert "overflow.survey" in work(hall)
        page.goto(f"{hall.base}{EAST}/bays")
        expect(page.get_by_role("link", name="A1-1", exact=True).first).to_be_visible()

        # A dealer asks on a phone.
        own.goto(hall.base + "/portal/overflow/ask")
        own.get_by_label("Name", exact=True).fill("Pine chest")
        for label, length in (("Width", "3'"), ("Depth", "18"), ("Height", "30")):
            own.get_by_label(label, exact=True).fill(length)
        own.get_by_label("Not before").fill("2026-11-03")
        own.get_by_role("button", name="Ask for it").click()
        expect(own.get_by_role("heading", level=1)).to_contain_text("Floor for Pine chest")

        # The manager reads it, drafts from today on, follows the draft, and publishes it.
        page.goto(f"{hall.base}{EAST}/requests")
        expect(page.get_by_role("row", name="Pine chest")).to_contain_text("3' 0\" × 1' 6\" × 2' 6\"")
        page.get_by_role("link", name="a draft").click()
        page.get_by_label("First day").fill("2026-11-03")
        page.get_by_label("Weeks", exact=True).fill("4")
        page.get_by_label("Seconds at most").fill("5")
        page.get_by_label("Seed").fill("7")
        page.get_by_role("button", name="Draft it").click()
        expect(page.locator("#steps")).to_contain_text("waits to be drafted")
        assert "overflow.draft" in work(hall)
        # The page follows by itself, and shows what came of it.
        expect(page.get_by_role("heading", name="What came of it")).to_be_visible()
        expect(page.locator("#figures")).to_contain_text("1 of 1 requests granted.")
        line = page.get_by_role("row", name="Pine chest")
        reason = line.get_by_role("cell").last.inner_text()
        bay = line.get_by_role("link").nth(1).inner_text()
        assert f"in bay {bay}" in reason
        found = audited_in_both(page, axe, "the draft")
        page.get_by_role("button", name="Publish it").click()
        expect(page.get_by_text("one piece gets floor, and everybody who asked is told.")).to_be_visible()
        work(hall)

        # The dealer reads the answer with its reason, in the portal and by mail.
        own.reload()
        expect(own.locator("main")).to_contain_text(reason)
        assert reason in mails(hall)["Floor for your pieces: East Barn"]

        # The map has the piece.
        page.goto(hall.base + EAST)
        expect(page.locator("svg.overflow-map")).to_contain_text("1 Pine chest, V1")

        # The sheet is printed, and names bay, piece and dealer.
        page.goto(f"{hall.base}{EAST}/walks")
        page.get_by_role("button", name="Make the sheet").click()
        assert "overflow.sheet" in work(hall)
        sheet = page.get_by_role("link", name="The sheet of today")
        expect(sheet).to_be_visible()
        answer = office.request.get(hall.base + (sheet.get_attribute("href") or ""))
        read = words_of(answer.body())
        assert all(words in read for words in ("East Barn", "Pine chest", "V1", bay)), read

        # On the phone the piece is marked out of place; the mark is kept as it is made, and its dealer told once.
        phone.goto(f"{hall.base}{EAST}/walks")
        phone.get_by_role("button", name="Begin a walk").click()
        row = phone.get_by_role("group", name="Pine chest")
        row.get_by_label("Out of place").check()
        expect(phone.locator("#walk-said")).to_have_text("Kept: Pine chest, out of place.")
        expect(phone.locator("#looked")).to_have_text("1")
        row.get_by_label("Note").fill("a foot into the aisle")
        row.get_by_label("Note").blur()
        expect(phone.locator("#walk-said")).to_have_text("Kept: Pine chest, out of place (a foot into the aisle).")
        phone.reload()
        expect(row.get_by_label("Out of place")).to_be_checked()
        expect(row.get_by_label("Note")).to_have_value("a foot into the aisle")
        mark = row.locator(".walk-how label").first.bounding_box()
        assert mark is not None
        assert mark["height"] >= 44, "for a thumb"
        found += audited_in_both(phone, axe, "the walk")
        phone.get_by_role("button", name="Tell the dealers").click()
        expect(phone.get_by_text("The walk is over: one dealer is told.")).to_be_visible()
        assert width_of(phone) <= PHONE[0]
        work(hall)
        assert "out of place (a foot into the aisle)" in mails(hall)["Out of place: Pine chest"]
        own.goto(hall.base + "/portal/overflow/")
        expect(own.locator("main")).to_contain_text("out of place")

        assert found == []
        assert said == [[], [], []]
