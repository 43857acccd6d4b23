"""A boundary file brought in, a ZIP located and its place confirmed, in a real browser; the pages audited with that in them."""

from __future__ import annotations

import io
from datetime import date
from decimal import Decimal

import pytest
from playwright.sync_api import Browser

from coop.core.db import transaction
from coop.tax import boundaries, file_work
from coop.tax.importing import apply_import, keep_proposal, propose_file
from coop.tax.service import add_jurisdiction, set_rate
from tests.factories.tax import STATE
from tests.functional.browsing import (
    DESKTOP,
    NARROWEST,
    NOW,
    PHONE,
    Served,
    audited_in_both,
    context,
    finish_jobs,
    listen,
    width_of,
)
from tests.integration.web.test_tax_places import BOUNDARIES

pytestmark = pytest.mark.browser

PLACE = "/office/tax/places/MAIN"
PAGES = (
    f"{PLACE}?zip=90001&on=2026-12-01",
    f"{PLACE}?zip=90002&on=2026-12-01",
    f"{PLACE}?wanted=river&code=EL&on=2026-12-01",
    "/office/tax/files/2",
)


@pytest.fixture
def district(served: Served) -> Served:
    with transaction(served.sessions) as session:
        made = add_jurisdiction(session, code="EL-RIVER", name="River district", kind="district", state_fips=STATE, fips="77")
        set_rate(session, made, Decimal("0.25"), starts_on=date(2020, 1, 1))
    return served


@pytest.fixture
def mapped(district: Served) -> Served:
    with transaction(district.sessions) as session:
        proposed = propose_file(session, "boundary", "b.csv", io.BytesIO(BOUNDARIES.encode()))
        apply_import(session, NOW, keep_proposal(session, NOW, proposed).id)
    return district


def test_a_boundary_file_is_applied_and_seen_to_its_end_then_a_zip_becomes_the_malls_place(
    browser: Browser,
    district: Served,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(file_work, "SMALL", 0)
    monkeypatch.setattr(boundaries, "BATCH", 2)
    with context(browser, district, "manager", PHONE) as opened:
        page = opened.new_page()
        said = listen(page)
        page.goto(district.base + "/office/tax/files")
        page.get_by_label("File of rates or boundaries").set_input_files(
            {"name": "elder.csv", "mimeType": "text/csv", "buffer": BOUNDARIES.encode()}
        )
        page.get_by_role("button", name="Read it").click()
        page.get_by_text("You may leave this page", exact=False).wait_for()
        assert finish_jobs(district) >= 1
        page.get_by_role("button", name="Apply it").wait_for(timeout=60_000)
        page.get_by_role("button", name="Apply it").click()
        page.get_by_role("button", name="Stop it").wait_for()
        page.evaluate("document.documentElement.dataset.same = 'yes'")
        assert finish_jobs(district) >= 1
        page.get_by_role("button", name="Undo it").wait_for(timeout=60_000)
        assert page.evaluate("document.documentElement.dataset.same") == "yes"
        page.get_by_role("link", name="Files of rates and boundaries").click()
        page.get_by_role("link", name="Places").click()
        page.get_by_role("link", name="Set a new place from a day on").click()
        code = page.get_by_label("ZIP or ZIP+4 code")
        code.fill("90002")
        page.get_by_label("On", exact=True).fill("2026-12-01")
        page.get_by_role("button", name="Find it").click()
        told = code.get_attribute("aria-describedby")
        assert told is not None
        assert "ZIP 90002 is in 2 places" in page.locator(f"#{told.split()[-1]}").inner_text()
        page.get_by_role("link", name="It lies in place 2").click()
        assert page.get_by_role("row", name="Together").inner_text().split()[-1] == "5.75%"
        page.get_by_label("Rounded").select_option(label="item by item")
        page.get_by_role("button", name="Confirm the place of").click()
        page.get_by_text("is confirmed from Dec 1, 2026").wait_for()
        row = page.get_by_role("row", name="Dec 1, 2026")
        assert "confirmed by a person" in row.inner_text()
        assert "River district" in row.inner_text()
    assert said == []


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_an_audit_finds_nothing_on_places_with_figures(
    browser: Browser,
    mapped: Served,
    axe: str,
    size: tuple[int, int],
) -> None:
    faults = []
    with context(browser, mapped, "manager", size, bypass_csp=True) as opened:
        page = opened.new_page()
        for path in PAGES:
            page.goto(mapped.base + path)
            faults += audited_in_both(page, axe, path)
    assert faults == []


def test_places_with_figures_do_not_scroll_sideways(browser: Browser, mapped: Served) -> None:
    with context(browser, mapped, "manager", NARROWEST) as opened:
        page = opened.new_page()
        for path in PAGES:
            page.goto(mapped.base + path)
            assert width_of(page) <= NARROWEST[0], path
