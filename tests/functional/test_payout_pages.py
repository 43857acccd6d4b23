"""Payouts in a real browser: a run prepared by one, approved by another, taken to the bank and paid; every page audited."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core import jobs
from coop.core.db import Sessions, make_sessions, transaction
from coop.core.sealed_text import FieldKeys
from coop.dealers import service as people
from coop.payouts.paying_out import check_payouts
from tests.databases import fill
from tests.factories.payouts import build_malls
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

AT = "/office/payouts"
PAGES = ("/", "/holds?month=2026-10", "/holds/2026-10/D01", "/checks", "/bank")
LEASE = timedelta(minutes=5)


@dataclass(frozen=True)
class Paying:
    """The app over two malls that have closed October, on an address."""

    base: str
    sessions: Sessions
    settings: Settings
    tokens: dict[str, str]

    def page(self, browser: Browser, who: str, size: tuple[int, int], *, scheme: str = "light") -> Page:
        return window(browser, self.base, self.tokens[who], size, scheme=scheme, bypass_csp=True).new_page()

    def work(self) -> None:
        """Make the files that were asked for."""
        with transaction(self.sessions) as session:
            claimed = jobs.claim_next(session, NOW, LEASE, queues=("statements",))
        assert claimed is not None
        jobs.run_job(self.sessions, claimed[0], lease=LEASE, settings=self.settings, token=claimed[1], clock=lambda: NOW)


@pytest.fixture
def paying(sqlite_database_url: str, tmp_path: Path) -> Iterator[Paying]:
    settings = settings_in(tmp_path, sqlite_database_url)

    def build(session: Session) -> dict[str, str]:
        """Sessions of the house's two users, by name."""
        malls = build_malls(session, NOW, FieldKeys.of(settings))
        users = {"books": malls.bookkeeper, "second": malls.second}
        return {
            name: people.begin_session(session, NOW, user_id, address="192.0.2.7", agent="Firefox/140.0")
            for name, user_id in users.items()
        }

    with site_at(settings) as (app, engine):
        tokens = fill(engine, "malls to be paid", build)
        with serving(app) as base:
            yield Paying(base, make_sessions(engine), settings, tokens)


@pytest.mark.parametrize(("size", "scheme"), [(DESKTOP, "light"), (PHONE, "dark")], ids=["desktop", "phone"])
def test_a_run_is_prepared_by_one_approved_by_another_and_paid(
    browser: Browser,
    paying: Paying,
    axe: str,
    size: tuple[int, int],
    scheme: str,
) -> None:
    books, second = (paying.page(browser, who, size, scheme=scheme) for who in ("books", "second"))
    said = listen(books)
    faults = faults_of(books, axe, paying.base + AT, PAGES, size)
    books.goto(f"{paying.base}{AT}/holds/2026-10/D01")
    books.get_by_label("Why").first.fill("What she owes is netted.")
    books.get_by_role("button", name="Decide").click()
    books.goto(f"{paying.base}{AT}/")
    books.get_by_role("button", name="Prepare the run").click()
    assert books.url.endswith("/runs/1")
    faults += faults_of(books, axe, paying.base + AT, ("/runs/1",), size)
    second.goto(f"{paying.base}{AT}/runs/1")
    second.get_by_label("Number of the first check").fill("1041")
    second.get_by_role("button", name="Approve run 1").click()
    paying.work()
    second.reload()
    with second.expect_download() as taken:
        second.get_by_role("button", name="Take the bank file").click()
    assert taken.value.suggested_filename == "payouts-run-1.ach"
    faults += faults_of(second, axe, paying.base + AT, ("/runs/1",), size)
    second.get_by_role("button", name="Mark run 1 paid").click()
    second.get_by_text("is in the books as paid").wait_for()
    second.get_by_role("link", name="D04").click()
    faults += faults_of(second, axe, paying.base + AT, ("/runs/1", "/runs/1/D04", "/runs/1/D02"), size)
    second.goto(f"{paying.base}{AT}/runs/1/D04")
    second.get_by_label("Why").fill("R03, no account")
    second.get_by_role("button", name="Note that it came back").click()
    second.get_by_text("it is owed again").wait_for()
    faults += faults_of(second, axe, paying.base + AT, ("/runs/1/D04", "/holds/2026-10/D04"), size)
    assert faults == []
    assert said == []
    with transaction(paying.sessions) as session:
        assert check_payouts(session) == []
    for page in (books, second):
        page.context.close()
