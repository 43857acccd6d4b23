"""Statements in a real browser: from a line to what it is made of, a question by keyboard, its answer; every page audited."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy.orm import Session

from coop.dealers import service as people
from tests.databases import fill
from tests.factories.house import add_person
from tests.factories.stated import build_stated
from tests.functional.browsing import (
    DESKTOP,
    NOW,
    PHONE,
    faults_of,
    listen,
    serving,
    settings_in,
    site_at,
    window,
)

pytestmark = pytest.mark.browser

OWN, OF_TWO = "/portal/statements/MAIN.D01.2025-03", "/portal/statements/MAIN.D02.2025-04"
DEALERS = (
    OWN,
    f"{OWN}/questions",
    *(f"{OWN}/lines/{line}" for line in ("sales/1", "returns/0", "charges/0", "charges/1", "charges/2", "opening/0")),
    *(f"{OWN}/lines/{line}" for line in ("closing/0", "next-rent/0", "year/0", "tax/0")),
)
OFFICES = ("/office/statements/MAIN.D01.2025-03/lines/charges/2", "/office/letters", "/office/letters/questions/")


@dataclass(frozen=True)
class Stated:
    """The app over two closed months, on an address."""

    base: str
    tokens: dict[str, str]

    def page(self, browser: Browser, who: str, size: tuple[int, int], *, scheme: str = "light") -> Page:
        return window(browser, self.base, self.tokens[who], size, scheme=scheme, bypass_csp=True).new_page()


@pytest.fixture
def stated(sqlite_database_url: str, tmp_path: Path) -> Iterator[Stated]:
    def build(session: Session) -> dict[str, str]:
        """Sessions of a manager and two dealers."""
        coop = build_stated(session, NOW)
        users = {
            "manager": add_person(session, NOW, "manager@example.org", ("manager",)),
            "dealer": add_person(session, NOW, "ida@example.org", ("dealer",), coop.dealers["D01"].member_id),
            "other dealer": add_person(session, NOW, "amos@example.org", ("dealer",), coop.dealers["D02"].member_id),
        }
        return {
            name: people.begin_session(session, NOW, user_id, address="192.0.2.7", agent="Firefox/140.0")
            for name, user_id in users.items()
        }

    with site_at(settings_in(tmp_path, sqlite_database_url)) as (app, engine):
        tokens = fill(engine, "stated", build)
        with serving(app) as base:
            yield Stated(base, tokens)


def tab_to_words(page: Page, words: str) -> None:
    """Go forward by keyboard until what holds the focus says these words."""
    for _n in range(120):
        page.keyboard.press("Tab")
        said = page.evaluate("(document.activeElement.labels?.[0] ?? document.activeElement).textContent.trim()")
        if said == words:
            return
    pytest.fail(f"no way by keyboard to {words}")


@pytest.mark.parametrize(("size", "scheme"), [(DESKTOP, "light"), (PHONE, "dark")], ids=["desktop", "phone"])
def test_a_dealer_follows_a_line_asks_and_reads_the_answer_by_keyboard(
    browser: Browser,
    stated: Stated,
    axe: str,
    size: tuple[int, int],
    scheme: str,
) -> None:
    dealer = stated.page(browser, "dealer", size, scheme=scheme)
    said = listen(dealer)
    dealer.goto(stated.base + OWN)
    tab_to_words(dealer, "Commission")
    dealer.keyboard.press("Enter")
    dealer.wait_for_url("**/lines/charges/2")
    assert "10% of $257.26" in dealer.inner_text("main")
    assert "Net sales, on which commission is taken" in dealer.inner_text("main")
    tab_to_words(dealer, "Your question")
    dealer.keyboard.type("Is commission taken on what came back?")
    tab_to_words(dealer, "Ask the manager")
    dealer.keyboard.press("Enter")
    dealer.get_by_text("Your question is asked.").wait_for()
    assert "waits for the manager’s answer" in dealer.inner_text("main")

    manager = stated.page(browser, "manager", size, scheme=scheme)
    told = listen(manager)
    manager.goto(stated.base + "/office/letters")
    tab_to_words(manager, "Questions 1 wait for an answer")
    manager.keyboard.press("Enter")
    manager.wait_for_url("**/letters/questions/")
    tab_to_words(manager, "Is commission taken on what came back?")
    manager.keyboard.press("Enter")
    manager.wait_for_url("**/letters/questions/1")
    tab_to_words(manager, "Your answer")
    manager.keyboard.type("No: returns are taken off first.")
    tab_to_words(manager, "Answer")
    manager.keyboard.press("Enter")
    manager.get_by_text("The answer is given").wait_for()

    dealer.reload()
    assert "No: returns are taken off first." in dealer.inner_text("main")
    assert faults_of(dealer, axe, stated.base, DEALERS, size) == []
    assert faults_of(manager, axe, stated.base, (*OFFICES, "/office/letters/questions/1"), size) == []
    other = stated.page(browser, "other dealer", size, scheme=scheme)
    assert faults_of(other, axe, stated.base, (f"{OF_TWO}/lines/payments/1",), size) == []
    answer = other.goto(f"{stated.base}{OWN}/lines/charges/2")
    assert answer is not None
    assert answer.status == 404
    assert said == told == []


def test_every_line_of_a_statement_leads_to_its_page_in_one_click(browser: Browser, stated: Stated) -> None:
    page = stated.page(browser, "other dealer", DESKTOP)
    for number in ("MAIN.D02.2025-03", "MAIN.D02.2025-04"):
        address = f"{stated.base}/portal/statements/{number}"
        page.goto(address)
        rows = page.eval_on_selector_all(
            "main section:not(.pictures) tbody tr:not(.part)",
            "all => all.map(row => row.querySelector('th a')?.href ?? row.innerText)",
        )
        assert len(rows) > 10
        sums = [row for row in rows if "#" in row]
        # Where nothing was paid there is no payment to lead to.
        lines = [row for row in rows if row not in sums and not row.startswith("Payments\tnone")]
        assert [row for row in lines if not row.startswith(f"{address}/lines/")] == []
        for line in dict.fromkeys(lines):
            answer = page.goto(line)
            assert answer is not None
            assert answer.status == 200, line
            assert page.locator(".caution").count() == 0, line
