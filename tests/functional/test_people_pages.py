"""People and sign-ins in a real browser: invited with the keyboard, accepted in a second browser, signed in there, locked out."""

from __future__ import annotations

from datetime import timedelta

import pytest
from playwright.sync_api import Browser

from coop.core.db import transaction
from coop.core.jobs import claim_next, run_job
from tests.functional.browsing import DESKTOP, NOW, PHONE, Served, audited, context, listen, tab_to

pytestmark = pytest.mark.browser

PEOPLE = "/office/settings/people"
LEASE = timedelta(seconds=60)
NEW = "a lamp under the oak stair"


def deliver(served: Served) -> None:
    """Send the mails that are queued, at the app's own time: a link does not last."""
    while True:
        with transaction(served.sessions) as session:
            claimed = claim_next(session, NOW, LEASE)
        if claimed is None:
            return
        run_job(served.sessions, claimed[0], lease=LEASE, settings=served.settings, token=claimed[1], clock=lambda: NOW)


def link_to(served: Served, email: str) -> str:
    """Where the link leads that a mail in the post-box brings to somebody."""
    mails = [path.read_text(encoding="utf-8") for path in (served.settings.maildir / "new").iterdir()]
    [mail] = [mail for mail in mails if f"To: {email}" in mail]
    text = mail.replace("=\n", "")
    return served.base + "/sign-in/link/" + text.split("/sign-in/link/")[1].split()[0].split('"')[0]


def test_somebody_is_invited_accepts_in_her_own_browser_and_signs_in(browser: Browser, served: Served, axe: str) -> None:
    with context(browser, served, "manager", DESKTOP, bypass_csp=True) as office:
        page = office.new_page()
        complaints = listen(page)
        page.goto(f"{served.base}/office/settings/")
        tab_to(page, "link", "People and sign-ins")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**{PEOPLE}")
        tab_to(page, "textbox", "Mail address")
        page.keyboard.type("orla@example.org")
        tab_to(page, "checkbox", "bookkeeper: books, bank and payouts")
        page.keyboard.press("Space")
        tab_to(page, "button", "Invite")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**{PEOPLE}/*")
        assert page.get_by_role("heading", level=1).inner_text() == "orla@example.org"
        assert (
            page.get_by_role("status").inner_text()
            == "An invitation is on its way to orla@example.org. It is good for seven days."
        )
        assert audited(page, axe, "the invited person's page") == []
        deliver(served)
        with context(browser, served, None, PHONE, bypass_csp=True) as hers:
            phone = hers.new_page()
            said = listen(phone)
            phone.goto(link_to(served, "orla@example.org"))
            assert phone.evaluate("document.activeElement.name") == "new"
            phone.keyboard.type("short")
            phone.keyboard.press("Tab")
            phone.keyboard.type("short")
            phone.keyboard.press("Enter")
            phone.get_by_text("Use 12 characters or more").wait_for()
            assert audited(phone, axe, "a passphrase that will not do") == []
            tab_to(phone, "textbox", "Passphrase")
            phone.keyboard.type(NEW)
            phone.keyboard.press("Tab")
            phone.keyboard.type(NEW)
            phone.keyboard.press("Enter")
            phone.wait_for_url("**/sign-in")
            assert phone.get_by_role("status").inner_text() == "Your passphrase is set. Sign in with it."
            phone.keyboard.type("orla@example.org")
            phone.keyboard.press("Tab")
            phone.keyboard.type(NEW)
            phone.keyboard.press("Enter")
            phone.wait_for_url("**/office/")
            page.reload()
            assert "may sign in" in page.locator("dl.facts").inner_text()
            tab_to(page, "button", "Lock")
            page.keyboard.press("Enter")
            page.get_by_text("locked since").wait_for()
            phone.goto(f"{served.base}/office/books/")
            assert "/sign-in?next=" in phone.url
            assert [line for line in said if "422" not in line] == []
        tab_to(page, "button", "Unlock")
        page.keyboard.press("Enter")
        page.get_by_text("may sign in again").wait_for()
        assert complaints == []
