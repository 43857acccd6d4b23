"""Turns in real browsers: two dealers press one swap at once, a turn is swapped by keyboard on a phone, pages are audited."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page
from sqlalchemy import select

from coop.core.db import Sessions, make_sessions, transaction
from coop.dealers import service as people
from coop.floor.service import hold_mall
from coop.shifts import offering
from coop.shifts.models import TurnHelper
from coop.shifts.offering import Terms
from coop.shifts.turn_models import TurnChange, TurnOffer
from tests.factories.swaps import CODES, Swaps
from tests.functional.browsing import DESKTOP, NOW, PHONE, faults_of, listen, serving, settings_in, site_at, tab_to, window

pytestmark = pytest.mark.browser


@dataclass
class Yard:
    """The mall of swaps on an address, with a session of each dealer."""

    base: str
    sessions: Sessions
    swaps: Swaps
    tokens: dict[str, str]

    def window(self, browser: Browser, code: str, size: tuple[int, int], *, scheme: str = "light") -> BrowserContext:
        return window(browser, self.base, self.tokens[code], size, scheme=scheme, bypass_csp=True)

    def offer(self, day: int, by: str, terms: Terms | None = None) -> str:
        """Offer somebody's turn; the path of the offer."""
        with transaction(self.sessions) as session:
            turn = self.swaps.turn(session, day, opens=by != "D02")
            made = offering.offer_turn(session, NOW, turn, terms or Terms(), member_id=self.swaps.members[by])
            return f"/portal/turns/offers/{made.id}"


@pytest.fixture
def yard(database_url: str, tmp_path: Path) -> Iterator[Yard]:
    with site_at(settings_in(tmp_path, database_url)) as (app, engine):
        sessions = make_sessions(engine)
        with transaction(sessions) as session:
            swaps = Swaps(session, NOW)
            tokens = {
                code: people.begin_session(session, NOW, swaps.users[code], address="192.0.2.7", agent="a test") for code in CODES
            }
        with serving(app) as base:
            yield Yard(base, sessions, swaps, tokens)


def press_without_waiting(page: Page, name: str) -> None:
    """Press a button and go on at once, while the browser waits for its answer."""
    page.get_by_role("button", name=name).evaluate("button => setTimeout(() => button.click(), 0)")


def test_two_dealers_press_one_swap_at_once_and_one_of_them_has_it(browser: Browser, yard: Yard) -> None:
    """Both requests wait for what the test holds, and go on together; whoever comes second reads who was first."""
    path = yard.offer(9, "D03")
    with yard.window(browser, "D01", PHONE) as ida, yard.window(browser, "D02", DESKTOP) as amos:
        pages = [ida.new_page(), amos.new_page()]
        for page in pages:
            page.goto(yard.base + path)
        with transaction(yard.sessions) as session:
            hold_mall(session, yard.swaps.mall_id)
            for page in pages:
                press_without_waiting(page, "Take it")
        told = []
        for page in pages:
            page.locator(".said, .mistake").first.wait_for()
            told.append(page.inner_text("main"))
    won = [n for n, words in enumerate(told) if "The turn is yours. Both of you have signed for it" in words]
    assert len(won) == 1, told
    name = ("Ida Fenwick", "Amos Pell")[won[0]]
    lost = told[1 - won[0]]
    assert f"Desk on Wed, Dec 9, 10 am to 2 pm is taken already, by {name}." in lost
    assert f"{name} has taken it, and both have signed" in lost
    with transaction(yard.sessions) as session:
        made = session.scalars(select(TurnOffer)).one()
        assert yard.swaps.turn(session, 9).member_id == made.answered_by == yard.swaps.members[("D01", "D02")[won[0]]]
        assert len(session.scalars(select(TurnChange).where(TurnChange.offer_id == made.id)).all()) == 1


def go(page: Page, role: str, name: str) -> None:
    """Go there with the Tab key and press Enter."""
    tab_to(page, role, name)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def test_a_swap_on_two_phones_by_keyboard(browser: Browser, yard: Yard) -> None:
    with yard.window(browser, "D01", PHONE) as ida, yard.window(browser, "D03", PHONE) as ruth:
        mine, theirs = ida.new_page(), ruth.new_page()
        said = [listen(mine), listen(theirs)]
        mine.goto(yard.base + "/portal/")
        go(mine, "link", "Turns")
        go(mine, "link", "Thu, Dec 3, 10 am to 2 pm")
        tab_to(mine, "combobox", "Offered")
        mine.keyboard.type("for a turn")
        go(mine, "button", "Offer it")
        assert "Your turn is offered, and everybody sees it here." in mine.inner_text("main")
        theirs.goto(yard.base + "/portal/turns/")
        go(theirs, "link", "Thu, Dec 3, 10 am to 2 pm")
        tab_to(theirs, "combobox", "You give in return")
        theirs.keyboard.type("Desk on Wed, Dec 9")
        go(theirs, "button", "Offer this one in return")
        assert "Ida Fenwick is asked to agree." in theirs.inner_text("main")
        mine.goto(yard.base + "/portal/")
        go(mine, "link", "Ruth Ambler answers your offer of Desk on Thu, Dec 3, 10 am to 2 pm")
        go(mine, "button", "Agree, and swap")
        assert "The two turns are swapped." in mine.inner_text("main")
        assert "Wed, Dec 9, 10 am to 2 pm" in mine.inner_text("main")
        theirs.goto(yard.base + "/portal/turns/")
        assert "Thu, Dec 3, 10 am to 2 pm" in theirs.inner_text("main")
        assert said == [[], []]


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")])
def test_an_audit_finds_nothing_on_pages_of_turns_in_their_states(
    browser: Browser, yard: Yard, axe: str, size: tuple[int, int], scheme: str
) -> None:
    """A turn that can be offered, offers to take for money and in return, one answered, one ended, one that a rule bars."""
    open_one = yard.offer(9, "D03", Terms(pays_cents=35_00, words="Out of town"))
    answered, ended = yard.offer(3, "D01", Terms("swap")), yard.offer(10, "D01")
    alone = yard.offer(16, "D03", Terms(to_member_id=yard.swaps.members["D01"]))
    with transaction(yard.sessions) as session:
        made = session.get_one(TurnOffer, int(answered.rpartition("/")[2]))
        offering.answer_offer(session, NOW, made, yard.swaps.turn(session, 2), member_id=yard.swaps.members["D03"])
        made = session.get_one(TurnOffer, int(ended.rpartition("/")[2]))
        offering.withdraw_offer(session, NOW, made, member_id=yard.swaps.members["D01"])
        turn = f"/portal/turns/{yard.swaps.turn(session, 8).id}"
        ida = yard.swaps.members["D01"]
        session.add(TurnHelper(member_id=ida, name="Rufus", phone="", trained_on=None, named_at=NOW, ended_on=None))
    paths = {
        "D01": (open_one, answered, ended, alone, turn, "/portal/turns/", "/portal/"),
        "D03": (open_one, answered),
        "D04": (open_one, "/portal/turns/", "/portal/turns/availability", "/portal/turns/rota/MAIN/2026-12"),
    }
    faults = []
    for code, those in paths.items():
        with yard.window(browser, code, size, scheme=scheme) as opened:
            faults += faults_of(opened.new_page(), axe, yard.base, those, size)
    assert not faults, "\n".join(faults)
