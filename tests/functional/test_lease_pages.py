"""The pages of leases in a real browser: audited, at 320 pixels, and a lease walked from waiting list to returned deposit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.models import Account, Posting
from coop.core.db import Sessions, make_sessions, transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_space
from coop.leases.posting import post_rents
from coop.leases.rules import CHECKLIST
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from tests.databases import fill
from tests.factories.house import PASSPHRASE, House, build_house
from tests.factories.leasing import Leasing, build_leasing
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited_in_both,
    context,
    listen,
    serving,
    settings_in,
    site_at,
    width_of,
)

pytestmark = pytest.mark.browser

MALL = "/office/leases/MAIN"


@pytest.fixture
def leasing(served: Served) -> Leasing:
    """The house with leases of every state."""
    with transaction(served.sessions) as session:
        return build_leasing(session, NOW, session.get_one(Mall, served.house.mall.id))


def pages(leasing: Leasing) -> list[tuple[str, str]]:
    """Every page of leases and dealers, with whose it is."""
    acts = [(2, "sign"), (leasing.fixed, "renew"), (leasing.fixed, "notice"), (leasing.noticed, "move-out")]
    acts += [(leasing.fixed, "deposit"), (leasing.moved_out, "settle"), (leasing.fixed, "space")]
    kinds = ("discount", "turns", "rise", "steps", "index", "sales-rent", "commission")
    ends = ["", "/all", "/new", "/waiting", "/waiting/new", "/rates", "/rules", "/rules/change", "/index-values", "/letters"]
    ends += ["/vacancies/14", f"/offers/{leasing.offer}", "/1/disputes/1"]
    ends += [f"/{lease}" for lease in (1, leasing.fixed, leasing.noticed, leasing.moved_out)]
    ends += [f"/{lease}/{act}" for lease, act in acts]
    ends += [f"/{leasing.fixed}/terms/{kind}" for kind in kinds]
    ends += [f"/1/spaces/1/{act}" for act in ("resize", "price", "share", "give-up")]
    own = ("/portal/lease", "/portal/lease/1/notice", f"/portal/charges/{leasing.charge}/dispute", "/portal/offers/1")
    return [
        *(("manager", MALL + end) for end in ends),
        *(("manager", f"/office/dealers/{end}") for end in ("", "new", "D01", "D01/payment")),
        ("auditor", f"{MALL}/{leasing.fixed}"),
        *(("dealer", path) for path in (*own, "/portal/waiting")),
    ]


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_any_page_of_leases(
    browser: Browser,
    served: Served,
    axe: str,
    leasing: Leasing,
    size: tuple[int, int],
) -> None:
    faults = []
    for who in ("manager", "auditor", "dealer"):
        with context(browser, served, who, size, bypass_csp=True) as opened:
            page = opened.new_page()
            for path in [path for whose, path in pages(leasing) if whose == who]:
                answer = page.goto(served.base + path)
                assert answer is not None
                assert answer.status == 200, path
                faults += audited_in_both(page, axe, path)
    assert faults == []


def test_no_page_of_leases_scrolls_sideways_at_320_pixels(browser: Browser, served: Served, leasing: Leasing) -> None:
    wide = []
    for who in ("manager", "dealer"):
        with context(browser, served, who, NARROWEST) as opened:
            page = opened.new_page()
            said = listen(page)
            for path in [path for whose, path in pages(leasing) if whose == who]:
                page.goto(served.base + path)
                width = width_of(page)
                if width > NARROWEST[0]:
                    wide.append((path, width))
            assert said == []
    assert wide == []


# --- from the waiting list to the returned deposit ------------------------------------------------------------------------


@dataclass
class Hall:
    """The app on an address, with a clock that the journey moves on."""

    base: str
    house: House
    sessions: Sessions
    now: datetime

    def post_month(self, month: Month) -> None:
        """What the daily job does on a month's last day."""
        self.now = datetime(month.year, month.month, month.days, 18, tzinfo=UTC)
        with transaction(self.sessions) as session:
            post_rents(session, self.now, session.get_one(Mall, self.house.mall.id), month)


