"""The pages of the bank in a real browser: audited, at 320 pixels, and a file walked from its choice to a month's sheet."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from sqlalchemy import select

from coop.books.bank_lines import bring_file
from coop.books.banking import take_to_bank
from coop.books.models import BankLine
from coop.books.service import pay_dealer
from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from tests.factories.banking import OCTOBER_LINES, csv_file, sell_by_card
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

BANK = "/office/bank"


@pytest.fixture
def lines(served: Served) -> dict[int, int]:
    """An October at the bank with something of each state; the id of each line by its cents."""
    with transaction(served.sessions) as session:
        mall = session.get_one(Mall, served.house.mall.id)
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        for check, cents in (("1041", 210_00), ("1043", 85_00), ("1045", 60_00)):
            pay_dealer(session, NOW, mall, amos, amount_cents=cents, on=date(2026, 11, 2), reference=check)
        for number in ("S-3", "S-4"):
            take_to_bank(session, NOW, mall, date(2026, 11, 1), 200_00, 0, number)
        for day, cents in ((2, 400_00), (3, 900_00), (4, 700_00)):
            sell_by_card(session, NOW, mall, amos, cents, date(2026, 11, day))
        text = csv_file(*OCTOBER_LINES[:15]).replace(b"10/", b"11/")
        # The bank dates nothing more than a week ahead.
        for day, becomes in ((12, 8), (13, 8), (14, 9), (15, 9), (21, 3), (22, 3), (27, 10)):
            text = text.replace(b"11/%02d" % day, b"11/%02d" % becomes)
        rows = [row.rpartition(b",")[0] for row in text.split(b"\r\n") if row]
        bring_file(session, NOW, "November of the co-op's own account, as the bank gives it.csv", b"\r\n".join(rows))
        return {line.amount_cents: line.id for line in session.scalars(select(BankLine))}


def pages(lines: dict[int, int]) -> list[str]:
    ends = ["/", "/?month=all&which=unmatched", "/months", "/months/2026-11", "/files"]
    return [BANK + end for end in ends] + [
        f"{BANK}/lines/{lines[cents]}" for cents in (200_00, 390_00, -2100_00, -160_00, -85_00)
    ]


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_any_page_of_the_bank(
    browser: Browser,
    served: Served,
    axe: str,
    lines: dict[int, int],
    size: tuple[int, int],
) -> None:
    faults = []
    with context(browser, served, "manager", size, bypass_csp=True) as opened:
        page = opened.new_page()
        for path in pages(lines):
            answer = page.goto(served.base + path)
            assert answer is not None
            assert answer.status == 200, path
            page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
            faults += audited_in_both(page, axe, path)
    assert faults == []


def test_no_page_of_the_bank_scrolls_sideways_at_320_pixels(
    browser: Browser,
    served: Served,
    lines: dict[int, int],
) -> None:
    wide = []
    with context(browser, served, "manager", NARROWEST) as opened:
        page = opened.new_page()
        said = listen(page)
        for path in pages(lines):
            page.goto(served.base + path)
            page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
            width = width_of(page)
            if width > NARROWEST[0]:
                wide.append((path, width))
        assert said == []
    assert wide == []


def test_from_the_bank_s_file_to_a_month_s_sheet(browser: Browser, served: Served, tmp_path: Path) -> None:
    """Two days in November: a payout by check and the bank's fee. The books are below zero, and are shown so."""
    file = tmp_path / "november.csv"
    file.write_bytes(b"Date,Description,Check Number,Amount\r\n11/05/2026,CHECK,1047,-85.00\r\n11/06/2026,FEE,,-9.00\r\n")
    with transaction(served.sessions) as session:
        mall = session.get_one(Mall, served.house.mall.id)
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        pay_dealer(session, NOW, mall, amos, amount_cents=85_00, on=date(2026, 11, 2), reference="1047")
    with context(browser, served, "bookkeeper", DESKTOP) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(f"{served.base}{BANK}/files")
        page.get_by_label("File of the bank").set_input_files(file)
        page.get_by_role("button", name="Bring it in").click()
        page.get_by_text("2 new lines are here.").wait_for()
        page.get_by_role("button", name="Match the line proposed").click()
        page.get_by_text("One line is matched.").wait_for()
        page.get_by_role("link", name="FEE", exact=True).click()
        page.get_by_text("The bank’s fee", exact=True).click()
        page.get_by_role("button", name="Enter it as the bank’s fee").click()
        page.get_by_text("The entry is made, and the line matched with it.").wait_for()
        page.goto(f"{served.base}{BANK}/months/2026-11")
        page.get_by_text("November 2026 is not over: it is reconciled from Dec 1, 2026 on.").wait_for()
        assert page.get_by_role("row", name="less the balance in the books").inner_text().split()[-1].startswith("−")
        assert said == []
