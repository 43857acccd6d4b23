"""A bay of which a new exit takes the first four feet, on every page: what stood there is never measured along what is left."""

from __future__ import annotations

import re
from datetime import date, timedelta
from html import unescape

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.overflow.models import BayRow, OverflowDraft, Stay
from tests.factories.overflow_floor import NOW, lay_bay, lay_piece, lay_stay
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_overflow_draft import outcome
from tests.integration.web.test_overflow_office import lend_east
from tests.integration.web.test_overflow_walks import words

AT = "/office/overflow/MAIN"
TODAY = date(2026, 11, 3)
WAS = "beside the bay as it is now ({} along it as it was until Nov 2, 2026)"
FLAT_FILE, LOCKERS = WAS.format('0" to 3\' 10"'), WAS.format("3' 11\" to 7' 11\"")


@pytest.fixture
def cut(web: Web) -> dict[str, int]:
    """The ids of the stays, by their pieces. What stands wholly in what is left was put into it."""
    with transaction(web.sessions) as session:
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        old = lay_bay(session, web.house.mall, "E9-1", length=168, x=1000, ended_on=TODAY)
        now = lay_bay(session, web.house.mall, "E9-1", length=120, x=1048, starts_on=TODAY)
        placed = (("Flat file", old, 0, 46), ("Locker bank", old, 47, 48), ("Bank of drawers", now, 48, 24))
        return {
            name: lay_stay(
                session,
                lay_piece(session, dealer, name, (width, 18, 30)),
                bay,
                TODAY - timedelta(days=10),
                TODAY + timedelta(days=30),
                at=at,
            ).id
            for name, bay, at, width in placed
        }


def test_the_page_of_the_bay_draws_what_stands_in_it_now(web: Web, cut: dict[str, int]) -> None:
    page = web.browser("auditor").get(f"{AT}/bays/E9-1").text
    said = words(page)
    assert f"Flat file , D01: {FLAT_FILE}" in said
    assert f"Locker bank , D01: {LOCKERS}" in said
    assert f"1 Flat file, D01, until Dec 3, 2026; {FLAT_FILE}." in said
    assert "Bank of drawers , D01: 4' 0\" to 6' 0\", Oct 24, 2026" in said
    # A foot of a bay of ten is 26 pixels: what is left of the lockers is 47 in., and no more than that is drawn of them.
    weeks = page[page.index('class="overflow-bay-weeks"') :].partition("</svg>")[0]
    assert sorted({points.split(",")[1].split()[0] for points in re.findall(r'<polygon points="([^"]*)"', weeks)}) == ["0", "104"]
    assert "Flat file" not in weeks
    assert 'Free: 1" from 3\' 11" on; 4\' 0" from 6\' 0" on.' in said
    assert not re.search(r'(?:width|height)="-', page)


def test_every_list_tells_the_place_as_it_was(web: Web, cut: dict[str, int]) -> None:
    manager = web.browser("manager")
    plan = words(manager.get(AT).text)
    assert plan.count(FLAT_FILE) == plan.count(LOCKERS) == 1
    assert f"bay E9-1 in aisle E9, {FLAT_FILE}" in words(manager.get(f"{AT}/stays/{cut['Flat file']}").text)
    walk = send(manager, f"{AT}/walks").location
    page = manager.get(walk).text
    assert page.count('id="bay-E9-1"') == 1, "one heading"
    said = words(page)
    assert said.index("Bank of drawers") < said.index("Flat file") < said.index("Locker bank"), "first what is along the bay"
    assert FLAT_FILE in said
    bays = words(manager.get(f"{AT}/bays").text)
    assert "4' 1\"" in bays[bays.index("E9-1") :], "an inch and four feet of it are free"


def test_a_phone_is_told_how_a_piece_stands(web: Web, cut: dict[str, int]) -> None:
    """The column falls away there: what does not just stay on says so below its name."""
    with transaction(web.sessions) as session:
        session.get_one(Stay, cut["Bank of drawers"]).ends_on = TODAY + timedelta(days=2)
    page = web.browser("auditor").get(AT).text
    row = next(one for one in re.findall(r"<tr>.*?</tr>", page, re.S) if "Bank of drawers" in one)
    assert '<small class="narrow-only">last day Nov 5, 2026</small>' in row
    stays = next(one for one in re.findall(r"<tr>.*?</tr>", page, re.S) if "Flat file" in one)
    assert "narrow-only" not in stays


def test_what_was_done_tells_days_as_people_write_them(web: Web, cut: dict[str, int]) -> None:
    with transaction(web.sessions) as session:
        line: dict[str, str] = {"action": "stay lengthened", "subject_kind": "overflow stay", "subject_id": str(cut["Flat file"])}
        session.add(AuditLog(at=web.clock.at, detail="D01, until 2026-12-04, order 2026-13-99", **line))
    page = words(web.browser("auditor").get(f"{AT}/stays/{cut['Flat file']}").text)
    assert "stay lengthened, D01, until Dec 4, 2026, order 2026-13-99" in page


def nothing_given(session: Session, mall: Mall, first_day: date) -> None:
    """A draft of four weeks that is worked out, and in which nobody gets anything."""
    said = {**outcome(0, 0, 0), "placements": [], "answers": [], "moves": []}
    row = OverflowDraft(mall_id=mall.id, first_day=first_day, weeks=4, seconds=5, outcome=said, created_at=NOW)
    session.add(row)


def test_the_weeks_of_a_draft_are_drawn_along_bays_as_they_are(web: Web, cut: dict[str, int]) -> None:
    """Of a foot 26 pixels are drawn."""
    with transaction(web.sessions) as session:
        nothing_given(session, web.house.mall, date(2026, 11, 9))
    page = web.browser("auditor").get(f"{AT}/draft").text
    weeks = page[page.index('id="weeks-E9-1-title"') :].partition("</svg>")[0]
    assert f"Locker bank, D01, {LOCKERS}, Oct 24" in unescape(weeks)
    assert sorted({points.split(",")[1].split()[0] for points in re.findall(r'<polygon points="([^"]*)"', weeks)}) == ["0", "104"]


def test_the_map_of_a_later_week_calls_no_day_of_it_today(web: Web) -> None:
    hall = lend_east(web)
    with transaction(web.sessions) as session:
        bay = session.scalars(select(BayRow).where(BayRow.mall_id == hall.mall.id, BayRow.code == "A2-2")).one()
        dealer = session.scalars(select(Dealer).where(Dealer.code == "V1")).one()
        lay_stay(session, lay_piece(session, dealer), bay, date(2026, 11, 23), date(2026, 12, 6))
        nothing_given(session, hall.mall, date(2026, 11, 9))
    page = web.browser("auditor").get("/office/overflow/EAST/draft?week=3").text
    assert "1 Pine chest, V1, moves in Nov 23, 2026, until Dec 6, 2026" in page
    assert "moves in today" not in page