@pytest.fixture
def hall(sqlite_database_url: str, tmp_path: Path) -> Iterator[Hall]:
    """The house with October over, a vacant booth of 80 square feet, and sales of $400.00 for D02."""
    moment: list[Hall] = []
    with site_at(settings_in(tmp_path, sqlite_database_url), lambda: moment[0].now) as (app, engine):
        house = fill(engine, "a house to let", _build)
        with serving(app) as base:
            moment.append(Hall(base, house, make_sessions(engine), NOW))
            yield moment[0]


def _build(session: Session) -> House:
    house = build_house(session, NOW, month_end=False)
    add_space(session, NOW, house.mall, "20", kind="booth", zone="front", width_in16=1920, depth_in16=1536, x_in16=3840)
    _sell(session, house.mall)
    return house


def _sell(session: Session, mall: Mall) -> None:
    amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
    line = LineIn(1, amos.id, "D02-900", "Pine dresser", 1, Decimal(400), tag_cents=40000)
    sold_at = datetime(2026, 11, 20, 18, tzinfo=UTC)
    ticket = TicketIn(
        key="test:900",
        number="900",
        source="desk-1",
        kind="sale",
        sold_at=sold_at,
        lines=(line,),
        tenders=(TenderIn("cash"),),
        taxed=False,
    )
    take_tickets(session, NOW, mall, [ticket])


def balances(sessions: Sessions) -> dict[str, int]:
    """Debit-positive cents by account."""
    with sessions() as session:
        rows = session.execute(
            select(Account.path, func.sum(Posting.amount_cents))
            .join(Posting, Posting.account_id == Account.id)
            .group_by(Account.path)
        )
        return {path: int(cents) for path, cents in rows if cents}


def sign_in(page: Page, hall: Hall, email: str, path: str) -> None:
    """Sign in anew, as after a long time away, and go to a page."""
    page.context.clear_cookies()
    page.goto(hall.base + "/sign-in")
    page.get_by_label("Mail address").fill(email)
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()
    page.goto(hall.base + path)


def said(page: Page) -> str:
    return page.get_by_role("status").inner_text()


