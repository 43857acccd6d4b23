"""How dealers are paid, the year's totals, shared surpluses and releases in a real browser: audited; a release by two people."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from sqlalchemy import select

from coop.books.queries import balances
from coop.core.db import transaction
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, record_tax_form, set_detail
from coop.payouts.year import set_threshold
from tests.factories.house import PASSPHRASE
from tests.factories.release_rules import add_early_rule
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

AT = "/office/payouts"
PAGES = (
    *(("manager", f"{AT}{end}") for end in ("/year", "/year/thresholds", "/patronage", "/patronage/2025", "/releases/")),
    ("auditor", f"{AT}/releases/"),
    ("bookkeeper", "/office/dealers/D01/paying"),
    ("auditor", "/office/dealers/D01/paying"),
    ("dealer", "/portal/paid"),
    ("dealer", "/portal/paid/D01"),
)


@pytest.fixture
def year_end(served: Served) -> Served:
    """The house with D01 paid by transfer, her form on file, thresholds, and rules that let old money go."""
    keys = FieldKeys.of(served.settings)
    with transaction(served.sessions) as session:
        ida = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        way = Paying("ach", "person", "111000025", "000123456789", "checking")
        for how in (Paying("check"), way):
            set_detail(session, NOW, keys, ida, how, mail_domain="example.org")
        # The number is python-stdnum's own example.
        day = date(2026, 10, 30)
        record_tax_form(session, NOW, keys, ida, form="W-9", received_on=day, number_kind="SSN", number="536-90-4399")
        said = "an invented law, section 12"
        set_threshold(session, NOW, kind="payments", from_year=2026, amount_cents=500_00, least_count=1, said_by=said)
        for what in ("gift certificates", "unclaimed sales"):
            add_early_rule(session, NOW, what=what, starts_on=NOW.date(), after_days=1, goes_to="state", said_by=said)
    return served


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_and_nothing_scrolls_sideways(
    year_end: Served,
    browser: Browser,
    axe: str,
    size: tuple[int, int],
) -> None:
    faults = []
    for who in dict.fromkeys(who for who, _ in PAGES):
        at = context(browser, year_end, who, size, bypass_csp=True)
        page = at.new_page()
        for path in (path for one, path in PAGES if one == who):
            page.set_viewport_size({"width": size[0], "height": size[1]})
            answer = page.goto(year_end.base + path)
            assert answer is not None
            assert answer.status == 200, path
            faults += audited_in_both(page, axe, path)
            shots = os.environ.get("COOP_TEST_SHOTS")
            if shots:
                name = f"{path.strip('/').replace('/', '-')}-{who}-{size[0]}.png"
                page.screenshot(path=Path(shots) / name, full_page=True)
            page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
            if width_of(page) > NARROWEST[0]:
                faults.append(f"{path}: scrolls sideways")
        at.close()
    assert faults == []


def test_a_certificate_is_released_by_two_and_a_dealer_changes_her_account(year_end: Served, browser: Browser) -> None:
    books = context(browser, year_end, "bookkeeper", DESKTOP).new_page()
    faults = listen(books)
    books.goto(year_end.base + f"{AT}/releases/")
    books.get_by_label("Gift certificate 1001, MAIN").check()
    books.get_by_role("button", name="Ask for those ticked").click()
    assert "Asked for 1." in books.inner_text("main")
    assert books.get_by_role("button", name="Approve gift certificate 1001").count() == 0
    manager = context(browser, year_end, "manager", PHONE).new_page()
    manager.goto(year_end.base + f"{AT}/releases/")
    manager.get_by_role("button", name="Approve gift certificate 1001").click()
    assert "It is released and posted." in manager.inner_text("main")
    with year_end.sessions() as session:
        held = {row.path: row.amount_cents for row in balances(session)}
        assert held["Liabilities:Gift-certificates"] == 0
    hers = context(browser, year_end, "dealer", PHONE).new_page()
    hers.goto(year_end.base + "/portal/paid")
    assert "to the checking account ending 6789" in hers.inner_text("main")
    hers.get_by_role("link", name="Change how D01 is paid").click()
    hers.get_by_label("Account number", exact=True).fill("9990001111")
    hers.get_by_label("Account number, again").fill("9990001111")
    hers.get_by_label("Your passphrase").fill(PASSPHRASE)
    hers.get_by_role("button", name="Keep this").click()
    assert "to the checking account ending 1111" in hers.inner_text("main")
    assert faults == []
