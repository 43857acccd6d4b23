"""What the malls sold today and in the month so far, beside whole days they can be held against."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal
from html import unescape

from coop.core.db import transaction
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.service import take_tickets
from tests.integration.web.conftest import Web
from tests.integration.web.test_today import put_on, sell


def figures(web: Web, section: str) -> dict[str, list[str]]:
    """A table of sales: mall -> its figures."""
    page = web.browser("bookkeeper").get("/office/").text.partition(f'id="{section}"')[2].partition("</table>")[0]
    rows = re.findall(r'<tr[^>]*><th scope="row">([^<]+)</th>(.*?)</tr>', page)
    return {
        unescape(name): [re.sub(r"<[^>]+>", "", cell) for cell in re.findall(r"<td[^>]*>(.*?)</td>", cells)]
        for name, cells in rows
    }


MAIN = "Lantern Yard Antiques Hall"


def test_today_stands_beside_whole_days_of_the_same_weekday(web: Web) -> None:
    """A Tuesday. The mall's first day in the books is October 13, so there are three Tuesdays: $0, $60 and $30."""
    for on, cents in ((date(2026, 10, 13), 60_00), (date(2026, 10, 20), 30_00), (date(2026, 10, 26), 99_00)):
        sell(web, on, cents)
    assert figures(web, "trade") == {MAIN: ["0.00", "0.00", "30.00"]}
    sell(web, date(2026, 11, 3), 12_50)
    assert figures(web, "trade") == {MAIN: ["12.50", "0.00", "30.00"]}
    page = web.browser("bookkeeper").get("/office/").text
    assert "Today is not over: it stands beside whole days." in page
    assert "Tuesday last week" in page
    sell(web, date(2026, 10, 27), 40_00)
    assert figures(web, "trade") == {MAIN: ["12.50", "40.00", "43.33"]}
    # A fifth Tuesday is no part of it.
    sell(web, date(2026, 9, 29), 1000_00)
    assert figures(web, "trade") == {MAIN: ["12.50", "40.00", "32.50"]}


def test_the_month_so_far_stands_beside_the_same_days_of_the_year_before_where_there_are_any(web: Web) -> None:
    """Up to yesterday: $125.00, $42.50 and $9.99 of November 1 and 2. On the first of a month the month before is told whole."""
    sell(web, date(2026, 11, 3), 12_50)
    assert figures(web, "month") == {MAIN: ["177.49"]}
    assert "The same days of 2025" not in web.browser("manager").get("/office/").text
    put_on(web, datetime(2026, 12, 1, 18, tzinfo=UTC))
    page = web.browser("manager").get("/office/").text
    assert ">November 2026</h2>" in page
    assert "Nov 1 to Nov 30" in page
    assert figures(web, "month") == {MAIN: ["189.99"]}
    put_on(web, datetime(2026, 11, 3, 18, tzinfo=UTC))
    for on, cents in (
        (date(2025, 11, 1), 20_00),
        (date(2025, 11, 2), 5_00),
        (date(2025, 11, 3), 700_00),
        (date(2025, 10, 31), 90_00),
    ):
        sell(web, on, cents)
    assert figures(web, "month") == {MAIN: ["177.49", "25.00"]}


def test_each_mall_has_its_own_today_and_all_stand_together_below(web: Web) -> None:
    """At 9:00 in Chicago it is November 4 on Kiritimati already, where a sale of the 3rd is one of yesterday."""
    with transaction(web.sessions) as session:
        far = add_mall(session, web.clock.at, "FAR", name="Far Hall", timezone="Pacific/Kiritimati").id
        empty = add_mall(session, web.clock.at, "NEW", name="New Hall", timezone="America/Chicago").id
    assert empty
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, far)
        line = LineIn(1, None, "", "Shell", 1, Decimal(8), 8_00)
        noon = datetime(2026, 11, 2, 22, tzinfo=UTC)
        tickets = [TicketIn("shell", "1", "desk-1", "sale", noon, (line,), (TenderIn("cash"),), taxed=False)]
        take_tickets(session, web.clock.at, mall, tickets)
    sell(web, date(2026, 11, 3), 12_50)
    assert figures(web, "trade") == {
        "Far Hall": ["0.00", "–none yet", "–none yet"],
        MAIN: ["12.50", "0.00", "0.00"],
        "New Hall": ["0.00", "–none yet", "–none yet"],
        "All malls": ["12.50", "0.00", "0.00"],
    }
    assert figures(web, "month")["All malls"] == ["185.49"]


def test_the_chart_has_the_28_whole_days_before_today(web: Web) -> None:
    for on, cents in ((date(2026, 11, 3), 1_11), (date(2026, 10, 6), 2_22), (date(2026, 10, 5), 3_33)):
        sell(web, on, cents)
    chart = web.browser("auditor").get("/office/").text.partition("<figure")[2].partition("</figure>")[0]
    rows = re.findall(r'<th scope="row">([^<]+)</th><td class="amount">([^<]+)</td>', chart)
    assert len(rows) == 28
    assert rows[0] == ("Tuesday, Oct 6, 2026", "2.22")
    assert rows[-1] == ("Monday, Nov 2, 2026", "52.49")