def test_a_lease_from_the_waiting_list_to_the_returned_deposit(browser: Browser, hall: Hall) -> None:
    """Booth 20: 80.00 sq ft at $2.25, $180.00 a month.

    November 3 to 30 is 28/30 of it, $168.00; December $180.00. Sold $9.99 and $400.00: $61.99 is left to the dealer. Deposit
    $180.00, of which $25.00 is kept for a shelf and $155.00 goes back. Booth 12 of D01 is $270.00 in each of the two months.
    """
    before = balances(hall.sessions)
    office = browser.new_context(viewport={"width": DESKTOP[0], "height": DESKTOP[1]}).new_page()
    portal = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}).new_page()
    complaints = listen(office) + listen(portal)

    # He asks, on his phone.
    sign_in(portal, hall, "amos@example.org", "/portal/lease")
    portal.get_by_role("link", name="Ask for one").click()
    portal.get_by_label("In zone").select_option("front")
    portal.get_by_role("button", name="Ask for it").click()
    assert said(portal).startswith("You are on the waiting list.")

    # The manager offers.
    sign_in(office, hall, "manager@example.org", "/office/")
    office.get_by_role("navigation", name="Pages").get_by_role("link", name="Leases", exact=True).click()
    office.get_by_role("button", name="Make the offer of Booth 20 to Amos Pell").click()
    assert said(office) == "Booth 20 is offered until Nov 10, 2026. Write the letter next."
    office.get_by_role("button", name="Write the letter").click()
    assert "The letter is written" in said(office)

    # He takes it, and signs.
    portal.get_by_role("link", name="My lease").first.click()
    portal.get_by_role("link", name="Booth 20 at Lantern Yard Antiques Hall").click()
    assert "$180.00 a month" in portal.get_by_role("main").inner_text()
    portal.get_by_role("button", name="Take it").click()
    mine = portal.get_by_role("region", name="Lantern Yard Antiques Hall from Nov 3, 2026")
    mine.get_by_role("button", name="Sign the lease").click()
    assert "Write your full name" in portal.get_by_role("main").inner_text()
    mine.get_by_label("Your full name").fill("Amos Pell")
    mine.get_by_role("button", name="Sign the lease").click()
    assert said(portal) == "You signed the lease as Amos Pell."
    assert "168.00" in mine.get_by_role("row", name="Rent of November 2026").inner_text()

    # The deposit is taken.
    office.get_by_role("navigation", name="Pages").get_by_role("link", name="Leases", exact=True).click()
    deposits = office.get_by_role("region", name="Deposits")
    deposits.get_by_role("link", name="D02", exact=True).click()
    office.get_by_role("link", name="Take a deposit").click()
    assert office.get_by_label("Amount, in dollars").input_value() == "180.00"
    office.get_by_role("button", name="Take the deposit").click()
    assert said(office) == "$180.00 is taken as a deposit."
    lease_address = office.url.partition("#")[0]

    # He gives notice two days later: too early a day is refused, and he mends it.
    hall.now = datetime(2026, 11, 5, 15, tzinfo=UTC)
    sign_in(portal, hall, "amos@example.org", "/portal/lease")
    mine.get_by_role("link", name="Give notice").click()
    portal.get_by_label("Last day").fill("2026-11-30")
    portal.get_by_role("button", name="Give notice").click()
    wrong = portal.get_by_label("Last day")
    assert wrong.get_attribute("aria-invalid") == "true"
    assert wrong.input_value() == "2026-11-30"
    wrong.fill("2026-12-31")
    portal.get_by_role("button", name="Give notice").click()
    assert said(portal).startswith("You gave notice: your last day is Dec 31, 2026.")

    # Two months of rent, by the clock.
    hall.post_month(Month(2026, 11))
    hall.post_month(Month(2026, 12))

    # Moved out, looked over, settled.
    hall.now = datetime(2027, 1, 4, 16, tzinfo=UTC)
    sign_in(office, hall, "manager@example.org", lease_address.removeprefix(hall.base))
    office.get_by_role("link", name="Moved out").click()
    office.get_by_label("On").fill("2026-12-31")
    office.get_by_role("button", name="Note it").click()
    assert said(office) == "Moved out on Dec 31, 2026. Go through the list next."
    for thing in CHECKLIST:
        office.get_by_role("group", name="Looked at now").get_by_label(thing).check()
    office.get_by_label("Looked at by").fill("Ruth Ambler")
    office.get_by_role("button", name="Done", exact=True).click()
    office.get_by_role("link", name="Settle the deposit").click()
    off = office.get_by_role("group", name="Taken off 1")
    off.get_by_label("What for").fill("a broken shelf")
    office.get_by_role("button", name="Settle the deposit").click()
    assert off.get_by_label("What for").input_value() == "a broken shelf"
    off.get_by_label("Amount, in dollars").fill("25")
    office.get_by_role("button", name="Settle the deposit").click()
    assert said(office) == "The deposit is settled: $155.00 goes back."
    sign_in(portal, hall, "amos@example.org", "/portal/lease")
    assert "$0.00 held" in mine.inner_text()

    after = balances(hall.sessions)
    moved = {path: after.get(path, 0) - before.get(path, 0) for path in {*before, *after}}
    assert {path: cents for path, cents in moved.items() if cents} == {
        "Liabilities:Dealers:MAIN:D01": 54000,
        "Liabilities:Dealers:MAIN:D02": 16800 + 18000,
        "Income:Booth-rent:MAIN": -(27000 + 27000 + 16800 + 18000),
        "Income:Damages:MAIN": -2500,
        "Assets:Bank": 18000 - 15500,
    }
    assert after["Liabilities:Dealers:MAIN:D02"] == -(999 + 40000 - 16800 - 18000)
    assert "Liabilities:Deposits:MAIN:D02" not in after
    assert complaints == []
