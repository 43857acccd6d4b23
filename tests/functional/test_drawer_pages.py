"""The pages of drawers and of a dealer's money in a real browser: audited, at 320 pixels, and a drawer counted without script."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from playwright.sync_api import Browser
from sqlalchemy import select

from coop.books.payments import receive_payment
from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.devices import register_device, report_queue
from coop.sales.drawers import count_drawer, pay_out, put_float
from coop.sales.models import DrawerCount
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited_in_both,
    context,
    listen,
    width_of,
)

pytestmark = pytest.mark.browser

DRAWERS = "/office/sales/drawers/MAIN"
PAGES = [
    *(("manager", DRAWERS + end) for end in ("", "?month=2026-10", "/count", "/put-in", "/paid-out", "/to-bank")),
    *(("manager", f"/office/dealers/D01{end}") for end in ("", "/bounced", "/chargeback", "/charge")),
    ("auditor", DRAWERS),
    ("desk", "/home"),
    ("desk", DRAWERS),
    ("desk", f"{DRAWERS}/count"),
]
ROLES = ("manager", "auditor", "desk")


@pytest.fixture
def kept(served: Served) -> Served:
    """Two drawers counted, one of them short, a device with tickets on it, a check of D01's."""
    with transaction(served.sessions) as session:
        mall = session.get_one(Mall, served.house.mall.id)
        users = served.house.users
        put_float(session, NOW, mall, key="f", drawer="front", amount_cents=150_00, on=date(2026, 11, 1))
        paid = {"drawer": "front", "amount_cents": 12_40, "on": date(2026, 11, 2)}
        pay_out(session, NOW, mall, key="p", what_for="Postage", reason="two rolls of stamps", **paid)
        counts = (("", 225_00, "desk"), ("front", 140_00, "bookkeeper"), ("front", 137_60, "desk"))
        for n, (drawer, cents, who) in enumerate(counts):
            count_drawer(
                session,
                NOW + timedelta(minutes=n),
                mall,
                key=f"c{n}",
                drawer=drawer,
                on=date(2026, 11, 2),
                counted_cents=cents,
                counted_by=users[who],
                seconded_by=users["manager"],
                note="A roll of quarters was open" if n == 1 else "",
            )
        register_device(session, NOW, mall, "fair booth tablet")
        report_queue(session, NOW, mall, "fair booth tablet", 3)
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        receive_payment(session, NOW, mall, dealer, amount_cents=270_00, paid_by="check", on=date(2026, 11, 2), reference="1187")
    return served


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_any_page_of_drawers(
    browser: Browser,
    kept: Served,
    axe: str,
    size: tuple[int, int],
) -> None:
    faults = []
    for who in ROLES:
        with context(browser, kept, who, size, bypass_csp=True) as opened:
            page = opened.new_page()
            for path in [path for whose, path in PAGES if whose == who]:
                answer = page.goto(kept.base + path)
                assert answer is not None
                assert answer.status == 200, path
                faults += audited_in_both(page, axe, path)
    assert faults == []


def test_no_page_of_drawers_scrolls_sideways_at_320_pixels(browser: Browser, kept: Served) -> None:
    wide = []
    for who in ROLES:
        with context(browser, kept, who, NARROWEST) as opened:
            page = opened.new_page()
            said = listen(page)
            for path in [path for whose, path in PAGES if whose == who]:
                page.goto(kept.base + path)
                width = width_of(page)
                if width > NARROWEST[0]:
                    wide.append((path, width))
            assert said == []
    assert wide == []


def test_the_desk_counts_a_drawer_by_its_bills_and_coins_without_script(browser: Browser, kept: Served) -> None:
    with context(browser, kept, "desk", PHONE, script=False) as opened:
        page = opened.new_page()
        page.goto(kept.base + "/home")
        page.get_by_role("link", name="count the drawer").click()
        assert "By the books" not in page.locator("thead").first.inner_text()
        page.get_by_role("link", name="Count the drawer front", exact=True).click()
        page.get_by_label("$20 bills").fill("6")
        page.get_by_label("Quarters").fill("60")
        page.get_by_label("Cash in it").fill("135.50")
        page.get_by_role("button", name="Keep the count").click()
        assert "The bills and coins below come to $135.00" in page.content()
        page.get_by_label("Cash in it").fill("")
        page.get_by_label("Counted with").select_option("manager@example.org")
        page.get_by_role("button", name="Keep the count").click()
        assert "Drawer front is counted: $135.00, $2.60 short." in page.get_by_role("status").inner_text()
    with kept.sessions() as session:
        newest = session.scalars(select(DrawerCount).order_by(DrawerCount.id.desc()).limit(1)).one()
        assert (newest.on, newest.counted_cents, newest.expected_cents) == (date(2026, 11, 3), 135_00, 137_60)
        assert (newest.counted_by, newest.seconded_by) == (kept.house.users["desk"], kept.house.users["manager"])
